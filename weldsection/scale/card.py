"""Our printed card as the scale: any two marks of it, better four."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np

from weldsection.errors import UsageError
from weldsection.records import (
    BoolArray,
    FaceOutline,
    FloatArray,
    Photo,
    ScaleReference,
    ScaleSource,
)
from weldsection.scale.layout import CARDS, CardLayout
from weldsection.scale.lens import Bend, Lens, combined_bend, with_lens
from weldsection.scale.marks import Mark
from weldsection.scale.plane import scatter
from weldsection.scale.tilt import (
    Camera,
    Residuals,
    project_all,
    solve_pose,
    tilt_of,
)

# office printers keep a length to about 0.15 % once "fit to page" is off
# (common practice, no source); measured with a rule or caliper, to 0.1 mm
_PRINTER_U = 0.0015
_CHECK_U_MM = 0.1
# a mark off by more than this many times the others' scatter lies on a curl
_STRAY = 5.0
# a mark off by more than this share of its side does not lie in the others' plane
_FLAT = 0.012
_SUBSETS = 80  # of four marks; with three of ten bent, one in six of them is flat
_CORNER_U_PX = 0.12  # smallest believed scatter of a corner (measured)


@dataclass(frozen=True, slots=True)
class _Seen:
    """Corners of one card's marks in the photo and on the card."""

    layout: CardLayout
    numbers: tuple[int, ...]
    xy_px: FloatArray
    """``(marks, 4, 2)``."""
    xy_mm: FloatArray
    """``(marks, 4, 2)``."""

    def only(self, keep: BoolArray) -> _Seen:
        """The marks where `keep` is true."""
        numbers = tuple(n for n, k in zip(self.numbers, keep, strict=True) if k)
        return _Seen(self.layout, numbers, self.xy_px[keep], self.xy_mm[keep])


def find_card(
    photo: Photo,
    face: FaceOutline,
    marks: tuple[Mark, ...],
    *,
    card_length_mm: float | None = None,
    lens: Lens | None = None,
) -> ScaleReference | None:
    """Scale and tilt from our printed card; None where no card is seen.

    Parameters
    ----------
    marks
        All marks in the photo, see `find_marks`.
    card_length_mm
        Length of the printed check line as measured; None trusts the printer.
    lens
        From a camera file; without one the marks themselves show some of it.
    """
    seen = _sort_out(marks, card_length_mm)
    if seen is None:
        return None
    seen = _flat_part(seen, photo.shape)
    if len(seen.numbers) < 4:
        found, bend = _by_view(photo, seen, card_length_mm), None
    else:
        found, bend = _by_plane(seen, card_length_mm), _bend(seen, photo.shape)
    return None if found is None else with_lens(found, photo, face, lens, bend)


def _sort_out(marks: tuple[Mark, ...], card_length_mm: float | None) -> _Seen | None:
    """Marks of the card of which most are seen, at least two."""
    best: _Seen | None = None
    for layout in CARDS.values():
        own = [m for m in marks if m.number in layout.numbers]
        if len(own) >= 2 and (best is None or len(own) > len(best.numbers)):
            stretch = _stretch(layout, card_length_mm)
            best = _Seen(
                layout,
                tuple(m.number for m in own),
                np.array([m.corners_xy_px for m in own]),
                np.array([layout.corners_xy_mm(m.number, stretch) for m in own]),
            )
    return best


def _stretch(layout: CardLayout, card_length_mm: float | None) -> float:
    if card_length_mm is None:
        return 1.0
    stretch = card_length_mm / layout.check_mm
    if not 0.8 < stretch < 1.25:
        raise UsageError(
            f"--card-length {card_length_mm:g} does not fit the {layout.name} card "
            f"in the photo, whose check line is {layout.check_mm:g} mm; measure that "
            "line from end to end."
        )
    return stretch


def _flat_part(seen: _Seen, shape: tuple[int, int]) -> _Seen:
    """The marks that lie in one plane: those on a curled edge are left out."""
    count = len(seen.numbers)
    if count < 6:
        return seen
    side_px = float(np.linalg.norm(seen.xy_px[:, 1] - seen.xy_px[:, 0], axis=1).mean())
    flat_px = max(_FLAT * side_px, 3 * _CORNER_U_PX)
    lens = _bend(seen, shape).as_lens(shape)
    _, residual = _fit(replace(seen, xy_px=lens.straightened(seen.xy_px)))
    if np.sqrt((residual**2).mean(axis=(1, 2))).max() < flat_px:
        return seen
    chance = np.random.default_rng(11)
    best = np.ones(count, bool)
    least = (0, 0.0)
    for _ in range(_SUBSETS):
        chosen = np.isin(np.arange(count), chance.choice(count, 4, replace=False))
        to_px, _ = _fit(seen.only(chosen))
        there = project_all(to_px[None], seen.xy_mm.reshape(-1, 2))[0]
        off = np.linalg.norm(there.reshape(seen.xy_px.shape) - seen.xy_px, axis=2)
        near = np.sqrt((off**2).mean(axis=1)) < flat_px
        worth = (int(near.sum()), -float(off[near].sum()))
        if worth > least:
            best, least = near, worth
    return seen.only(best) if best.sum() >= max(4, count / 2) else seen


# ----------------------------------------------------- four marks: the plane


def _by_plane(seen: _Seen, card_length_mm: float | None) -> ScaleReference | None:
    """Fit the plane freely; marks on a curled corner are left out."""
    while True:
        to_px, residual = _fit(seen)
        per_mark = np.sqrt((residual**2).mean(axis=(1, 2)))
        typical = max(float(np.median(per_mark)), _CORNER_U_PX)
        worst = int(np.argmax(per_mark))
        if per_mark[worst] < _STRAY * typical or len(seen.numbers) <= 4:
            break
        seen = seen.only(np.arange(len(per_mark)) != worst)
    mark_px = float(np.linalg.norm(seen.xy_px[:, 1] - seen.xy_px[:, 0], axis=1).mean())
    if typical > 0.05 * mark_px:
        return None
    homography = _normalised(np.linalg.inv(to_px))
    centre = seen.xy_px.reshape(-1, 2).mean(axis=0)
    spread = math.hypot(float(np.sqrt((residual**2).mean())), _CORNER_U_PX)
    draws = _draws(to_px, seen.xy_mm.reshape(-1, 2), spread)
    reading = scatter("graduation", draws, homography, centre)
    return _reference(
        seen, homography, reading, tilt_shown=True, card_length_mm=card_length_mm
    )


def _fit(seen: _Seen) -> tuple[FloatArray, FloatArray]:
    """Homography mm to px and residuals ``(marks, 4, 2)`` in px.

    Ink spreads and bright paper eats into black, so all marks may be a little
    larger or smaller than drawn, about their own middles: that is taken out.
    """
    growth = 0.0
    middle = seen.xy_mm.mean(axis=1, keepdims=True)
    for _ in range(3):
        corners = seen.xy_mm + growth * (seen.xy_mm - middle)
        flat, flat_px = corners.reshape(-1, 2), seen.xy_px.reshape(-1, 2)
        fit, _ = cv2.findHomography(flat, flat_px, 0)
        to_px = np.asarray(fit, dtype=np.float64)
        fitted = project_all(to_px[None], flat)[0].reshape(seen.xy_px.shape)
        residual = seen.xy_px - fitted
        ray = fitted - fitted.mean(axis=1, keepdims=True)
        growth += float((residual * ray).sum() / (ray * ray).sum())
    return to_px, residual


def _bend(seen: _Seen, shape: tuple[int, int]) -> Bend:
    """What the marks' places say about the lens: k1 by how much better they fit."""
    trial = Bend(k1=0.01)
    straight = trial.as_lens(shape).straightened(seen.xy_px)
    _, plain = _fit(seen)
    _, moved = _fit(replace(seen, xy_px=straight))
    effect = (plain - moved).ravel() / trial.k1
    # the four corners of a mark share half of their error
    u = np.full(effect.shape, 1.4 * math.hypot(float(plain.std()), _CORNER_U_PX))
    return combined_bend(effect, plain.ravel(), u)


def _draws(to_px: FloatArray, points_xy_mm: FloatArray, spread_px: float) -> FloatArray:
    """Equally likely homographies px to mm, ``(D, 3, 3)``."""
    size = np.abs(to_px).ravel()[:8] * 1e-6 + 1e-12
    here = project_all(to_px[None], points_xy_mm)[0].ravel()
    columns = []
    for k in range(8):
        moved = to_px.ravel().copy()
        moved[k] += size[k]
        there = project_all(moved.reshape(1, 3, 3), points_xy_mm)[0].ravel()
        columns.append((there - here) / size[k])
    jacobian = np.column_stack(columns)
    norm = np.linalg.norm(jacobian, axis=0)
    # the four corners of a mark share half of their error
    root = 1.4 * spread_px * np.linalg.pinv(jacobian / norm)
    chance = np.random.default_rng(5).standard_normal((300, root.shape[1]))
    shifts = (chance @ root.T) / norm
    full = np.tile(to_px.ravel(), (300, 1))
    full[:, :8] += shifts
    return np.linalg.inv(full.reshape(-1, 3, 3))


def _normalised(homography: FloatArray) -> FloatArray:
    return np.asarray(homography / homography[2, 2], dtype=np.float64)


# -------------------------------------------------- two marks: a camera's view


def _by_view(
    photo: Photo, seen: _Seen, card_length_mm: float | None
) -> ScaleReference | None:
    """Fit the view of a pinhole camera: fewer unknowns for fewer corners."""
    points, goal = seen.xy_px.reshape(-1, 2), seen.xy_mm.reshape(-1, 2)
    camera = Camera.of(photo.shape, photo.origin.focal_length_px)
    to_px, _ = cv2.findHomography(goal, points, 0)
    if to_px is None:
        return None
    start = tilt_of(_normalised(np.linalg.inv(to_px)), camera)
    centre = points.mean(axis=0)
    pose = solve_pose(
        camera,
        sized=lambda h: _sized(h, points, goal),
        evidence=(_corner_evidence(points, goal),),
        starts=((0.0, 0.0), start),
    ).balanced(centre)
    mapped, wanted = _aligned(pose.homography[None], points, goal)
    off_mm = float(np.sqrt(((mapped - wanted) ** 2).sum(axis=2).mean()))
    if off_mm > 0.04 * seen.layout.mark_mm:
        return None
    reading = pose.source("graduation", centre)
    return _reference(
        seen, pose.homography, reading, tilt_shown=False, card_length_mm=card_length_mm
    )


def _sized(
    homographies: FloatArray, points: FloatArray, goal: FloatArray
) -> FloatArray:
    mapped = project_all(homographies, points)
    spread = np.linalg.norm(mapped - mapped.mean(axis=1, keepdims=True), axis=(1, 2))
    sized = homographies.copy()
    sized[:, :2] *= (np.linalg.norm(goal - goal.mean(axis=0)) / spread)[:, None, None]
    return sized


def _aligned(
    homographies: FloatArray, points: FloatArray, goal: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Mapped points and the goal turned onto them, both about their middles."""
    mapped = project_all(homographies, points)
    mapped = mapped - mapped.mean(axis=1, keepdims=True)
    a = mapped[..., 0] + 1j * mapped[..., 1]
    g = goal - goal.mean(axis=0)
    b = g[:, 0] + 1j * g[:, 1]
    turn = (a * b.conj()).sum(axis=1)
    turned = b * (turn / np.abs(turn))[:, None]
    return mapped, np.stack([turned.real, turned.imag], axis=2)


def _corner_evidence(points: FloatArray, goal: FloatArray) -> Residuals:
    """Where the corners lie, for any turn of the card in its plane."""
    side = np.linalg.norm(points[1] - points[0]) / np.linalg.norm(goal[1] - goal[0])
    # ink spread moves every corner by about 0.3 px besides the reading
    u_mm = 2 * math.hypot(_CORNER_U_PX, 0.15) / float(side)

    def residuals(homographies: FloatArray) -> FloatArray:
        mapped, wanted = _aligned(homographies, points, goal)
        return np.asarray((mapped - wanted).reshape(len(mapped), -1) / u_mm)

    return residuals


# ----------------------------------------------------------------- reference


def _reference(
    seen: _Seen,
    homography: FloatArray,
    reading: ScaleSource,
    *,
    tilt_shown: bool,
    card_length_mm: float | None,
) -> ScaleReference:
    checked = card_length_mm is not None
    tolerance = _CHECK_U_MM / seen.layout.check_mm if checked else _PRINTER_U
    trust = "measured" if checked else "trusted to the printer"
    return ScaleReference(
        kind="card",
        homography=homography,
        centre_xy_px=seen.xy_px.reshape(-1, 2).mean(axis=0),
        sources=(reading, ScaleSource.constant("reference tolerance", tolerance)),
        outline_xy_px=cv2.convexHull(seen.xy_px.reshape(-1, 2).astype(np.float32))
        .reshape(-1, 2)
        .astype(np.float64),
        finding=(
            f"{len(seen.numbers)} of {len(seen.layout.numbers)} marks of the "
            f"{seen.layout.name} card are used; its printed length is {trust}."
        ),
        shows_tilt=tilt_shown,
    )
