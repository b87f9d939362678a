"""Fit the constants of the second look's doubt to the errors on drawn photos.

Run from the top of the project; prints what `boundary/closer.py` should say::

    PYTHONPATH=. python tests/benchmarks/doubt.py --first 8350000 --drawn 60

The seeds must not be those of docs/accuracy.md. Errors have heavy tails: they are
taken as Student's t with five degrees of freedom, of which 95 % lie within twice
its standard deviation, as with a normal distribution.
"""

from __future__ import annotations

import argparse
import itertools
import sys
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from common import Case, Wanted, drawn, each, overlap, scale_of, span_mm, table
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.stats import t as student

from weldsection.beads import find_beads
from weldsection.boundary import closer
from weldsection.boundary.band import look_along
from weldsection.boundary.evidence import gather_evidence
from weldsection.boundary.level import with_closer_surface
from weldsection.boundary.toes import look_at_toes
from weldsection.boundary.trace import trace_beads
from weldsection.coupon import lay_on_grid
from weldsection.errors import WeldSectionError
from weldsection.outline import find_face
from weldsection.photo import read_photo
from weldsection.records import BeadTrace, Coupon, Photo, project

Points = NDArray[np.float64]
FREEDOM = 5
TO_SD = float(np.sqrt(FREEDOM / (FREEDOM - 2)))
EVERY = 4  # of the normals: neighbours say the same
FARTHEST_MM = 3.0  # a true line farther off belongs to no normal
LEAST_OVERLAP = 0.5
WAYS_MM = np.array([0.0, 0.1, 0.2, 0.3, 0.5, 0.8, 1.5])


@dataclass(frozen=True, slots=True)
class Seen:
    """What the second look saw of the beads of one photo, beside the truth."""

    line: Points
    """``(N, 5)``: first look's u, spread, error, chance of lying outside, way; mm."""
    toe: Points
    """``(M, 4)``: the first look's u, the second's, the way between, error; mm."""


def look(case: Case) -> Seen:
    """Look twice at one photo with its true scale."""
    cv2.setNumThreads(1)
    lines, toes = [np.empty((0, 5))], [np.empty((0, 4))]
    try:
        photo, coupon, traces = first_look(case)
    except WeldSectionError:
        return Seen(lines[0], toes[0])
    for trace, bead in matched(case, coupon, traces):
        toes.append(toe_errors(photo, coupon, trace, bead))
        lines.append(line_errors(photo, coupon, trace, bead))
    return Seen(np.vstack(lines), np.vstack(toes))


def first_look(case: Case) -> tuple[Photo, Coupon, list[BeadTrace]]:
    """Go on as the procedure does, up to the second look."""
    photo = read_photo(case.path)
    face = find_face(photo)
    coupon = lay_on_grid(photo, face, scale_of(case, face), whole=False)
    evidence = gather_evidence(coupon)
    found = trace_beads(coupon, evidence, find_beads(coupon))
    return photo, with_closer_surface(photo, coupon, found), found


def matched(
    case: Case, coupon: Coupon, traces: Sequence[BeadTrace]
) -> Iterator[tuple[BeadTrace, dict[str, Points]]]:
    """Pair traces with true beads, their outlines in mm of the coupon."""
    to_mm = np.linalg.inv(coupon.mm_to_px)
    beads = [b for b in case.truth["beads"] if b["penetration_mm"] is not None]
    if not beads or not traces:
        return
    spans = np.array([span_mm(bead, to_mm) for bead in beads])
    for trace in traces:
        seen = np.array([[trace.left_toe_xy_mm[0], trace.right_toe_xy_mm[0]]])
        share = overlap(seen, spans)[0]
        if share.max() > LEAST_OVERLAP:
            outline = beads[int(share.argmax())]["outline_px"]
            yield (
                trace,
                {
                    name: project(to_mm, np.array(outline[name], float))
                    for name in ("fusion", "cap")
                },
            )


def toe_errors(
    photo: Photo, coupon: Coupon, trace: BeadTrace, bead: dict[str, Points]
) -> Points:
    """Doubts and errors of the toes of one bead."""
    true = np.sort(bead["cap"][[0, -1], 0])
    pair = look_at_toes(photo, coupon, [trace])[0]
    firsts = (trace.left_toe_xy_mm[0], trace.right_toe_xy_mm[0])
    us = (trace.left_toe_u_mm, trace.right_toe_u_mm)
    return np.array(
        [
            [u, toe.u_mm, abs(toe.x_mm - first), toe.x_mm - x]
            for u, toe, first, x in zip(us, pair, firsts, true, strict=True)
        ]
    )


def line_errors(
    photo: Photo, coupon: Coupon, trace: BeadTrace, bead: dict[str, Points]
) -> Points:
    """Doubts and errors of the fusion line of one bead, on some of its normals."""
    crossing = look_along(photo, coupon, [trace.fusion_xy_mm], "line")[0]
    middle = crossing.quantiles_mm(np.full(len(crossing.beyond), 0.5))
    points = crossing.points_at(middle)
    away = signed_distance(points, crossing.normal, bead["fusion"])
    first = closer.stretched_to(trace.fusion_u_mm, len(points))
    rows = np.column_stack(
        [first, crossing.spread_mm(), -away, crossing.beyond, np.abs(middle)]
    )
    return rows[np.isfinite(away)][::EVERY]


def signed_distance(points: Points, normal: Points, line: Points) -> Points:
    """How far a line lies from points, positive along their normals."""
    start, step = line[:-1], np.diff(line, axis=0)
    gap = points[:, None] - start[None]
    along = (gap * step).sum(-1) / np.maximum((step**2).sum(-1), 1e-12)
    foot = start + np.clip(along, 0, 1)[..., None] * step - points[:, None]
    length = np.hypot(foot[..., 0], foot[..., 1])
    nearest = length.argmin(axis=1)
    rows = np.arange(len(points))
    away = length[rows, nearest] * np.sign(
        (foot[rows, nearest] * normal).sum(-1) + 1e-12
    )
    return np.where(np.abs(away) < FARTHEST_MM, away, np.nan)


def fitted(name: str, error: Points, sd_of, start: Sequence[float]) -> Points:
    """Give the constants with which the errors are likeliest."""

    def badness(log_values: Points) -> float:
        sd = np.maximum(sd_of(np.exp(log_values)), 1e-3)
        return -float(student.logpdf(error * TO_SD / sd, FREEDOM).mean()) + float(
            np.log(sd).mean()
        )

    best = minimize(badness, np.log(start), method="Nelder-Mead")
    values = np.exp(best.x)
    inside = np.mean(np.abs(error) <= 2 * sd_of(values))
    now = np.mean(np.abs(error) <= 2 * sd_of(np.array(start)))
    sys.stdout.write(
        f"{name}: {np.round(values, 3)}, badness {best.fun:.4f}, within 2u "
        f"{100 * inside:.1f} %; at present {start}, badness "
        f"{badness(np.log(start)):.4f}, within 2u {100 * now:.1f} %\n"
    )
    return values


def by_steps(title: str, rows: Points, sd: Points, steps: Points, at: Points) -> str:
    """Write how errors go with the stated doubt, in steps of something."""
    error = np.abs(rows[:, 2])
    lines = []
    for low, high in itertools.pairwise(steps):
        part = (at >= low) & (at <= high)
        lines.append(
            [
                f"{low:.3f}-{high:.3f}",
                str(int(part.sum())),
                f"{np.quantile(error[part], 0.5):.3f}",
                f"{np.quantile(error[part], 0.95):.3f}",
                f"{100 * np.mean(error[part] <= 2 * sd[part]):.1f} %",
            ]
        )
    return table([title, "normals", "error median", "p95", "within 2u"], lines)


def main() -> None:
    """Look at drawn photos and fit."""
    made = argparse.ArgumentParser(description=__doc__)
    made.add_argument("--first", type=int, default=8_350_000)
    made.add_argument("--drawn", type=int, default=60, help="photos of each tier")
    made.add_argument("--tiers", default="clean,phone,hard")
    made.add_argument("--jobs", type=int, default=1)
    made.add_argument(
        "--cache", type=Path, default=Path(tempfile.gettempdir()) / "weldsection-drawn"
    )
    asked = made.parse_args()
    wanted = [
        Wanted(asked.cache, tier, asked.first + index)
        for tier in asked.tiers.split(",")
        for index in range(asked.drawn)
    ]
    seen = list(each(look, drawn(wanted, asked.jobs), asked.jobs))
    report(np.vstack([one.line for one in seen]), np.vstack([one.toe for one in seen]))


def report(line: Points, toe: Points) -> None:
    """Fit both and print."""
    inside = line[line[:, 3] < closer.LOST]

    def line_sd(values: Points) -> Points:
        factor, *share = values
        first = closer.course_share(inside[:, 1], *share) * inside[:, 0]
        return np.hypot(factor * inside[:, 1], np.hypot(first, closer.DEFINITION_MM))

    start = [1.0, closer.DULL_MM, closer.MOST_SHARE, closer.LEAST_SHARE]
    values = fitted(
        "fusion line: factor, DULL_MM, MOST_SHARE, LEAST_SHARE",
        inside[:, 2],
        line_sd,
        start,
    )
    sd = line_sd(values)
    deciles = np.quantile(sd, np.linspace(0, 1, 9))
    sys.stdout.write("\n" + by_steps("u, mm", inside, sd, deciles, sd) + "\n\n")
    # the way between the two looks: alone, and with its share of the doubt
    way = inside[:, 4]
    beyond = np.maximum(way - closer.USUAL_WAY_MM, 0)
    with_way = np.hypot(line_sd(np.array(start)), closer.LINE_WAY_SHARE * beyond)
    for name, u in (("without", line_sd(np.array(start))), ("with", with_way)):
        title = f"way, mm; {name} its share"
        sys.stdout.write(by_steps(title, inside, u, WAYS_MM, way) + "\n\n")
    kept = toe[(toe[:, 1] < closer.UNSURE_TOE_MM) & (toe[:, 2] < 1.2)]

    def toe_sd(values: Points) -> Points:
        factor, way, least = values
        return np.hypot(np.hypot(factor * kept[:, 1], least), way * kept[:, 2])

    now = [closer.TOE_FACTOR, closer.TOE_WAY_SHARE, closer.TOE_LEAST_U_MM]
    fitted("toes: TOE_FACTOR, TOE_WAY_SHARE, TOE_LEAST_U_MM", kept[:, 3], toe_sd, now)


if __name__ == "__main__":
    main()
