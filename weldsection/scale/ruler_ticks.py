"""Read one edge of a rule in the search copy: its ticks, numbered, with lengths.

The edge is the line on which all ticks begin. A strip along it is cut out of
the copy; near the edge every tick is there and gives the lattice, further in
only the longer ones are left, which gives their lengths.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np

from weldsection.records import BoolArray, ByteArray, FloatArray
from weldsection.scale.ruler_edge import (
    FINELY,
    ROUGHLY,
    Edge,
    band_edge,
    cut_strip,
    edge_along,
    refined,
    robust_line,
    u_range_of,
)
from weldsection.scale.ruler_lattice import Lattice, best_lattice, longer_lattice, merit
from weldsection.scale.ruler_search import Band, SearchCopy

# a rule shows in the stretch about the band's middle, px of the copy each way
_NEAR_HALF = 320
_NEAR_ROWS = ((1, 4), (2, 7), (4, 11), (8, 18))
# no tick of a rule is longer than this many steps of its graduation
_LONGEST_STEPS = 26
_FEWEST_TICKS, _FEWEST_NEAR = 10, 8


@dataclass(frozen=True, slots=True)
class TickRow:
    """The ticks along one edge of a rule, in the search copy."""

    edge: Edge
    lattice: Lattice
    lean: FloatArray
    """(s0, s1): a tick at u has moved by v (s0 + s1 u) at depth v."""
    base_v: FloatArray
    """Where each of `numbers` begins, px from the edge; NaN where not seen."""
    tip_v: FloatArray
    """Where each ends."""
    lengths_steps: FloatArray
    """Length of each in steps, perspective along the rule removed."""
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


def read_ticks(copy: SearchCopy, band: Band) -> Iterator[TickRow]:
    """Read a band as dark ticks, then as light ones, where it is evenly divided."""
    near = refined(copy.grey, band_edge(band), ROUGHLY)
    for polarity in (1, -1):
        if _near_lattice(copy.grey, near, polarity) is None:
            continue
        edge = refined(copy.grey, near, FINELY)
        row = _read_edge(copy.grey, edge, polarity)
        if row is None:
            continue
        moved = _moved_edge(row)
        if moved is not None:
            row = _read_edge(copy.grey, moved, polarity)
        if row is not None:
            yield row
            yield from _from_the_other_side(copy.grey, row)


def _from_the_other_side(grey: ByteArray, row: TickRow) -> Iterator[TickRow]:
    """Read a row again the other way round, in case its ticks begin there.

    The ends of many short ticks can look sharper than the edge of the rule.
    """
    # where seven ticks of ten are still there
    reach = float(np.nanpercentile(row.tip_v, 30))
    edge = row.edge
    turned = Edge(edge.origin_xy + reach * edge.across, edge.along, -edge.across)
    again = _read_edge(grey, turned, row.polarity)
    if again is not None:
        yield again


def short_tips(row: TickRow) -> tuple[FloatArray, FloatArray]:
    """Ends of the shortest ticks, (u, v) in px: they lie along the rule.

    Their beginnings may be hidden under the coupon, their ends are not.
    """
    lengths = row.lengths_steps
    seen = np.isfinite(lengths)
    shortest = float(np.median(_second_of_four(lengths[seen])))
    near = seen & (np.abs(lengths - shortest) < max(0.12 * shortest, 0.1))
    return row.lattice.at(row.numbers[near]), row.tip_v[near]


def _level_lengths(
    lattice: Lattice, numbers: FloatArray, ends_v: tuple[FloatArray, FloatArray]
) -> FloatArray:
    """Lengths in steps, counted from where the shortest ticks end.

    Ticks may begin under the coupon, at an angle to the edge; their ends stay
    in sight. One length for all shortest ticks is added again.
    """
    base, tip = ends_v
    u = lattice.at(numbers)
    seen = np.isfinite(base)
    shortest = _second_of_four(tip[seen])
    if len(shortest) < 4:
        line = np.array([0.0, float(np.median(shortest))])
    else:
        line, _ = robust_line(_second_of_four(u[seen]), shortest)
    beyond = tip - np.polyval(line, u)
    # across the rule things shrink as 1 / (c k + 1), along it by its square
    _, _, c = lattice.coefficients
    nearness = (c * numbers + 1) / (c * float(np.median(lattice.numbers)) + 1)
    own = np.median(np.polyval(line, u[seen]) - base[seen])
    return np.asarray((beyond * nearness + own) / lattice.pitch_px)


def _second_of_four(values: FloatArray) -> FloatArray:
    """Second smallest of every four: a shortest tick in inches as in mm."""
    fours = values[: len(values) // 4 * 4].reshape(-1, 4)
    return np.asarray(np.sort(fours, axis=1)[:, 1], dtype=np.float64)


def _moved_edge(row: TickRow) -> Edge | None:
    """The edge laid through the beginnings of the ticks, if it missed them."""
    seen = np.isfinite(row.base_v)
    u = row.lattice.at(row.numbers[seen])
    (slope, start), spread = robust_line(u, row.base_v[seen])
    ends = slope * row.lattice.u_px[[0, -1]] + start
    pitch = row.lattice.pitch_px
    if spread > 0.3 * pitch or np.abs(ends).max() < max(0.4 * pitch, 2.0):
        return None
    return edge_along(row.edge, slope, start)


def _profiles(
    grey: ByteArray, edge: Edge, u_range: tuple[int, int], polarity: int
) -> list[FloatArray]:
    """How dark the edge is along u, in several narrow rows inside it."""
    strip = cut_strip(grey, edge, u_range, (0, _NEAR_ROWS[-1][1]))
    dark = -polarity * cv2.GaussianBlur(strip, (5, 1), 0.7)
    return [dark[slice(*rows)].mean(axis=0) for rows in _NEAR_ROWS]


def _near_lattice(
    grey: ByteArray, edge: Edge, polarity: int
) -> tuple[int, Lattice] | None:
    """The best lattice about the edge's origin and the row that shows it."""
    low, high = u_range_of(grey, edge)
    u_range = max(low, -_NEAR_HALF), min(high, _NEAR_HALF)
    if u_range[1] - u_range[0] < 40:
        return None
    profiles = _profiles(grey, edge, u_range, polarity)
    found = [best_lattice(profile) for profile in profiles]
    best = max(range(len(found)), key=lambda index: merit(found[index]))
    lattice = found[best]
    if lattice is None or len(lattice.numbers) < _FEWEST_NEAR:
        return None
    return best, lattice.shifted(float(u_range[0]))


def _read_edge(grey: ByteArray, edge: Edge, polarity: int) -> TickRow | None:
    """Find the lattice of all ticks near the edge, then follow each inwards."""
    near = _near_lattice(grey, edge, polarity)
    if near is None:
        return None
    which, lattice = near
    u_range = u_range_of(grey, edge)
    profile = _profiles(grey, edge, u_range, polarity)[which]
    longer = longer_lattice(lattice.shifted(-float(u_range[0])), profile)
    if longer is None or len(longer.numbers) < _FEWEST_TICKS:
        return None
    return _followed(grey, edge, longer.shifted(float(u_range[0])), polarity)


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
    v = np.arange(-before, depth + 1, dtype=np.float64)
    base, tip = _ends(contrast, v, pitch)
    if np.count_nonzero(np.isfinite(base)) < _FEWEST_TICKS:
        return None
    lengths = _level_lengths(lattice, numbers, (base, tip))
    return TickRow(edge, lattice, lean, base, tip, lengths, polarity)


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
    lean: FloatArray = np.zeros(2)
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
    weight: FloatArray = np.ones_like(u)
    solved: FloatArray = np.zeros(2)
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
    rows = np.broadcast_to((v + zero[1]).astype(np.float64), at_u.shape)
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


def _first_gap(there: BoolArray, gap: int) -> FloatArray:
    """Steps until a tick is away for `gap` steps, for each row."""
    away = np.pad(~there, ((0, 0), (0, gap)), constant_values=True)
    counts = np.cumsum(np.pad(away, ((0, 0), (1, 0))), axis=1)
    full: BoolArray = counts[:, gap:] - counts[:, :-gap] == gap
    return np.asarray(np.argmax(full, axis=1), dtype=np.float64)
