"""How often comparing settings is right and wrong, on simulated ladders.

Run from the project's folder::

    python tests/benchmarks/study.py            # 1,000 ladders each, minutes
    python tests/benchmarks/study.py --count 200

A ladder is a row of beads from 120 to 220 A on a 10 mm plate, 7 to 15 of them
at even steps, each setting welded once unless said otherwise. Penetration
starts at 1 mm and ends at so many times that. Values scatter by the spread
given, in percent of their own, of which reading is 0.05 mm and the rest beads.
Where there is a plateau it begins half way, at 170 A.
"""

from __future__ import annotations

import argparse
import csv
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")

import numpy as np

from weldsection.quantities import COLUMNS
from weldsection.study.groups import Relation, groups
from weldsection.study.points import Points, SharedScale
from weldsection.study.runorder import order_check
from weldsection.study.trend import Trend, trend

LOW, HIGH, HALF = 120.0, 220.0, 170.0
READING_MM = 0.05


@dataclass(frozen=True)
class Ladder:
    """What is simulated."""

    shape: str
    """straight, flat from half way, or curved to a standstill half way."""
    ratio: float = 3.0
    """Penetration at the end over that at the start."""
    spread: float = 0.08
    repeats: int = 1
    photos: int = 1
    scale_u: float = 0.0
    """Scale error of each photo, which all beads on it share."""

    def draw(self, rng: np.random.Generator) -> Points:
        """Weld and read one ladder."""
        x = np.repeat(np.linspace(LOW, HIGH, int(rng.integers(7, 16))), self.repeats)
        t = (x - LOW) / (HIGH - LOW)
        share = {
            "straight": t,
            "flat": np.minimum(2 * t, 1),
            "curved": 1 - np.maximum(1 - 2 * t, 0) ** 2,
        }[self.shape]
        true = 1 + (self.ratio - 1) * share
        seen = true * (1 + self.spread * rng.standard_normal(x.size))
        if self.photos == 1:
            return Points.of(x, seen, READING_MM)
        photo = np.arange(x.size) * self.photos // x.size
        seen *= (1 + self.scale_u * rng.standard_normal(self.photos))[photo]
        u = np.full(x.size, self.scale_u)
        scale = SharedScale(np.arange(x.size), photo, u, self.photos)
        return Points.of(x, seen, READING_MM, scale=scale)


@dataclass(frozen=True)
class Line:
    """One line of the printed table."""

    what: str
    share: float
    count: int
    bar: str
    passed: bool | None

    def __str__(self) -> str:
        u = 100 * np.sqrt(max(self.share * (1 - self.share), 1e-9) / self.count)
        verdict = {True: "met", False: "MISSED", None: "-"}[self.passed]
        return (
            f"{self.what:<72}{100 * self.share:7.1f} % ± {u:3.1f}  "
            f"{self.bar:<10}{verdict}"
        )


def trends(ladder: Ladder, count: int, seed: int = 1) -> list[Trend]:
    """Fit so many ladders."""
    rng = np.random.default_rng(seed)
    return [trend(ladder.draw(rng)) for _ in range(count)]


def covers(found: Trend) -> bool:
    """Whether the interval of the break holds the true one."""
    turn = found.turn
    assert turn is not None
    return (turn.low <= HALF or turn.low_open) and (turn.high >= HALF or turn.high_open)


def false_plateau(count: int) -> Iterator[Line]:
    """Straight ladders called plateaus."""
    for ladder in (
        Ladder("straight", 2),
        Ladder("straight", 3),
        Ladder("straight", 5),
        Ladder("straight", 3, 0.12),
        Ladder("straight", 3, 0.08, 2),
        Ladder("straight", 3, 0.08, 1, 3, 0.04),
    ):
        claimed = [t.verdict.is_plateau for t in trends(ladder, count)]
        yield Line(
            f"false plateau: {told(ladder)}",
            float(np.mean(claimed)),
            count,
            "<= 5 %",
            bool(np.mean(claimed) <= 0.05),
        )


def missed_plateau(count: int) -> Iterator[Line]:
    """Plateaus found, and whether their break is covered."""
    for ladder in (
        Ladder("flat", 2),
        Ladder("flat", 3),
        Ladder("flat", 5),
        Ladder("flat", 3, 0.12),
        Ladder("flat", 3, 0.08, 2),
        Ladder("flat", 3, 0.08, 1, 3, 0.04),
        Ladder("curved", 3),
    ):
        found = trends(ladder, count, seed=2)
        share = float(np.mean([t.verdict.is_plateau for t in found]))
        judged = ladder.spread == 0.08  # the bar is for that spread
        yield Line(
            f"plateau found: {told(ladder)}",
            share,
            count,
            ">= 80 %" if judged else "reported",
            share >= 0.8 if judged else None,
        )
        if ladder.shape == "flat":
            covered = float(np.mean([covers(t) for t in found]))
            yield Line(
                f"break interval covers the truth: {told(ladder)}",
                covered,
                count,
                "93-97 %",
                0.93 <= round(covered, 3) <= 0.97,
            )


def told(ladder: Ladder) -> str:
    """A ladder in words."""
    each = "" if ladder.repeats == 1 else f", {ladder.repeats} beads each"
    photos = "" if ladder.photos == 1 else f", 3 photos, scale {ladder.scale_u:.0%}"
    return (
        f"{ladder.shape}, 1 to {ladder.ratio:g} mm, {ladder.spread:.0%}{each}{photos}"
    )


def equivalence(count: int) -> Iterator[Line]:
    """Pairs of settings a margin apart called alike, and equal ones shown alike."""
    margin = 0.3
    for repeats, spread in ((2, 0.08), (3, 0.08), (4, 0.08), (3, 0.05)):
        at_margin, equal, families = [], [], []
        rng = np.random.default_rng(3)
        x = np.repeat(np.linspace(LOW, HIGH, 6), repeats)
        for _ in range(count):
            noise = 2 * spread * rng.standard_normal(x.size)
            steps = margin * (x - LOW) / 20
            mine = [
                p.relation is Relation.ALIKE
                for p in groups(Points.of(x, 2 + steps + noise, 0.03), margin).pairs
                if p.second == p.first + 1
            ]
            at_margin += mine
            families.append(any(mine))
            same = groups(Points.of(x, 2 + noise, 0.03), margin)
            equal += [p.relation is Relation.ALIKE for p in same.pairs]
        what = f"{repeats} beads each, {spread:.0%} of 2 mm, margin 0.3 mm"
        share = float(np.mean(at_margin))
        yield Line(
            f"false equivalence at the margin: {what}",
            share,
            len(at_margin),
            "<= 5 %",
            share <= 0.05 + 2 * np.sqrt(0.0475 / len(at_margin)),
        )
        yield Line(
            f"  any of 5 neighbours: {what}",
            float(np.mean(families)),
            count,
            "reported",
            None,
        )
        yield Line(f"  power: {what}", float(np.mean(equal)), count, "reported", None)


def run_order(count: int) -> Iterator[Line]:
    """Ladders from cold to hot recognised, random ones accused."""
    rng = np.random.default_rng(4)
    cold_to_hot, random = [], []
    for _ in range(count):
        n = int(rng.integers(7, 16))
        x = np.linspace(LOW, HIGH, n)
        used = x + 2 * rng.standard_normal(n)
        cold_to_hot.append(order_check(used, np.arange(n, dtype=float)).confounded)
        random.append(order_check(used, rng.permutation(n).astype(float)).confounded)
    share = float(np.mean(cold_to_hot))
    yield Line("cold-to-hot ladders recognised", share, count, "100 %", share == 1)
    share = float(np.mean(random))
    yield Line("random orders accused", share, count, "<= 5 %", share <= 0.05)


def speed() -> Iterator[str]:
    """Time the command on one coupon and on 10,000 rows, figures included."""
    for rows, bar in ((15, 1.5), (10_000, 5.0)):
        with tempfile.TemporaryDirectory() as name:
            table = Path(name) / "beads.csv"
            _write_beads(table, rows)
            words = ["compare", str(table), "--process", "135", "--out", f"{name}/out"]
            used, wall = os.times().children_user, time.perf_counter()
            subprocess.run(
                [sys.executable, "-m", "weldsection", *words],
                check=True,
                capture_output=True,
            )
            used, wall = os.times().children_user - used, time.perf_counter() - wall
        yield (
            f"compare on {rows:,} rows: {wall:.2f} s, {used:.2f} s of processor time "
            f"(bar {bar} s)"
        )


def _write_beads(path: Path, count: int) -> None:
    """Write so many beads, 15 on a photo."""
    rng = np.random.default_rng(5)
    with path.open("w", encoding="utf-8", newline="") as held:
        writer = csv.DictWriter(
            held, (*COLUMNS, "coupon", "current_a", "voltage_v", "travel_mm_min")
        )
        writer.writeheader()
        for k in range(count):
            amps = int(rng.integers(120, 221))
            lengths = {
                "penetration_mm": min(1 + 0.04 * (amps - 120), 3) + rng.normal(0, 0.15),
                "width_mm": 6 + 0.02 * (amps - 120) + rng.normal(0, 0.2),
                "reinforcement_mm": 2 + rng.normal(0, 0.1),
            }
            below = 0.66 * lengths["penetration_mm"] * lengths["width_mm"]
            above = 0.66 * lengths["reinforcement_mm"] * lengths["width_mm"]
            writer.writerow(
                {
                    "photo": f"{k // 15}.jpg",
                    "bead": k % 15 + 1,
                    "coupon": f"c{k // 15}",
                    **{c: f"{v:.4f}" for c, v in lengths.items()},
                    "penetration_u_mm": 0.05,
                    "width_u_mm": 0.1,
                    "reinforcement_u_mm": 0.05,
                    "penetration_area_mm2": f"{below:.4f}",
                    "reinforcement_area_mm2": f"{above:.4f}",
                    "dilution_pct": f"{100 * below / (below + above):.3f}",
                    "toe_angle_left_deg": f"{120 + rng.normal(0, 3):.1f}",
                    "toe_angle_right_deg": f"{120 + rng.normal(0, 3):.1f}",
                    "scale_u_pct": 0.8,
                    "current_a": amps,
                    "voltage_v": f"{14 + 0.05 * amps:.1f}",
                    "travel_mm_min": 350,
                }
            )


PARTS: tuple[Callable[[int], Iterator[Line]], ...] = (
    false_plateau,
    missed_plateau,
    equivalence,
    run_order,
)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=1000, help="ladders of each kind")
    count = parser.parse_args().count
    started = time.perf_counter()
    for told_ in speed():
        print(told_, flush=True)
    for part in PARTS:
        for line in part(count):
            print(line, flush=True)
    print(f"{time.perf_counter() - started:.0f} s")


if __name__ == "__main__":
    main()
