"""Read one edge of a rule in the search copy: its ticks, numbered, with lengths.

The edge is the line on which all ticks begin. A strip along it is cut out of
the copy; near the edge every tick is there and gives the lattice, further in
only the longer ones are left, which gives their lengths.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

from weldsection.records import ByteArray, FloatArray
from weldsection.scale.ruler_lattice import Lattice, best_lattice
from weldsection.scale.ruler_search import Band, SearchCopy

# half lengths of the stretches over which the edge's direction is refined, px
# of the copy, and the angles tried, degrees: the band's direction is one of 18
# and ticks seen at a tilt of 15° lean by up to 8°
_REFINE = ((160, 14.0, 1.0), (300, 2.0, 0.2), (900, 0.6, 0.06))
_NEAR_ROWS = ((1, 4), (2, 7), (4, 11), (8, 18))
# no tick of a rule is longer than this many steps of its graduation
_LONGEST_STEPS = 26
_FEWEST_TICKS = 10
_BLOCKS = 20


@dataclass(frozen=True, slots=True)
class Edge:
    """A straight line in the copy on which ticks begin."""

    origin_xy: FloatArray
    along: FloatArray
    across: FloatArray
    """Unit vector from the edge into the rule."""

    def points(self, u: FloatArray, v: FloatArray) -> FloatArray:
        """Points of the copy at distances along and across: ``(..., 2)``."""
        return np.asarray(
            self.origin_xy
            + np.asarray(u)[..., None] * self.along
            + np.asarray(v)[..., None] * self.across,
            dtype=np.float64,
        )


@dataclass(frozen=True, slots=True)
class TickRow:
    """The ticks along one edge of a rule, in the search copy."""

    edge: Edge
    lattice: Lattice
    lean: FloatArray
    """(s0, s1): a tick at u has moved by v (s0 + s1 u) at depth v."""
    lengths_steps: FloatArray
    """Length of each tick of the lattice in steps, NaN where it was not seen."""
    base_v: FloatArray
    """Where each tick begins, px from the edge; NaN where it was not seen."""
    polarity: int
    """1 for dark ticks, -1 for light ones."""

    @property
    def numbers(self) -> FloatArray:
        """Numbers of the ticks from the first to the last, for `lengths_steps`."""
        first, last = self.lattice.numbers[0], self.lattice.numbers[-1]
        return np.arange(first, last + 1)

    def tick_xy(self, numbers: FloatArray, v: FloatArray) -> FloatArray:
        """Points of the copy on ticks at depth v, both broadcast."""
        u = self.lattice.at(np.asarray(numbers, dtype=np.float64))
        u = u + v * (self.lean[0] + self.lean[1] * u)
        return self.edge.points(u, v + np.zeros_like(u))


def read_ticks(copy: SearchCopy, band: Band) -> TickRow | None:
    """Read the ticks of a band; None where there is no evenly divided edge."""
    edge = _edge_of(copy.grey, band)
    for polarity in (1, -1):
        row = _read_edge(copy.grey, edge, polarity)
        if row is not None:
            return row
    return None


def _edge_of(grey: ByteArray, band: Band) -> Edge:
    """Turn the band until the ticks begin most sharply on one line."""
    along = np.array([math.cos(band.direction_rad), math.sin(band.direction_rad)])
    edge = Edge(band.centre_xy, along, np.array([-along[1], along[0]]))
    reach_v = 100
    for half, widest_deg, step_deg in _REFINE:
        stroke = _stroke_energy(grey, edge, half, reach_v)
        edge = _sharpest_edge(edge, stroke, half, (widest_deg, step_deg))
        reach_v = 24
    return edge


def cut_strip(
    grey: ByteArray, edge: Edge, u_range: tuple[int, int], v_range: tuple[int, int]
) -> FloatArray:
    """Strip of the copy along an edge: rows are v, columns u, 1 px steps."""
    corner = edge.origin_xy + u_range[0] * edge.along + v_range[0] * edge.across
    strip = cv2.warpAffine(
        grey,
        np.column_stack([edge.along, edge.across, corner]),
        (u_range[1] - u_range[0] + 1, v_range[1] - v_range[0] + 1),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return np.asarray(strip, dtype=np.float64)


def _stroke_energy(grey: ByteArray, edge: Edge, half: int, reach_v: int) -> FloatArray:
    """Clipped gradient along the edge in 20 blocks of columns: ``(v, 20)``."""
    strip = cut_strip(grey, edge, (-half, half + 1), (-reach_v, reach_v))
    slope = np.clip(np.abs(strip[:, 2:] - strip[:, :-2]) - 6.0, 0.0, 40.0)
    blocks = slope.reshape(slope.shape[0], _BLOCKS, -1).mean(axis=2)
    return np.asarray(blocks, dtype=np.float64)


def _sharpest_edge(
    edge: Edge, stroke: FloatArray, half: int, turns_deg: tuple[float, float]
) -> Edge:
    """Move and turn the edge to the line where strokes begin most sharply."""
    widest, step = turns_deg
    slopes = np.tan(np.radians(np.arange(-widest, widest + step / 2, step)))
    reach_v = stroke.shape[0] // 2
    u = (np.arange(_BLOCKS) + 0.5) * (2 * half / _BLOCKS) - half
    v = np.arange(-reach_v, reach_v + 1)
    rows = np.rint(v[None, :, None] + slopes[:, None, None] * u).astype(int) + reach_v
    inside = (rows >= 0) & (rows < stroke.shape[0])
    rows = np.clip(rows, 0, stroke.shape[0] - 1)
    summed = np.where(inside, stroke[rows, np.arange(_BLOCKS)], 0.0).sum(axis=2)
    total = np.cumsum(np.pad(summed, ((0, 0), (1, 0))), axis=1)
    reach = 4
    rise = total[:, 2 * reach :] - 2 * total[:, reach:-reach] + total[:, : -2 * reach]
    which, at = np.unravel_index(int(np.argmax(np.abs(rise))), rise.shape)
    # rows at .. at + 3 lie outside, at + 4 .. at + 7 inside
    v0 = float(v[at + reach]) - 0.5
    along = edge.along + slopes[which] * edge.across
    along = along / math.hypot(*along)
    across = edge.across - slopes[which] * edge.along
    side = 1.0 if rise[which, at] > 0 else -1.0
    return Edge(
        edge.origin_xy + v0 * edge.across, along, side * across / math.hypot(*across)
    )


def _u_range(grey: ByteArray, edge: Edge) -> tuple[int, int]:
    """The stretch of the edge's line that lies in the picture."""
    rows, columns = grey.shape
    low, high = -math.inf, math.inf
    for at, step, end in zip(
        edge.origin_xy, edge.along, (columns - 1, rows - 1), strict=True
    ):
        if abs(step) > 1e-9:
            ends = sorted(((0 - at) / step, (end - at) / step))
            low, high = max(low, ends[0]), min(high, ends[1])
    return math.ceil(low), math.floor(high)


def _read_edge(grey: ByteArray, edge: Edge, polarity: int) -> TickRow | None:
    """Find the lattice of all ticks near the edge, then follow each inwards."""
    u_range = _u_range(grey, edge)
    if u_range[1] - u_range[0] < 40:
        return None
    strip = cut_strip(grey, edge, u_range, (0, 20))
    dark = -polarity * cv2.GaussianBlur(strip, (5, 1), 0.7)
    best: Lattice | None = None
    for rows in _NEAR_ROWS:
        lattice = best_lattice(dark[slice(*rows)].mean(axis=0))
        if lattice is not None and (
            best is None or len(lattice.numbers) > len(best.numbers)
        ):
            best = lattice
    if best is None or len(best.numbers) < _FEWEST_TICKS:
        return None
    a, b, c = best.coefficients
    shift = u_range[0]
    lattice = Lattice(
        best.numbers,
        best.u_px + shift,
        np.array([a + shift * c, b + shift, c]),
    )
    return _followed(grey, edge, lattice, polarity)


def _followed(
    grey: ByteArray, edge: Edge, lattice: Lattice, polarity: int
) -> TickRow | None:
    """Follow the ticks of a lattice into the rule."""
    pitch = lattice.pitch_px
    depth = math.ceil(min(_LONGEST_STEPS * pitch, 400))
    before = math.ceil(2 * pitch) + 4
    first, last = lattice.numbers[0], lattice.numbers[-1]
    numbers = np.arange(first, last + 1)
    u = lattice.at(numbers)
    u_range = (math.floor(u[0] - 2 * pitch - 60), math.ceil(u[-1] + 2 * pitch + 60))
    strip = polarity * cut_strip(grey, edge, u_range, (-before, depth))
    lean = _lean(strip, lattice, numbers, (u_range[0], before))
    contrast = _contrast(strip, lattice, numbers, lean, (u_range[0], before))
    v = np.arange(-before, depth + 1)
    base, tip = _ends(contrast, v, pitch)
    lengths = (tip - base) / lattice.pitch_at(numbers)
    return TickRow(edge, lattice, lean, lengths, base, polarity)


def _sampled(strip: FloatArray, u: FloatArray, v: FloatArray) -> FloatArray:
    """Values of a strip between its pixels."""
    sampled = cv2.remap(
        strip.astype(np.float32),
        u.astype(np.float32),
        v.astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return np.asarray(sampled, dtype=np.float64)


def _lean(
    strip: FloatArray, lattice: Lattice, numbers: FloatArray, zero: tuple[int, int]
) -> FloatArray:
    """How ticks lean, and how the lean changes along the rule, step by step."""
    u, pitch = lattice.at(numbers), lattice.pitch_at(numbers)
    offsets = np.linspace(-0.4, 0.4, 17)
    middle = lattice.pitch_px
    lean = np.zeros(2)
    seen_u: list[FloatArray] = []
    seen_v: list[FloatArray] = []
    seen_shift: list[FloatArray] = []
    for v in np.arange(0.4, 6.0, 0.4) * middle:
        at_u = u + v * (lean[0] + lean[1] * u)
        grid = at_u[:, None] + offsets * pitch[:, None] - zero[0]
        rows = np.full_like(grid, v + zero[1])
        dark = _sampled(strip, grid, rows)
        dark = np.maximum(np.percentile(dark, 75, axis=1)[:, None] - dark, 0.0)
        dark **= 2
        strength = dark.sum(axis=1)
        if not seen_u:
            plain = float(np.median(strength))
        good = strength > 0.4 * plain
        if np.count_nonzero(good) < 6:
            break
        shift = (dark[good] @ offsets) / strength[good] * pitch[good]
        seen_u.append(u[good])
        seen_v.append(np.full(np.count_nonzero(good), v))
        seen_shift.append(shift + (at_u - u)[good])
        lean = _fit_lean(*map(np.concatenate, (seen_u, seen_v, seen_shift)))
    return lean


def _fit_lean(u: FloatArray, v: FloatArray, shift: FloatArray) -> FloatArray:
    """Fit shift = v (s0 + s1 u) with outliers left out; s1 held small."""
    weight = np.ones_like(u)
    solved = np.zeros(2)
    span = max(float(np.ptp(u)), 1.0)
    for _ in range(4):
        design = np.column_stack([v, v * u / span]) * weight[:, None]
        # 0.2: a lean changes by less than 12° over a rule
        ridge = np.diag([0.0, float(np.mean(v**2)) * 4])
        solved = np.linalg.solve(design.T @ design + ridge, design.T @ (weight * shift))
        residual = shift - v * (solved[0] + solved[1] * u / span)
        spread = max(1.4826 * float(np.median(np.abs(residual))), 0.1)
        weight = np.clip(1 - (residual / (4.685 * spread)) ** 2, 0, None)
    return np.array([solved[0], solved[1] / span])


def _contrast(
    strip: FloatArray,
    lattice: Lattice,
    numbers: FloatArray,
    lean: FloatArray,
    zero: tuple[int, int],
) -> FloatArray:
    """How much darker each tick is than the rule beside it: ``(ticks, v)``."""
    u, pitch = lattice.at(numbers), lattice.pitch_at(numbers)
    v = np.arange(strip.shape[0]) - zero[1]
    at_u = u[:, None] + v * (lean[0] + lean[1] * u)[:, None] - zero[0]
    rows = np.broadcast_to(v + zero[1], at_u.shape)
    beside = [
        _sampled(strip, at_u + side * pitch[:, None], rows) for side in (-0.5, 0.5)
    ]
    width = np.clip(0.08 * pitch, 0.4, 1.5)[:, None]
    on = np.minimum.reduce(
        [_sampled(strip, at_u + side * width, rows) for side in (-1.0, 0.0, 1.0)]
    )
    return np.asarray(np.minimum(*beside) - on, dtype=np.float64)


def _ends(
    contrast: FloatArray, v: FloatArray, pitch: float
) -> tuple[FloatArray, FloatArray]:
    """Where each tick begins and ends, px from the edge."""
    smooth = cv2.blur(contrast, (3, 1), borderType=cv2.BORDER_REPLICATE)
    near = (v >= 0.3 * pitch) & (v <= 1.2 * pitch)
    own = np.median(smooth[:, near], axis=1)
    plain = float(np.median(own))
    own = np.clip(own, 0.5 * plain, None)
    there = smooth > 0.5 * own[:, None]
    start = int(np.searchsorted(v, 0.7 * pitch))
    gap = max(2, round(0.15 * pitch))
    tip = _first_gap(there[:, start:], gap) + v[start]
    base = v[start] - _first_gap(there[:, start::-1], gap)
    missing = ~there[:, start]
    tip[missing], base[missing] = np.nan, np.nan
    return base, tip


def _first_gap(there: FloatArray, gap: int) -> FloatArray:
    """Steps until a tick is away for `gap` steps, for each row."""
    away = np.pad(~there, ((0, 0), (0, gap)), constant_values=True)
    counts = np.cumsum(np.pad(away, ((0, 0), (1, 0))), axis=1)
    full = counts[:, gap:] - counts[:, :-gap] == gap
    return np.argmax(full, axis=1).astype(np.float64)
