"""The records that one stage hands to the next; none can be changed.

Conventions: image arrays are ``(row, column)`` with pixel centres on integers.
Lists of points are ``(N, 2)`` arrays of x (column, to the right) and y (row,
downwards), named ``*_xy_px`` in pixels of the upright photo and ``*_xy_mm`` in
millimetres of the plane of the etched face. Pixels become millimetres only
through `Scale`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from weldsection.errors import ScaleError
from weldsection.flags import Flag

# a scale whose uncertainty passes this is flagged: two standard uncertainties are
# then 3 %, which is 0.06 mm of a penetration of 2 mm and more than reading it adds
SCALE_UNSURE_U = 0.015

FloatArray = npt.NDArray[np.floating[Any]]
ByteArray = npt.NDArray[Any]
BoolArray = npt.NDArray[np.bool_]


# --------------------------------------------------------------------- photo


@dataclass(frozen=True, slots=True)
class PhotoOrigin:
    """Where a photo came from, enough to recognise it in ten years."""

    path: Path
    sha256: str
    width_px: int
    height_px: int
    exif_orientation: int = 1
    camera: str | None = None
    taken: str | None = None
    focal_length_px: float | None = None
    """Focal length in pixels of the upright photo, from EXIF; None if unknown."""


@dataclass(frozen=True, slots=True)
class Photo:
    """A photo upright by its EXIF orientation, 8 bit, channels blue-green-red."""

    bgr: ByteArray
    """``(rows, columns, 3)``, the channel order OpenCV uses."""
    origin: PhotoOrigin

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.bgr.shape[0], self.bgr.shape[1]


@dataclass(frozen=True, slots=True)
class FaceOutline:
    """The etched face as found in the photo, before any scale is known."""

    mask: BoolArray
    """``(rows, columns)`` of a reduced copy of the photo: True on the face."""
    reduction: float
    """Photo pixels for one pixel of `mask`."""
    top_edge_xy_px: FloatArray
    """Points along the original plate surface, left to right, beads left out."""
    bottom_edge_xy_px: FloatArray
    """Points along the back of the plate, left to right."""
    corners_xy_px: FloatArray
    """``(4, 2)`` top left, top right, bottom right, bottom left of the plate."""
    cut_by_picture: tuple[bool, bool]
    """Whether the left and the right end of the coupon lie outside the picture."""
    altered: BoolArray | None = None
    """Of the same reduced copy: True on weld metal and HAZ; None if not known."""

    @property
    def centre_xy_px(self) -> FloatArray:
        """The middle of the face, where a scale matters, ``(2,)``."""
        return np.asarray(self.corners_xy_px.mean(axis=0), dtype=np.float64)

    @property
    def length_px(self) -> float:
        """Mean length of top and bottom edge, in photo pixels."""
        c = self.corners_xy_px
        top, bottom = c[1] - c[0], c[2] - c[3]
        return float((np.hypot(*top) + np.hypot(*bottom)) / 2)

    @property
    def thickness_px(self) -> float:
        """Mean distance of top and bottom edge at the ends, in photo pixels."""
        c = self.corners_xy_px
        left, right = c[3] - c[0], c[2] - c[1]
        return float((np.hypot(*left) + np.hypot(*right)) / 2)


# --------------------------------------------------------------------- scale


@dataclass(frozen=True, slots=True)
class ScaleSource:
    """One named source of doubt about a scale.

    The logarithm of the scale (mm per px) at a photo point p is taken to be
    off by ``e0 + ex (p.x - c.x) + ey (p.y - c.y)`` about the reference's
    centre c; `covariance` is the 3 x 3 covariance of (e0, ex, ey), the slopes
    per photo pixel. Scale errors are common to everything on one photo.
    """

    name: str
    """One of: graduation, reference tolerance, plane, tilt, lens, caliper."""
    covariance: FloatArray

    @classmethod
    def constant(cls, name: str, relative_u: float) -> ScaleSource:
        """Give a source that is the same everywhere in the photo."""
        covariance = np.zeros((3, 3))
        covariance[0, 0] = relative_u**2
        return cls(name, covariance)

    def relative_u_at(self, offset_xy_px: FloatArray) -> float:
        """Relative standard uncertainty at an offset from the centre, in px."""
        v = np.array([1.0, offset_xy_px[0], offset_xy_px[1]])
        return math.sqrt(max(float(v @ self.covariance @ v), 0.0))


@dataclass(frozen=True, slots=True)
class ScaleReference:
    """What one known thing in the picture says about the scale.

    Every kind of reference gives this record, whatever it is made of.
    """

    kind: str
    """The word of ``--reference`` that asks for it: card, ruler, disc …"""
    homography: FloatArray
    """``(3, 3)``: photo (x, y, 1) in px to (x, y, 1) in mm of the reference's plane."""
    centre_xy_px: FloatArray
    """``(2,)``: where the reference speaks with most authority."""
    sources: tuple[ScaleSource, ...]
    outline_xy_px: FloatArray
    """``(N, 2)``: what was used, to be drawn on the photo."""
    finding: str
    """A sentence for the reader: what was found."""
    shows_tilt: bool
    """Whether the homography holds the tilt of the plane, or only a scale."""
    flags: tuple[Flag, ...] = ()

    def __post_init__(self) -> None:
        if self.homography.shape != (3, 3) or not np.isfinite(self.homography).all():
            raise ScaleError(f"The {self.kind} gives no usable scale; take another.")

    def mm_per_px_at(self, point_xy_px: FloatArray) -> float:
        """Scale at a photo point, geometric mean over directions."""
        return mm_per_px_at(self.homography, point_xy_px)

    def relative_u_at(self, point_xy_px: FloatArray) -> float:
        """Relative standard uncertainty of the scale at a photo point."""
        offset = np.asarray(point_xy_px, dtype=np.float64) - self.centre_xy_px
        return math.hypot(*(s.relative_u_at(offset) for s in self.sources))


@dataclass(frozen=True, slots=True)
class Scale:
    """Photo pixels to millimetres of the etched face, and how well that is known."""

    homography: FloatArray
    """``(3, 3)``: photo (x, y, 1) in px to (x, y, 1) in mm of the etched face."""
    centre_xy_px: FloatArray
    sources: tuple[ScaleSource, ...]
    references: tuple[ScaleReference, ...]
    flags: tuple[Flag, ...] = ()
    advice: str = ""
    """A sentence on how a better photo would help; empty when none would."""

    def mm_per_px_at(self, point_xy_px: FloatArray) -> float:
        """Scale at a photo point, geometric mean over directions."""
        return mm_per_px_at(self.homography, point_xy_px)

    def relative_u_at(self, point_xy_px: FloatArray) -> float:
        """Relative standard uncertainty of every length at a photo point."""
        offset = np.asarray(point_xy_px, dtype=np.float64) - self.centre_xy_px
        return math.hypot(*(s.relative_u_at(offset) for s in self.sources))

    def doubts_at(self, point_xy_px: FloatArray) -> tuple[Flag, ...]:
        """Flags that follow from the uncertainty of the scale at a photo point.

        The tilt is named as the reason where the scale would be sure without it.
        """
        offset = np.asarray(point_xy_px, dtype=np.float64) - self.centre_xy_px
        u = self.relative_u_at(point_xy_px)
        if u <= SCALE_UNSURE_U:
            return ()
        tilts = (s.relative_u_at(offset) for s in self.sources if s.name == "tilt")
        tilt_u = math.hypot(*tilts)
        because = u**2 - tilt_u**2 <= SCALE_UNSURE_U**2
        return (Flag.SCALE_UNSURE,) + (Flag.TILT_UNKNOWN,) * because

    def to_mm(self, points_xy_px: FloatArray) -> FloatArray:
        """Photo points ``(N, 2)`` in mm of the etched face."""
        return project(self.homography, points_xy_px)

    def to_px(self, points_xy_mm: FloatArray) -> FloatArray:
        """Points ``(N, 2)`` in mm of the etched face as photo points."""
        return project(np.linalg.inv(self.homography), points_xy_mm)


def project(homography: FloatArray, points_xy: FloatArray) -> FloatArray:
    """Send points ``(N, 2)`` through a homography.

    Examples
    --------
    >>> project(np.diag([2.0, 2.0, 1.0]), np.array([[1.0, 3.0]])).tolist()
    [[2.0, 6.0]]
    """
    points = np.atleast_2d(np.asarray(points_xy, dtype=np.float64))
    h = np.asarray(homography, dtype=np.float64)
    mapped = points @ h[:, :2].T + h[:, 2]
    return np.asarray(mapped[:, :2] / mapped[:, 2:], dtype=np.float64)


def mm_per_px_at(homography: FloatArray, point_xy_px: FloatArray) -> float:
    """Local scale of a homography: square root of its area magnification.

    Examples
    --------
    >>> mm_per_px_at(np.diag([0.05, 0.05, 1.0]), np.array([100.0, 40.0]))
    0.05
    """
    h = np.asarray(homography, dtype=np.float64)
    x, y = np.asarray(point_xy_px, dtype=np.float64)
    # area magnification of a homography: det(H) / w³ (elementary calculus)
    w = h[2, 0] * x + h[2, 1] * y + h[2, 2]
    return float(math.sqrt(abs(np.linalg.det(h) / w**3)))


# -------------------------------------------------------------------- coupon


@dataclass(frozen=True, slots=True)
class Quality:
    """How good the picture is for its purpose."""

    px_per_mm: float
    blur_mm: float
    """Standard width of the face's edge as photographed."""
    overexposed_share: float
    """Share of the face that is burnt out, 0 to 1."""
    tilt_deg: float
    """Angle under which the middle of the face was seen, 0 from straight above.

    That of the camera, and more where the coupon lies off the picture's middle; NaN
    where the picture does not show it.
    """
    etch_contrast: float
    """Difference of grey between plate and HAZ over the plate's own scatter."""
    advice: str = ""
    """One sentence; empty when the picture is good."""


@dataclass(frozen=True, slots=True)
class PlateSurface:
    """The original plate surface in mm of the face, as a function of x."""

    knots_x_mm: FloatArray
    knots_y_mm: FloatArray
    """Height of the surface at the knots; y points down into the plate."""
    knots_u_mm: FloatArray
    """Standard uncertainty of the height at the knots."""

    def y_at(self, x_mm: npt.ArrayLike) -> FloatArray:
        """Height of the surface at x, in mm, y downwards."""
        y_mm = np.interp(np.asarray(x_mm), self.knots_x_mm, self.knots_y_mm)
        return np.asarray(y_mm)

    def u_at(self, x_mm: npt.ArrayLike) -> FloatArray:
        """Standard uncertainty of that height, in mm."""
        u_mm = np.interp(np.asarray(x_mm), self.knots_x_mm, self.knots_u_mm)
        return np.asarray(u_mm)


@dataclass(frozen=True, slots=True)
class Coupon:
    """The etched face cut out and laid on a grid in mm.

    Grid point (row, column) lies at ``x = left_mm + column * grid_mm`` and
    ``y = top_mm + row * grid_mm``. x runs along the plate surface from the
    coupon's left end, y down into the plate.
    """

    bgr: ByteArray
    zones: FloatArray
    """``(4, rows, columns)`` log-probabilities, see `weldsection.zones`."""
    left_mm: float
    top_mm: float
    grid_mm: float
    mm_to_px: FloatArray
    """``(3, 3)``: face mm (x, y, 1) to photo px."""
    surface: PlateSurface
    thickness_mm: float
    length_mm: float
    face: FaceOutline
    """The outline as corrected on this grid."""
    quality: Quality
    flags: tuple[Flag, ...] = ()

    def column_of(self, x_mm: npt.ArrayLike) -> FloatArray:
        """Grid column of x, not rounded."""
        return (np.asarray(x_mm, dtype=np.float64) - self.left_mm) / self.grid_mm

    def row_of(self, y_mm: npt.ArrayLike) -> FloatArray:
        """Grid row of y, not rounded."""
        return (np.asarray(y_mm, dtype=np.float64) - self.top_mm) / self.grid_mm

    @property
    def columns_x_mm(self) -> FloatArray:
        """Distance along the plate of every grid column."""
        return self.left_mm + self.grid_mm * np.arange(self.zones.shape[2])

    @property
    def rows_y_mm(self) -> FloatArray:
        """Depth of every grid row."""
        return self.top_mm + self.grid_mm * np.arange(self.zones.shape[1])


# --------------------------------------------------------------------- beads


@dataclass(frozen=True, slots=True)
class BeadSite:
    """Where a bead stands on the plate, before anything is traced."""

    left_mm: float
    right_mm: float
    left_limit_mm: float
    """Half way to the neighbour: the bead's left toe is not beyond it."""
    right_limit_mm: float
    touches_left: bool = False
    touches_right: bool = False
    cut_off: bool = False

    @property
    def width_mm(self) -> float:
        """Rough width of the bead."""
        return self.right_mm - self.left_mm


@dataclass(frozen=True, slots=True)
class BeadTrace:
    """The lines of one bead in mm of the face, and what is known of them.

    All lines run from left to right.
    """

    left_toe_xy_mm: FloatArray
    right_toe_xy_mm: FloatArray
    left_toe_u_mm: float
    right_toe_u_mm: float
    fusion_xy_mm: FloatArray
    fusion_u_mm: FloatArray
    """``(N,)`` position uncertainty across the line at each fusion point."""
    doubtful: BoolArray
    """``(N,)`` where the fusion line was bridged rather than seen."""
    cap_xy_mm: FloatArray
    cap_u_mm: float
    """Position uncertainty across the weld face."""
    outline_xy_mm: FloatArray
    """``(M, 2)`` weld face with some bare plate on both sides."""
    haz_xy_mm: FloatArray
    """``(N, 2)``; empty ``(0, 2)`` where the HAZ edge is not visible."""
    fusion_draws_mm: FloatArray
    """``(D, N, 2)`` equally likely fusion lines, one before the second look."""
    cap_draws_mm: FloatArray
    """``(D, M, 2)`` equally likely weld faces."""
    flags: tuple[Flag, ...] = ()


@dataclass(frozen=True, slots=True)
class Measured:
    """A value and its standard uncertainty (k = 1); NaN where not measured."""

    value: float
    u: float = math.nan


@dataclass(frozen=True, slots=True)
class BeadResult:
    """One bead: its quantities (see `weldsection.quantities`) and its lines."""

    number: int
    x: Measured
    penetration: Measured
    width: Measured
    reinforcement: Measured
    penetration_area: Measured
    reinforcement_area: Measured
    dilution: Measured
    toe_angle_left: Measured
    toe_angle_right: Measured
    haz_depth: Measured
    mm_per_px: float
    scale_relative_u: float
    trace: BeadTrace
    flags: tuple[Flag, ...] = ()


@dataclass(frozen=True, slots=True)
class Options:
    """What the user asked for, kept with the result."""

    references: tuple[str, ...] = ("auto",)
    """What was given with ``--reference``, once or several times."""
    order: str = "left-to-right"
    first_bead: int = 1
    face_height_mm: float | None = None
    camera_distance_mm: float | None = None
    camera_file: Path | None = None
    card_length_mm: float | None = None


@dataclass(frozen=True, slots=True)
class SectionResult:
    """Everything measured on one photo."""

    origin: PhotoOrigin
    scale: Scale
    surface: PlateSurface
    quality: Quality
    mm_to_px: FloatArray
    """``(3, 3)``: face mm (x, y, 1), as in all lines here, to photo px."""
    thickness_mm: float
    length_mm: float
    beads: tuple[BeadResult, ...]
    options: Options
    flags: tuple[Flag, ...] = ()
    version: str = field(default="")

    def rows(self) -> Sequence[dict[str, str | float | int]]:
        """Give plain rows, one for each bead, in the columns of ``beads.csv``."""
        from weldsection.quantities import rows_of  # noqa: PLC0415 - a table of
        # these records, which must be declared before it

        return rows_of(self)
