"""Close-ups to train on: the fusion line unrolled, and the toes.

The measuring program looks twice: first at the whole face, then closely along
the line it found and at each toe. These are the pictures of the second look,
laid out along lines and about toes that are wrong by as much as a first look
may be, with the truth in their own coordinates.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from sample_images.drawing.crops import Photographed, Picture
from sample_images.drawing.section import Bead

Points = NDArray[np.float64]
Rng = np.random.Generator

BAND_ROWS, BAND_COLUMNS = 96, 256
ACROSS_MM, ALONG_MM = 1 / 32, 0.05  # of one row and one column of a band
TURN_MM = 0.3  # normals of a line follow its course over this length
RIGHT_COURSE = 0.8  # of the bands follow the true line, but for small errors
SIDE_MM = 1.6  # the farthest that a bead's side shows beside its face, in training
TOE_ROWS, TOE_COLUMNS, TOE_MM = 96, 128, 0.04
TOE_AT = (64, 40)  # column and row of a patch where the first look puts the toe


def line_close_up(
    made: Photographed, line_xy_mm: Points, laid_xy_mm: Points
) -> tuple[Picture, NDArray[np.float32]] | None:
    """
    The neighbourhood of a line unrolled along a line near it.

    Parameters
    ----------
    made
        The photo.
    line_xy_mm
        A fusion line from left to right, or a weld face from right to left:
        the outside of the weld lies to its right.
    laid_xy_mm
        The line that a first look found instead, but for its small errors, which
        are added here.

    Returns
    -------
    band
        `BAND_ROWS` × `BAND_COLUMNS` × 3: rows across the line from inside the
        weld outwards, columns along it; black where the line is shorter.
    offset_mm
        ``(BAND_COLUMNS,)`` how far outwards the true line lies from the middle
        row; NaN where there is none.
    """
    rng = made.rng
    base = _misplaced(even(laid_xy_mm, ALONG_MM), rng)
    if len(base) < 24:
        return None
    start = int(rng.integers(0, max(len(base) - BAND_COLUMNS, 0) + 1))
    window = slice(start, start + BAND_COLUMNS)
    normal = normals(base)[window]
    base = base[window]
    across = ACROSS_MM * float(rng.normal(1, 0.02))
    rows = across * (np.arange(BAND_ROWS) - (BAND_ROWS - 1) / 2)
    points = base[None] + rows[:, None, None] * normal[None]
    band = np.zeros((BAND_ROWS, BAND_COLUMNS, 3), np.uint8)
    band[:, : len(base)] = _sampled(made, points, across)
    offset = np.full(BAND_COLUMNS, np.nan, np.float32)
    found = crossing_mm(base, normal, line_xy_mm)
    offset[: len(base)] = found * ACROSS_MM / across
    return band, offset


def toe_close_up(
    made: Photographed, bead: Bead, *, right: bool
) -> tuple[Picture, NDArray[np.float32]]:
    """
    The neighbourhood of a toe, the bead on the right-hand side of it.

    Returns
    -------
    patch
        `TOE_ROWS` × `TOE_COLUMNS` × 3, mirrored for a right toe.
    at_px
        ``(2,)`` column and row of the toe in the patch.
    """
    rng = made.rng
    toe = bead.fusion_xy_mm[-1 if right else 0]
    away = rng.normal(0, 0.25) if rng.random() < 0.8 else rng.uniform(-1.2, 1.2)
    seen_at = toe + [away, rng.normal(0, 0.08)]
    step = TOE_MM * float(rng.normal(1, 0.02))
    turn = float(np.radians(rng.normal(0, 1.5)))
    axes = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]]) * [
        [-1 if right else 1],
        [1],
    ]
    columns = step * (np.arange(TOE_COLUMNS) - TOE_AT[0])
    rows = step * (np.arange(TOE_ROWS) - TOE_AT[1])
    points = seen_at + (
        columns[None, :, None] * axes[0] + rows[:, None, None] * axes[1]
    )
    at = (axes @ (toe - seen_at)) / step + TOE_AT
    return _sampled(made, points, step), at.astype(np.float32)


def likely_course(bead: Bead, rng: Rng) -> Points:
    """
    The fusion line, or now and then another that a first look takes for it.

    Over a part of its length or all of it the course leaves for the HAZ edge,
    stops half-way to it, or runs through the weld metal, as along the edge of
    metal that a later pass heated again.
    """
    fusion = bead.fusion_xy_mm
    if rng.random() < RIGHT_COURSE:
        return fusion
    share, gone = _strayed(len(fusion), rng)
    if rng.random() < 0.7:
        other = _evenly_many(bead.haz_xy_mm, len(fusion))
        strength = 1.0 if rng.random() < 0.5 else rng.uniform(0.2, 1.2)
    else:
        toes = fusion[0] + share[:, None] * (fusion[-1] - fusion[0])
        other, strength = toes, rng.uniform(0.1, 0.8)
    return fusion + (strength * gone)[:, None] * (other - fusion)


def likely_face(bead: Bead, rng: Rng) -> Points:
    """
    The weld face from right to left, or now and then what is taken for it.

    Over a part of its length or all of it the course leaves for the far edge of
    the bead's side, which stands behind the cut and is seen beside it where the
    camera looks from aside: the same edge, moved.
    """
    face = bead.cap_xy_mm[::-1]
    if rng.random() < RIGHT_COURSE:
        return face
    _, gone = _strayed(len(face), rng)
    angle, away = rng.uniform(0, np.pi), rng.uniform(0.2, SIDE_MM)
    moved = away * np.array([np.cos(angle), -np.sin(angle)])
    return face + gone[:, None] * moved


def _strayed(count: int, rng: Rng) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Share of the way along a line, and how far gone from it a course is there."""
    share = np.linspace(0, 1, count)
    start, end = np.sort(rng.uniform(-0.3, 1.3, 2))
    soft = rng.uniform(0.02, 0.2)
    gone = 1 / (1 + np.exp(-np.clip((share - start) / soft, -30, 30)))
    gone *= 1 / (1 + np.exp(-np.clip((end - share) / soft, -30, 30)))
    return share, gone


def _evenly_many(line: Points, count: int) -> Points:
    """So many points evenly along a line."""
    along = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    at = np.linspace(0, along[-1], count)
    return np.column_stack([np.interp(at, along, line[:, k]) for k in (0, 1)])


def even(line: Points, step_mm: float) -> Points:
    """Points at an even spacing along a line."""
    along = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    keep = np.concatenate([[True], np.diff(along) > 1e-9])
    at = np.arange(0, along[-1], step_mm)
    return np.column_stack([np.interp(at, along[keep], line[keep, k]) for k in (0, 1)])


def normals(line: Points) -> Points:
    """Unit normals out of the weld, for points `ALONG_MM` apart."""
    tangent = np.gradient(_softened(line, TURN_MM), axis=0)
    tangent /= np.maximum(np.hypot(*tangent.T), 1e-9)[:, None]
    return np.column_stack([-tangent[:, 1], tangent[:, 0]])


def crossing_mm(base: Points, normal: Points, line: Points) -> NDArray[np.float32]:
    """How far along each normal the nearest crossing of a line lies; NaN for none."""
    start, step = line[:-1], np.diff(line, axis=0)
    gap = start[None] - base[:, None]
    turned = (
        normal[:, None, 0] * step[None, :, 1] - normal[:, None, 1] * step[None, :, 0]
    )
    turned = np.where(np.abs(turned) < 1e-12, np.nan, turned)
    with np.errstate(invalid="ignore"):
        away = (
            gap[..., 0] * step[None, :, 1] - gap[..., 1] * step[None, :, 0]
        ) / turned
        share = (
            gap[..., 0] * normal[:, None, 1] - gap[..., 1] * normal[:, None, 0]
        ) / turned
        away = np.where((share >= 0) & (share <= 1), away, np.inf)
    nearest = np.nanargmin(np.abs(np.nan_to_num(away, nan=np.inf)), axis=1)
    found = away[np.arange(len(base)), nearest]
    return np.where(np.isfinite(found), found, np.nan).astype(np.float32)


def _misplaced(line: Points, rng: Rng) -> Points:
    """A line as a first look may find it: smoothed, moved and with other ends."""
    count = len(line)
    soft = _softened(line, rng.uniform(0.05, 1.0))
    normal = normals(soft) if count > 3 else np.zeros_like(soft)
    wrong = float(rng.choice([0.06, 0.25, 0.6], p=[0.55, 0.3, 0.15]))
    length = float(np.exp(rng.uniform(np.log(0.8), np.log(8))))
    wander = _softened(rng.normal(size=(count, 1)), length)
    wander /= max(float(wander.std()), 1e-6)
    moved = soft + normal * (wrong * (0.7 * wander + 0.7 * rng.normal()))
    ends = rng.normal(0, 0.2, 2)
    moved[:, 0] += np.linspace(ends[0], ends[1], count)
    return even(_softened(moved, 0.1), ALONG_MM)


def _softened(line: Points, length_mm: float) -> Points:
    """Smooth along a line whose points lie `ALONG_MM` apart."""
    sigma = max(length_mm / ALONG_MM, 0.3)
    flat = np.ascontiguousarray(line.T)
    soft = cv2.GaussianBlur(
        flat, (0, 0), sigmaX=sigma, sigmaY=1e-6, borderType=cv2.BORDER_REPLICATE
    )
    return soft.reshape(flat.shape).T.copy()


def _sampled(made: Photographed, points_mm: Points, step_mm: float) -> Picture:
    """The photo at points of the face, softened first where it is the finer one."""
    shape = points_mm.shape[:2]
    px = cv2.perspectiveTransform(
        points_mm.reshape(1, -1, 2), made.pose.to_pixels
    ).reshape(*shape, 2)
    low = np.floor(px.min(axis=(0, 1))).astype(int) - 6
    high = np.ceil(px.max(axis=(0, 1))).astype(int) + 7
    size = np.array(made.rgb.shape[1::-1])
    low, high = np.clip(low, 0, size - 1), np.clip(high, 1, size)
    part = made.rgb[low[1] : high[1], low[0] : high[0]]
    fineness = float(np.hypot(*(px[-1, 0] - px[0, 0]))) / (shape[0] - 1)
    if fineness > 1.2:
        part = cv2.GaussianBlur(part, (0, 0), 0.45 * np.sqrt(fineness**2 - 1))
    at = (px - low).astype(np.float32)
    return cv2.remap(part, at[..., 0], at[..., 1], cv2.INTER_LINEAR)
