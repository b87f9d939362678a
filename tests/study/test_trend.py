"""Whether a quantity rises, and whether it stops: verdicts and their honesty."""

from __future__ import annotations

import numpy as np
import pytest
from outside_data import ARC_CURRENT_ALONE, columns, laser_tracks
from scipy.special import stdtrit

from weldsection.errors import DataError
from weldsection.study.outliers import outliers
from weldsection.study.points import Points, SharedScale, averaged
from weldsection.study.spread import bead_spread
from weldsection.study.trend import Verdict, fit_trend, trend

# 316L laser tracks (KU Leuven, DOI 10.6084/m9.figshare.15035733.v1): the answers a
# sound tool should give, and the fits behind them (reference-values E.1)
LASER_VERDICTS = [
    (800, "width", {Verdict.PLATEAU}, 206.0, 34.5),
    (900, "width", {Verdict.PLATEAU_OPEN}, None, 59.6),
    (800, "depth", {Verdict.LAST_ONLY}, 532.5, 13.8),
    (900, "depth", {Verdict.LAST_ONLY, Verdict.STRAIGHT}, 568.5, 4.4),
    (600, "depth", {Verdict.STRAIGHT}, 575.1, 2.2),
    (600, "width", {Verdict.NOT_CLEAN}, 399.9, 18.1),
]


@pytest.mark.parametrize(("speed", "what", "verdicts", "at", "f"), LASER_VERDICTS)
def test_laser_tracks_get_the_answers_a_sound_tool_gives(
    speed: int, what: str, verdicts: set[Verdict], at: float | None, f: float
) -> None:
    """Two plateaus, one with an open break, three still rising, one not clean."""
    found = fit_trend(*laser_tracks(speed, what))

    assert found.verdict in verdicts
    assert found.rises
    bend = found.shapes[2]
    assert bend.f == pytest.approx(f, abs=0.06)
    if at is not None:
        assert bend.fit.parameters[-1] == pytest.approx(at, abs=0.2)


def test_a_break_between_the_first_two_settings_is_left_open() -> None:
    """Every break from 100 to 200 W fits alike; a value with an error bar is wrong."""
    found = fit_trend(*laser_tracks(900, "width"))

    assert found.turn is not None
    assert found.turn.low_open
    assert not found.turn.high_open
    assert 200 <= found.turn.high < 300
    assert found.chosen.level == pytest.approx(131.60, abs=0.01)


def test_the_condition_statistics_of_the_laser_file() -> None:
    """100 W at 400 mm/s: mean depth 129, sample SD 21.88, as the file prints."""
    power, depth = laser_tracks(400, "depth")
    values = depth[power == 100]

    assert values.mean() == pytest.approx(129, abs=0.5)
    assert values.std(ddof=1) == pytest.approx(21.88, abs=0.005)


def test_three_settings_are_too_few() -> None:
    """Nine beads at three currents: a plateau claim is refused (E.6)."""
    found = fit_trend(*columns(ARC_CURRENT_ALONE))

    assert found.verdict is Verdict.TOO_FEW
    assert found.parameters == pytest.approx([-0.5656, 0.011367], rel=1e-3)


def test_no_trend_is_said_when_there_is_none() -> None:
    """Scatter about one level is not taken for a slope."""
    rng = np.random.default_rng(3)

    found = fit_trend(np.linspace(120, 220, 11), 2 + 0.1 * rng.standard_normal(11))

    assert found.verdict is Verdict.NO_TREND


def test_equal_values_have_no_trend() -> None:
    """All beads alike to the last digit give no division by zero."""
    assert fit_trend(np.arange(8.0), np.full(8, 118.0)).verdict is Verdict.NO_TREND


def test_one_setting_has_no_trend_at_all() -> None:
    """A trend against a setting that was not varied is refused."""
    with pytest.raises(DataError, match="at least two"):
        fit_trend(np.full(5, 180.0), np.arange(5.0))


def test_a_falling_quantity_may_level_off_too() -> None:
    """What holds upwards holds downwards: the toe angle falls and stays."""
    x = np.arange(10.0)
    y = 150 - 8 * np.minimum(x, 4) + np.array([1, -1, 0, 1, -1, 0, 1, 0, -1, 0])

    found = fit_trend(x, y)

    assert found.verdict is Verdict.PLATEAU
    assert not found.rises


def test_a_bead_that_keeps_rising_slowly_is_no_clean_plateau() -> None:
    """A second, gentler slope beyond the break counts against a plateau."""
    x = np.repeat(np.arange(9.0), 3)
    rng = np.random.default_rng(5)
    y = np.minimum(x, 3) + 0.15 * np.maximum(x - 3, 0)

    found = fit_trend(x, y + 0.06 * rng.standard_normal(x.size))

    assert not found.verdict.is_plateau


def test_the_shared_scale_error_of_a_photo_cancels() -> None:
    """One photo read 5 % large: the same break, interval, F and p to the last digit."""
    rng = np.random.default_rng(8)
    x = np.linspace(120, 220, 11)
    y = np.minimum(1 + 0.04 * (x - 120), 3) * (1 + 0.05 * rng.standard_normal(11))
    sure = trend(Points.of(x, y, 0.04))
    unsure = trend(
        Points.of(x, y, 0.04, scale=SharedScale.one_photo(np.full(11, 0.05)))
    )
    large = trend(Points.of(x, 1.05 * y, 1.05 * 0.04))

    assert unsure.turn == sure.turn
    assert unsure.shapes[2].f == sure.shapes[2].f
    assert large.turn is not None
    assert sure.turn is not None
    assert large.turn.at == pytest.approx(sure.turn.at, rel=1e-6)
    assert large.shapes[2].f == pytest.approx(sure.shapes[2].f, rel=1e-6)
    assert unsure.points.relative_scale_u == pytest.approx(0.05)


def test_photos_with_scale_errors_of_their_own_are_weighted_as_such() -> None:
    """Averages over two photos carry a covariance within each photo, none across."""
    x = np.arange(4.0)
    y = np.array([10.0, 10, 10, 10])
    scale = SharedScale(np.arange(4), np.array([0, 0, 1, 1]), np.full(4, 0.02), 2)

    covariance = averaged(Points.of(x, y, 0.1, scale=scale), 0.0).covariance

    expected = np.diag(np.full(4, 0.01))
    expected[:2, :2] += 0.04
    expected[2:, 2:] += 0.04
    assert covariance == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize("factor", [25.4, 0.001])
def test_units_do_not_change_the_answer(factor: float) -> None:
    """Micrometres or inches: the same verdict at the same setting."""
    x, y = laser_tracks(800, "width")

    a, b = fit_trend(x, y), fit_trend(x, factor * y)

    assert a.verdict is b.verdict
    assert a.chosen.fit.parameters[-1] == pytest.approx(b.chosen.fit.parameters[-1])


def ladder(rng: np.random.Generator, *, flat: bool) -> tuple[np.ndarray, np.ndarray]:
    """A ladder from 120 to 220 A, penetration 1 to 3 mm, 8 % spread."""
    x = np.linspace(120, 220, int(rng.integers(7, 16)))
    t = (x - 120) / 100
    y = 1 + 2 * (np.minimum(t, 0.5) / 0.5 if flat else t)
    return x, y * (1 + 0.08 * rng.standard_normal(x.size))


def test_straight_ladders_are_seldom_called_plateaus() -> None:
    """At most 5 % in the long run (tests/benchmarks/study.py); here 200 ladders."""
    rng = np.random.default_rng(11)

    found = [fit_trend(*ladder(rng, flat=False), 0.05) for _ in range(200)]

    assert np.mean([f.verdict.is_plateau for f in found]) <= 0.06


def test_plateaus_are_found_and_their_break_is_covered() -> None:
    """At least 80 % found, interval right in about 95 %; here 200 ladders."""
    rng = np.random.default_rng(12)
    found = [fit_trend(*ladder(rng, flat=True), 0.05) for _ in range(200)]
    turns = [f.turn for f in found if f.turn is not None]

    assert np.mean([f.verdict.is_plateau for f in found]) >= 0.8
    covered = [(t.low <= 170 or t.low_open) and t.high >= 170 for t in turns]
    assert 0.90 <= np.mean(covered) <= 0.99


def test_the_band_covers_the_true_average() -> None:
    """The claimed uncertainty of a straight trend is what repeated trials show."""
    rng = np.random.default_rng(13)
    x, at = np.linspace(0, 10, 12), np.array([2.0])
    trials = [fit_trend(x, x + 0.5 * rng.standard_normal(12)) for _ in range(300)]
    straight = [t for t in trials if t.verdict is Verdict.STRAIGHT]

    errors = [t.at(at)[0] - 2.0 for t in straight]
    claimed = np.sqrt(np.mean([t.u_at(at)[0] ** 2 for t in straight]))

    assert np.std(errors) == pytest.approx(claimed, rel=0.12)


@pytest.mark.parametrize("flat", [False, True])
def test_the_band_has_no_step_and_covers_the_curve(flat: bool) -> None:
    """Nine in ten bands hold the true curve, the doubt about the break included."""
    rng = np.random.default_rng(14)
    at = np.array([130.0, 150, 170, 190, 210])
    t = (at - 120) / 100
    true = 1 + 2 * (np.minimum(t, 0.5) / 0.5 if flat else t)
    held = []
    for _ in range(120):
        found = fit_trend(*ladder(rng, flat=flat), 0.05)
        band = stdtrit(found.chosen.fit.df, 0.975) * found.u_at(at)
        held.append(np.abs(found.at(at) - true) < band)
        fine = found.u_at(np.linspace(120, 220, 400))
        assert np.abs(np.diff(fine)).max() < 0.25 * fine.max()

    assert np.mean(held) >= 0.85


def test_a_bead_far_off_the_curve_is_pointed_out() -> None:
    """One cold bead among eleven, and none among honest ones."""
    rng = np.random.default_rng(15)
    x = np.linspace(120, 220, 11)
    y = 1 + 0.02 * (x - 120) + 0.05 * rng.standard_normal(11)
    assert not outliers(fit_trend(x, y))

    y[6] -= 0.6
    (found,) = outliers(fit_trend(x, y))

    assert found.name == "7"
    assert found.off == pytest.approx(-0.6, abs=0.2)


def test_honest_beads_are_seldom_pointed_out() -> None:
    """In at most about 2 % of ladders is a bead named that is none."""
    rng = np.random.default_rng(16)
    named = [
        bool(outliers(fit_trend(*ladder(rng, flat=False), 0.05))) for _ in range(200)
    ]

    assert np.mean(named) <= 0.04


def test_scatter_that_grows_is_seen() -> None:
    """Deep beads scatter more: the claimed scatter is larger there."""
    rng = np.random.default_rng(17)
    x = np.repeat(np.linspace(120, 220, 8), 4)
    y = (1 + 0.02 * (x - 120)) * (1 + 0.08 * rng.standard_normal(x.size))

    spread = bead_spread(Points.of(x, y))

    assert spread.grows
    assert spread.factor(np.array([3.0]))[0] > 1.2
    assert spread.factor(np.array([1.0]))[0] == 1.0
