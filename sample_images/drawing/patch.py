"""A flat thing lying beside the coupon, and how the camera sees it.

Coordinates of the scene are millimetres in the frame of the etched face:
x to the right from the coupon's left end along the ideal plate surface, y down
into the plate, z towards the camera with z = 0 on the face.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

FloatImage = NDArray[np.float32]
Homography = NDArray[np.float64]
# Gives the homography (mm of the plane z → pixels) for a height z in mm.
PlaneToPixels = Callable[[float], Homography]


@dataclass(frozen=True, slots=True)
class Patch:
    """
    A flat object of known size, drawn from straight above.

    Attributes
    ----------
    rgb
        Height × width × 3 in 0..1 as a display shows it, under white light.
    alpha
        Height × width, 1 where the object is and 0 beside it.
    px_per_mm
        Resolution of ``rgb``.
    centre_xy_mm
        Where the middle of the drawing lies, in the frame of the face.
    angle_deg
        Turned clockwise as seen by the camera.
    z_mm
        Height of its upper side over the etched face: 0 is level with the
        face, negative lies deeper, such as on the bench.
    thickness_mm
        For its shadow and its rim.
    gloss
        0 dull paper .. 1 polished metal: how much glare it takes on.
    truth
        Entries for the truth file, such as ``reference_option`` and
        ``ruler_graduation_mm``.
    """

    rgb: FloatImage
    alpha: FloatImage
    px_per_mm: float
    centre_xy_mm: tuple[float, float]
    angle_deg: float = 0.0
    z_mm: float = 0.0
    thickness_mm: float = 0.8
    gloss: float = 0.2
    truth: dict[str, object] = field(default_factory=dict)

    def to_mm(self) -> Homography:
        """Pixels of the drawing → mm of its plane, as a 3 × 3 matrix."""
        rows, columns = self.alpha.shape
        cosine = math.cos(math.radians(self.angle_deg)) / self.px_per_mm
        sine = math.sin(math.radians(self.angle_deg)) / self.px_per_mm
        turn = np.array([[cosine, -sine, 0.0], [sine, cosine, 0.0], [0.0, 0.0, 1.0]])
        middle = np.eye(3)
        middle[:2, 2] = -(columns - 1) / 2, -(rows - 1) / 2
        placed = turn @ middle
        placed[:2, 2] += self.centre_xy_mm
        return placed

    def size_mm(self) -> tuple[float, float]:
        """Width and height of the whole drawing in mm."""
        rows, columns = self.alpha.shape
        return columns / self.px_per_mm, rows / self.px_per_mm

    def corners_xy_mm(self) -> NDArray[np.float64]:
        """The four corners in mm, clockwise from the drawing's upper left."""
        rows, columns = self.alpha.shape
        corners = np.array([[0, 0], [columns, 0], [columns, rows], [0, rows]]) - 0.5
        return cv2.perspectiveTransform(corners[None].astype(float), self.to_mm())[0]


def composite(
    picture: FloatImage,
    patch: Patch,
    plane: PlaneToPixels,
    *,
    light_xy: tuple[float, float] = (0.4, 0.5),
    bench_z_mm: float | None = None,
    shadow: float = 0.4,
) -> None:
    """
    Lay a patch into a picture, in place, with its shadow and rim.

    Parameters
    ----------
    picture
        Height × width × 3 in 0..1; changed.
    patch
        What to lay in.
    plane
        The camera: homography of each plane z.
    light_xy
        How far a shadow falls in mm for each mm of height.
    bench_z_mm
        Where the shadow falls; right under the patch when not given.
    shadow
        Darkness of the shadow, 0 none .. 1 black.
    """
    under = patch.z_mm - patch.thickness_mm
    ground = under if bench_z_mm is None else min(bench_z_mm, under)
    _cast_shadow(picture, patch, plane, ground, light_xy, shadow)
    steps = max(1, round(patch.thickness_mm * 6))
    for step in range(1, steps):
        z_mm = under + patch.thickness_mm * step / steps
        _lay(picture, patch, plane(z_mm), rim=True)
    _lay(picture, patch, plane(patch.z_mm), rim=False)


def _lay(
    picture: FloatImage, patch: Patch, to_pixels: Homography, *, rim: bool
) -> None:
    """Warp the patch into the picture; a rim is a darkened copy of its edge."""
    window = _window(patch, to_pixels, picture.shape[:2])
    if window is None:
        return
    x0, y0, x1, y1 = window
    shift = np.array([[1, 0, -x0], [0, 1, -y0], [0, 0, 1]], float)
    matrix = shift @ to_pixels @ patch.to_mm()
    source = np.dstack([patch.rgb, patch.alpha]).astype(np.float32)
    source[..., :3] *= source[..., 3:]
    source, matrix = _prefilter(source, matrix)
    warped = cv2.warpPerspective(
        source, matrix, (x1 - x0, y1 - y0), flags=cv2.INTER_LINEAR
    )
    shade = 0.35 if rim else 1.0
    view = picture[y0:y1, x0:x1]
    view *= 1.0 - warped[..., 3:]
    view += shade * warped[..., :3]


def _prefilter(source: FloatImage, matrix: Homography) -> tuple[FloatImage, Homography]:
    """Shrink a drawing that is much finer than the picture before warping it."""
    rows, columns = source.shape[:2]
    ends = np.array([[[0, 0], [columns, 0], [0, rows]]], float)
    seen = cv2.perspectiveTransform(ends, matrix)[0]
    scale = math.dist(seen[0], seen[1]) / columns
    if not 0 < scale < 0.8:
        return source, matrix
    width, height = max(2, round(columns * scale)), max(2, round(rows * scale))
    shrunk = cv2.resize(source, (width, height), interpolation=cv2.INTER_AREA)
    fx, fy = columns / width, rows / height
    grow = np.array([[fx, 0, (fx - 1) / 2], [0, fy, (fy - 1) / 2], [0, 0, 1]])
    return shrunk, matrix @ grow


def _cast_shadow(
    picture: FloatImage,
    patch: Patch,
    plane: PlaneToPixels,
    ground_z_mm: float,
    light_xy: tuple[float, float],
    darkness: float,
) -> None:
    """Darken the ground where the patch keeps the light away."""
    if darkness <= 0:
        return
    height_mm = patch.z_mm - ground_z_mm
    offset = np.eye(3)
    offset[:2, 2] = light_xy[0] * height_mm, light_xy[1] * height_mm
    matrix = plane(ground_z_mm) @ offset
    window = _window(patch, matrix, picture.shape[:2], margin=60)
    if window is None:
        return
    x0, y0, x1, y1 = window
    shrink = 4
    to_small = np.array([[1, 0, -x0], [0, 1, -y0], [0, 0, shrink]], float)
    small = cv2.warpPerspective(
        patch.alpha.astype(np.float32),
        to_small @ matrix @ patch.to_mm(),
        (-(-(x1 - x0) // shrink), -(-(y1 - y0) // shrink)),
        flags=cv2.INTER_LINEAR,
    )
    seen = cv2.perspectiveTransform(patch.corners_xy_mm()[None], plane(ground_z_mm))[0]
    px_per_mm = math.dist(seen[0], seen[1]) / patch.size_mm()[0]
    sigma = max(0.6, 0.35 * height_mm * px_per_mm / shrink)
    soft = cv2.GaussianBlur(small, (0, 0), sigma)
    soft = cv2.resize(soft, (x1 - x0, y1 - y0), interpolation=cv2.INTER_LINEAR)
    picture[y0:y1, x0:x1] *= (1.0 - darkness * soft)[..., None]


def _window(
    patch: Patch, to_pixels: Homography, shape: tuple[int, int], margin: int = 2
) -> tuple[int, int, int, int] | None:
    """The part of the picture that the patch may touch: x0, y0, x1, y1."""
    seen = cv2.perspectiveTransform(patch.corners_xy_mm()[None], to_pixels)[0]
    low = np.floor(seen.min(axis=0)).astype(int) - margin
    high = np.ceil(seen.max(axis=0)).astype(int) + margin + 1
    x0, y0 = (int(v) for v in np.maximum(low, 0))
    x1, y1 = int(min(high[0], shape[1])), int(min(high[1], shape[0]))
    return (x0, y0, x1, y1) if x1 > x0 and y1 > y0 else None
