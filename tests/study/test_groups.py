"""Settings alike, different or undecided; never equal for want of a difference."""

from __future__ import annotations

import numpy as np
import pytest

from weldsection.study.groups import Relation, groups
from weldsection.study.points import Points, SharedScale

LEVELS = np.repeat(np.arange(120.0, 181.0, 20), 4)


def beads(step: float, spread: float, seed: int) -> Points:
    """Four settings of four beads, each setting a step above the last."""
    rng = np.random.default_rng(seed)
    y = 2 + step * (LEVELS - 120) / 20 + spread * rng.standard_normal(LEVELS.size)
    return Points.of(LEVELS, y, 0.03)


def neighbours(found):
    """Pairs of neighbouring settings."""
    return [pair for pair in found.pairs if pair.second == pair.first + 1]


def test_settings_a_margin_apart_are_seldom_called_alike() -> None:
    """At most 5 % false equivalence at the margin; 300 trials of 3 pairs."""
    called = [
        pair.relation is Relation.ALIKE
        for seed in range(300)
        for pair in neighbours(groups(beads(0.3, 0.2, seed), 0.3))
    ]

    assert np.mean(called) <= 0.05 + 2 * np.sqrt(0.05 * 0.95 / len(called))


def test_equal_settings_are_seldom_called_different() -> None:
    """At most 5 % false differences; 300 trials."""
    called = [
        pair.p_different < 0.05
        for seed in range(300)
        for pair in neighbours(groups(beads(0.0, 0.2, seed), 0.3))
    ]

    assert np.mean(called) == pytest.approx(0.05, abs=0.025)


def test_equal_settings_with_little_scatter_are_shown_alike() -> None:
    """All four settings make one group when there is power to show it."""
    found = groups(beads(0.0, 0.05, 1), 0.3)

    assert found.runs == ((0, 1, 2, 3),)


def test_few_beads_leave_it_undecided() -> None:
    """One bead a setting and much scatter: no group, and no difference either."""
    x = np.arange(120.0, 221.0, 20)
    y = np.array([2.0, 2.4, 2.1, 2.5, 2.2, 2.6])

    found = groups(Points.of(x, y, 0.05), 0.2)

    assert not found.runs
    assert all(pair.relation is not Relation.ALIKE for pair in found.pairs)
    assert found.provable > 0.2


def test_a_difference_smaller_than_the_margin_is_alike_though_shown() -> None:
    """What differs by less than matters counts as alike."""
    found = groups(beads(0.1, 0.02, 3), 0.3)

    first = neighbours(found)[0]
    assert first.relation is Relation.ALIKE
    assert first.p_different < 0.05


def test_the_shared_scale_error_all_but_cancels_in_a_difference() -> None:
    """On one photo a 5 % scale error weighs 5 % of the difference, not of the depth."""
    plain = beads(0.3, 0.02, 4)
    scaled = Points.of(
        plain.x, plain.y, 0.03, scale=SharedScale.one_photo(np.full(plain.x.size, 0.05))
    )

    a, b = groups(plain, 0.3).pairs[0], groups(scaled, 0.3).pairs[0]

    assert b.u**2 - a.u**2 == pytest.approx((0.05 * a.difference) ** 2, rel=1e-6)


def test_on_two_photos_the_scale_errors_do_not_cancel() -> None:
    """Each setting on its own photo: both scale errors count in full."""
    plain = beads(0.3, 0.02, 4)
    photo = (plain.x > 130).astype(np.int64)
    scale = SharedScale(np.arange(16), photo, np.full(16, 0.05), 2)

    a = groups(plain, 0.3).pairs[0]
    b = groups(Points.of(plain.x, plain.y, 0.03, scale=scale), 0.3).pairs[0]

    assert b.u**2 - a.u**2 == pytest.approx(0.05**2 * (2.0**2 + 2.3**2), rel=0.05)


def test_pairs_agree_with_a_library() -> None:
    """Both one-sided tests as statsmodels makes them, for two settings."""
    weightstats = pytest.importorskip("statsmodels.stats.weightstats")
    rng = np.random.default_rng(7)
    a, b = 2 + 0.1 * rng.standard_normal(6), 2.05 + 0.1 * rng.standard_normal(6)
    points = Points.of(np.repeat([120.0, 140.0], 6), np.concatenate([a, b]))

    (pair,) = groups(points, 0.3).pairs

    p_alike, *_ = weightstats.ttost_ind(a, b, -0.3, 0.3)
    _, p_different, _ = weightstats.ttest_ind(a, b)
    assert pair.p_alike == pytest.approx(p_alike, rel=1e-6)
    assert pair.p_different == pytest.approx(p_different, rel=1e-6)
