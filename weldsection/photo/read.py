"""Read a photo, upright and checked, or say in one sentence why not."""

from __future__ import annotations

import hashlib
from pathlib import Path

import cv2
import numpy as np

from weldsection.errors import PhotoError
from weldsection.photo.complaints import caught
from weldsection.photo.decode import decode_with_pillow
from weldsection.photo.exif import ExifFacts, exif_facts, focal_length_px
from weldsection.photo.jpeg import jpeg_parts
from weldsection.photo.limits import check_not_even, check_size
from weldsection.photo.profile import as_srgb, is_srgb
from weldsection.records import ByteArray, Photo, PhotoOrigin

# 500 MB: more than any 120 MP picture needs, even uncompressed.
LARGEST_FILE_BYTES = 500_000_000
_KNOWN_BEGINNINGS = (
    b"\xff\xd8\xff", b"\x89PNG\r\n\x1a\n", b"II*\0", b"MM\0*", b"II+\0", b"MM\0+",
    b"BM", b"RIFF",
)  # fmt: skip


def read_photo(path: str | Path) -> Photo:
    """Read a photo, turned upright by its EXIF orientation.

    JPEG, PNG, TIFF (8 or 16 bit) and HEIC; grey, colour, transparent, palette
    or CMYK; embedded colour profiles are converted to sRGB.

    Raises
    ------
    PhotoError
        If there is no such file, it is no picture, is damaged or cut short, is
        too small or too large, or shows nothing but one even tone.
    """
    path = Path(path)
    data = _read_bytes(path)
    bgr, facts = _decode(data, path.name)
    bgr = turned_upright(bgr, facts.orientation)
    check_not_even(bgr, path.name)
    height, width = bgr.shape[:2]
    origin = PhotoOrigin(
        path=path,
        sha256=hashlib.sha256(data).hexdigest(),
        width_px=width,
        height_px=height,
        exif_orientation=facts.orientation,
        camera=facts.camera,
        taken=facts.taken,
        focal_length_px=focal_length_px(facts, width, height),
    )
    return Photo(bgr, origin)


def sha256_of(path: Path) -> str:
    """SHA-256 of a photo's file, as it stands in `PhotoOrigin`."""
    return hashlib.sha256(_read_bytes(path)).hexdigest()


def turned_upright(bgr: ByteArray, orientation: int) -> ByteArray:
    """Turn or mirror pixels as stored so that the picture stands upright.

    `orientation` is the EXIF value: 1 upright, 3 upside down, 6 and 8 lying on
    a side, and 2, 4, 5, 7 the same mirrored.

    Examples
    --------
    >>> stored = np.arange(6, dtype=np.uint8).reshape(2, 3, 1)
    >>> turned_upright(stored, 6)[:, :, 0].tolist()
    [[3, 0], [4, 1], [5, 2]]
    """
    turns = {
        2: lambda a: a[:, ::-1],
        3: lambda a: a[::-1, ::-1],
        4: lambda a: a[::-1],
        5: lambda a: a.transpose(1, 0, 2),
        6: lambda a: a[::-1].transpose(1, 0, 2),
        7: lambda a: a[::-1, ::-1].transpose(1, 0, 2),
        8: lambda a: a[:, ::-1].transpose(1, 0, 2),
    }
    if orientation not in turns:
        return bgr
    return np.ascontiguousarray(turns[orientation](bgr))


def _read_bytes(path: Path) -> bytes:
    """Read a file that may be a picture."""
    name = path.name or str(path)
    try:
        if path.is_dir():
            raise PhotoError(f"{name} is a folder; give the photos in it one by one.")
        if not path.exists():
            raise PhotoError(f"There is no file {path}; check its name and folder.")
        if not path.is_file():
            raise PhotoError(f"{name} is not a file; give a photo.")
        if path.stat().st_size > LARGEST_FILE_BYTES:
            raise PhotoError(f"{name} is larger than 500 MB; save it as JPEG.")
        data = path.read_bytes()
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise PhotoError(
            f"{name} cannot be read ({reason}); check its name and permissions."
        ) from error
    if not data:
        raise PhotoError(f"{name} is empty; copy the file from the camera again.")
    if not data.startswith(_KNOWN_BEGINNINGS) and data[4:8] != b"ftyp":
        raise PhotoError(
            f"{name} is not a picture, whatever its ending says; "
            "give a JPEG, PNG, TIFF or HEIC file."
        )
    return data


def _decode(data: bytes, name: str) -> tuple[ByteArray, ExifFacts]:
    """Give the pixels as stored and what the file says about itself."""
    if not data.startswith(b"\xff\xd8"):
        return decode_with_pillow(data, name)
    parts = jpeg_parts(data)
    if parts is None or not parts.complete:
        raise PhotoError(f"{name} is cut short; copy the file from the camera again.")
    check_size(parts.width_px, parts.height_px, name)
    if parts.channels not in (1, 3) or parts.bits != 8:
        return decode_with_pillow(data, name)
    flags = cv2.IMREAD_COLOR | cv2.IMREAD_IGNORE_ORIENTATION
    with caught() as complaints:
        bgr = cv2.imdecode(np.frombuffer(data, np.uint8), flags)
    if bgr is None or complaints.data_lost:
        raise PhotoError(
            f"{name} is damaged, not all of it can be decoded; "
            "copy the file from the camera again."
        )
    if parts.channels == 3 and not is_srgb(parts.icc_profile):
        bgr = as_srgb(bgr, parts.icc_profile)
    return np.asarray(bgr, dtype=np.uint8), exif_facts(parts.exif)
