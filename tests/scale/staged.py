"""Staged photos for the tests of the scale: one flat thing beside a bare face.

The camera is a pinhole over the face; light is blurred as a lens blurs it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from weldsection.records import (
    FaceOutline,
    Options,
    Photo,
    PhotoOrigin,
    Scale,
    mm_per_px_at,
    project,
)
from weldsection.scale import find_scale

camera = pytest.importorskip("sample_images.drawing.camera")
references = pytest.importorskip("sample_images.drawing.references")
patches = pytest.importorskip("sample_images.drawing.patch")

Points = NDArray[np.float64]
LENGTH_MM, THICK_MM = 80.0, 10.3


@dataclass(frozen=True)
class Stage:
    """A photo, its face, and the true homography of the face."""

    photo: Photo
    face: FaceOutline
    to_px: Points

    @property
    def mm_per_px(self) -> float:
        """True scale at the middle of the face."""
        return mm_per_px_at(np.linalg.inv(self.to_px), self.face.centre_xy_px)

    def scale(self, *wanted: str, **options: object) -> Scale:
        """Find the scale from these references."""
        return find_scale(self.photo, self.face, Options(wanted, **options))

    def error(self, found: Scale) -> float:
        """Relative error of the scale found, at the middle of the face."""
        return found.mm_per_px_at(self.face.centre_xy_px) / self.mm_per_px - 1


def stage(
    thing: object | None = None,
    *,
    tilt_deg: tuple[float, float] = (0.0, 0.0),
    centre_mm: tuple[float, float] = (40.0, 45.0),
    z_mm: float = 0.0,
    px_per_mm: float = 12.0,
    size_px: tuple[int, int] = (1600, 1200),
    distance_mm: float = 260.0,
    roll_deg: float = 2.0,
    exif: bool = True,
    seed: int = 0,
    ground: NDArray[np.float32] | None = None,
) -> Stage:
    """Photograph a bare face and one thing beside it, on even grey or some ground."""
    rng = np.random.default_rng(seed)
    pose = camera.stand(
        size_px,
        aim_xy_mm=(LENGTH_MM / 2, 25.0),
        aim_px=(size_px[0] / 2, size_px[1] / 2),
        px_per_mm=px_per_mm,
        distance_mm=distance_mm,
        tilt_deg=tilt_deg,
        roll_deg=roll_deg,
    )
    rows, columns = size_px[1], size_px[0]
    light = np.full((rows, columns, 3), 0.42, np.float32)
    if ground is not None:
        light[:] = ground[:rows, :columns]
    light *= (1 + 0.02 * rng.standard_normal((rows, columns, 1))).astype(np.float32)
    corners_mm = np.array(
        [[0, 0], [LENGTH_MM, 0], [LENGTH_MM, THICK_MM], [0, THICK_MM]], dtype=float
    )
    corners = project(pose.to_pixels, corners_mm)
    cv2.fillPoly(light, [np.round(corners).astype(np.int32)], (0.6, 0.6, 0.6))
    if thing is not None:
        laid = replace(thing, centre_xy_mm=centre_mm, z_mm=z_mm)
        _lay(light, laid, pose.plane(z_mm))
    bgr = exposed(light, rng)
    focal = px_per_mm * distance_mm if exif else None
    origin = PhotoOrigin(Path("staged.jpg"), "", columns, rows, focal_length_px=focal)
    return Stage(Photo(bgr, origin), outline(pose.to_pixels, size_px), pose.to_pixels)


def exposed(light: NDArray[np.float32], rng: np.random.Generator) -> NDArray[np.uint8]:
    """Blur light, encode it, add noise and JPEG."""
    seen = cv2.GaussianBlur(np.clip(light, 0, 1) ** 2.2, (0, 0), 0.9) ** (1 / 2.2)
    noisy = 255 * seen + rng.normal(0, 2.0, seen.shape)
    picture = np.clip(noisy[..., ::-1], 0, 255).astype(np.uint8)
    _, data = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, 85])
    return np.asarray(cv2.imdecode(data, cv2.IMREAD_COLOR), dtype=np.uint8)


def _lay(light: NDArray[np.float32], laid: object, to_px: Points) -> None:
    """Warp a patch into the light at four samples for each pixel."""
    fine = np.array([[2, 0, 0.5], [0, 2, 0.5], [0, 0, 1.0]])
    size = (2 * light.shape[1], 2 * light.shape[0])
    way = fine @ to_px @ laid.to_mm()
    colour = cv2.warpPerspective(laid.rgb * laid.alpha[..., None], way, size)
    cover = cv2.warpPerspective(laid.alpha, way, size)
    half = (light.shape[1], light.shape[0])
    colour = cv2.resize(colour, half, interpolation=cv2.INTER_AREA)
    cover = cv2.resize(cover, half, interpolation=cv2.INTER_AREA)[..., None]
    light *= 1 - cover
    light += colour


def outline(to_px: Points, size_px: tuple[int, int]) -> FaceOutline:
    """The face as a perfect search would find it."""
    x = np.linspace(0, LENGTH_MM, 160)
    top = project(to_px, np.column_stack([x, np.zeros_like(x)]))
    back = project(to_px, np.column_stack([x, np.full_like(x, THICK_MM)]))
    corners = np.array([top[0], top[-1], back[-1], back[0]])
    mask = np.zeros((size_px[1] // 4, size_px[0] // 4), np.uint8)
    cv2.fillPoly(mask, [np.round(corners / 4).astype(np.int32)], 1)
    return FaceOutline(mask.astype(bool), 4.0, top, back, corners, (False, False))


def scattered_outline(tilt_deg: tuple[float, ...], seed: int) -> Stage:
    """A view with an outline that scatters, and a picture that shows nothing."""
    rng = np.random.default_rng(seed)
    size_px = (1600, 1200)
    pose = camera.stand(
        size_px,
        aim_xy_mm=(40.0, 5.0),
        aim_px=(800, 600),
        px_per_mm=17.0,
        distance_mm=float(rng.uniform(90, 190)),
        tilt_deg=tilt_deg,
    )
    face = outline(pose.to_pixels, size_px)
    top, back = face.top_edge_xy_px, face.bottom_edge_xy_px
    scattered = replace(
        face,
        top_edge_xy_px=top + rng.normal(0, 0.5, top.shape) + rng.normal(0, 0.4),
        bottom_edge_xy_px=back + rng.normal(0, 0.5, back.shape),
        corners_xy_px=face.corners_xy_px + rng.normal(0, 1.5, (4, 2)),
    )
    blank = np.zeros((size_px[1], size_px[0], 3), np.uint8)
    photo = Photo(blank, PhotoOrigin(Path("blank.jpg"), "", *size_px))
    return Stage(photo, scattered, pose.to_pixels)
