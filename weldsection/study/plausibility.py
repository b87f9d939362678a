"""Point out numbers that measured beads do not show.

Nothing is dropped or changed here. Each doubt names the row and the column
and says in a sentence what is odd; the reader decides.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from weldsection.study.fit import FloatArray
from weldsection.study.tables import SectionRow

MAIN = ("penetration_mm", "width_mm", "reinforcement_mm", "dilution_pct")
LENGTHS = MAIN[:3]
# neighbouring rows that an average is looked for in
MOST_AVERAGED = 12


@dataclass(frozen=True, slots=True)
class Doubt:
    """Something odd in a table: where, and what."""

    where: str
    column: str
    sentence: str

    def __str__(self) -> str:
        return f"{self.where}, column {self.column}: {self.sentence}"


def doubts(rows: Sequence[SectionRow]) -> tuple[Doubt, ...]:
    """Go through a table and collect all doubts, each once."""
    return tuple(dict.fromkeys(doubt for check in CHECKS for doubt in check(rows)))


def _column(rows: Sequence[SectionRow], name: str) -> FloatArray:
    return np.array([row.numbers[name] for row in rows], dtype=np.float64)


def _names(rows: Iterable[SectionRow]) -> str:
    listed = [str(row.place.row) for row in rows]
    return ", ".join(listed[:6]) + (" …" if len(listed) > 6 else "")


# ------------------------------------------------------------------- checks


def fill_factor(rows: Sequence[SectionRow]) -> Iterator[Doubt]:
    """Find areas that do not fit width and depth: a lost digit, a bad trace."""
    for area, height in (
        ("penetration_area_mm2", "penetration_mm"),
        ("reinforcement_area_mm2", "reinforcement_mm"),
    ):
        for row in rows:
            box = row.numbers["width_mm"] * row.numbers[height]
            # a sliver below 0.2 mm has too little area to judge by
            if not (row.numbers[height] > 0.2 and box > 0):
                continue
            fill = row.numbers[area] / box
            if math.isnan(fill) or 0.5 <= fill <= 1.0:
                continue
            hint = "a lost digit" if fill < 0.15 or fill > 5 else "a bad trace"
            yield Doubt(
                str(row.place),
                area,
                f"{row.numbers[area]:g} mm² is {fill:.3g} of width times height; "
                f"beads fill 0.5 to 1 of it, so look for {hint}.",
            )


def out_of_range(rows: Sequence[SectionRow]) -> Iterator[Doubt]:
    """Find values that no section can have."""
    limits = (
        ("toe_angle_left_deg", 0, 180, "through the air it lies between 0 and 180°"),
        ("toe_angle_right_deg", 0, 180, "through the air it lies between 0 and 180°"),
        ("dilution_pct", 0, 100, "a share lies between 0 and 100 %"),
        ("penetration_mm", 0, math.inf, "a depth is not negative"),
    )
    for row in rows:
        for column, low, high, why in limits:
            value = row.numbers[column]
            if value < low or value > high:
                yield Doubt(str(row.place), column, f"{value:g} cannot be; {why}.")
        if row.numbers["haz_depth_mm"] < row.numbers["penetration_mm"]:
            yield Doubt(
                str(row.place),
                "haz_depth_mm",
                "the heat-affected zone ends above the fusion line; "
                "the two may have been taken for each other.",
            )


def dilution_from_areas(rows: Sequence[SectionRow]) -> Iterator[Doubt]:
    """Find dilutions that their own areas do not give."""
    for row in rows:
        below = row.numbers["penetration_area_mm2"]
        above = row.numbers["reinforcement_area_mm2"]
        if not below + above > 0:
            continue
        share = 100 * below / (below + above)
        if abs(share - row.numbers["dilution_pct"]) > 2:
            yield Doubt(
                str(row.place),
                "dilution_pct",
                f"{row.numbers['dilution_pct']:g} % is written, "
                f"but the areas give {share:.1f} %.",
            )


def swapped_columns(rows: Sequence[SectionRow]) -> Iterator[Doubt]:
    """Find rows whose two lengths fit better the other way round."""
    for row in rows:
        if row.numbers["reinforcement_mm"] > row.numbers["width_mm"]:
            yield Doubt(
                str(row.place),
                "reinforcement_mm",
                "the bead would stand higher than it is wide; "
                "width and reinforcement may be swapped.",
            )
    width, depth = _column(rows, "width_mm"), _column(rows, "penetration_mm")
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.log(width / depth)
    known = ratio[np.isfinite(ratio)]
    if known.size < 5:
        return
    middle = float(np.median(known))
    usual = 1.4826 * float(np.median(np.abs(known - middle)))
    for row, each in zip(rows, ratio, strict=True):
        off, turned = abs(each - middle), abs(-each - middle)
        # far from the others by a factor of 3, and like them when turned round
        if off > max(math.log(3), 5 * usual) and turned < max(math.log(2), 2 * usual):
            yield Doubt(
                str(row.place),
                "penetration_mm",
                "penetration and width fit the other rows when swapped.",
            )


def inches(rows: Sequence[SectionRow]) -> Iterator[Doubt]:
    """Find rows whose lengths are all smaller by about an inch in mm."""
    table = np.array([[row.numbers[c] for c in LENGTHS] for row in rows])
    with np.errstate(invalid="ignore", divide="ignore"):
        usual = [
            np.median(c[np.isfinite(c)]) if np.isfinite(c).any() else 1 for c in table.T
        ]
        factor = np.array(usual) / table
    for row, each in zip(rows, factor, strict=True):
        known = each[np.isfinite(each)]
        if known.size >= 2 and np.all((known > 12) & (known < 50)):
            yield Doubt(
                str(row.place),
                "width_mm",
                "all lengths are some 25 times smaller than usual; they may be inches.",
            )


def repeated_rows(rows: Sequence[SectionRow]) -> Iterator[Doubt]:
    """Find beads that agree in everything to the last digit."""
    seen: dict[tuple[float, ...], list[SectionRow]] = {}
    for row in rows:
        key = tuple(v for c in MAIN if not math.isnan(v := row.numbers[c]))
        if len(key) >= 2:
            seen.setdefault(key, []).append(row)
    fine = _resolution_is_fine(rows)
    for same in seen.values():
        if len(same) > 1 and fine:
            yield Doubt(
                f"{same[0].place.file} rows {_names(same)}",
                "penetration_mm",
                "these rows are the same to the last digit in every quantity; "
                "one may have been copied.",
            )


def repeated_values(rows: Sequence[SectionRow]) -> Iterator[Doubt]:
    """Find one value that comes back far more often than chance gives it."""
    for column in MAIN:
        values = _column(rows, column)
        values = values[np.isfinite(values)]
        if values.size < 6 or np.ptp(values) == 0:
            continue
        found, count = np.unique(values, return_counts=True)
        often, third = (
            int(count.max()),
            int(np.sort(count)[-3]) if count.size > 2 else 1,
        )
        # on coarse readings many values come back; here one or two do, alone
        if often >= 4 and often > 3 * third:
            value = found[count.argmax()]
            mine = [r for r in rows if r.numbers[column] == value]
            yield Doubt(
                f"{mine[0].place.file} rows {_names(mine)}",
                column,
                f"the value {value:g} stands there {often} times; "
                "measured beads do not repeat to the last digit so often.",
            )


def constant_ratio(rows: Sequence[SectionRow]) -> Iterator[Doubt]:
    """Find two columns in one fixed ratio: calculated, not measured."""
    for first, second in combinations(LENGTHS, 2):
        a, b = _column(rows, first), _column(rows, second)
        known = np.isfinite(a) & np.isfinite(b) & (a > 0) & (b > 0)
        if known.sum() < 6 or a[known].std() < 0.02 * a[known].mean():
            continue
        ratio = a[known] / b[known]
        middle = float(np.median(ratio))
        share = float(np.mean(np.abs(ratio / middle - 1) < 0.002))
        if share >= 0.8:
            yield Doubt(
                f"{rows[0].place.file}, {share:.0%} of the rows",
                first,
                f"it is {middle:.4g} times {second}; a fixed ratio is calculated, "
                "not measured.",
            )


def averages(rows: Sequence[SectionRow]) -> Iterator[Doubt]:
    """Find a row that is the average of others and no bead of its own."""
    columns = [c for c in MAIN if np.isfinite(_column(rows, c)).all()]
    if len(columns) < 2 or len(rows) < 4:
        return
    table = np.array([[row.numbers[c] for c in columns] for row in rows])
    step = np.array([[_last_digit(v) for v in line] for line in table])
    sums = np.vstack([np.zeros(table.shape[1]), np.cumsum(table, axis=0)])
    n, spread = len(rows), np.maximum(table.std(axis=0), 1e-12)
    # chance that a row agrees by luck in every column, over all that are tried
    luck = np.prod(np.minimum(step.max(axis=0) / (2.5 * spread), 1)) * 2 * n
    if luck * MOST_AVERAGED > 0.02:
        return
    for count in range(2, min(MOST_AVERAGED, n - 1) + 1):
        means = (sums[count:] - sums[:-count]) / count
        for shift in (count, -1):
            target = np.arange(means.shape[0]) + shift
            inside = (target >= 0) & (target < n)
            off = np.abs(table[target[inside]] - means[inside])
            hits = np.all(off <= 0.51 * step[target[inside]] + 1e-9, axis=1)
            for start in np.flatnonzero(inside)[hits]:
                group = rows[start : start + count]
                if np.ptp(table[start : start + count], axis=0).max() > 0:
                    yield _average_doubt(rows[target[start]], group)


def _average_doubt(row: SectionRow, group: Sequence[SectionRow]) -> Doubt:
    return Doubt(
        str(row.place),
        "penetration_mm",
        f"every quantity is the average of rows {group[0].place.row} to "
        f"{group[-1].place.row}; it is no bead of its own.",
    )


def _last_digit(value: float) -> float:
    """Size of the last digit a number was written with."""
    text = f"{value:.10g}"
    return 10.0 ** -len(text.partition(".")[2]) if "." in text else 1.0


def _resolution_is_fine(rows: Sequence[SectionRow]) -> bool:
    """Whether readings are fine enough that equal rows are no accident."""
    cells = 1.0
    for column in MAIN:
        values = _column(rows, column)
        values = values[np.isfinite(values)]
        found = np.unique(values)
        if found.size > 1:
            cells *= max(2.5 * float(values.std()) / float(np.diff(found).min()), 1.0)
    return cells > 20 * len(rows) ** 2 / 2


CHECKS: tuple[Callable[[Sequence[SectionRow]], Iterator[Doubt]], ...] = (
    fill_factor,
    out_of_range,
    dilution_from_areas,
    swapped_columns,
    inches,
    repeated_rows,
    repeated_values,
    constant_ratio,
    averages,
)
