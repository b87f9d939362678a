"""The settings at which all wishes hold, and how surely the next bead would.

The chance stated is that of one more bead welded at that setting: it holds
the scatter from bead to bead, how well the average is known, and the scale.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri, stdtr

from weldsection.errors import UsageError
from weldsection.study.fit import FloatArray
from weldsection.study.groups import level_means
from weldsection.study.terms import Term, term
from weldsection.study.trend import ALPHA, Trend, Verdict

_WISH = re.compile(r"^\s*([a-zA-Z_ -]+?)\s*(>=|<=|≥|≤|>|<)\s*([+-]?\d+(?:\.\d+)?)\s*$")
DRAWS = 20_000


@dataclass(frozen=True, slots=True)
class Wish:
    """A limit that one quantity has to keep."""

    quantity: Term
    at_least: bool
    limit: float

    @classmethod
    def parse(cls, text: str) -> Wish:
        """Read a wish such as ``penetration>=1.5``.

        Examples
        --------
        >>> str(Wish.parse("dilution <= 30"))
        'dilution at most 30 %'
        """
        match = _WISH.match(text)
        if not match:
            raise UsageError(
                f"'{text}' is no wish; write it like \"penetration>=1.5\"."
            )
        name, sign, limit = match.groups()
        return cls(term(name), sign in (">=", "≥", ">"), float(limit))

    def __str__(self) -> str:
        side = "at least" if self.at_least else "at most"
        space = "" if self.quantity.unit == "°" else " "
        return f"{self.quantity.words} {side} {self.limit:g}{space}{self.quantity.unit}"


@dataclass(frozen=True, slots=True)
class Chance:
    """How surely one more bead at a setting would keep every wish."""

    setting: float
    all_wishes: float
    each: tuple[float, ...]

    @property
    def weakest(self) -> int:
        """Index of the wish most likely to fail."""
        return int(np.argmin(self.each))


@dataclass(frozen=True, slots=True)
class Window:
    """Chances at every setting, and the range where they are good enough."""

    wishes: tuple[Wish, ...]
    chances: tuple[Chance, ...]
    wanted: float
    """Chance that is asked for, 0 to 1."""

    @property
    def inside(self) -> tuple[Chance, ...]:
        """Longest run of neighbouring settings that are good enough."""
        best: list[Chance] = []
        run: list[Chance] = []
        for chance in self.chances:
            run = [*run, chance] if chance.all_wishes >= self.wanted else []
            best = run if len(run) > len(best) else best
        return tuple(best)

    @property
    def nearest_trouble(self) -> Chance | None:
        """The setting inside that comes closest to failing."""
        return min(self.inside, key=lambda c: c.all_wishes, default=None)


def window(
    wishes: Sequence[Wish], trends: Sequence[Trend], wanted: float = 0.9
) -> Window:
    """Work out the chance that one more bead keeps all wishes.

    Parameters
    ----------
    wishes
        What each quantity has to keep.
    trends
        The trend of each wish's quantity, in the same order.
    wanted
        Chance that is good enough, 0 to 1.
    """
    settings = max((t.points.level_x for t in trends), key=len)
    each = np.stack(
        [_chances(w, t, settings) for w, t in zip(wishes, trends, strict=True)]
    )
    together = _together(each, _correlation(trends))
    return Window(
        tuple(wishes),
        tuple(
            Chance(float(x), float(p), tuple(map(float, column)))
            for x, p, column in zip(settings, together, each.T, strict=True)
        ),
        wanted,
    )


def _chances(wish: Wish, trend: Trend, settings: FloatArray) -> FloatArray:
    """Chance that one more bead at each setting keeps one wish."""
    value, u = expected(trend, settings)
    known = trend.spread.beads if trend.spread.df else math.nan
    beads = known * trend.spread.factor(value)
    scale = trend.points.relative_scale_u * value
    sd = np.sqrt(u**2 + beads**2 + scale**2)
    distance = (value - wish.limit) * (1 if wish.at_least else -1)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(sd > 0, distance / sd, np.sign(distance) * np.inf)
    df = max(trend.spread.df, 1)
    chance = np.asarray(stdtr(df, np.clip(ratio, -1e6, 1e6)), np.float64)
    return np.where(np.isnan(ratio), 0.5, chance)


def expected(trend: Trend, settings: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Average to be expected at settings, and its uncertainty without the scale.

    From the trend, which lends each setting the strength of its neighbours; from
    the beads of the setting itself where the trend does not fit them.
    """
    fits = not trend.p_misfit < ALPHA and trend.verdict is not Verdict.NOT_CLEAN
    if fits or trend.means.pure_df < 1:
        return trend.at(settings), trend.u_at(settings)
    means = level_means(trend.points)
    return (
        np.interp(settings, means.x, means.y),
        np.interp(settings, means.x, means.u_own),
    )


def _correlation(trends: Sequence[Trend]) -> FloatArray:
    """How far beads that fall short in one quantity do so in another."""
    size = len(trends)
    found = np.eye(size)
    left = [_residuals(t) for t in trends]
    for j in range(size):
        for k in range(j):
            names = sorted(left[j].keys() & left[k].keys())
            pair = np.array([[left[j][n], left[k][n]] for n in names])
            if len(names) >= 5 and np.all(np.ptp(pair, axis=0) > 0):
                r = float(np.corrcoef(pair.T)[0, 1])
                # few beads give a loose correlation; it is drawn towards none
                found[j, k] = found[k, j] = r * (len(names) - 3) / len(names)
    return found


def _residuals(trend: Trend) -> dict[str, float]:
    left = trend.points.y - trend.at(trend.points.x)
    return dict(zip(trend.points.names, map(float, left), strict=True))


def _together(each: FloatArray, correlation: FloatArray) -> FloatArray:
    """Chance of all wishes at once, by drawing beads with that correlation."""
    if each.shape[0] == 1:
        return np.asarray(each[0], dtype=np.float64)
    values, vectors = np.linalg.eigh(correlation)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    rng = np.random.default_rng(20)
    drawn = rng.standard_normal((DRAWS // 2, each.shape[0]))
    drawn = np.vstack([drawn, -drawn]) @ root.T
    limits = ndtri(np.clip(each, 1e-12, 1 - 1e-12))
    return np.array([np.mean(np.all(drawn < limit, axis=1)) for limit in limits.T])
