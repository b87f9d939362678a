"""Whether order of welding and setting can be told apart."""

from __future__ import annotations

import math

import numpy as np
import pytest

from weldsection.study.points import Points
from weldsection.study.runorder import drift, order_check
from weldsection.study.trend import trend

SETTINGS = np.arange(120.0, 221.0, 10)


@pytest.mark.parametrize("repeats", [1, 2])
@pytest.mark.parametrize("downwards", [False, True])
def test_every_ladder_from_cold_to_hot_is_recognised(
    repeats: int, downwards: bool
) -> None:
    """With measured currents that are not quite even, and hot to cold as well."""
    rng = np.random.default_rng(1)
    for _ in range(200):
        count = int(rng.integers(7, 16))
        x = np.repeat(np.linspace(120, 220, count), repeats)
        order = np.arange(x.size, dtype=float)[:: -1 if downwards else 1]

        assert order_check(x + 2 * rng.standard_normal(x.size), order).confounded


def test_random_orders_are_seldom_accused() -> None:
    """At least 95 % of random orders pass; 1000 of 7 to 15 beads."""
    rng = np.random.default_rng(2)
    accused = []
    for _ in range(1000):
        count = int(rng.integers(7, 16))
        order = rng.permutation(count).astype(float)
        accused.append(order_check(np.linspace(120, 220, count), order).confounded)

    assert np.mean(accused) <= 0.05


def test_a_drift_is_found_and_its_uncertainty_is_honest() -> None:
    """A warming plate adds 0.05 mm a bead; over 200 ladders the claim holds."""
    found = []
    for seed in range(200):
        rng = np.random.default_rng(seed)
        order = rng.permutation(SETTINGS.size).astype(float)
        y = 1 + 0.02 * (SETTINGS - 120) + 0.05 * order
        y += 0.1 * rng.standard_normal(SETTINGS.size)
        each = drift(trend(Points.of(SETTINGS, y)), order)
        assert each is not None
        found.append((each.per_bead, each.u))
    per_bead, u = np.array(found).T

    assert np.median(per_bead) == pytest.approx(0.05, abs=0.005)
    covered = np.abs(per_bead - 0.05) < 2.31 * u  # t, 8 degrees of freedom, 95 %
    assert np.mean(covered) >= 0.88


def test_without_an_order_nothing_is_said() -> None:
    """A log without run order gives neither accusation nor drift."""
    unknown = np.full(SETTINGS.size, math.nan)
    found = trend(Points.of(SETTINGS, 1 + 0.02 * SETTINGS))

    assert not order_check(SETTINGS, unknown).confounded
    assert drift(found, unknown) is None
