"""What several sections of one bead say: scatter along it, and between beads.

A bead sawn in four places is one bead. Its sections tell how even it is; only
another bead welded with the same settings tells how well they repeat.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import stdtr

from weldsection.study.design import setting_columns
from weldsection.study.join import Bead
from weldsection.study.terms import Term


@dataclass(frozen=True, slots=True)
class Unlike:
    """Two beads of one setting that differ more than their sections scatter."""

    first: str
    second: str
    difference: float
    p: float


@dataclass(frozen=True, slots=True)
class WithinBeads:
    """Scatter of one quantity from section to section of the same bead."""

    quantity: Term
    sd: float
    """Pooled standard deviation of single sections."""
    df: int
    unlike: tuple[Unlike, ...]


def within_beads(beads: Sequence[Bead], quantity: Term) -> WithinBeads | None:
    """Pool the scatter between sections of the same bead.

    None where no bead was cut more than once.
    """
    if all(len(bead.rows) == 1 for bead in beads):
        return None
    values = {bead.name: _per_cut(bead, quantity) for bead in beads}
    groups = [v for v in values.values() if len(v) > 1]
    df = sum(len(v) - 1 for v in groups)
    if df == 0:
        return None
    ss = sum(float(np.var(v)) * len(v) for v in groups)
    sd = math.sqrt(ss / df)
    return WithinBeads(quantity, sd, df, _unlike(beads, values, sd, df))


def _per_cut(bead: Bead, quantity: Term) -> list[float]:
    cuts: dict[str, list[float]] = {}
    for reading in bead.readings(quantity):
        cuts.setdefault(reading.cut, []).append(reading.value)
    return [sum(v) / len(v) for v in cuts.values()]


def _unlike(
    beads: Sequence[Bead], values: dict[str, list[float]], sd: float, df: int
) -> tuple[Unlike, ...]:
    """Beads of the same settings, each two held against the sections' scatter."""
    alike: dict[tuple[float, ...], list[str]] = {}
    columns = setting_columns([row for bead in beads for row in bead.rows[:1]])
    for bead in beads:
        if values[bead.name] and columns:
            key = tuple(bead.setting(c) for c in columns)
            alike.setdefault(key, []).append(bead.name)
    pairs = [
        (a, b)
        for names in alike.values()
        for k, a in enumerate(names)
        for b in names[k + 1 :]
    ]
    found = []
    for a, b in pairs:
        difference = float(np.mean(values[b]) - np.mean(values[a]))
        u = sd * math.sqrt(1 / len(values[a]) + 1 / len(values[b]))
        if u > 0:
            p = 2 * float(stdtr(df, -abs(difference) / u))
            # Bonferroni: many pairs are looked at
            if p * len(pairs) < 0.01:
                found.append(Unlike(a, b, difference, p))
    return tuple(found)
