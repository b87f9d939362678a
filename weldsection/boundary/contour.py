"""Follow the weld face and find the toes on it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import contourpy
import cv2
import numpy as np

from weldsection.curves import evenly, unit_normals
from weldsection.records import BeadSite, Coupon, FloatArray
from weldsection.zones import FACE, Zone, log_odds

MARGIN_MM = 2.5  # of bare plate followed on both sides of a bead
INSIDE_MM = (0.05, 0.1, 0.2)  # depth below the face where its zone is read
MOST_ODDS = 6.0
DEEPEST_MM = 1.5  # of undercut that the contour may follow
LINE_STEP_MM = 0.04
ROUNDED_MM = 0.14  # of the weld face beside a toe, rounded by the grid
CORNER_FIT_MM = (0.14, 0.6)
GENTLEST_CORNER = 0.2  # slope of the weld face under which there is no corner
FARTHEST_CORNER_MM = 0.3
FARTHEST_END_MM = 1.2  # of the weld metal on the outline from the bead's rough edge
NECK_REACH_MM = 0.7  # the neck between touching beads lies this near the edge
NECK_U_MM = 0.25  # how well it can be placed
# both set by the coverage over drawn sections that no network saw
TOE_FACTOR, FACE_FACTOR = 2.0, 1.3
LOGISTIC_SD = math.pi / math.sqrt(3)  # of a standard logistic variable


@dataclass(frozen=True, slots=True)
class Contour:
    """The upper outline of the face about one bead, left to right."""

    xy_mm: FloatArray
    """``(N, 2)`` in mm of the face, with some bare plate on both sides."""
    u_mm: float
    """Position uncertainty across the outline."""
    cap_xy_mm: FloatArray
    """``(M, 2)`` the weld face from toe to toe."""
    left_u_mm: float
    right_u_mm: float
    toe_guessed: bool
    """Whether a toe was placed without an end of the weld metal to be seen."""

    @property
    def left_toe_xy_mm(self) -> FloatArray:
        """The left toe, ``(2,)``."""
        return np.asarray(self.cap_xy_mm[0])

    @property
    def right_toe_xy_mm(self) -> FloatArray:
        """The right toe, ``(2,)``."""
        return np.asarray(self.cap_xy_mm[-1])


def follow_contour(coupon: Coupon, site: BeadSite) -> Contour | None:
    """Follow the weld face of a bead; None where the outline is broken."""
    patch = _cut_patch(coupon, site)
    line = _upper_outline(patch)
    if line is None or len(line) < 20:
        return None
    line = _even_spacing(line, LINE_STEP_MM)
    weld = _inside_odds(patch, line)
    toes = _toes(line, weld, site)
    if toes is None:
        return None
    (left, right), (left_u, right_u) = toes
    height = line[:, 1] - coupon.surface.y_at(line[:, 0])
    levelled = np.column_stack([line[:, 0], height])
    ends = [_corner(levelled, left, +1), _corner(levelled, right, -1)]
    cap = _cap(line, ends, coupon)
    return Contour(
        xy_mm=line,
        u_mm=_edge_u_mm(patch, line),
        cap_xy_mm=cap,
        left_u_mm=left_u,
        right_u_mm=right_u,
        toe_guessed=NECK_U_MM in (left_u, right_u),
    )


def face_between(
    outline_xy_mm: FloatArray, left_toe_xy_mm: FloatArray, right_toe_xy_mm: FloatArray
) -> FloatArray:
    """Weld face between two toes, without the rounding of its corners."""
    ends = [
        int(np.argmin(np.hypot(*(outline_xy_mm - toe).T)))
        for toe in (left_toe_xy_mm, right_toe_xy_mm)
    ]
    clear = math.ceil(ROUNDED_MM / LINE_STEP_MM)
    inner = outline_xy_mm[ends[0] + clear : ends[1] - clear + 1]
    return np.vstack([left_toe_xy_mm, inner, right_toe_xy_mm])


def _cap(
    line: FloatArray,
    corners: list[tuple[float, FloatArray]],
    coupon: Coupon,
) -> FloatArray:
    """Weld face from corner to corner, without the rounding of the corners."""
    (left, left_toe), (right, right_toe) = corners
    clear = ROUNDED_MM / LINE_STEP_MM
    first, last = math.ceil(left + clear), math.floor(right - clear)
    inner = line[first : last + 1]
    ends = []
    for toe in (left_toe, right_toe):
        surface = float(coupon.surface.y_at(toe[0]))
        ends.append([toe[0], toe[1] + surface])
    return np.vstack([ends[0], inner, ends[1]])


def _corner(
    levelled: FloatArray, index: float, inward: int
) -> tuple[float, FloatArray]:
    """
    Sharpen a toe to where the weld face meets the plate surface.

    The outline rounds the corner at a toe by the width of the grid, so the
    face beside it is extended straight to the surface. A face that leaves the
    plate too gently, or meets it too far from where the weld metal ends, keeps
    the toe that the zones gave.

    Returns
    -------
    index, toe
        Place along the line and the toe in levelled coordinates.
    """
    start = _at(levelled, index)
    steps = np.arange(CORNER_FIT_MM[0], CORNER_FIT_MM[1], LINE_STEP_MM)
    at = index + inward * steps / LINE_STEP_MM
    if at.min() < 0 or at.max() > len(levelled) - 1:
        return index, start
    points = np.array([_at(levelled, i) for i in at])
    slope, offset = np.polyfit(steps, points[:, 1], 1)
    if abs(slope) < GENTLEST_CORNER:
        return index, start
    shift = -offset / slope
    if abs(shift) > FARTHEST_CORNER_MM:
        return index, start
    along = np.polyfit(steps, points[:, 0], 1)
    corner = np.array([np.polyval(along, shift), 0.0])
    return index + inward * shift / LINE_STEP_MM, corner


def _at(line: FloatArray, index: float) -> FloatArray:
    """Point of a line at an index that need not be whole."""
    whole = int(np.clip(math.floor(index), 0, len(line) - 2))
    share = index - whole
    return np.asarray((1 - share) * line[whole] + share * line[whole + 1])


@dataclass(frozen=True, slots=True)
class _Patch:
    """The part of the grid about one bead, as log-odds."""

    coupon: Coupon
    row: int
    column: int
    face: FloatArray
    """Of the face against everything else."""
    weld: FloatArray
    """Of weld metal against HAZ and plate."""

    def sample(self, field: FloatArray, points_xy_mm: FloatArray) -> FloatArray:
        """Values of a field at points of the face, between the grid's points."""
        shape = points_xy_mm.shape[:-1]
        x, y = points_xy_mm.reshape(-1, 2).T
        values = cv2.remap(
            field.astype(np.float32),
            (self.coupon.column_of(x) - self.column).astype(np.float32)[None],
            (self.coupon.row_of(y) - self.row).astype(np.float32)[None],
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
        return np.asarray(values, dtype=np.float64).reshape(shape)


def _cut_patch(coupon: Coupon, site: BeadSite) -> _Patch:
    columns = coupon.column_of([site.left_mm - MARGIN_MM, site.right_mm + MARGIN_MM])
    surface = coupon.surface.y_at([site.left_mm, site.right_mm])
    lowest = int(coupon.row_of(surface.max() + DEEPEST_MM))
    first = max(int(columns[0]), 0)
    part = coupon.zones[:, : max(lowest, 2), first : int(columns[1]) + 1]
    metal = np.logaddexp(part[Zone.BASE], part[Zone.HAZ])
    return _Patch(
        coupon=coupon,
        row=0,
        column=first,
        face=log_odds(part.astype(np.float32), FACE),
        weld=np.clip(part[Zone.WELD] - metal, -MOST_ODDS, MOST_ODDS),
    )


def _upper_outline(patch: _Patch) -> FloatArray | None:
    """Trace the level line of the face that spans the patch, in mm."""
    coupon, part = patch.coupon, patch.face
    found = contourpy.contour_generator(z=part).lines(0.0)
    lines = [np.asarray(line, dtype=np.float64) for line in found]
    lines = [line for line in lines if np.ptp(line[:, 0]) > 0.6 * part.shape[1]]
    if not lines:
        return None
    longest = max(lines, key=lambda line: float(np.ptp(line[:, 0])))
    longest = longest[::-1] if longest[0, 0] > longest[-1, 0] else longest
    column = longest[:, 0] + patch.column
    xy = np.column_stack([column, longest[:, 1]]) * coupon.grid_mm
    return np.asarray(xy + [coupon.left_mm, coupon.top_mm])


def _even_spacing(line: FloatArray, step_mm: float) -> FloatArray:
    """Points at an even spacing along a line, slightly smoothed."""
    even = evenly(line, step_mm)
    smooth = cv2.GaussianBlur(even[None], (0, 0), 1.5, borderType=cv2.BORDER_REPLICATE)[
        0
    ]
    smooth[[0, -1]] = even[[0, -1]]
    return np.asarray(smooth)


def _inside_odds(patch: _Patch, line: FloatArray) -> FloatArray:
    """Log-odds of weld metal against plate just below each point of the outline."""
    normal = unit_normals(line)
    depths = np.array(INSIDE_MM)[:, None, None]
    total = patch.sample(patch.weld, line + depths * normal).mean(axis=0)
    return np.asarray(cv2.GaussianBlur(total[None], (0, 0), 2.0).reshape(-1))


def _toes(
    line: FloatArray, weld: FloatArray, site: BeadSite
) -> tuple[tuple[float, float], tuple[float, float]] | None:
    """Where weld metal begins and ends along the outline, and how surely."""
    middle = _crown(line, weld, site)
    if middle is None:
        return None
    left, left_u = _toe(line, weld, (middle, -1), (site.left_mm, site.left_limit_mm))
    right, right_u = _toe(
        line, weld, (middle, +1), (site.right_mm, site.right_limit_mm)
    )
    if right - left < 10:
        return None
    return (left, right), (left_u, right_u)


def _crown(line: FloatArray, weld: FloatArray, site: BeadSite) -> int | None:
    """Give the point of the outline in the middle of the site; None without weld."""
    share = (line[:, 0] - site.left_mm) / max(site.width_mm, 1e-6)
    inside = np.flatnonzero((share > 0.3) & (share < 0.7) & (weld > 0))
    if not len(inside):
        return None
    return int(inside[np.argmin(np.abs(share[inside] - 0.5))])


def _toe(
    line: FloatArray,
    weld: FloatArray,
    start: tuple[int, int],
    edge_limit_mm: tuple[float, float],
) -> tuple[float, float]:
    """
    Place a toe where the weld metal along the outline ends.

    Of all ends between the crown and the limit, the one nearest to the rough
    edge of the bead counts: others are stains on the weld metal, or HAZ that
    looks like it. Where the metal goes on to the limit, as it does between
    touching beads, the toe is the lowest point of the outline near the limit.

    Returns
    -------
    index, u_mm
        Place along the line and its spread in mm.
    """
    (middle, step), (edge_mm, limit_mm) = start, edge_limit_mm
    walk = np.arange(middle, len(line) if step > 0 else -1, step)
    beyond = step * (line[walk, 0] - limit_mm) > 0
    walk = walk[: max(int(np.argmax(beyond)), 2)] if beyond.any() else walk
    inside = weld[walk] > 0
    ends = np.flatnonzero(inside[:-1] & ~inside[1:])
    if len(ends):
        distance = np.abs(line[walk[ends], 0] - edge_mm)
        best = int(np.argmin(distance))
        if distance[best] < FARTHEST_END_MM:
            index = _crossing(weld, int(walk[ends[best]]), step)
            return index, TOE_FACTOR * LINE_STEP_MM * _crossing_u(weld, index)
    near = walk[np.abs(line[walk, 0] - edge_mm) < NECK_REACH_MM]
    return float(near[np.argmax(line[near, 1])] if len(near) else walk[-1]), NECK_U_MM


def _crossing(weld: FloatArray, index: int, step: int) -> float:
    """Index, not rounded, where the odds fall to even beyond an index."""
    other = index + step
    if not 0 <= other < len(weld):
        return float(index)
    inside, outside = float(weld[index]), float(weld[other])
    if outside >= inside:
        return float(index)
    return index + step * inside / (inside - outside)


def _crossing_u(weld: FloatArray, index: float) -> float:
    """Spread of the toe's place along the outline, in points.

    If the odds are honest, the chance that the toe lies before a point is
    their logistic, whose spread follows from the slope of the log-odds.
    """
    first = int(np.clip(round(index) - 5, 0, len(weld) - 11))
    piece = weld[first : first + 11]
    slope = abs(float(np.polyfit(np.arange(len(piece)), piece, 1)[0]))
    return LOGISTIC_SD / max(slope, 0.05)


def _edge_u_mm(patch: _Patch, line: FloatArray) -> float:
    """Spread of the outline across itself, from the slope of its log-odds."""
    normal = unit_normals(line)
    across = np.array([-0.05, 0.05])[:, None, None]
    outer, inner = patch.sample(patch.face, line + across * normal)
    slope = float(np.median((inner - outer) / 0.1))
    return float(np.clip(FACE_FACTOR * LOGISTIC_SD / max(slope, 1.0), 0.005, 0.3))
