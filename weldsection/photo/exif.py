"""Camera, time, orientation and focal length from an EXIF block.

References
----------
CIPA DC-008 (Exif), tags named beside their numbers; TIFF 6.0 for the layout of
the directories.
"""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass

_MAKE, _MODEL, _ORIENTATION, _EXIF_DIRECTORY = 0x010F, 0x0110, 0x0112, 0x8769
_TAKEN, _FOCAL_LENGTH, _FOCAL_LENGTH_35 = 0x9003, 0x920A, 0xA405
_WIDTH, _HEIGHT, _PLANE_RESOLUTION, _PLANE_UNIT = 0xA002, 0xA003, 0xA20E, 0xA210
# sizes of the value types BYTE, ASCII, SHORT, LONG, RATIONAL, UNDEFINED, SRATIONAL
_TYPE_SIZE = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 7: 1, 10: 8}
# unit of the focal plane resolution → mm: inch, cm, mm, µm
_UNIT_MM = {2: 25.4, 3: 10.0, 4: 1.0, 5: 0.001}
# diagonal of a 36 x 24 mm frame, to which "35 mm equivalent" refers (CIPA DC-X 2)
_FULL_FRAME_DIAGONAL_MM = math.hypot(36.0, 24.0)
# aspect ratios further apart than this mean that the picture was cropped
_SAME_ASPECT = 0.01

Value = int | float | str


@dataclass(frozen=True, slots=True)
class ExifFacts:
    """The few things a measurer wants to know of a photo."""

    orientation: int = 1
    camera: str | None = None
    taken: str | None = None
    focal_length_mm: float | None = None
    focal_length_35_mm: float | None = None
    plane_px_per_mm: float | None = None
    """Pixels of the original picture for one mm on the sensor."""
    original_size_px: tuple[int, int] | None = None
    """Width and height the camera wrote, before anyone cropped or shrank it."""


def exif_facts(block: bytes) -> ExifFacts:
    """Read an EXIF block; what is missing or broken is simply not known.

    Examples
    --------
    >>> exif_facts(b"").orientation
    1
    """
    tags = _read_tags(block.removeprefix(b"Exif\0\0"))
    orientation = tags.get(_ORIENTATION, 1)
    make, model = (str(tags.get(tag, "")).strip() for tag in (_MAKE, _MODEL))
    camera = model if model.startswith(make) else f"{make} {model}"
    width, height = (_number(tags.get(tag)) for tag in (_WIDTH, _HEIGHT))
    resolution = _number(tags.get(_PLANE_RESOLUTION))
    unit_mm = _UNIT_MM.get(int(_number(tags.get(_PLANE_UNIT)) or 2), 25.4)
    return ExifFacts(
        orientation=orientation if orientation in range(1, 9) else 1,  # type: ignore[arg-type]
        camera=camera.strip() or None,
        taken=str(tags.get(_TAKEN, "")).strip() or None,
        focal_length_mm=_number(tags.get(_FOCAL_LENGTH)),
        focal_length_35_mm=_number(tags.get(_FOCAL_LENGTH_35)),
        plane_px_per_mm=resolution / unit_mm if resolution else None,
        original_size_px=(int(width), int(height)) if width and height else None,
    )


def focal_length_px(facts: ExifFacts, width_px: int, height_px: int) -> float | None:
    """Focal length in pixels of a picture, None if the EXIF block cannot tell.

    A picture of another aspect ratio than the camera wrote was cropped, and
    then nothing is known.

    Examples
    --------
    >>> facts = ExifFacts(focal_length_35_mm=26.0)
    >>> round(focal_length_px(facts, 4000, 3000))
    3005
    """
    width, height = facts.original_size_px or (width_px, height_px)
    aspect = max(width, height) / min(width, height)
    aspect_now = max(width_px, height_px) / min(width_px, height_px)
    if abs(aspect_now / aspect - 1) > _SAME_ASPECT:
        return None
    if facts.focal_length_35_mm:
        diagonal_px = math.hypot(width_px, height_px)
        return facts.focal_length_35_mm * diagonal_px / _FULL_FRAME_DIAGONAL_MM
    if facts.focal_length_mm and facts.plane_px_per_mm:
        shrunk = max(width_px, height_px) / max(width, height)
        return facts.focal_length_mm * facts.plane_px_per_mm * shrunk
    return None


def _number(value: Value | None) -> float | None:
    """Give a positive finite number, or None for anything else."""
    if isinstance(value, int | float) and math.isfinite(value) and value > 0:
        return float(value)
    return None


def _read_tags(block: bytes) -> dict[int, Value]:
    order = {b"II": "<", b"MM": ">"}.get(block[:2])
    if order is None or len(block) < 8:
        return {}
    (first,) = struct.unpack(order + "I", block[4:8])
    tags = _read_directory(block, first, order)
    sub = tags.get(_EXIF_DIRECTORY)
    if isinstance(sub, int):
        tags |= _read_directory(block, sub, order)
    return tags


def _read_directory(block: bytes, start: int, order: str) -> dict[int, Value]:
    if start + 2 > len(block):
        return {}
    (count,) = struct.unpack(order + "H", block[start : start + 2])
    tags: dict[int, Value] = {}
    for i in range(count):
        entry = block[start + 2 + 12 * i : start + 14 + 12 * i]
        if len(entry) < 12:
            break
        tag, kind, number = struct.unpack(order + "HHI", entry[:8])
        size = _TYPE_SIZE.get(kind, 0) * number
        raw = entry[8 : 8 + size]
        if size > 4:
            (offset,) = struct.unpack(order + "I", entry[8:])
            raw = block[offset : offset + size]
        if size and len(raw) == size:
            tags[tag] = _value(raw, kind, order)
    return tags


def _value(raw: bytes, kind: int, order: str) -> Value:
    """Decode the first value of an entry; text is given whole."""
    if kind == 2:
        return raw.split(b"\0")[0].decode("utf-8", "replace")
    if kind in (5, 10):
        above, below = struct.unpack(order + ("II" if kind == 5 else "ii"), raw[:8])
        return float(above / below) if below else math.nan
    letter = {1: "B", 3: "H", 4: "I", 7: "B"}[kind]
    return int(struct.unpack(order + letter, raw[: _TYPE_SIZE[kind]])[0])
