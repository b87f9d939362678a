"""Whether a quantity rises with a setting, and whether it stops rising.

Three shapes are fitted with the same weights: a straight line, a line that
turns flat and a parabola that turns flat. A bend is believed when the F test
against the straight line says so; a plateau is claimed only when, besides,
the break leaves two settings beyond it at the latest, and nothing speaks
against the shape. `docs/comparing.md` tells why, and
`tests/benchmarks/study.py` how often it is wrong.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum

import numpy as np
from scipy.special import fdtrc, fdtri, stdtr

from weldsection.errors import DataError
from weldsection.study import curves
from weldsection.study.band import u_of_average
from weldsection.study.curves import Curve, Profile
from weldsection.study.fit import CurveFit, FloatArray
from weldsection.study.points import Means, Points, averaged
from weldsection.study.spread import Spread, bead_spread

SURE = 0.95
ALPHA = 1 - SURE
# a parabola replaces the plain bend when AICc favours it by this much
CLEAR_AICC = 3.0
# chance at which a slope beyond the break counts against a plateau
TAIL_ALPHA = 0.01


class Verdict(Enum):
    """What may be said of a trend."""

    PLATEAU = "plateau"
    PLATEAU_OPEN = "plateau, break only bracketed by two settings"
    STRAIGHT = "no plateau"
    LAST_ONLY = "flattening rests on the last setting alone"
    NOT_PINNED = "flattens, but the break may lie at the last settings"
    STILL_CURVING = "bends, but has not reached a plateau"
    NOT_CLEAN = "flattens, but not a clean plateau"
    NO_TREND = "no trend"
    TOO_FEW = "too few settings"

    @property
    def is_plateau(self) -> bool:
        """Whether a plateau is claimed."""
        return self in (Verdict.PLATEAU, Verdict.PLATEAU_OPEN)


@dataclass(frozen=True, slots=True)
class Shape:
    """One fitted shape and how it fares against the straight line."""

    curve: Curve
    fit: CurveFit
    aicc: float
    f: float
    """F of the bend against the straight line; NaN for shapes without a break."""
    p: float

    @property
    def level(self) -> float:
        """First parameter: for a shape that turns flat, the height of the flat."""
        return float(self.fit.parameters[0])


@dataclass(frozen=True, slots=True)
class Break:
    """Where a shape turns, with the interval its likelihood profile gives."""

    at: float
    low: float
    high: float
    low_open: bool
    """The interval reaches the first settings: it may turn anywhere below."""
    high_open: bool
    """The interval reaches the last setting."""
    latest: float
    """Where it turns at the latest, at 95 % to that side alone."""
    between: tuple[float, float]
    """The neighbouring settings that enclose the best break."""


@dataclass(frozen=True, slots=True)
class Trend:
    """The trend of one quantity against one setting."""

    points: Points
    means: Means
    spread: Spread
    verdict: Verdict
    chosen: Shape
    shapes: tuple[Shape, ...]
    turn: Break | None
    """The best break even where no plateau is claimed; None with few settings."""
    p_trend: float
    """Chance of so much trend if there were none."""
    p_misfit: float
    """Chance of so much misfit if the chosen shape held; NaN without repeats."""
    p_tail: float
    """Chance of so steep a slope beyond the break if it were flat there."""
    hidden_rise: float
    """Most that the quantity may still change beyond the break (95 %)."""

    @property
    def rises(self) -> bool:
        """Whether it goes up with the setting."""
        x, y = self.means.x, self.chosen.curve.at(self.means.x, self.parameters)
        slope = np.sum((x - x.mean()) * (y - y.mean()))
        return bool(slope >= 0)

    @property
    def parameters(self) -> FloatArray:
        """Parameters of the chosen shape."""
        return self.chosen.fit.parameters

    def at(self, x: FloatArray) -> FloatArray:
        """Value of the chosen shape."""
        return self.chosen.curve.at(np.asarray(x, np.float64), self.parameters)

    def u_at(self, x: FloatArray) -> FloatArray:
        """Standard uncertainty of the trend at x, without the scale."""
        return u_of_average(
            self.means, self.chosen.curve, self.chosen.fit, x, self.spread
        )


def trend(points: Points) -> Trend:
    """Find the trend of a quantity against a setting.

    Raises
    ------
    DataError
        If there are fewer than two different settings.
    """
    if points.x.size < 2 or np.ptp(points.x) == 0:
        raise DataError("All beads have one setting; a trend needs at least two.")
    spread = bead_spread(points)
    means = averaged(points, spread.beads)
    straight = _shape(means, curves.LINE)
    flat = _shape(means, curves.CONSTANT)
    if np.ptp(points.y) <= 1e-9 * np.abs(points.y).max():
        return _without_bend(points, means, spread, Verdict.NO_TREND, (flat, straight))
    if points.level.max() < 3 or means.count < 5:
        return _without_bend(points, means, spread, Verdict.TOO_FEW, (flat, straight))
    seen = {
        c: curves.profile(means, c)
        for c in (curves.LINE_THEN_FLAT, curves.QUADRATIC_THEN_FLAT)
    }
    bends = tuple(_bend(means, c, p, straight) for c, p in seen.items())
    bent = bends[1] if bends[1].aicc < bends[0].aicc - CLEAR_AICC else bends[0]
    # the place of a break depends on the shape: where a parabola is preferred,
    # the interval takes in that of the plain bend as well
    profiles = tuple(seen.values()) if bent is bends[1] else (seen[bent.curve],)
    return _judged(points, means, spread, (flat, straight, *bends), bent, profiles)


def fit_trend(x: FloatArray, y: FloatArray, u: FloatArray | float = 0.0) -> Trend:
    """Find the trend in plain arrays: settings, values, reading uncertainties.

    Examples
    --------
    >>> x = np.arange(9.0)
    >>> y = np.minimum(x, 4.0) + np.array([1, -1, 2, 0, -1, 1, 0, -1, 1]) * 0.02
    >>> fit_trend(x, y).verdict.value
    'plateau'
    """
    return trend(Points.of(x, y, u))


def _without_bend(
    points: Points,
    means: Means,
    spread: Spread,
    verdict: Verdict,
    shapes: tuple[Shape, Shape],
) -> Trend:
    """A level or a direction at best: two or three settings, or equal values."""
    flat, straight = shapes
    same = verdict is Verdict.NO_TREND
    return Trend(
        points,
        means,
        spread,
        verdict,
        flat if same else straight,
        shapes,
        None,
        1.0 if same else _p_f(flat.fit, straight.fit),
        math.nan,
        math.nan,
        math.nan,
    )


def _judged(
    points: Points,
    means: Means,
    spread: Spread,
    shapes: tuple[Shape, ...],
    bent: Shape,
    profiles: tuple[Profile, ...],
) -> Trend:
    flat, straight = shapes[0], shapes[1]
    turn = _turn(means, bent, profiles)
    p_trend = min(_p_f(flat.fit, straight.fit), _p_f(flat.fit, shapes[2].fit))
    tail, u_tail, df = _tail(means, turn.at)
    p_tail = 2 * float(stdtr(df, -abs(tail / u_tail))) if u_tail > 0 else math.nan
    believed = bent.p < ALPHA
    chosen = flat if p_trend >= ALPHA else bent if believed else straight
    p_misfit = _p_misfit(points, means, chosen)
    length = max(float(points.x.max()) - turn.at, 0.0)
    hidden = (abs(tail) + 2 * u_tail) * length if u_tail > 0 else math.nan
    verdict = _verdict(points, chosen, turn, p_misfit, p_tail)
    return Trend(
        points,
        means,
        spread,
        verdict,
        chosen,
        shapes,
        turn,
        p_trend,
        p_misfit,
        p_tail,
        hidden,
    )


def _verdict(
    points: Points, chosen: Shape, turn: Break, p_misfit: float, p_tail: float
) -> Verdict:
    """Say what may be said; each line takes away one way to fool oneself."""
    if chosen.curve is curves.CONSTANT:
        return Verdict.NO_TREND
    if chosen.curve is curves.LINE:
        return Verdict.STRAIGHT
    settings = points.level_x
    if turn.at > settings[-2]:
        last_only = chosen.curve is curves.LINE_THEN_FLAT
        return Verdict.LAST_ONLY if last_only else Verdict.STILL_CURVING
    if p_misfit < ALPHA or p_tail < TAIL_ALPHA:
        return Verdict.NOT_CLEAN
    if turn.latest >= settings[-2]:
        return Verdict.NOT_PINNED
    return Verdict.PLATEAU_OPEN if turn.at <= settings[1] else Verdict.PLATEAU


# ------------------------------------------------------------------- pieces


def _shape(means: Means, curve: Curve, found: Profile | None = None) -> Shape:
    done = curves.fit(means, curve, found)
    return Shape(curve, done, aicc(done, curve.parameters), math.nan, math.nan)


def _bend(means: Means, curve: Curve, found: Profile, straight: Shape) -> Shape:
    done = curves.fit(means, curve, found)
    gain = straight.fit.rss - done.rss
    f = gain / (done.rss / done.df) if done.rss > 0 else math.inf
    p = float(fdtrc(1, done.df, max(f, 0.0)))
    return Shape(curve, done, aicc(done, curve.parameters), f, p)


def aicc(done: CurveFit, parameters: int) -> float:
    """Akaike's criterion, corrected for few data; lower is better.

    The unknown variance counts as one parameter more.
    """
    n, k = done.df + parameters, parameters + 1
    if n <= k + 1 or done.rss <= 0:
        return math.inf if n <= k + 1 else -math.inf
    return n * math.log(done.rss / n) + 2 * k + 2 * k * (k + 1) / (n - k - 1)


def _p_f(small: CurveFit, large: CurveFit) -> float:
    """Chance of so much gain from the larger of two shapes by luck."""
    more = small.df - large.df
    if large.df <= 0 or more <= 0:
        return math.nan
    if large.rss <= 0:
        return 0.0
    f = (small.rss - large.rss) / more / (large.rss / large.df)
    return float(fdtrc(more, large.df, max(f, 0.0)))


def _turn(means: Means, bent: Shape, profiles: tuple[Profile, ...]) -> Break:
    """The break with the interval its profile gives, by the F limit."""
    at, x = float(bent.fit.parameters[-1]), means.x
    low, high = _reach(bent, profiles, SURE)
    # one side of a two-sided 90 % interval is sure to 95 %
    _, latest = _reach(bent, profiles, 2 * SURE - 1)
    k = int(np.clip(np.searchsorted(x, at) - 1, 0, x.size - 2))
    return Break(
        at,
        low,
        high,
        bool(low < x[1]),
        bool(high >= x[-1] - 1e-6 * float(np.ptp(x))),
        latest,
        (float(x[k]), float(x[k + 1])),
    )


def _reach(
    bent: Shape, profiles: tuple[Profile, ...], sure: float
) -> tuple[float, float]:
    """Lowest and highest break that any of the profiles allows."""
    at, df = float(bent.fit.parameters[-1]), bent.fit.df
    stretch = 1 + float(fdtri(1, df, sure)) / df if df > 0 else math.inf
    edges = [p.below(float(p.rss.min()) * stretch) for p in profiles]
    return min([e[0] for e in edges] + [at]), max([e[1] for e in edges] + [at])


def _tail(means: Means, at: float) -> tuple[float, float, int]:
    """Slope beyond the break and its standard uncertainty, the rest kept free."""
    two = Curve("", curves.TWO_LINES.basis, 3, False)
    basis = two.basis(means.x, at)
    inside = (means.x > at).sum() >= 2 and (means.x < at).sum() >= 1
    df = means.count - 4
    if not inside or df <= 0:
        return 0.0, 0.0, 1
    white = means.whitener @ basis
    b, *_ = np.linalg.lstsq(white, means.whitener @ means.y, rcond=None)
    left = means.whitener @ (means.y - basis @ b)
    variance = (float(left @ left) + means.pure_ss) / df
    inverse = np.linalg.pinv(white.T @ white)
    both = np.array([0.0, 1.0, 1.0])
    return float(both @ b), math.sqrt(float(both @ inverse @ both) * variance), df


def _p_misfit(points: Points, means: Means, chosen: Shape) -> float:
    """Hold the shape against the scatter of repeats."""
    settings = int(points.level.max()) + 1
    df_pure = means.count - settings
    df_misfit = settings - chosen.curve.parameters
    if df_pure < 4 or df_misfit < 1 or means.x.size != settings:
        return math.nan
    misfit = (chosen.fit.rss - means.pure_ss) / df_misfit
    pure = means.pure_ss / df_pure
    return float(fdtrc(df_misfit, df_pure, max(misfit, 0.0) / pure)) if pure else 0.0
