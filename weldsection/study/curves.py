"""The shapes a quantity may take against a setting, and where one may break.

For a given break every shape is a straight sum of a few columns, so the best
fit for each possible break is exact and the whole profile of the residual sum
over the break comes out at once.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from weldsection.study.fit import CurveFit, FloatArray, covariance_of
from weldsection.study.points import Means

Basis = Callable[[FloatArray, FloatArray | float], FloatArray]
"""``basis(x, breaks)`` gives ``(..., k)`` columns, shapes broadcast."""


@dataclass(frozen=True, slots=True)
class Curve:
    """One shape: its name and its columns for a given break."""

    name: str
    basis: Basis
    columns: int
    breaks: bool
    """Whether it has a break to be found; then the break is the last parameter."""

    @property
    def parameters(self) -> int:
        """How many numbers the shape has to be given."""
        return self.columns + self.breaks

    def at(self, x: FloatArray, parameters: FloatArray) -> FloatArray:
        """Value of the curve at x."""
        where = float(parameters[-1]) if self.breaks else 0.0
        basis = self.basis(np.asarray(x, np.float64), where)
        return np.asarray(basis @ parameters[: self.columns], dtype=np.float64)


def _constant(x: FloatArray, c: FloatArray | float) -> FloatArray:
    return _stack(x + 0 * c, ())


def _line(x: FloatArray, c: FloatArray | float) -> FloatArray:
    return _stack(x + 0 * c, (x + 0 * c,))


def _line_then_flat(x: FloatArray, c: FloatArray | float) -> FloatArray:
    return _stack(x + 0 * c, (np.minimum(x, c) - c,))


def _quadratic_then_flat(x: FloatArray, c: FloatArray | float) -> FloatArray:
    return _stack(x + 0 * c, (-((np.minimum(x, c) - c) ** 2),))


def _two_lines(x: FloatArray, c: FloatArray | float) -> FloatArray:
    return _stack(x + 0 * c, (x - c, np.maximum(x - c, 0.0)))


def _stack(x: FloatArray, columns: tuple[FloatArray, ...]) -> FloatArray:
    return np.stack([np.ones_like(x), *columns], axis=-1)


CONSTANT = Curve("one level", _constant, 1, False)
LINE = Curve("straight line", _line, 2, False)
LINE_THEN_FLAT = Curve("line then flat", _line_then_flat, 2, True)
QUADRATIC_THEN_FLAT = Curve("quadratic then flat", _quadratic_then_flat, 2, True)
TWO_LINES = Curve("two lines", _two_lines, 3, True)


@dataclass(frozen=True, slots=True)
class Profile:
    """Best residual sum for each possible break."""

    breaks: FloatArray
    rss: FloatArray

    def below(self, limit: float) -> tuple[float, float]:
        """Lowest and highest break whose residual sum stays below a limit."""
        inside = np.flatnonzero(self.rss <= limit)
        return self._edge(inside[0], -1, limit), self._edge(inside[-1], 1, limit)

    def _edge(self, k: int, step: int, limit: float) -> float:
        """Where the profile crosses the limit beyond its last point inside."""
        other = k + step
        if not 0 <= other < self.breaks.size:
            return float(self.breaks[k])
        rise = self.rss[other] - self.rss[k]
        part = (limit - self.rss[k]) / rise if rise > 0 else 0.0
        return float(self.breaks[k] + part * (self.breaks[other] - self.breaks[k]))


def profile(means: Means, curve: Curve, breaks: FloatArray | None = None) -> Profile:
    """Residual sum of a shape for every break worth trying, or for those given."""
    if breaks is None:
        breaks = candidate_breaks(means.x, curve)
    unit = float(np.ptp(means.x)) or 1.0
    x = (means.x - means.x[0]) / unit
    columns = curve.basis(x[None, :], ((breaks - means.x[0]) / unit)[:, None])
    white = means.whitener @ columns
    q, _ = np.linalg.qr(white)
    y = means.whitener @ means.y
    left = y - np.einsum("gmk,gk->gm", q, np.einsum("gmk,m->gk", q, y))
    return Profile(breaks, np.einsum("gm,gm->g", left, left) + means.pure_ss)


def candidate_breaks(x: FloatArray, curve: Curve) -> FloatArray:
    """Breaks worth trying: the settings themselves and steps between them.

    A line-then-flat can break anywhere between the first and the last setting.
    A quadratic may reach its top beyond the last one, as far again as the
    whole range. Two lines need settings on both sides of the break.
    """
    steps = int(np.clip(480 // max(x.size - 1, 1), 2, 24))
    gaps = np.linspace(x[:-1], x[1:], steps, endpoint=False).T.ravel()
    span = x[-1] - x[0]
    if curve is QUADRATIC_THEN_FLAT:
        beyond = x[-1] + span * np.linspace(0, 1, 49)
        inner = gaps[gaps > x[1] + 1e-9 * span]
        return np.concatenate([inner, beyond])
    if curve is TWO_LINES:
        gaps = gaps[(gaps > x[1]) & (gaps < x[-2])]
        return np.asarray(gaps, dtype=np.float64)
    return np.concatenate([gaps[1:], x[-1:]])


def fit(means: Means, curve: Curve, found: Profile | None = None) -> CurveFit:
    """Fit one shape to averages, the break included."""
    columns_only = Curve(curve.name, curve.basis, curve.columns, False)
    if not curve.breaks:
        return _fit_columns(means, columns_only, 0.0)
    where = _best_break(means, curve, found or profile(means, curve))
    inner = _fit_columns(means, columns_only, where)
    parameters = np.append(inner.parameters, where)
    df = means.count - parameters.size
    return CurveFit(parameters, _covariance(means, curve, inner, where), inner.rss, df)


def _best_break(means: Means, curve: Curve, found: Profile) -> float:
    """Sharpen the best break of a profile, each time sixteen times finer."""
    seen = found
    for _ in range(6):
        k = int(np.argmin(seen.rss))
        low, high = (
            seen.breaks[max(k - 1, 0)],
            seen.breaks[min(k + 1, len(seen.rss) - 1)],
        )
        finer = profile(means, curve, np.linspace(low, high, 33))
        if finer.rss.min() > seen.rss[k]:
            break
        seen = finer
    return float(seen.breaks[np.argmin(seen.rss)])


def _covariance(
    means: Means, curve: Curve, inner: CurveFit, where: float
) -> FloatArray:
    """Covariance of a shape's columns and its break.

    About a break that sits on a setting nothing is smooth; there the columns
    have the uncertainty for a given break, and the break's own is NaN and left
    to its profile.
    """
    size, df = inner.parameters.size, inner.df - 1
    step = 1e-5 * float(np.ptp(means.x))
    if df <= 0 or np.abs(means.x - where).min() <= step:
        covariance = np.full((size + 1, size + 1), np.nan)
        covariance[:-1, :-1] = inner.covariance * (inner.df / df if df > 0 else np.nan)
        return covariance
    ahead = curve.at(means.x, np.append(inner.parameters, where + step))
    behind = curve.at(means.x, np.append(inner.parameters, where - step))
    slope = (ahead - behind) / (2 * step)
    basis = curve.basis(means.x, where)
    jacobian = means.whitener @ np.column_stack([basis, slope])
    return covariance_of(jacobian, inner.rss, df)


def _fit_columns(means: Means, curve: Curve, where: float) -> CurveFit:
    """Fit what a shape is made of when its break is given."""
    basis = curve.basis(means.x, where)
    q, r = np.linalg.qr(means.whitener @ basis)
    y = means.whitener @ means.y
    parameters = np.linalg.solve(r, q.T @ y)
    left = y - means.whitener @ basis @ parameters
    rss = float(left @ left) + means.pure_ss
    df = means.count - curve.columns
    inverse = np.linalg.inv(r)
    scale = rss / df if df > 0 else np.nan
    return CurveFit(parameters, inverse @ inverse.T * scale, rss, df)
