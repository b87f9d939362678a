"""Point out settings that look misprinted or cannot answer the question."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from itertools import combinations

import numpy as np

from weldsection.study.fit import FloatArray
from weldsection.study.logsheet import NO_SETTINGS, PLANNED
from weldsection.study.plausibility import Doubt
from weldsection.study.tables import SectionRow
from weldsection.study.terms import show_setting, words_of

# a setting that varies by less than this share of its average is held constant
HELD = 0.05


def design_doubts(rows: Sequence[SectionRow]) -> tuple[Doubt, ...]:
    """Go through the settings of a table and collect all doubts."""
    columns = setting_columns(rows)
    table = {c: np.array([row.setting(c) for row in rows]) for c in columns}
    return (
        *_unlike_plan(rows),
        *_uneven_levels(rows, table),
        *_broken_product(rows, table),
    )


def setting_columns(rows: Sequence[SectionRow]) -> tuple[str, ...]:
    """Settings of a table in the order of their columns; plans left out."""
    names = dict.fromkeys(name for row in rows for name in row.settings)
    return tuple(n for n in names if n not in NO_SETTINGS and not n.startswith(PLANNED))


def varied(rows: Sequence[SectionRow], column: str, *, share: float = HELD) -> bool:
    """Whether a setting was changed on purpose: by more than a share of its average."""
    values = np.array([row.setting(column) for row in rows])
    values = values[np.isfinite(values)]
    if values.size < 2:
        return False
    return float(np.ptp(values)) > share * max(float(np.abs(values).mean()), 1e-12)


def _unlike_plan(rows: Sequence[SectionRow]) -> Iterator[Doubt]:
    """Used values far from the planned ones: a slip of the pen."""
    for row in rows:
        for name, planned in row.settings.items():
            used = row.setting(name.removeprefix(PLANNED))
            if not name.startswith(PLANNED) or not abs(planned) > 0:
                continue
            if abs(used / planned - 1) > 0.25:
                column = name.removeprefix(PLANNED)
                yield Doubt(
                    f"bead {row.bead}",
                    column,
                    f"{show_setting(column, used)} was logged where "
                    f"{show_setting(column, planned)} was planned; check the digits.",
                )


def _uneven_levels(
    rows: Sequence[SectionRow], table: Mapping[str, FloatArray]
) -> Iterator[Doubt]:
    """One level off centre in a plan that is even about its middle otherwise."""
    for column, values in table.items():
        found, count = np.unique(values[np.isfinite(values)], return_counts=True)
        if found.size < 5 or found.size > 9 or found.size % 2 == 0:
            continue
        middle = found[found.size // 2]
        low, high = middle - found[: found.size // 2][::-1], found[-(found.size // 2) :]
        off = np.abs(high - middle - low) > 0.02 * (found[-1] - found[0])
        if off.sum() != 1 or not np.array_equal(count, count[::-1]):
            continue
        k = int(np.flatnonzero(off)[0])
        first = next(r for r in rows if r.setting(column) == middle - low[k])
        even = middle - (high[k] - middle)
        yield Doubt(
            str(first.place),
            column,
            f"{words_of(column)} {middle - low[k]:g} and {high[k]:g} do not lie evenly "
            f"about {middle:g} as the other settings do; {even:g} may be meant.",
        )


def _broken_product(
    rows: Sequence[SectionRow], table: Mapping[str, FloatArray]
) -> Iterator[Doubt]:
    """One row that breaks a two-level plan in which a setting follows the others."""
    coded = {c: v for c, v in table.items() if set(np.unique(v)) >= {-1.0, 1.0}}
    for column, values in coded.items():
        others = [c for c in coded if c != column]
        for size in range(2, len(others) + 1):
            for chosen in combinations(others, size):
                product = math.prod([coded[c] for c in chosen])
                corner = np.all([np.abs(coded[c]) == 1 for c in (*chosen, column)], 0)
                wrong = np.flatnonzero(corner & (values != product))
                if corner.sum() >= 8 and wrong.size == 1:
                    names = ", ".join(words_of(c) for c in chosen)
                    yield Doubt(
                        str(rows[wrong[0]].place),
                        column,
                        f"in all other rows it is the product of {names}; "
                        "here the sign is turned, perhaps a misprint.",
                    )
