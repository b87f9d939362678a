"""Which graduation a rule has, from the order of its long and short ticks.

Millimetres are counted in fives and tens, inches halved again and again. The
lengths of the ticks along an edge show which of the two it is. What they leave
open (tenths of an inch are counted in fives and tens too) is settled by the
size of the ticks themselves and of the coupon, where that is clear enough.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from weldsection.records import FloatArray
from weldsection.scale.ruler_strokes import Stroke

IntArray = npt.NDArray[np.int64]

INCH_MM = 25.4
# share of ticks that a stain or the coupon may shorten and that other ink may
# lengthen to any length up to so many scatters
_SHORTENED, _LENGTHENED, _STRAY_SCATTERS = 0.06, 0.012, 100.0
# a graduation is settled when every other is so much rarer, as a logarithm
_SETTLED, _SETTLED_WHEN_TOLD = 2.5, 1.0
# places of the longest tick that are followed up from tier to tier
_PLACES_KEPT = 5
# neighbouring tiers differ by this many scatters where they are told apart
_TIER_SCATTERS = 1.6
# shortest and longest ticks of shop rules in mm, and the spread of their ratio
# to that in logarithm (common practice, no source; nine drawn rules: 0.2)
_SHORT_TICK_MM, _LONG_TICK_MM, _TICK_LOG_SD = 2.6, 6.0, 0.35


@dataclass(frozen=True, slots=True)
class Graduation:
    """One way to divide a rule."""

    name: str
    system: str
    """``mm`` or ``inch``."""
    step_mm: float
    tiers: tuple[int, ...]
    """Every how many steps a tick is longer, each a multiple of the one before."""
    rarity: float = 0.0
    """How much rarer than millimetres, in units of the logarithm of odds."""


# rarity: common practice, no source
GRADUATIONS = (
    Graduation("1 mm", "mm", 1.0, (5, 10)),
    Graduation("0.5 mm", "mm", 0.5, (2, 10, 20)),
    Graduation("1/8 inch", "inch", INCH_MM / 8, (2, 4, 8), 1.5),
    Graduation("1/16 inch", "inch", INCH_MM / 16, (2, 4, 8, 16)),
    Graduation("1/32 inch", "inch", INCH_MM / 32, (2, 4, 8, 16, 32), 0.5),
    Graduation("1/64 inch", "inch", INCH_MM / 64, (2, 4, 8, 16, 32, 64), 2.0),
    Graduation("1/10 inch", "inch", INCH_MM / 10, (5, 10), 4.0),
    Graduation("1/20 inch", "inch", INCH_MM / 20, (2, 10, 20), 4.0),
    Graduation("1/50 inch", "inch", INCH_MM / 50, (5, 10, 50), 4.0),
    Graduation("1/100 inch", "inch", INCH_MM / 100, (5, 10, 50, 100), 4.0),
)


@dataclass(frozen=True, slots=True)
class SizeGuess:
    """Millimetres per pixel as guessed without any reference."""

    mm_per_px: float
    log_sd: float


@dataclass(frozen=True, slots=True)
class Reading:
    """What the tick lengths of one edge say about one graduation."""

    graduation: Graduation
    fit: float
    """Logarithm of the likelihood of the lengths, cost of its freedom taken off."""
    order: float
    """By how much the order of the ticks beats the same lengths shuffled."""
    tiers_steps: FloatArray
    """Length of each tier in steps, shortest first."""
    stroke: float = 0.0
    """Logarithm of the likelihood of the width of the ticks."""


def read_graduations(
    numbers: FloatArray,
    lengths_steps: FloatArray,
    scatter_steps: float,
    stroke: Stroke | None = None,
) -> list[Reading]:
    """Compare lengths and width of numbered ticks with every graduation."""
    seen = np.isfinite(lengths_steps)
    k = np.asarray(numbers[seen], dtype=np.int64)
    lengths = lengths_steps[seen]
    by_tiers: dict[tuple[int, ...], tuple[float, float, FloatArray]] = {}
    readings = []
    for graduation in GRADUATIONS:
        tiers = graduation.tiers
        if tiers not in by_tiers:
            by_tiers[tiers] = _best_phase(k, lengths / scatter_steps, tiers)
        fit, order, means = by_tiers[tiers]
        drawn = stroke.likelihood(graduation.step_mm) if stroke else 0.0
        readings.append(Reading(graduation, fit, order, means * scatter_steps, drawn))
    return readings


def _best_phase(
    k: IntArray, lengths: FloatArray, tiers: tuple[int, ...]
) -> tuple[float, float, FloatArray]:
    """Try the places of the longest tick; give (fit, order, tier lengths).

    From the shortest tier up: the places that suit it best are tried for the
    next one.
    """
    places, before = list(range(tiers[0])), tiers[0]
    fitted: list[tuple[float, FloatArray]] = []
    for level, period in enumerate(tiers, start=1):
        if level > 1:
            places = [p + step for p in places for step in range(0, period, before)]
        fitted = [_tier_fit(_tiers_at(k, p, tiers[:level]), lengths) for p in places]
        best = sorted(range(len(places)), key=lambda index: -fitted[index][0])
        places = [places[index] for index in best[:_PLACES_KEPT]]
        before = period
    fit, means = max(fitted, key=lambda candidate: candidate[0])
    tier = _tiers_at(k, places[0], tiers)
    share = np.bincount(tier, minlength=len(means)) / len(lengths)
    seen = share > 0
    shuffled = np.exp(_log_likelihood(lengths[:, None] - means[seen])) @ share[seen]
    # the place was chosen among so many
    choice = math.log(min(tiers[-1], int(np.ptp(k)) + 1 + before))
    order = fit - float(np.log(shuffled).sum())
    return fit - choice, order - choice, means


def _tiers_at(k: IntArray, place: int, tiers: tuple[int, ...]) -> IntArray:
    """Tier of each tick, 0 for the shortest, when tick `place` is the longest."""
    tier = np.zeros(len(k), dtype=np.int64)
    for index, period in enumerate(tiers, start=1):
        tier[(k - k[0] - place) % period == 0] = index
    return tier


def _tier_fit(tier: IntArray, lengths: FloatArray) -> tuple[float, FloatArray]:
    """Likelihood of lengths, in scatters, with a rising length for each tier."""
    sizes = np.bincount(tier)
    means = np.full(len(sizes), np.nan)
    present = np.flatnonzero(sizes)
    for index in present:
        means[index] = _typical(lengths[tier == index])
    means[present] = _rising(means[present], sizes[present])
    fit = float(_log_likelihood(lengths - means[tier]).sum())
    freedom = 1 + np.count_nonzero(np.diff(means[present]) > 1e-9)
    return fit - 0.5 * freedom * math.log(max(len(lengths), 2)), means


def _typical(lengths: FloatArray) -> float:
    """Length that most ticks of a tier share; stains make some shorter."""
    share = np.array([0.35, 0.5, 0.65, 0.8])
    tried = np.sort(lengths)[np.rint(share * (len(lengths) - 1)).astype(int)]
    shares = _log_likelihood(lengths[:, None] - tried).sum(axis=0)
    return float(tried[int(np.argmax(shares))])


def _rising(means: FloatArray, sizes: IntArray) -> FloatArray:
    """Pool neighbouring tiers that are not clearly longer than the one below."""
    groups = [[float(m), float(s), 1.0] for m, s in zip(means, sizes, strict=True)]
    index = 0
    while index < len(groups) - 1:
        low, high = groups[index], groups[index + 1]
        if high[0] - low[0] < _TIER_SCATTERS:
            size = low[1] + high[1]
            mean = (low[0] * low[1] + high[0] * high[1]) / size
            groups[index : index + 2] = [[mean, size, low[2] + high[2]]]
            index = max(index - 1, 0)
        else:
            index += 1
    return np.concatenate([np.full(int(n), mean) for mean, _, n in groups])


def _log_likelihood(residual: FloatArray) -> FloatArray:
    """Normal scatter of 1 with a share of strays, fewer of them too long."""
    normal = np.exp(-0.5 * residual**2) / math.sqrt(2 * math.pi)
    stray = np.where(residual < 0, _SHORTENED, _LENGTHENED) / _STRAY_SCATTERS
    return np.asarray(np.log((1 - _SHORTENED) * normal + stray))


@dataclass(frozen=True, slots=True)
class Odds:
    """How likely a graduation is, as logarithms."""

    graduation: Graduation
    order: float
    """By the order of long and short ticks and the other edge alone."""
    whole: float
    """With the size of ticks and coupon, and how common such rules are."""


def odds_of(
    edges: Sequence[tuple[Sequence[Reading], float]], ratio: float, guess: SizeGuess
) -> list[Odds]:
    """
    Odds of each graduation of the first edge, likeliest first.

    Parameters
    ----------
    edges
        For one or both edges of a rule: readings and step in px.
    ratio
        Step of the second edge over that of the first, perspective removed.
    guess
        Size of a pixel as guessed from the coupon or the picture.
    """
    readings, step_px = edges[0]
    odds = []
    for reading in readings:
        order = reading.fit - _idle_tiers(reading)
        whole = order + _usual(reading, step_px, guess)
        if len(edges) > 1:
            others = [_together(reading, second, ratio) for second in edges[1][0]]
            order += max(order_of for order_of, _ in others)
            whole += max(whole_of for _, whole_of in others)
        odds.append(Odds(reading.graduation, order, whole))
    return sorted(odds, key=lambda each: -each.whole)


def settled(odds: Sequence[Odds], *, told: bool) -> bool:
    """Whether the likeliest graduation may be taken without asking.

    Where the order of the ticks suits two graduations alike, their size must
    tell them apart the more clearly: people draw and build ticks as they like.
    """
    first, second = odds[:2]
    needed = _SETTLED_WHEN_TOLD if told else _SETTLED
    if first.order - second.order < 1.5:
        needed += 1.0
    return first.whole - second.whole > needed


def _usual(reading: Reading, step_px: float, guess: SizeGuess) -> float:
    """How likely such a rule in such a picture is, its order apart."""
    step_mm = reading.graduation.step_mm
    size = math.log(step_mm / step_px / guess.mm_per_px) / guess.log_sd
    return _tick_size(reading) - 0.5 * size**2 - reading.graduation.rarity


def _tick_size(reading: Reading) -> float:
    """How likely ticks of this length and width are, as a logarithm."""
    tiers = reading.tiers_steps[np.isfinite(reading.tiers_steps)]
    if not len(tiers):
        return reading.stroke
    step_mm = reading.graduation.step_mm
    short = math.log(max(tiers[0], 0.1) * step_mm / _SHORT_TICK_MM)
    long = math.log(max(tiers[-1], 0.1) * step_mm / _LONG_TICK_MM)
    return reading.stroke - 0.5 * ((short + long) / 2 / _TICK_LOG_SD) ** 2


def _idle_tiers(reading: Reading) -> float:
    """Cost of tiers that should be longer than the one below and are not."""
    means = reading.tiers_steps
    same = np.diff(means) < 1e-9
    # one rule in five shows a given pair of tiers alike, one in thirty the two
    # longest (common practice, no source)
    return 1.6 * float(np.count_nonzero(same[:-1])) + 3.4 * float(same[-1])


def _together(first: Reading, second: Reading, ratio: float) -> tuple[float, float]:
    """How well a graduation of the other edge goes with the ratio of steps.

    By the order of its ticks alone, and with their size.
    """
    expected = second.graduation.step_mm / first.graduation.step_mm
    # 1 %: perspective is removed only as well as the first edge shows it
    miss = math.log(expected / ratio) / 0.01
    order = second.fit - _idle_tiers(second) - min(0.5 * miss**2, 40.0)
    return order, order + _tick_size(second) - second.graduation.rarity
