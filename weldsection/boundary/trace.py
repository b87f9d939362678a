"""Trace one bead: toes, weld face, fusion line and HAZ edge with their doubt."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np

from weldsection.boundary.contour import Contour, follow_contour
from weldsection.boundary.evidence import CONVICTION, Evidence
from weldsection.boundary.fan import STEP_MM, Fan, lay_fan, middle_points, sample
from weldsection.boundary.trellis import Posterior, score_states, solve, step_kernel
from weldsection.flags import Flag
from weldsection.records import BeadSite, BeadTrace, BoolArray, Coupon, FloatArray
from weldsection.zones import Zone

# Neighbouring grid points say nearly the same: a run of them counts as fewer.
TEMPER = 1.15
STEP_SCALE = 1.0  # mm that the line moves along a ray for each mm between rays
TAIL_SHARE, TAIL_SCALE_MM = 0.03, 0.8
WIDTH_STEP_MM, WIDEST_HAZ_MM = 0.3, 4.8
NO_HAZ_COST = 1.5  # nats on each ray: nearly every etch shows some HAZ
UNTOLD = -0.7  # nats, near log(1/2): HAZ or base, nobody can say which
TOE_PULL_MM = 0.25  # the fusion line meets the toes
BEYOND_DEEPEST_MM = 1.2  # rays go this much deeper than any sign of weld or HAZ
SHARPEN_MM = 0.3  # the farthest that even odds may lie from the trellis' line
SMOOTH_MM = 0.1  # along the line: takes out the jitter between rays only
# set by the coverage over drawn sections that no network saw, docs/accuracy.md
SPREAD_FACTOR = 1.8
SPREAD_REACH_MM = 1.5
DOUBTFUL_MM = 0.42  # a stretch known worse than this is drawn dashed
FAINT_SHARE = 0.5
STRAY_TOE_MM = 1.0
CUSP_MM = 0.15  # a HAZ edge that falls again by this is a neighbour's


def trace_beads(
    coupon: Coupon, evidence: Evidence, sites: Sequence[BeadSite]
) -> list[BeadTrace]:
    """Trace every bead; where one cannot be, the numbers of all others are unsure."""
    traced = [trace_bead(coupon, evidence, site) for site in sites]
    found = [trace for trace in traced if trace is not None]
    if len(found) == len(sites):
        return found
    return [
        replace(trace, flags=(*trace.flags, Flag.NUMBERING_UNSURE)) for trace in found
    ]


def trace_bead(coupon: Coupon, evidence: Evidence, site: BeadSite) -> BeadTrace | None:
    """
    Trace the lines of one bead.

    Returns
    -------
    BeadTrace or None
        Its lines drawn once, since the second look draws them anew; None when
        the outline of the weld face cannot be followed.
    """
    contour = follow_contour(coupon, site)
    if contour is None:
        return None
    left, right = contour.left_toe_xy_mm, contour.right_toe_xy_mm
    fan = lay_fan(left[0], right[0], _depth_to_search(coupon, left[0], right[0]))
    fields = _own_evidence(coupon, fan, evidence, site)
    posterior = _solve(fan, fields)
    steps = _sharpened(fields, _median_steps(posterior.fusion))
    line = _smooth_along(steps[None] * STEP_MM, fan, SMOOTH_MM)[0]
    spread = _spread(fields, fan, line, posterior)
    doubtful = spread > DOUBTFUL_MM
    fusion = _on_face(coupon, fan, line)
    return BeadTrace(
        left_toe_xy_mm=left,
        right_toe_xy_mm=right,
        left_toe_u_mm=contour.left_u_mm,
        right_toe_u_mm=contour.right_u_mm,
        fusion_xy_mm=fusion,
        fusion_u_mm=spread,
        doubtful=doubtful,
        cap_xy_mm=contour.cap_xy_mm,
        cap_u_mm=contour.u_mm,
        outline_xy_mm=contour.xy_mm,
        haz_xy_mm=_haz_edge(coupon, fan, posterior, steps),
        fusion_draws_mm=fusion[None],
        cap_draws_mm=contour.cap_xy_mm[None],
        flags=_flags(coupon, contour, site, doubtful),
    )


def _depth_to_search(coupon: Coupon, left_mm: float, right_mm: float) -> float:
    """How deep the rays must go: beyond any sign of weld metal or HAZ."""
    columns = coupon.column_of([left_mm, right_mm]).astype(int)
    part = coupon.zones[:, :, max(columns[0], 0) : columns[1] + 1]
    altered = (part.argmax(axis=0) == Zone.WELD) | (part.argmax(axis=0) == Zone.HAZ)
    rows = np.flatnonzero(altered.sum(axis=1) * coupon.grid_mm > 0.3)
    surface = float(coupon.surface.y_at((left_mm + right_mm) / 2))
    seen = float(coupon.rows_y_mm[rows[-1]]) - surface if len(rows) else 0.0
    most = min(coupon.thickness_mm, float(coupon.rows_y_mm[-1]) - surface)
    return max(min(seen + BEYOND_DEEPEST_MM, most), 1.0)


def _own_evidence(
    coupon: Coupon, fan: Fan, evidence: Evidence, site: BeadSite
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Evidence along the rays; a neighbour's metal does not count for this bead."""
    fields = (evidence.weld, evidence.haz, evidence.base)
    weld, haz, base = sample(coupon, fan, fields)
    x = middle_points(fan)[..., 0].T
    foreign = (x < site.left_limit_mm) | (x > site.right_limit_mm)
    weld[foreign], haz[foreign], base[foreign] = -CONVICTION, UNTOLD, UNTOLD
    return weld, haz, base


def _solve(fan: Fan, fields: tuple[FloatArray, FloatArray, FloatArray]) -> Posterior:
    weld, haz, base = (TEMPER * field for field in fields)
    widths = np.arange(0, WIDEST_HAZ_MM, WIDTH_STEP_MM) / STEP_MM
    scores = score_states(weld, haz, base, np.round(widths))
    scores[:, :, 0] -= NO_HAZ_COST * TEMPER
    scores += _toe_prior(fan)[:, :, None]
    kernel = step_kernel(
        fan.steps,
        scale=fan.spacing_mm * STEP_SCALE / STEP_MM,
        tail_share=TAIL_SHARE,
        tail_scale=TAIL_SCALE_MM / STEP_MM,
    )
    width_kernel = step_kernel(len(widths), scale=0.4, tail_share=0.05, tail_scale=4)
    return solve(scores, kernel, width_kernel)


def _toe_prior(fan: Fan) -> FloatArray:
    """Log-prior that ties the fusion line to the toes at the outermost rays."""
    distance = STEP_MM * np.arange(fan.steps)
    prior = np.zeros((len(fan.start_x_mm), fan.steps))
    prior[[0, -1]] = -distance / TOE_PULL_MM
    return prior


def _median_steps(marginal: FloatArray) -> FloatArray:
    """Median of each ray's distribution, between the steps."""
    total = np.cumsum(marginal, axis=1)
    total /= total[:, -1:]
    step = (total < 0.5).sum(axis=1)
    rays = np.arange(len(total))
    before = np.where(step > 0, total[rays, np.maximum(step - 1, 0)], 0.0)
    share = (0.5 - before) / np.maximum(total[rays, step] - before, 1e-12)
    # state k means k whole steps of weld metal: its mass spreads half a step
    # to each side
    return np.asarray(np.maximum(step + share - 0.5, 0.0))


def _sharpened(
    fields: tuple[FloatArray, FloatArray, FloatArray], steps: FloatArray
) -> FloatArray:
    """
    Move the line on each ray to where the zones themselves are at even odds.

    The trellis ties neighbouring rays together, which tells the right line
    from a wrong one but rounds off the tip of a finger.
    """
    weld, haz, base = fields
    odds = weld - np.logaddexp(haz, base)
    count = odds.shape[1]
    total = np.concatenate([np.zeros((len(odds), 1)), np.cumsum(odds, axis=1)], axis=1)
    away = np.abs(np.arange(count) - steps[:, None])
    near = away <= SHARPEN_MM / STEP_MM
    best = np.where(near, total[:, :count], -np.inf).argmax(axis=1)
    rays = np.arange(len(odds))
    inside, outside = odds[rays, np.maximum(best - 1, 0)], odds[rays, best]
    crosses = (best > 0) & (inside > 0) & (outside <= 0)
    share = inside / np.maximum(inside - outside, 1e-9)
    exact = np.where(crosses, best - 0.5 + share, best)
    at_limit = away[rays, best] > SHARPEN_MM / STEP_MM - 1.5
    return np.where(at_limit, steps, np.maximum(exact, 0.0))


def _smooth_along(lines: FloatArray, fan: Fan, length_mm: float) -> FloatArray:
    """Smooth lines ``(count, rays)`` over a length of the plate surface."""
    smooth = cv2.GaussianBlur(
        lines,
        (0, 0),
        sigmaX=max(length_mm / fan.spacing_mm, 0.3),
        sigmaY=1e-6,
        borderType=cv2.BORDER_REPLICATE,
    )
    return np.asarray(smooth.reshape(lines.shape))


def _spread(
    fields: tuple[FloatArray, FloatArray, FloatArray],
    fan: Fan,
    line: FloatArray,
    posterior: Posterior,
) -> FloatArray:
    """
    Position uncertainty of the fusion line on each ray, in mm along the ray.

    If the odds are honest, the chance of weld metal at a point of a ray is the
    chance that the line lies beyond it: the fall of that chance along the ray
    is the distribution of the line. Where the trellis is in more doubt than
    that, because two lines fit, its own spread counts.
    """
    chance = np.exp(fields[0])
    total = chance + np.exp(fields[1]) + np.exp(fields[2])
    chance = np.minimum.accumulate(chance / total, axis=1)
    fall = np.concatenate([1 - chance[:, :1], -np.diff(chance, axis=1)], axis=1)
    at = np.arange(fan.steps) * STEP_MM
    offset = at[None, :] - line[:, None]
    fall[np.abs(offset) > SPREAD_REACH_MM] = 0
    weight = np.maximum(fall.sum(axis=1), 1e-6)
    local = np.sqrt((fall * offset**2).sum(axis=1) / weight)
    wide = _trellis_spread(posterior, fan)
    return np.asarray(SPREAD_FACTOR * np.hypot(local, wide))


def _trellis_spread(posterior: Posterior, fan: Fan) -> FloatArray:
    """Standard deviation of the trellis' own posterior on each ray, in mm."""
    at = np.arange(fan.steps) * STEP_MM
    mean = posterior.fusion @ at
    variance = posterior.fusion @ at**2 - mean**2
    return np.asarray(np.sqrt(np.maximum(variance, 0)))


def _on_face(coupon: Coupon, fan: Fan, distances_mm: FloatArray) -> FloatArray:
    """Distances along the rays as points of the face in mm."""
    points = fan.points_at(distances_mm)
    points[..., 1] += coupon.surface.y_at(points[..., 0])
    return points


def _haz_edge(
    coupon: Coupon, fan: Fan, posterior: Posterior, fusion_steps: FloatArray
) -> FloatArray:
    """Outer HAZ edge; empty where most rays show none."""
    width_steps = WIDTH_STEP_MM / STEP_MM
    visible = posterior.width[:, 0] < 0.5
    if visible.mean() < 0.3:
        return np.empty((0, 2))
    mean_width = _median_steps(posterior.width) * width_steps
    distance = _smooth_along(
        (fusion_steps + mean_width)[None] * STEP_MM, fan, SMOOTH_MM
    )[0]
    own = visible & _before_cusps(fan.points_at(distance)[:, 1])
    return _on_face(coupon, fan, distance)[own]


def _before_cusps(depth_mm: FloatArray) -> BoolArray:
    """
    Which of the points along a HAZ edge belong to this bead.

    Outwards from the middle the edge of a bead's own HAZ only rises. Where it
    falls again, a neighbour's begins.
    """
    count = len(depth_mm)
    inner = slice(count // 4, count - count // 4)
    middle = inner.start + int(np.argmax(depth_mm[inner]))
    own = np.zeros(count, dtype=np.bool_)
    for walk in (np.arange(middle, -1, -1), np.arange(middle, count)):
        lowest = np.minimum.accumulate(depth_mm[walk])
        falls = np.flatnonzero(depth_mm[walk] > lowest + CUSP_MM)
        last = int(np.argmin(depth_mm[walk[: falls[0]]])) if len(falls) else len(walk)
        own[walk[: last + 1]] = True
    return own


def _flags(
    coupon: Coupon, contour: Contour, site: BeadSite, doubtful: BoolArray
) -> tuple[Flag, ...]:
    flags = []
    if doubtful.mean() > FAINT_SHARE:
        flags.append(Flag.BOUNDARY_FAINT)
    if contour.toe_guessed and (site.touches_left or site.touches_right):
        flags.append(Flag.TOUCHING_BEADS)
    elif contour.toe_guessed or _strays(contour, site):
        flags.append(Flag.UNUSUAL_SHAPE)
    if site.cut_off:
        flags.append(Flag.BEAD_CUT_OFF)
    if _glare_share(coupon, contour) > 0.15:
        flags.append(Flag.GLARE)
    return tuple(flags)


def _strays(contour: Contour, site: BeadSite) -> bool:
    """Whether a toe lies far from the rough edge of its bead."""
    left = abs(contour.left_toe_xy_mm[0] - site.left_mm)
    right = abs(contour.right_toe_xy_mm[0] - site.right_mm)
    return bool(max(left, right) > STRAY_TOE_MM)


def _glare_share(coupon: Coupon, contour: Contour) -> float:
    """Share of burnt-out points in the box around the bead."""
    x, y = contour.cap_xy_mm.T
    columns = coupon.column_of([x.min(), x.max()]).astype(int)
    rows = coupon.row_of([y.min(), y.max() + 3]).astype(int)
    box = coupon.bgr[max(rows[0], 0) : rows[1], max(columns[0], 0) : columns[1]]
    return float((box.min(axis=2) > 250).mean()) if box.size else 0.0
