"""The second look: toes, fusion lines and weld faces again, on the photo itself.

The first look works on the whole face at once on a grid of 0.05 mm and tells
the fusion line from the HAZ edge. The second goes along what it found, as fine
as the photo is, and gives for every place of a line the whole distribution of
where it lies.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from weldsection.beside import begun
from weldsection.boundary.band import PAIR_MM, Crossing, look_along, softened
from weldsection.boundary.contour import LINE_STEP_MM, face_between
from weldsection.boundary.toes import Toe, look_at_toes
from weldsection.flags import Flag, in_order
from weldsection.records import BeadTrace, BoolArray, Coupon, FloatArray, Photo

DRAWS = 120
FARTHEST_TOE_MM = 1.2  # from the first look's: beyond, the close look saw another
UNSURE_TOE_MM = 0.5  # a toe known worse than this stays where it was
# of a toe's spread as the network states it, of its way from the first look's place,
# and at least: set by the errors on drawn photos
TOE_FACTOR, TOE_WAY_SHARE, TOE_LEAST_U_MM = 1.3, 0.15, 0.015
GUESSED_TOE_MM = 0.3  # a toe between touching beads known worse than this is a guess
SMOOTH_MM = 0.04  # along the line: more would round off the tip of a finger
# errors on drawn bands are alike over this length of the line, and this share of
# their variance is common to all of it
ALIKE_MM, COMMON_SHARE = 0.5, 0.45
# a dark line at the fusion boundary begins a little outside the last columnar
# grain, how much is a matter of steel and etch: doubt about what is measured
DEFINITION_MM = 0.025
# Share of the first look's doubt that stays: hardly any where the close look sees a
# sharp line, over half where it sees a dull one. tests/benchmarks/doubt.py fits 0.1 and
# 0.5 on drawn photos; a little more is kept for photos unlike them.
SHARP_MM, DULL_MM = 0.02, 0.08
LEAST_SHARE, MOST_SHARE = 0.05, 0.6
# of the way from the first look's line to the second's, beyond the usual: with it the
# truth lies within two u as often where the line was moved far
LINE_WAY_SHARE, USUAL_WAY_MM = 0.8, 0.15
LOST = 0.5  # a line that is likelier outside the band is not seen there
LOST_U_MM = 0.8
DOUBTFUL_MM = 0.42  # a stretch known worse than this is drawn dashed
FAINT_SHARE = 0.5
LOWEST_FACE_MM = 0.12  # a lower weld face was ground flush
# and a bead with such a face must be deep by so many standard deviations: of 75 drawn
# ones one is not; a streak of the plate that was taken for one was deep by 2.3 of them
SURE_OF_FLUSH = 3.0
# a line that moved farther is unrolled once more: it shows the tip of a finger better
AGAIN_MM = {"line": 0.1, "cap": 0.4}
ROUGH_MM = 0.3  # the first look's weld face is smoothed over this before it is unrolled


@dataclass(frozen=True, slots=True)
class _Line:
    """A line as seen closely, from toe to toe."""

    xy_mm: FloatArray
    u_mm: FloatArray
    doubtful: BoolArray
    draws_mm: FloatArray


def look_closer(
    photo: Photo, coupon: Coupon, traces: list[BeadTrace]
) -> list[BeadTrace]:
    """Place toes, fusion lines and weld faces as finely as the photo shows."""
    if not traces:
        return []
    pairs = look_at_toes(photo, coupon, traces)
    placed = [
        _with_toes(coupon, trace, pair)
        for trace, pair in zip(traces, pairs, strict=True)
    ]
    lines = [trace.fusion_xy_mm for trace in placed]
    # the weld lies to the left of who walks along a line: faces run backwards
    faces = [_soft(trace.cap_xy_mm)[::-1] for trace in placed]
    caps = begun(_seen_along, photo, coupon, faces, "cap")
    fusion = _seen_along(photo, coupon, lines, "line")
    seen = [
        _with_lines(
            trace,
            _line(below, ends_of(trace), _course_u(trace, below)),
            _line(above, ends_of(trace)[::-1], np.zeros(len(above.beyond))),
        )
        for trace, below, above in zip(placed, fusion, caps.result(), strict=True)
    ]
    return [trace for trace in seen if _is_bead(coupon, trace)]


def _is_bead(coupon: Coupon, trace: BeadTrace) -> bool:
    """
    Whether anything shows a bead: a face above the plate, or a sure fusion line.

    Where no metal stands above the plate, a lighter streak of the rolled plate is
    soon taken for a bead that was ground flush.
    """
    height = coupon.surface.y_at(trace.cap_xy_mm[:, 0]) - trace.cap_xy_mm[:, 1]
    if height.max() > LOWEST_FACE_MM:
        return True
    x, y = np.moveaxis(trace.fusion_draws_mm, -1, 0)
    depth = (y - coupon.surface.y_at(x)).max(axis=1)
    sure = depth.mean() > SURE_OF_FLUSH * depth.std()
    return bool(sure and Flag.BOUNDARY_FAINT not in trace.flags)


def ends_of(trace: BeadTrace) -> tuple[FloatArray, FloatArray]:
    """Left and right toe."""
    return trace.left_toe_xy_mm, trace.right_toe_xy_mm


def _with_toes(coupon: Coupon, trace: BeadTrace, pair: tuple[Toe, Toe]) -> BeadTrace:
    """Put the toes where the close look saw them, and the lines between them."""
    firsts = ends_of(trace)
    us = (trace.left_toe_u_mm, trace.right_toe_u_mm)
    ends, doubts = [], []
    for first, u, toe in zip(firsts, us, pair, strict=True):
        kept = toe.u_mm > UNSURE_TOE_MM or abs(toe.x_mm - first[0]) > FARTHEST_TOE_MM
        x = float(first[0]) if kept else toe.x_mm
        ends.append(np.array([x, float(coupon.surface.y_at(x))]))
        way = TOE_WAY_SHARE * abs(toe.x_mm - first[0])
        seen_u = float(np.hypot(np.hypot(TOE_FACTOR * toe.u_mm, TOE_LEAST_U_MM), way))
        doubts.append(max(u, seen_u) if kept else seen_u)
    left, right = ends
    if right[0] - left[0] < 0.5 * (firsts[1][0] - firsts[0][0]):
        return trace
    return replace(
        trace,
        left_toe_xy_mm=left,
        right_toe_xy_mm=right,
        left_toe_u_mm=doubts[0],
        right_toe_u_mm=doubts[1],
        cap_xy_mm=face_between(trace.outline_xy_mm, left, right),
        fusion_xy_mm=_stretched(trace.fusion_xy_mm, left, right),
    )


def _stretched(line: FloatArray, left: FloatArray, right: FloatArray) -> FloatArray:
    """Move a line's ends to the toes, and what lies between in proportion."""
    share = np.linspace(0.0, 1.0, len(line))[:, None]
    return np.asarray(
        line + (1 - share) * (left - line[0]) + share * (right - line[-1])
    )


def _soft(face_xy_mm: FloatArray) -> FloatArray:
    """Smooth a weld face between its ends."""
    soft = softened(face_xy_mm, ROUGH_MM / LINE_STEP_MM)
    soft[[0, -1]] = face_xy_mm[[0, -1]]
    return soft


def _seen_along(
    photo: Photo, coupon: Coupon, lines: list[FloatArray], network: str
) -> list[Crossing]:
    """Look along the lines; once more along those that lay off."""
    crossings = look_along(photo, coupon, lines, network)
    offsets = [_offset(crossing) for crossing in crossings]
    farthest = AGAIN_MM[network]
    moved = [n for n, offset in enumerate(offsets) if np.abs(offset).max() > farthest]
    if moved:
        better = [crossings[n].points_at(offsets[n]) for n in moved]
        again = look_along(photo, coupon, better, network)
        for n, crossing in zip(moved, again, strict=True):
            way = stretched_to(np.abs(offsets[n]), len(crossing.beyond))
            crossings[n] = replace(crossing, base_moved_mm=way)
    return crossings


def _offset(crossing: Crossing) -> FloatArray:
    """Most central place of the line on each normal, in mm outwards."""
    middle = crossing.quantiles_mm(np.full(len(crossing.beyond), 0.5))
    seen = np.where(crossing.beyond > LOST, 0.0, middle)
    return softened(seen[:, None], SMOOTH_MM / PAIR_MM)[:, 0]


def _course_u(trace: BeadTrace, crossing: Crossing) -> FloatArray:
    """
    Doubt that the close look followed another line than the fusion line.

    The close look takes it that the line is near, and only the first one saw
    enough of the face to know. The less sharply the close look sees a line,
    the more the first look's doubt counts; and where the two looks put the
    line far apart, one of them is wrong.
    """
    first = stretched_to(trace.fusion_u_mm, len(crossing.beyond))
    share = course_share(crossing.spread_mm(), DULL_MM, MOST_SHARE, LEAST_SHARE)
    way = crossing.base_moved_mm + np.abs(_offset(crossing))
    moved_u = LINE_WAY_SHARE * np.maximum(way - USUAL_WAY_MM, 0.0)
    return np.asarray(np.hypot(np.hypot(share * first, moved_u), DEFINITION_MM))


def course_share(
    spread_mm: FloatArray, dull_mm: float, most: float, least: float
) -> FloatArray:
    """Share of the first look's doubt that stays, by how dull the close look is."""
    dull = np.maximum(spread_mm - SHARP_MM, 0) / dull_mm
    return np.asarray(np.maximum(most * (1 - np.exp(-dull)), least))


def stretched_to(values: FloatArray, count: int) -> FloatArray:
    """Values along a line at so many places along it."""
    places = np.linspace(0, 1, count)
    return np.asarray(np.interp(places, np.linspace(0, 1, len(values)), values))


def _line(
    crossing: Crossing, ends: tuple[FloatArray, FloatArray], course_u: FloatArray
) -> _Line:
    """Put a line together from what was seen, from one toe to the other."""
    lost = crossing.beyond > LOST
    u = np.where(lost, LOST_U_MM, np.hypot(crossing.spread_mm(), course_u))
    u = np.concatenate([u[:1], u, u[-1:]])
    drawn = _draws(crossing, lost)
    rng = np.random.default_rng(drawn.shape[1] + 1)
    drawn = drawn + course_u * _alike(rng, drawn.shape[1])
    return _Line(
        xy_mm=_ended(crossing.points_at(_offset(crossing)), ends),
        u_mm=u,
        doubtful=u > DOUBTFUL_MM,
        draws_mm=_ended(crossing.points_at(drawn), ends),
    )


def _ended(lines: FloatArray, ends: tuple[FloatArray, FloatArray]) -> FloatArray:
    """Lines ``(..., N, 2)`` with the toes as their ends."""
    shape = (*lines.shape[:-2], 1, 2)
    first, last = (np.broadcast_to(end, shape) for end in ends)
    return np.concatenate([first, lines, last], axis=-2)


def _with_lines(trace: BeadTrace, fusion: _Line, face: _Line) -> BeadTrace:
    """Give the trace the lines that were seen closely, and their doubt."""
    flags = set(trace.flags) - {Flag.BOUNDARY_FAINT}
    if max(trace.left_toe_u_mm, trace.right_toe_u_mm) < GUESSED_TOE_MM:
        flags -= {Flag.TOUCHING_BEADS}
    if fusion.doubtful.mean() > FAINT_SHARE:
        flags.add(Flag.BOUNDARY_FAINT)
    return replace(
        trace,
        fusion_xy_mm=fusion.xy_mm,
        fusion_u_mm=fusion.u_mm,
        doubtful=fusion.doubtful,
        fusion_draws_mm=fusion.draws_mm,
        cap_xy_mm=face.xy_mm[::-1],
        cap_u_mm=float(np.median(face.u_mm)),
        cap_draws_mm=face.draws_mm[:, ::-1],
        flags=in_order(flags),
    )


def _draws(crossing: Crossing, lost: BoolArray) -> FloatArray:
    """
    Equally likely offsets ``(DRAWS, N)`` of the line on the normals.

    Each normal keeps its own distribution; neighbours are drawn alike over
    `ALIKE_MM`, and a share of the doubt is common to the whole line (a
    Gaussian copula: Nelsen, An Introduction to Copulas, 2006, section 2.3).
    """
    rng = np.random.default_rng(len(lost))  # repeatable for the same line
    z = _alike(rng, len(lost))
    drawn = crossing.quantiles_mm(_normal_share(z))
    return np.where(lost, z * LOST_U_MM, drawn)


def _alike(rng: np.random.Generator, count: int) -> FloatArray:
    """Standard normal values ``(DRAWS, count)``, much the same near one another."""
    local = softened(rng.standard_normal((count, DRAWS)), ALIKE_MM / PAIR_MM)
    local /= local.std()
    common = rng.standard_normal(DRAWS)[:, None]
    return np.asarray(
        np.sqrt(1 - COMMON_SHARE) * local.T + np.sqrt(COMMON_SHARE) * common
    )


def _normal_share(z: FloatArray) -> FloatArray:
    """
    Share of a standard normal distribution below z, to 0.0004.

    References
    ----------
    Page, Applied Statistics 26 (1977) 75.
    """
    return np.asarray(0.5 * (1 + np.tanh(np.sqrt(2 / np.pi) * (z + 0.044715 * z**3))))
