"""What the lens bends: a camera file that tells it, or a bound on it.

Radial distortion about the camera's axis: a point at distance r from it, in
half diagonals of the picture, belongs at r (1 + k1 r² + k2 r⁴).
"""

from __future__ import annotations

import json
import math
from dataclasses import asdict, dataclass, replace
from pathlib import Path

import cv2
import numpy as np

from weldsection.errors import DataError, OutputError, UsageError
from weldsection.records import (
    FaceOutline,
    FloatArray,
    Photo,
    ScaleReference,
    ScaleSource,
)
from weldsection.scale.sides import Side
from weldsection.scale.tilt import project_all

FORMAT = "weldsection camera 1"
# phones straighten their pictures to about half a per cent at the corner;
# standard deviation of k1 for a photo of unknown camera (common practice)
_UNKNOWN_K1 = 0.005
# what is left of it after a camera file
_KNOWN_K1 = 0.001


@dataclass(frozen=True, slots=True)
class Lens:
    """Radial distortion of one camera at one size of picture."""

    width_px: int
    height_px: int
    focal_px: float
    axis_x_px: float
    axis_y_px: float
    k1: float
    k2: float
    fit_px: float
    """Scatter of the marks about the fit, in px."""
    photos: int

    def straightened(self, points_xy_px: FloatArray) -> FloatArray:
        """Points where a lens without distortion would show them."""
        axis = np.array([self.axis_x_px, self.axis_y_px])
        away = points_xy_px - axis
        r2 = (away**2).sum(axis=-1, keepdims=True) / self._half_diagonal**2
        return np.asarray(axis + away * (1 + self.k1 * r2 + self.k2 * r2**2))

    @property
    def _half_diagonal(self) -> float:
        return math.hypot(self.width_px, self.height_px) / 2

    def fitted_to(self, width_px: int, height_px: int) -> Lens:
        """The same lens for another size of the same picture, upright or turned."""
        turned = (width_px > height_px) != (self.width_px > self.height_px)
        own = (
            (self.height_px, self.width_px)
            if turned
            else (self.width_px, self.height_px)
        )
        ratio = width_px / own[0]
        if abs(height_px / own[1] / ratio - 1) > 0.02:
            raise UsageError(
                f"The camera file is for pictures of {self.width_px} × "
                f"{self.height_px} px, not cropped or of another shape; make one with "
                "photos from the same camera and setting."
            )
        x, y = self.axis_x_px, self.axis_y_px
        if turned:
            # either way of turning: the axis lies close to the middle
            x, y = y, x
        return replace(
            self,
            width_px=width_px,
            height_px=height_px,
            focal_px=self.focal_px * ratio,
            axis_x_px=x * ratio,
            axis_y_px=y * ratio,
        )

    @property
    def corner_shift(self) -> float:
        """How far the lens moves the picture's corners, as a share of r."""
        return -(self.k1 + self.k2)

    def to_json(self) -> str:
        """Text of the camera file."""
        return json.dumps({"format": FORMAT, **asdict(self)}, indent=2) + "\n"


@dataclass(frozen=True, slots=True)
class Bend:
    """What one photo itself says about its lens: k1 and its uncertainty."""

    k1: float = 0.0
    u: float = _UNKNOWN_K1

    def as_lens(self, shape: tuple[int, int]) -> Lens:
        """A lens that bends so much, about the middle of the picture."""
        rows, columns = shape
        middle = ((columns - 1) / 2, (rows - 1) / 2)
        return Lens(columns, rows, columns, *middle, self.k1, 0.0, 0.0, 0)


def combined_bend(effect: FloatArray, seen: FloatArray, u: FloatArray) -> Bend:
    """Weigh ``seen = k1 * effect`` against what phones usually do.

    Examples
    --------
    >>> one = np.ones(1)
    >>> combined_bend(1000 * one, 6 * one, 1e-6 * one).k1
    0.006
    """
    weight = float(np.sum((effect / u) ** 2)) + _UNKNOWN_K1**-2
    return Bend(round(float(np.sum(effect * seen / u**2)) / weight, 9), weight**-0.5)


def bend_of_sides(sides: tuple[Side, ...], shape: tuple[int, int]) -> Bend:
    """Estimate k1 from how straight sides look bent: the straight-edge check."""
    middle = (np.array([shape[1], shape[0]], dtype=np.float64) - 1) / 2
    half2 = (shape[0] ** 2 + shape[1] ** 2) / 4
    effect = []
    for side in sides:
        start, end = side.ends_xy_px
        run = end - start
        normal = np.array([run[1], -run[0]]) / math.hypot(*run)
        away = float(normal @ ((start + end) / 2 - middle))
        # a bent point is moved by -k1 r²/R² along its own ray; along a side r²
        # grows by the square of half its length from the middle to the ends
        effect.append(-away * float(run @ run) / 4 / half2)
    bows = np.array([side.bow_px for side in sides])
    # a bevel or print along a side bends it by some tenths of a pixel
    u = np.array([math.hypot(side.bow_u_px, 0.25) for side in sides])
    return combined_bend(np.array(effect), bows, u)


def write_lens(lens: Lens, path: Path) -> None:
    """Write a camera file, whole or not at all.

    Raises
    ------
    OutputError
        When it cannot be written.
    """
    part = path.with_name(f".{path.name}.part")
    try:
        part.write_text(lens.to_json(), encoding="utf-8")
        part.replace(path)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise OutputError(
            f"{path} cannot be written ({error.strerror}); choose another --out."
        ) from error


def read_lens(path: Path) -> Lens:
    """Read a camera file.

    Raises
    ------
    DataError
        When it is missing or not one of ours.
    """
    advice = "make one with 'weldsection camera PHOTO... --out FILE'."
    try:
        entries = json.loads(path.read_text(encoding="utf-8"))
        if entries.pop("format") != FORMAT:
            raise ValueError
        numbers = {name: float(value) for name, value in entries.items()}
        for name in ("width_px", "height_px", "photos"):
            entries[name] = int(numbers[name])
        lens = Lens(**entries)
    except OSError as error:
        raise DataError(f"{path}: the camera file cannot be read; {advice}") from error
    except (ValueError, TypeError, KeyError, AttributeError) as error:
        raise DataError(f"{path} is no camera file; {advice}") from error
    usable = min(lens.width_px, lens.height_px) > 0 and lens.focal_px > 0
    if not usable or not all(math.isfinite(v) for v in numbers.values()):
        raise DataError(f"{path}: the camera file holds unusable numbers; {advice}")
    return lens


def with_lens(
    reference: ScaleReference,
    photo: Photo,
    face: FaceOutline,
    lens: Lens | None,
    bend: Bend | None = None,
) -> ScaleReference:
    """Take the lens into account between a reference and the face.

    A camera file corrects the scale at the face; without one `bend` does, as far
    as the reference itself shows it; and without that the reference carries what
    a phone's lens may do.
    """
    homography, known = reference.homography, bend or Bend()
    if lens is not None:
        fitted = lens.fitted_to(photo.shape[1], photo.shape[0])
        homography, known = _corrected(reference, face, fitted), Bend(u=_KNOWN_K1)
    elif bend is not None:
        homography = _corrected(reference, face, bend.as_lens(photo.shape))
    elif any(source.name == "lens" for source in reference.sources):
        return reference
    sources = tuple(s for s in reference.sources if s.name != "lens")
    # a bent plane is no plane: what is corrected leaves a fifth behind (drawn cards)
    k1_u = math.hypot(known.u, 0.2 * known.k1, _KNOWN_K1)
    doubt = lens_source(photo.shape, reference.centre_xy_px, k1_u, face.centre_xy_px)
    return replace(reference, homography=homography, sources=(*sources, doubt))


def lens_source(
    shape: tuple[int, int],
    centre_xy_px: FloatArray,
    k1_u: float,
    face_xy_px: FloatArray,
) -> ScaleSource:
    """Doubt from an unknown k1 about a reference's centre.

    k1 changes the local scale by 2 k1 r²: between reference and face that is
    2 k1 (r_face² - r_ref²), here laid out as a slope towards the face.
    """
    axis = (np.array([shape[1], shape[0]], dtype=np.float64) - 1) / 2
    half = math.hypot(*shape) / 2
    r2_face, r2_own = (
        float(((p - axis) ** 2).sum()) / half**2 for p in (face_xy_px, centre_xy_px)
    )
    run = face_xy_px - centre_xy_px
    length2 = max(float(run @ run), 1.0)
    slope = 2 * (r2_face - r2_own) * run / length2
    effect = np.array([0.0, slope[0], slope[1]]) * k1_u
    # along a reference of its own size the scale varies too: a tenth of 2 k1
    own = np.diag([(0.2 * k1_u) ** 2, 0.0, 0.0])
    return ScaleSource("lens", np.outer(effect, effect) + own)


def _corrected(reference: ScaleReference, face: FaceOutline, lens: Lens) -> FloatArray:
    """Homography that is right over the face once the lens is straightened."""
    near = _grid(reference.outline_xy_px)
    near_mm = project_all(reference.homography[None], near)[0]
    flat, _ = cv2.findHomography(lens.straightened(near), near_mm, 0)
    over = _grid(face.corners_xy_px)
    flat_one = np.asarray(flat, dtype=np.float64)[None]
    over_mm = project_all(flat_one, lens.straightened(over))[0]
    corrected, _ = cv2.findHomography(over, over_mm, 0)
    return np.asarray(corrected, dtype=np.float64)


def _grid(points_xy_px: FloatArray) -> FloatArray:
    """A grid of points over the box around some points, at least 40 px wide."""
    low, high = points_xy_px.min(axis=0), points_xy_px.max(axis=0)
    middle, half = (low + high) / 2, np.maximum((high - low) / 2, 20.0)
    t = np.linspace(-1, 1, 7)
    x, y = np.meshgrid(middle[0] + half[0] * t, middle[1] + half[1] * t)
    return np.column_stack([x.ravel(), y.ravel()])
