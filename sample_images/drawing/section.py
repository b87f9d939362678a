"""The cut section of a coupon in millimetres: outlines and their exact quantities.

Shapes are first made on a flat plate, s along the surface and d down into the
plate, and then bent onto the bowed plate; areas are taken after bending.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sample_images.drawing import shapes

Points = NDArray[np.float64]
CHORD_MM = 0.5  # length along the weld face of the toe angle's chord


@dataclass(frozen=True, slots=True)
class BeadPlan:
    """
    What one bead shall look like; lengths in mm.

    ``root`` and ``cap`` name a shape of `shapes`; ``skew`` shifts the deepest
    point (-0.6..0.6 of the half width), ``lean`` shears the cap sideways,
    ``rolled_mm`` is metal lying unfused on the plate left and right,
    ``undercut_mm`` the depth of the groove at each toe, ``crater`` the dip of
    the face as a part of its height. ``seed`` fixes waviness.
    """

    at_mm: float
    width_mm: float
    penetration_mm: float
    reinforcement_mm: float
    root: str = "parabola"
    cap: str = "segment"
    kind: str = "normal"
    skew: float = 0.0
    lean: float = 0.0
    haz_mm: float = 1.5
    haz_waviness: float = 0.0
    rolled_mm: tuple[float, float] = (0.0, 0.0)
    undercut_mm: tuple[float, float] = (0.0, 0.0)
    crater: float = 0.0
    waviness_mm: float = 0.0
    seed: int = 0


@dataclass(frozen=True, slots=True)
class BeadTruth:
    """The quantities of one bead as its outlines have them."""

    x_mm: float
    penetration_mm: float
    width_mm: float
    reinforcement_mm: float
    penetration_area_mm2: float
    reinforcement_area_mm2: float
    dilution_pct: float
    toe_angle_left_deg: float | None
    toe_angle_right_deg: float | None
    haz_depth_mm: float
    haz_reaches_back: bool


@dataclass(frozen=True, slots=True)
class Bead:
    """
    One drawn bead: outlines left to right in mm of the face plane.

    ``fusion_xy_mm`` runs from toe to toe below the surface, ``cap_xy_mm`` above
    it, ``haz_xy_mm`` is the outer edge of the heat-affected zone.
    """

    plan: BeadPlan
    fusion_xy_mm: Points
    cap_xy_mm: Points
    haz_xy_mm: Points
    span_mm: tuple[float, float]
    truth: BeadTruth

    def fusion_flat_mm(self) -> Points | None:
        """Where weld metal lies on the plate without fusion, if anywhere."""
        left, right = self.plan.rolled_mm
        x = self.fusion_xy_mm[:, 0]
        if self.plan.kind == "unfused":
            return self.fusion_xy_mm
        if left > 0:
            return self.fusion_xy_mm[x <= x[0] + left]
        return self.fusion_xy_mm[x >= x[-1] - right] if right > 0 else None

    def weld_xy_mm(self) -> Points:
        """The weld metal as one closed outline."""
        return np.vstack([self.cap_xy_mm, self.fusion_xy_mm[::-1]])


@dataclass(frozen=True, slots=True)
class PlatePlan:
    """
    The coupon without its beads; lengths in mm.

    ``bow_mm`` is the rise of the middle over the ends, ``end_tilt`` the slope
    of each sawn end, ``chamfer_mm`` the broken corners (upper left, upper
    right, lower right, lower left).
    """

    thickness_mm: float
    length_mm: float
    bow_mm: float = 0.0
    end_tilt: tuple[float, float] = (0.0, 0.0)
    chamfer_mm: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)


@dataclass(frozen=True, slots=True)
class Section:
    """A whole coupon: plate, beads left to right, spatter and burr (polygons)."""

    plate: PlatePlan
    beads: tuple[Bead, ...]
    outline_xy_mm: Points
    spatter_xy_mm: tuple[Points, ...] = ()
    burr_xy_mm: tuple[Points, ...] = ()

    def surface_xy_mm(self, count: int = 61) -> Points:
        """Points along the original plate surface from end to end."""
        s = np.linspace(0, self.plate.length_mm, count)
        return bend(np.column_stack([s, np.zeros(count)]), self.plate)


def bend(points_sd: Points, plate: PlatePlan) -> Points:
    """
    Carry points from the flat plate (s, d) onto the bowed plate (x, y).

    Distances along the surface and square to it are kept.
    """
    if plate.bow_mm == 0:
        return np.array(points_sd, dtype=float)
    grid = np.linspace(-20, plate.length_mm + 20, 2001)
    u = grid / plate.length_mm
    rise = -4 * plate.bow_mm * u * (1 - u)
    slope = -4 * plate.bow_mm * (1 - 2 * u) / plate.length_mm
    arc = np.concatenate([[0], np.cumsum(np.hypot(np.diff(grid), np.diff(rise)))])
    arc -= np.interp(0.0, grid, arc)
    s, d = points_sd[:, 0], points_sd[:, 1]
    steep = np.interp(s, arc, slope)
    length = np.hypot(1.0, steep)
    x = np.interp(s, arc, grid) - d * steep / length
    return np.column_stack([x, np.interp(s, arc, rise) + d / length])


def make_bead(plan: BeadPlan, plate: PlatePlan, fusion_depth: bool = True) -> Bead:
    """Draw one bead on a plate; a bead over the coupon's end is cut there."""
    fusion, cap = shapes.weld_outlines(plan)
    fusion, cap = _cut_at_ends(fusion, cap, plate)
    haz = _haz_edge(fusion, plan, plate)
    if not fusion_depth:
        fusion = fusion * (1.0, 0.0)
    return Bead(
        plan,
        bend(fusion, plate),
        bend(cap, plate),
        bend(haz, plate),
        (float(fusion[0, 0]), float(fusion[-1, 0])),
        measure(fusion, cap, haz, plate),
    )


def _cut_at_ends(
    fusion: Points, cap: Points, plate: PlatePlan
) -> tuple[Points, Points]:
    """Saw off what stands over the coupon's ends."""
    length = plate.length_mm
    return _clip_open(fusion, 0.0, length), _clip_open(cap, 0.0, length)


def _clip_open(line: Points, low: float, high: float) -> Points:
    """The part of an open line with s between two limits, ends on the limits."""
    s = line[:, 0]
    if s.min() >= low and s.max() <= high:
        return line
    inside = np.flatnonzero((s >= low) & (s <= high))
    first, last = inside[0], inside[-1]
    part = [line[first : last + 1]]
    if first > 0:
        part.insert(0, _crossing(line[first - 1], line[first], low))
    if last < len(line) - 1:
        part.append(_crossing(line[last], line[last + 1], high))
    return np.vstack(part)


def _crossing(a: Points, b: Points, at: float) -> Points:
    """Where the line from a to b passes s = at."""
    share = (at - a[0]) / (b[0] - a[0])
    return np.array([[at, a[1] + share * (b[1] - a[1])]])


def _haz_edge(fusion: Points, plan: BeadPlan, plate: PlatePlan) -> Points:
    """
    Outer edge of the heat-affected zone: discs rolled along the fusion line.

    The reach varies along the line and is greatest below the bead; a thin
    plate is heated through to its back.
    """
    rng = np.random.default_rng(plan.seed + 7)
    share = np.linspace(-1, 1, len(fusion))
    toe = rng.uniform(0.55, 1.0, 2)
    reach = np.interp(share, [-1, 0, 1], [toe[0], 1.0, toe[1]])
    reach = plan.haz_mm * (reach + shapes.wave(len(fusion), rng, plan.haz_waviness, 4))
    s = np.linspace(fusion[0, 0] - reach.max(), fusion[-1, 0] + reach.max(), 400)
    over = reach**2 - (s[:, None] - fusion[:, 0]) ** 2
    depth = np.where(
        over >= 0, fusion[:, 1] + np.sqrt(np.maximum(over, 0)), -np.inf
    ).max(axis=1)
    keep = np.isfinite(depth) & (s >= 0) & (s <= plate.length_mm)
    s, depth = s[keep], depth[keep]
    rough = shapes.wave(len(s), rng, 0.15 * plan.haz_waviness * plan.haz_mm, 60)
    depth = np.clip(depth + rough, 0.02, plate.thickness_mm)
    edge = np.column_stack([s, depth])
    return np.vstack([[[s[0], 0.0]], edge, [[s[-1], 0.0]]])


def measure(fusion: Points, cap: Points, haz: Points, plate: PlatePlan) -> BeadTruth:
    """Every quantity of a bead from its outlines on the flat plate (s, d)."""
    loop = np.vstack([cap, fusion[::-1]])
    below, above = (
        polygon_area(bend(_densify(clip_level(loop, keep_below=side)), plate))
        for side in (True, False)
    )
    left, right = fusion[0, 0], fusion[-1, 0]
    middle = bend(np.array([[(left + right) / 2, 0.0]]), plate)[0, 0]
    cut_left, cut_right = left <= 0, right >= plate.length_mm
    haz_depth = float(haz[:, 1].max())
    return BeadTruth(
        x_mm=float(middle),
        penetration_mm=float(max(0.0, fusion[:, 1].max())),
        width_mm=float(right - left),
        reinforcement_mm=float(max(0.0, -cap[:, 1].min())),
        penetration_area_mm2=below,
        reinforcement_area_mm2=above,
        dilution_pct=100 * below / max(below + above, 1e-9),
        toe_angle_left_deg=None if cut_left else toe_angle(cap, mirrored=False),
        toe_angle_right_deg=None if cut_right else toe_angle(cap, mirrored=True),
        haz_depth_mm=haz_depth,
        haz_reaches_back=bool(haz_depth >= plate.thickness_mm - 1e-9),
    )


def toe_angle(cap: Points, *, mirrored: bool) -> float:
    """
    Angle through the air between bare plate and the chord of the weld face.

    The chord runs from the toe to the point 0.5 mm along the face; flat is
    180 degrees.
    """
    line = cap[::-1] * (-1.0, 1.0) if mirrored else cap
    along = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    end = [np.interp(CHORD_MM, along, line[:, i]) for i in (0, 1)]
    rise, run = line[0, 1] - end[1], end[0] - line[0, 0]
    return float(180.0 - np.degrees(np.arctan2(rise, run)))


def clip_level(loop: Points, *, keep_below: bool) -> Points:
    """The part of a closed outline below (d > 0) or above the plate surface."""
    d = loop[:, 1] if keep_below else -loop[:, 1]
    following = np.roll(loop, -1, axis=0)
    d_next = np.roll(d, -1)
    kept = []
    for point, point_next, a, b in zip(loop, following, d, d_next, strict=True):
        if a >= 0:
            kept.append(point)
        if a * b < 0:
            kept.append(point + (point_next - point) * a / (a - b))
    return np.array(kept) if len(kept) > 2 else np.zeros((3, 2))


def _densify(loop: Points, step_mm: float = 0.5) -> Points:
    """A closed outline with more points on its long edges, so that it can bend."""
    following = np.roll(loop, -1, axis=0)
    parts = []
    for point, point_next in zip(loop, following, strict=True):
        count = int(np.hypot(*(point_next - point)) / step_mm) + 1
        share = np.arange(count)[:, None] / count
        parts.append(point + share * (point_next - point))
    return np.vstack(parts)


def polygon_area(loop: Points) -> float:
    """Area of a closed outline in mm² (shoelace)."""
    x, y = (loop - loop.mean(axis=0)).T
    return float(abs(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))) / 2)


def make_section(plate: PlatePlan, plans: tuple[BeadPlan, ...]) -> Section:
    """Put beads on a plate, left to right, and close the coupon's outline."""
    ordered = sorted(plans, key=lambda plan: plan.at_mm)
    beads = tuple(make_bead(p, plate, p.kind != "unfused") for p in ordered)
    return Section(plate, beads, _outline(plate, beads))


def _outline(plate: PlatePlan, beads: tuple[Bead, ...]) -> Points:
    """The coupon's silhouette: top with the caps, right end, back, left end."""
    length, thick = plate.length_mm, plate.thickness_mm
    ul, ur, lr, ll = plate.chamfer_mm
    pieces, reached = [], 0.0
    if not beads or beads[0].span_mm[0] > ul:
        pieces.append(bend(np.array([[0.0, ul], [ul, 0.0]]), plate))
        reached = ul
    for bead in beads:
        start, end = bead.span_mm
        if start > reached + 0.01:
            pieces.append(_bare(reached, start, plate))
        pieces.append(bead.cap_xy_mm)
        reached = end
    if reached < length - ur:
        pieces.append(_bare(reached, length - ur, plate))
        pieces.append(bend(np.array([[length - ur, 0.0], [length, ur]]), plate))
    low_left, low_right = (tilt * thick for tilt in plate.end_tilt)
    right, left = length + low_right, low_left
    back = np.linspace(right - lr, left + ll, 41)
    around = np.vstack(
        [
            [[right, thick - lr]],
            np.column_stack([back, np.full(41, thick)]),
            [[left, thick - ll]],
        ]
    )
    return np.vstack([*pieces, bend(around, plate)])


def _bare(start: float, end: float, plate: PlatePlan) -> Points:
    """Points along bare plate, ends left out."""
    s = np.linspace(start, end, 2 + int((end - start) / 2))[1:-1]
    return bend(np.column_stack([s, np.zeros(len(s))]), plate)
