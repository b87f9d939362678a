"""Pixels of PNG, TIFF, HEIC and uncommon JPEG files, by Pillow.

Pillow is imported only when such a file comes along; plain JPEG files never
wait for it.
"""

from __future__ import annotations

import io
import struct
import warnings
from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from weldsection.errors import PhotoError
from weldsection.photo.exif import ExifFacts, exif_facts
from weldsection.photo.limits import check_size
from weldsection.photo.profile import as_srgb, by_profile, is_srgb
from weldsection.records import ByteArray

if TYPE_CHECKING:
    from PIL import Image

_FORMATS = ("JPEG", "PNG", "TIFF", "BMP", "WEBP")
_DNG_VERSION, _ORIENTATION, _EXIF_DIRECTORY = 0xC612, 0x0112, 0x8769
_BITS, _PLANAR = 0x0102, 0x011C
# The boxes that describe a HEIC picture stand before its pixels.
_HEIF_HEAD_BYTES = 65536
_FAILURES = (
    OSError, ValueError, SyntaxError, EOFError, RuntimeError, TypeError,
    KeyError, IndexError, OverflowError, ZeroDivisionError, struct.error,
)  # fmt: skip


def decode_with_pillow(data: bytes, name: str) -> tuple[ByteArray, ExifFacts]:
    """Decode a picture as 8 bit blue-green-red in sRGB, pixels as stored.

    Raises
    ------
    PhotoError
        If the file is none of the kinds we read, is damaged, or has a size
        beyond the limits.
    """
    with warnings.catch_warnings():
        # Pillow warns of damaged tags, of which none is needed for the pixels
        warnings.simplefilter("ignore")
        picture = _opened(data, name)
        check_size(*picture.size, name)
        facts = _facts(picture)
        try:
            picture.load()
            facts = replace(facts, orientation=_turn_left_to_do(picture, data))
            profile = bytes(picture.info.get("icc_profile") or b"")
            return _as_bgr(_as_colours(_as_8_bit(picture)), profile), facts
        except PhotoError as error:
            raise PhotoError(f"{name}: {error}") from error
        except _FAILURES as error:
            raise PhotoError(
                f"{name} is damaged or cut short; copy the file from the camera again."
            ) from error


def _opened(data: bytes, name: str) -> Image.Image:
    """Open a picture without decoding it yet."""
    from PIL import Image  # noqa: PLC0415 - see above

    formats = ("HEIF",) if _registered_heif(data) else _FORMATS
    try:
        picture = Image.open(io.BytesIO(data), formats=formats)
    except Image.DecompressionBombError as error:
        raise PhotoError(
            f"{name} is far too large to measure; save a smaller copy."
        ) from error
    except _FAILURES as error:
        raise PhotoError(
            f"{name} is not a picture we can read, or is damaged; "
            "give a JPEG, PNG, TIFF or HEIC file."
        ) from error
    if picture.format == "TIFF":
        _check_tiff(getattr(picture, "tag_v2", {}), name)
    return picture


def _check_tiff(tags: Mapping[int, Any], name: str) -> None:
    """Refuse what would be decoded as something else than the photo."""
    if _DNG_VERSION in tags:
        raise PhotoError(f"{name} is a raw camera file; export it as JPEG or TIFF.")
    if tags.get(_PLANAR) == 2 and max(tags.get(_BITS, (8,))) > 8:
        raise PhotoError(
            f"{name} keeps 16 bit colours in separate planes, which we cannot read; "
            "save it with the colours interleaved, or as PNG."
        )


def _facts(picture: Image.Image) -> ExifFacts:
    try:
        tags = picture.getexif()
        tags.get_ifd(_EXIF_DIRECTORY)  # brings it into the block below
        return exif_facts(bytes(picture.info.get("exif") or tags.tobytes()))
    except _FAILURES:
        return ExifFacts()  # a broken block says nothing; the pixels may be good


def _turn_left_to_do(picture: Image.Image, data: bytes) -> int:
    """EXIF orientation that the decoder has not carried out itself.

    TIFF is turned by Pillow, which then clears the tag. HEIC is turned by its
    own rotation boxes; where it has none, the EXIF tag counts.
    """
    if picture.format != "HEIF":
        return int(picture.getexif().get(_ORIENTATION, 1))
    head = data[:_HEIF_HEAD_BYTES]
    if b"irot" in head or b"imir" in head:
        return 1
    return int(picture.info.get("original_orientation") or 1)


def _registered_heif(data: bytes) -> bool:
    """Whether the file is of the HEIC kind, whose reader is then made ready."""
    if data[4:8] != b"ftyp":
        return False
    from pillow_heif import register_heif_opener  # noqa: PLC0415 - HEIC only

    register_heif_opener()
    return True


def _as_8_bit(picture: Image.Image) -> Image.Image:
    """Bring 16 bit grey to 8 bit; Pillow brings 16 bit colour there by itself."""
    from PIL import Image  # noqa: PLC0415 - see above

    if picture.mode == "F":
        raise PhotoError("pixels are floating point; save it with 8 or 16 bit.")
    if picture.mode != "I" and not picture.mode.startswith("I;16"):
        return picture
    values = np.asarray(picture)
    grey = Image.fromarray((values.clip(0, 65535) // 257).astype(np.uint8))
    grey.info = dict(picture.info)
    return grey


def _as_colours(picture: Image.Image) -> Image.Image:
    """Give grey or colour pixels; transparent parts become white."""
    from PIL import Image  # noqa: PLC0415 - see above

    if (
        picture.mode in ("P", "PA", "LA", "La", "RGBa")
        or "transparency" in picture.info
    ):
        picture = picture.convert("RGBA")
    if picture.mode == "RGBA":
        white = Image.new("RGBA", picture.size, "white")
        picture = Image.alpha_composite(white, picture).convert("RGB")
    return picture


def _as_bgr(picture: Image.Image, icc_profile: bytes) -> ByteArray:
    """Give the pixels in sRGB, converted by the embedded profile."""
    if picture.mode == "CMYK":
        picture = by_profile(picture, icc_profile) or picture
        icc_profile = b""
    coloured = picture.mode == "RGB" and not is_srgb(icc_profile)
    pixels = np.asarray(picture.convert("RGB"), dtype=np.uint8)
    bgr = np.ascontiguousarray(pixels[:, :, ::-1])
    return as_srgb(bgr, icc_profile) if coloured else bgr
