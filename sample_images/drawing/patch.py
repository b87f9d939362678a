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
# light for a display value in 0..1; a pixel that an edge cuts shows a mean of light
_LIGHT = np.float32(2.2)


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
    wall_shade
        Brightness of its side walls over that of its upper side.
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
    wall_shade: float = 0.35
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
    heights = under + patch.thickness_mm * np.arange(1, steps + 1) / steps
    layers = [plane(float(z_mm)) for z_mm in heights]
    windows = [_window(patch, layer, picture.shape[:2]) for layer in layers]
    seen = np.array([window for window in windows if window is not None])
    if not len(seen):
        return
    x0, y0 = seen[:, :2].min(axis=0)
    x1, y1 = seen[:, 2:].max(axis=0)
    colour, cover = _stacked(patch, layers, (int(x0), int(y0), int(x1), int(y1)))
    view = picture[y0:y1, x0:x1]
    light = view**_LIGHT * (1.0 - cover[..., None]) + colour
    touched = cover > 0
    view[touched] = np.power(light[touched], np.float32(1 / _LIGHT))


def _stacked(
    patch: Patch, layers: list[Homography], window: tuple[int, int, int, int]
) -> tuple[FloatImage, FloatImage]:
    """Side walls and, last, the upper side: light times cover, and cover.

    The layers lie one above the other, so a pixel that two of them cut is covered
    by the larger share of both and no more.
    """
    x0, y0, x1, y1 = window
    cover = np.zeros((y1 - y0, x1 - x0), np.float32)
    colour = np.zeros((y1 - y0, x1 - x0, 3), np.float32)
    for index, layer in enumerate(layers):
        shade = 1.0 if index == len(layers) - 1 else patch.wall_shade
        upper = _warped(patch, layer, window)
        hidden = upper[..., 3]
        left = np.maximum(cover - hidden, 0) / np.maximum(cover, np.float32(1e-6))
        colour = colour * left[..., None] + np.float32(shade**_LIGHT) * upper[..., :3]
        cover = np.maximum(cover, hidden)
    return colour, cover


def _warped(
    patch: Patch, to_pixels: Homography, window: tuple[int, int, int, int]
) -> FloatImage:
    """The patch as seen in a window of the picture: light times cover, and cover."""
    x0, y0, x1, y1 = window
    shift = np.array([[1, 0, -x0], [0, 1, -y0], [0, 0, 1]], float)
    source = np.dstack([patch.rgb, patch.alpha]).astype(np.float32)
    source[..., :3] = source[..., :3] ** _LIGHT * source[..., 3:]
    source, matrix = _prefilter(source, shift @ to_pixels @ patch.to_mm())
    warped = cv2.warpPerspective(
        source, matrix, (x1 - x0, y1 - y0), flags=cv2.INTER_LINEAR
    )
    return np.asarray(warped, np.float32)


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
    seen = cv2.perspectiveTransform(patch.corners_xy_mm()[None], plane(ground_z_mm))[0]
    px_per_mm = math.dist(seen[0], seen[1]) / patch.size_mm()[0]
    shrink = 4
    sigma = max(0.6, 0.35 * height_mm * px_per_mm / shrink)
    # as far as the soft edge reaches: a shadow that is cut off has straight sides
    reach = max(60, math.ceil(3 * sigma * shrink))
    window = _window(patch, matrix, picture.shape[:2], margin=reach)
    if window is None:
        return
    x0, y0, x1, y1 = window
    to_small = np.array([[1, 0, -x0], [0, 1, -y0], [0, 0, shrink]], float)
    small = cv2.warpPerspective(
        patch.alpha.astype(np.float32),
        to_small @ matrix @ patch.to_mm(),
        (-(-(x1 - x0) // shrink), -(-(y1 - y0) // shrink)),
        flags=cv2.INTER_LINEAR,
    )
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
