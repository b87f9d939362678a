"""What `weldsection scale` tells: sentences, a budget, advice and a picture."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from weldsection.errors import OutputError
from weldsection.outline import find_face
from weldsection.photo import read_photo
from weldsection.records import (
    ByteArray,
    FaceOutline,
    FloatArray,
    Options,
    Photo,
    Scale,
)
from weldsection.scale import find_scale, parse_reference
from weldsection.scale.parallax import height_sentence
from weldsection.scale.tilt import Camera, tilt_of

_LONG_SIDE_PX = 1200
# colours of the picture, blue-green-red: told apart by the colour-blind too
_FACE_BGR = (0, 159, 230)
_REFERENCE_BGR = (178, 114, 0)


def show_scale(path: Path, picture: Path, given: Mapping[str, Any]) -> Iterator[str]:
    """Find the scale of a photo, write the picture, and tell line by line."""
    options = Options(**given)
    for text in options.references:
        parse_reference(text)
    photo = read_photo(path)
    face = find_face(photo)
    scale = find_scale(photo, face, options)
    _write_picture(draw_scale(photo, face, scale), picture)
    yield from scale_lines(photo, face, scale, options)
    yield f"Picture: {picture}"


def scale_lines(
    photo: Photo, face: FaceOutline, scale: Scale, options: Options
) -> Iterator[str]:
    """Tell what was found, how well it is known and why."""
    for reference in scale.references:
        yield f"{reference.kind}: {reference.finding}"
    at = face.centre_xy_px
    value, u = scale.mm_per_px_at(at), scale.relative_u_at(at)
    yield f"Scale at the coupon: {value:.5f} mm per px ± {100 * u:.2f} % (k = 1)"
    yield f"Camera tilt: {_tilt_sentence(photo, scale)}"
    for reference in scale.references:
        if sentence := height_sentence(reference, photo, options):
            yield f"Height of the face: {sentence}"
    yield "Where the uncertainty comes from:"
    for source in sorted(scale.sources, key=lambda s: -_at(s.covariance, scale, at)):
        share = 100 * math.sqrt(_at(source.covariance, scale, at))
        yield f"  {source.name:<20} {share:5.2f} %"
    for flag in dict.fromkeys((*scale.flags, *scale.doubts_at(at))):
        yield f"{flag.word}: {flag.sentence}"
    yield scale.advice or "No better photo is needed for the scale."


def _at(covariance: FloatArray, scale: Scale, point_xy_px: FloatArray) -> float:
    v = np.array([1.0, *(point_xy_px - scale.centre_xy_px)])
    return max(float(v @ covariance @ v), 0.0)


def _tilt_sentence(photo: Photo, scale: Scale) -> str:
    if not any(reference.shows_tilt for reference in scale.references):
        return "not shown by the reference; taken from the coupon's edges"
    camera = Camera.of(photo.shape, photo.origin.focal_length_px)
    tilt = math.degrees(math.atan(math.hypot(*tilt_of(scale.homography, camera))))
    exact = photo.origin.focal_length_px is not None
    return f"{tilt:.0f}°" + ("" if exact else " (focal length guessed)")


# ------------------------------------------------------------------- picture


def draw_scale(photo: Photo, face: FaceOutline, scale: Scale) -> ByteArray:
    """Draw the face, what was used, and a scale bar on a small copy."""
    factor = max(max(photo.shape) / _LONG_SIDE_PX, 1.0)
    size = (round(photo.shape[1] / factor), round(photo.shape[0] / factor))
    picture = cv2.resize(photo.bgr, size, interpolation=cv2.INTER_AREA)
    _outline(picture, face.corners_xy_px / factor, _FACE_BGR)
    for reference in scale.references:
        _outline(picture, reference.outline_xy_px / factor, _REFERENCE_BGR)
    _scale_bar(picture, face, scale, factor)
    return np.asarray(picture)


def _outline(
    picture: Any, points_xy_px: FloatArray, colour: tuple[int, int, int]
) -> None:
    points = np.round(points_xy_px).astype(np.int32)[:, None]
    cv2.polylines(picture, [points], True, (255, 255, 255), 5, cv2.LINE_AA)
    cv2.polylines(picture, [points], True, colour, 2, cv2.LINE_AA)


def _scale_bar(picture: Any, face: FaceOutline, scale: Scale, factor: float) -> None:
    """10 mm of the face, drawn below it."""
    bar_px = 10 / scale.mm_per_px_at(face.centre_xy_px) / factor
    low = face.corners_xy_px[2:].max(axis=0)[1] / factor
    x = float(face.corners_xy_px[3, 0]) / factor
    y = min(low + 24, picture.shape[0] - 30)
    start, end = (round(x), round(y)), (round(x + bar_px), round(y))
    for colour, width in (((255, 255, 255), 9), ((0, 0, 0), 4)):
        cv2.line(picture, start, end, colour, width)
        place = (start[0], start[1] + 24)
        font = cv2.FONT_HERSHEY_SIMPLEX
        cv2.putText(picture, "10 mm", place, font, 0.7, colour, width // 2, cv2.LINE_AA)


def _write_picture(picture: ByteArray, path: Path) -> None:
    """Write a JPEG, whole or not at all."""
    done, data = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, 88])
    part = path.with_name(f".{path.name}.part")
    try:
        part.write_bytes(data.tobytes() if done else b"")
        part.replace(path)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise OutputError(
            f"{path} cannot be written ({error.strerror}); choose another --out."
        ) from error
