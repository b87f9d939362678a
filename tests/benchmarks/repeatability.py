"""The same coupon photographed ten times: does the stated doubt say the spread?

Run from the top of the project::

    PYTHONPATH=. python tests/benchmarks/repeatability.py --coupons 4 --photos 10

Light, angle, distance, camera, bench and reference differ from photo to photo; the
coupon, its etch and its stains stay. Prints, for each quantity, the spread over the
photos, the stated standard uncertainty and their ratio, and six times the spread
against a tolerance of 2 mm, as a gauge study does.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from boundary import FIRST_SEED, WITH_U, flagged
from common import SIZES, Case, Reading, each, measure_as_asked, photos_in, table

TOLERANCE_MM = 2.0
LEAST_PHOTOS = 5  # in which a bead must have been read, to speak of a spread


@dataclass(frozen=True, slots=True)
class Again:
    """One photo of one coupon."""

    folder: Path
    coupon: int
    photo: int
    tier: str
    size: str

    @property
    def path(self) -> Path:
        """Give the file's name: coupon, then photo."""
        return self.folder / f"{self.tier}-{self.coupon:06d}-{self.photo:02d}.jpg"


@dataclass(frozen=True, slots=True)
class Spread:
    """One quantity of one bead over several photos, in its own unit."""

    quantity: str
    spread: float
    stated_u: float
    """Root mean square of the stated standard uncertainties."""
    bias: float
    photos: int


def draw_again(wanted: Again) -> None:
    """Draw one photo of a coupon into the folder."""
    from sample_images.drawing import scene  # noqa: PLC0415 - slow to load

    if wanted.path.with_suffix(".json").exists():
        return
    wanted.folder.mkdir(parents=True, exist_ok=True)
    first = scene.random_shot(wanted.coupon, tier=wanted.tier)
    shot = scene.random_shot(
        wanted.coupon + 1000 * (wanted.photo + 1),
        tier=wanted.tier,
        size_px=SIZES[wanted.size],
        coupon=first.coupon,
    )
    scene.save(scene.draw(shot), wanted.path)


def spreads(readings: Sequence[Reading]) -> list[Spread]:
    """Give the spread of every quantity of one bead over its photos."""
    rows = [r for r in readings if r.row is not None and r.counts and not flagged(r)]
    if len(rows) < LEAST_PHOTOS:
        return []
    found = []
    for name, (column, u_column) in WITH_U.items():
        values = np.array([r.row[column] for r in rows if r.row], float)
        stated = np.array([r.row[u_column] for r in rows if r.row], float)
        found.append(
            Spread(
                name,
                float(values.std(ddof=1)),
                float(np.sqrt(np.mean(stated**2))),
                float(values.mean() - rows[0].truth[column]),
                len(rows),
            )
        )
    return found


def lines_of(found: Sequence[Spread]) -> list[list[str]]:
    """Give one line for each quantity, pooled over all beads."""
    lines = []
    for name in WITH_U:
        here = [one for one in found if one.quantity == name]
        if not here:
            continue
        pooled = float(np.sqrt(np.mean([one.spread**2 for one in here])))
        typical = float(np.median([one.spread for one in here]))
        stated = float(np.sqrt(np.mean([one.stated_u**2 for one in here])))
        middle = float(np.median([one.spread / one.stated_u for one in here]))
        bias = float(np.sqrt(np.mean([one.bias**2 for one in here])))
        gauge = f"{100 * 6 * pooled / TOLERANCE_MM:.0f} %" if name != "dilution" else ""
        whole = float(np.hypot(pooled, bias)) / stated
        usual = (
            f"{100 * 6 * typical / TOLERANCE_MM:.0f} %" if name != "dilution" else ""
        )
        unit = "points" if name == "dilution" else "mm"
        lines.append(
            [f"{name}, {unit}", f"{typical:.3f}", f"{pooled:.3f}", f"{stated:.3f}",
             f"{pooled / stated:.2f}", f"{middle:.2f}", f"{bias:.3f}",
             f"{whole:.2f}", usual, gauge]
        )  # fmt: skip
    return lines


def main() -> None:
    """Draw, measure, and print the table."""
    made = argparse.ArgumentParser(description=__doc__)
    made.add_argument("--coupons", type=int, default=4)
    made.add_argument("--photos", type=int, default=10, help="of each coupon")
    made.add_argument("--tier", default="phone")
    made.add_argument("--first", type=int, default=FIRST_SEED + 900, help="first seed")
    made.add_argument("--size", choices=list(SIZES), default="8", help="megapixels")
    made.add_argument("--jobs", type=int, default=1)
    made.add_argument(
        "--cache", type=Path, default=Path(tempfile.gettempdir()) / "weldsection-again"
    )
    asked = made.parse_args()
    wanted = [
        Again(asked.cache, asked.first + coupon, photo, asked.tier, asked.size)
        for coupon in range(asked.coupons)
        for photo in range(asked.photos)
    ]
    for _ in each(draw_again, wanted, asked.jobs):
        pass
    names = {one.path.name for one in wanted}
    cases: list[Case] = [c for c in photos_in(asked.cache) if c.path.name in names]
    outcomes = list(each(measure_as_asked, cases, asked.jobs))
    beads: dict[tuple[str, float], list[Reading]] = {}
    for outcome in outcomes:
        coupon = outcome.photo.rsplit("-", 1)[0]
        for reading in outcome.readings:
            if reading.truth:
                key = coupon, float(reading.truth["x_mm"])
                beads.setdefault(key, []).append(reading)
    per_bead = [spreads(readings) for readings in beads.values()]
    found = [one for some in per_bead for one in some]
    sys.stdout.write(
        f"{len(outcomes)} photos of {asked.coupons} coupons; rows without a flag of "
        f"{sum(map(bool, per_bead))} beads of {len(beads)}.\n\n"
    )
    header = [
        "quantity", "spread of one bead: median", "pooled", "stated u, pooled",
        "pooled spread / u", "median spread / u", "error of the mean, pooled",
        "both / u", "6 x median spread / 2 mm", "6 x pooled spread / 2 mm",
    ]  # fmt: skip
    sys.stdout.write(table(header, lines_of(found)) + "\n")


if __name__ == "__main__":
    main()
