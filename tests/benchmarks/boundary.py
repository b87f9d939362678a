"""How right the fusion line is, and whether the doubt is, on photos with truth.

Run from the top of the project::

    PYTHONPATH=. python tests/benchmarks/boundary.py --drawn 30
    PYTHONPATH=. python tests/benchmarks/boundary.py --photos FOLDER --true-scale

Prints the table of errors by tier and one by kind of bead. Photos are drawn by
seed into a folder the first time. `rivals` and `repeatability` print the other
tables of docs/accuracy.md.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
import tempfile
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict
from pathlib import Path

import numpy as np
from common import (
    Case,
    Outcome,
    Reading,
    Wanted,
    drawn,
    each,
    mean,
    measure_as_asked,
    measure_true_scale,
    photos_in,
    quantile,
    table,
)

TIERS = ("clean", "phone", "hard")
FIRST_SEED = 700_000  # no network was trained on these
WITH_U = {
    "penetration": ("penetration_mm", "penetration_u_mm"),
    "width": ("width_mm", "width_u_mm"),
    "reinforcement": ("reinforcement_mm", "reinforcement_u_mm"),
    "dilution": ("dilution_pct", "dilution_u_pct"),
}
TOES = ("toe_angle_left_deg", "toe_angle_right_deg")
BARS = {
    "beads found": ("100 %", "≥ 99 %", "≥ 96 %"),
    "false rows": ("0", "≤ 0.5 %", "≤ 2 %"),
    "penetration, no flag: median": ("≤ 0.03", "≤ 0.07", "≤ 0.12"),
    "… p95": ("≤ 0.10", "≤ 0.25", "≤ 0.45"),
    "… bias": ("≤ 0.02", "≤ 0.03", "≤ 0.05"),
    "silently wrong": ("0", "≤ 1 %", "≤ 3 %"),
    "HAZ edge taken, no flag": ("0", "≤ 0.3 %", "≤ 1 %"),
    "rows flagged": ("≤ 3 %", "≤ 15 %", "≤ 40 %"),
    "truth within 2u: penetration": ("93-98 %", "93-98 %", "90-98 %"),
    "… width": ("93-98 %", "93-98 %", "90-98 %"),
    "… reinforcement": ("93-98 %", "93-98 %", "90-98 %"),
    "… dilution": ("93-98 %", "93-98 %", "90-98 %"),
    "width p95": ("0.15", "0.4", "0.8"),
    "reinforcement p95": ("0.06", "0.12", "0.25"),
    "dilution p95, points": ("2", "4", "7"),
    "toe angle median, °": ("3", "6", "10"),
}
Value = Callable[[Sequence[Reading]], str]


# ---------------------------------------------------------------- each reading


def error(reading: Reading, column: str) -> float:
    """Give what a row says less the truth; NaN where one of them is silent."""
    if reading.row is None or not reading.truth:
        return math.nan
    said, true = reading.row[column], reading.truth.get(column)
    if said == "" or true is None:
        return math.nan
    return float(said) - float(true)


def errors(readings: Iterable[Reading], *columns: str) -> list[float]:
    """Give the errors of all readings that have one."""
    found = (error(reading, column) for reading in readings for column in columns)
    return [value for value in found if math.isfinite(value)]


def flagged(reading: Reading) -> bool:
    """Say whether the row's cell of flags is not empty."""
    return reading.row is not None and bool(reading.row["flags"])


def silently_wrong(reading: Reading) -> bool:
    """Say whether a row without flag is off by over 0.3 mm and over 10 %."""
    off = abs(error(reading, "penetration_mm"))
    true = float(reading.truth["penetration_mm"])
    return not flagged(reading) and off > 0.3 and off > 0.1 * true


def haz_edge_taken(reading: Reading) -> bool:
    """Say whether a row without flag gives the HAZ's depth as penetration."""
    haz, true = reading.truth.get("haz_depth_mm"), reading.truth["penetration_mm"]
    if haz is None or flagged(reading) or reading.row is None:
        return False
    said = float(reading.row["penetration_mm"])
    return abs(said - float(haz)) < 0.25 * abs(float(haz) - float(true))


def within_2u(readings: Iterable[Reading], quantity: str) -> float:
    """Give the share of rows whose truth lies within two standard uncertainties."""
    value, u = WITH_U[quantity]
    inside = [
        abs(error(reading, value)) <= 2 * float(reading.row[u] or 0.0)
        for reading in readings
        if reading.row is not None and math.isfinite(error(reading, value))
    ]
    return mean(map(float, inside))


# -------------------------------------------------------------------- the table


def sort_out(readings: Sequence[Reading]) -> tuple[list[Reading], list[Reading]]:
    """Give the rows of true beads that count, and those that speak of none."""
    rows = [r for r in readings if r.truth and r.counts and r.row is not None]
    false = [r for r in readings if not r.truth]
    return rows, false


def summary(readings: Sequence[Reading]) -> dict[str, str]:
    """Give every line of the table for some readings."""
    rows, false = sort_out(readings)
    ought = sum(1 for r in readings if r.truth and r.counts)
    plain = [r for r in rows if not flagged(r)]
    doubted = [r for r in rows if flagged(r)]
    depth = errors(plain, "penetration_mm")
    return {
        "beads": str(ought),
        "beads found": share(len(rows), ought),
        "false rows": share(len(false), ought),
        "penetration, no flag: median": mm(quantile(depth, 0.5)),
        "… p95": mm(quantile(depth, 0.95)),
        "… bias": f"{mean(depth):+.3f}",
        "silently wrong": share(sum(map(silently_wrong, rows)), len(rows)),
        "HAZ edge taken, no flag": share(sum(map(haz_edge_taken, rows)), len(rows)),
        "rows flagged": share(len(doubted), len(rows)),
        "penetration, flagged: median": mm(
            quantile(errors(doubted, "penetration_mm"), 0.5)
        ),
        "… flagged p95": mm(quantile(errors(doubted, "penetration_mm"), 0.95)),
        "truth within 2u: penetration": percent(within_2u(rows, "penetration")),
        **{f"… {name}": percent(within_2u(rows, name)) for name in list(WITH_U)[1:]},
        "width p95": mm(quantile(errors(rows, "width_mm"), 0.95)),
        "reinforcement p95": mm(quantile(errors(rows, "reinforcement_mm"), 0.95)),
        "dilution p95, points": f"{quantile(errors(rows, 'dilution_pct'), 0.95):.1f}",
        "toe angle median, °": f"{quantile(errors(rows, *TOES), 0.5):.1f}",
    }


def share(part: int, whole: int) -> str:
    """Write a share in percent with its count."""
    return f"{100 * part / whole:.1f} % ({part})" if whole else "-"


def percent(value: float) -> str:
    """Write a share in percent."""
    return f"{100 * value:.1f} %"


def mm(value: float) -> str:
    """Write a length."""
    return f"{value:.3f}"


def by_tier(outcomes: Sequence[Outcome]) -> str:
    """Write the table of all tiers, with what was asked for beside each value."""
    tiers = [tier for tier in TIERS if any(o.tier == tier for o in outcomes)]
    columns = {
        tier: summary([r for o in outcomes if o.tier == tier for r in o.readings])
        for tier in tiers
    }
    lines = []
    for name in next(iter(columns.values())):
        line = [name]
        for tier in tiers:
            bars = BARS.get(name)
            line += [columns[tier][name], bars[TIERS.index(tier)] if bars else ""]
        lines.append(line)
    header = ["mm unless said"]
    for tier in tiers:
        header += [tier, "asked for"]
    return table(header, lines)


def by_kind(outcomes: Sequence[Outcome]) -> str:
    """Write one line for each kind of bead, all tiers together."""
    readings = [r for o in outcomes for r in o.readings if r.truth]
    kinds = sorted({str(r.truth.get("kind", "not said")) for r in readings})
    names = [
        "beads", "beads found", "penetration, no flag: median", "… p95", "… bias",
        "silently wrong", "HAZ edge taken, no flag", "rows flagged",
        "… flagged p95", "truth within 2u: penetration",
    ]  # fmt: skip
    lines = []
    for kind in kinds:
        found = summary(
            [r for r in readings if r.truth.get("kind", "not said") == kind]
        )
        lines.append([kind, *(found[name] for name in names)])
    return table(["kind", *names], lines)


def by_flag(outcomes: Sequence[Outcome]) -> str:
    """Write how wrong the rows with each flag are: each must earn its keep."""
    rows = sort_out([r for o in outcomes for r in o.readings])[0]
    words = sorted({w for r in rows if r.row for w in r.row["flags"].split(";") if w})
    lines = []
    for word in ["no flag", *words]:
        here = [
            r
            for r in rows
            if r.row is not None
            and (
                word in r.row["flags"].split(";")
                if word != "no flag"
                else not flagged(r)
            )
        ]
        depth, width = errors(here, "penetration_mm"), errors(here, "width_mm")
        lines.append(
            [word, str(len(here)), mm(quantile(depth, 0.5)), mm(quantile(depth, 0.95)),
             mm(quantile(width, 0.5)), mm(quantile(width, 0.95))]
        )  # fmt: skip
    names = ["flag", "rows", "penetration median", "p95", "width median", "p95"]
    return table(names, lines)


def worst(outcomes: Sequence[Outcome], count: int = 12) -> str:
    """Write the rows that are farthest off, so that they can be looked at."""
    rows = sort_out([r for o in outcomes for r in o.readings])[0]
    rows.sort(key=lambda r: -abs(error(r, "penetration_mm")))
    lines = [
        [r.photo, f"{r.truth['x_mm']:.1f}", str(r.truth.get("kind", "")),
         mm(r.truth["penetration_mm"]), mm(float(r.row["penetration_mm"])),
         mm(float(r.row["penetration_u_mm"])), str(r.row["flags"])]
        for r in rows[:count] if r.row is not None
    ]  # fmt: skip
    return table(["photo", "x", "kind", "true P", "P", "u", "flags"], lines)


def report(title: str, outcomes: Sequence[Outcome]) -> str:
    """Write everything about one run."""
    beads = sum(len(o.readings) for o in outcomes)
    seconds = float(np.median([o.seconds for o in outcomes]))
    parts = [
        f"## {title}\n\n{len(outcomes)} photos, {beads} beads, "
        f"median {seconds:.2f} s each on one processor.",
        by_tier(outcomes),
        "By kind of bead:\n\n" + by_kind(outcomes),
        "By flag:\n\n" + by_flag(outcomes),
        "Farthest off in penetration:\n\n" + worst(outcomes),
    ]
    refused = [f"- {o.error}" for o in outcomes if o.error]
    if refused:
        parts.append("Refused:\n\n" + "\n".join(refused))
    return "\n\n".join(parts)


# ------------------------------------------------------------------- command line


def cases_of(asked: argparse.Namespace) -> list[Case]:
    """Give the photos that were asked for."""
    if asked.photos is not None:
        return photos_in(asked.photos)
    return drawn(
        [
            Wanted(asked.cache, tier, asked.first + index, asked.size, asked.unseen)
            for tier in asked.tiers.split(",")
            for index in range(asked.drawn)
        ],
        asked.jobs,
    )


def parser() -> argparse.ArgumentParser:
    """Options of the benchmark."""
    made = argparse.ArgumentParser(description=__doc__)
    made.add_argument("--photos", type=Path, help="folder of photos with truth")
    made.add_argument("--drawn", type=int, default=30, help="photos of each tier")
    made.add_argument("--tiers", default=",".join(TIERS))
    made.add_argument("--first", type=int, default=FIRST_SEED, help="first seed")
    made.add_argument(
        "--size", choices=["3", "8", "12"], default="8", help="megapixels"
    )
    made.add_argument("--unseen", action="store_true", help="held-out styles")
    made.add_argument("--true-scale", action="store_true", help="also with true scale")
    made.add_argument("--jobs", type=int, default=1)
    made.add_argument("--json", type=Path, help="write every reading there")
    made.add_argument(
        "--cache",
        type=Path,
        default=Path(tempfile.gettempdir()) / "weldsection-drawn",
        help="folder of drawn photos",
    )
    return made


def main() -> None:
    """Measure the photos and print the tables."""
    asked = parser().parse_args()
    cases = cases_of(asked)
    runs = {"With the reference a user names": measure_as_asked}
    if asked.true_scale:
        runs["With the true scale"] = measure_true_scale
    kept = {}
    for title, work in runs.items():
        outcomes = list(each(work, cases, asked.jobs))
        kept[title] = [asdict(outcome) for outcome in outcomes]
        sys.stdout.write(report(title, outcomes) + "\n\n")
        sys.stdout.flush()
    if asked.json is not None:
        asked.json.write_text(json.dumps(kept), "utf-8")


if __name__ == "__main__":
    main()
