"""Settings at which all wishes hold, and how surely."""

from __future__ import annotations

import numpy as np
import pytest

from weldsection.errors import UsageError
from weldsection.study.points import Points, SharedScale
from weldsection.study.terms import term
from weldsection.study.trend import Trend, trend
from weldsection.study.window import Wish, window


def rising(spread: float = 0.1, *, scale_u: float = 0.0, seed: int = 2) -> Trend:
    """Penetration from 1 to 3 mm over 120 to 220 A, two beads a setting."""
    rng = np.random.default_rng(seed)
    x = np.repeat(np.arange(120.0, 221.0, 10), 2)
    y = 1 + 0.02 * (x - 120) + spread * rng.standard_normal(x.size)
    scale = SharedScale.one_photo(np.full(x.size, scale_u)) if scale_u else None
    return trend(Points.of(x, y, 0.0, scale=scale))


@pytest.mark.parametrize(
    ("text", "quantity", "at_least", "limit"),
    [
        ("penetration>=1.5", "penetration", True, 1.5),
        ("toe_angle >= 110", "toe_angle", True, 110),
        ("dilution<=30", "dilution", False, 30),
        ("toe angle≤ 150", "toe_angle", False, 150),
        ("penetration_mm>=1.5", "penetration", True, 1.5),
    ],
)
def test_wishes_are_read(
    text: str, quantity: str, at_least: bool, limit: float
) -> None:
    """As people write them."""
    assert Wish.parse(text) == Wish(term(quantity), at_least, limit)


@pytest.mark.parametrize(
    "text", ["penetration", "penetration=2", ">=2", "depthness>=2", ""]
)
def test_what_is_no_wish_is_refused(text: str) -> None:
    """With a word on how to write one."""
    with pytest.raises(UsageError):
        Wish.parse(text)


def test_the_window_lies_where_both_wishes_hold() -> None:
    """At least 1.5 mm and at most 2.5 mm: from 150 or 160 A to 180 or 190 A."""
    both = (Wish.parse("penetration>=1.5"), Wish.parse("penetration<=2.5"))
    found = window(both, (rising(), rising()), 0.9)

    inside = [c.setting for c in found.inside]
    assert inside[0] in (150, 160)
    assert inside[-1] in (180, 190)
    assert found.chances[0].all_wishes < 0.01
    trouble = found.nearest_trouble
    assert trouble is not None
    assert trouble.setting in (inside[0], inside[-1])


def test_no_setting_good_enough_is_said() -> None:
    """Wishes that exclude each other leave no window."""
    both = (Wish.parse("penetration>=2.5"), Wish.parse("penetration<=1.5"))
    found = window(both, (rising(), rising()), 0.9)

    assert not found.inside
    assert found.nearest_trouble is None


def test_the_chance_is_what_further_beads_show() -> None:
    """Over 150 ladders the chance claimed for the next bead is the share that holds."""
    rng = np.random.default_rng(30)
    wish = (Wish.parse("penetration>=2.0"),)
    claimed, held = [], []
    for seed in range(150):
        chances = window(wish, (rising(0.15, seed=seed),), 0.9).chances
        for chance in chances:
            claimed.append(chance.all_wishes)
            bead = 1 + 0.02 * (chance.setting - 120) + 0.15 * rng.standard_normal()
            held.append(bead >= 2.0)
    claimed_, held_ = np.array(claimed), np.array(held)

    for low, high in ((0.05, 0.35), (0.35, 0.65), (0.65, 0.95)):
        mine = (claimed_ > low) & (claimed_ < high)
        assert held_[mine].mean() == pytest.approx(claimed_[mine].mean(), abs=0.1)


def test_an_unsure_scale_makes_every_limit_less_sure() -> None:
    """The scale does not cancel when a value is held against a limit."""
    wish = (Wish.parse("penetration>=2.0"),)
    sure = window(wish, (rising(),), 0.9).chances[-1].all_wishes
    unsure = window(wish, (rising(scale_u=0.2),), 0.9).chances[-1].all_wishes

    assert unsure < sure
