"""The parts of a JPEG file, read without decoding it.

References
----------
ITU-T T.81 (ISO/IEC 10918-1), annex B: markers, frame header, scan, end of image.
"""

from __future__ import annotations

import re
import struct
from dataclasses import dataclass

_START_OF_SCAN = 0xDA
_END_OF_IMAGE = 0xD9
# frame headers: C0 to CF without DHT (C4), JPG (C8) and DAC (CC)
_FRAME_HEADERS = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}
# markers without a length: TEM, RST0 to RST7, SOI
_BARE = frozenset({0x01, *range(0xD0, 0xD9)})
# In a scan FF stands before 00 (a stuffed byte), a restart or a fill byte only.
_MARKER_AFTER_SCAN = re.compile(rb"\xff[^\x00\xd0-\xd7\xff]")


@dataclass(frozen=True, slots=True)
class JpegParts:
    """What a JPEG file says about itself before any pixel is decoded."""

    width_px: int
    height_px: int
    channels: int
    bits: int
    exif: bytes
    """The TIFF block inside the EXIF segment; empty when there is none."""
    icc_profile: bytes
    complete: bool
    """Whether the picture runs to its end marker."""


def jpeg_parts(data: bytes) -> JpegParts | None:
    """Walk the markers of a JPEG file; None when there is no frame in it."""
    frame: tuple[int, int, int, int] | None = None
    exif = b""
    icc_chunks: dict[int, bytes] = {}
    complete = False
    position = 2
    while (found := _next_segment(data, position)) is not None:
        marker, body, position = found
        if marker == _END_OF_IMAGE:
            complete = True
            break
        if marker in _FRAME_HEADERS and len(body) >= 6:
            bits, height, width, channels = struct.unpack(">BHHB", body[:6])
            frame = (width, height, channels, bits)
        elif marker == 0xE1 and body.startswith(b"Exif\0\0"):
            exif = exif or body[6:]
        elif marker == 0xE2 and body.startswith(b"ICC_PROFILE\0") and len(body) > 14:
            icc_chunks[body[12]] = body[14:]
        elif marker == _START_OF_SCAN:
            position = _end_of_scan(data, position)
    if frame is None:
        return None
    icc_profile = b"".join(icc_chunks[number] for number in sorted(icc_chunks))
    return JpegParts(*frame, exif=exif, icc_profile=icc_profile, complete=complete)


def _next_segment(data: bytes, position: int) -> tuple[int, bytes, int] | None:
    """Give marker, body and the position behind it; None at the file's end."""
    while position + 2 <= len(data):
        if data[position] != 0xFF:
            return None
        marker = data[position + 1]
        if marker == 0xFF or marker in _BARE:
            position += 1 if marker == 0xFF else 2
            continue
        if marker == _END_OF_IMAGE:
            return marker, b"", position + 2
        (length,) = struct.unpack(
            ">H", data[position + 2 : position + 4].ljust(2, b"\0")
        )
        end = position + 2 + length
        if length < 2 or end > len(data):
            return None
        return marker, data[position + 4 : end], end
    return None


def _end_of_scan(data: bytes, position: int) -> int:
    """Give the position of the marker that ends a scan."""
    found = _MARKER_AFTER_SCAN.search(data, position)
    return found.start() if found else len(data)
