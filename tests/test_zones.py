"""The zones: chances that add up, whatever number of threads works them out."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import cv2
import numpy as np
import pytest
from conftest import ROOT
from scipy.special import logit

from weldsection.records import ByteArray
from weldsection.zones import FACE, Zone, log_odds, strip_zones, view_zones


@pytest.fixture(scope="module")
def picture() -> ByteArray:
    """Part of a drawn photo, 230 rows by 610 columns, no multiples of 32."""
    photo = cv2.imread(str(ROOT / "sample_images" / "phone-card.jpg"))
    return np.ascontiguousarray(photo[1000:1230, 600:1210])


@pytest.fixture
def threads() -> Iterator[None]:
    """Put the number of OpenCV's threads back."""
    before = cv2.getNumThreads()
    yield
    cv2.setNumThreads(before)


def test_the_chances_of_each_point_add_up_to_one(picture: ByteArray) -> None:
    """Log-probabilities of four zones, floored at one in a million."""
    zones = strip_zones(picture)

    assert zones.shape == (4, *picture.shape[:2])
    assert zones.dtype == np.float32
    np.testing.assert_allclose(np.exp(zones).sum(axis=0), 1, atol=1e-5)
    assert zones.min() >= np.log(0.99e-6)


@pytest.mark.parametrize("wanted", [FACE, (Zone.WELD,)])
def test_odds_are_those_of_the_chances(
    picture: ByteArray, wanted: tuple[Zone, ...]
) -> None:
    """`scipy.special.logit` of the chance of the zones wanted."""
    zones = strip_zones(picture)
    before = zones.copy()
    chance = np.exp(zones.astype(float))[list(wanted)].sum(axis=0)
    near_certain = (chance < 1e-5) | (chance > 1 - 1e-3)  # cut off, or rounded

    odds = log_odds(zones, wanted)

    theirs = logit(chance[~near_certain])
    np.testing.assert_allclose(odds[~near_certain], theirs, atol=1e-2)
    np.testing.assert_array_equal(zones, before)


@pytest.mark.parametrize("find", [view_zones, strip_zones])
@pytest.mark.parametrize("count", [2, 3, 7])
@pytest.mark.usefixtures("threads")
def test_the_number_of_threads_changes_no_digit(
    picture: ByteArray, find: Callable[[ByteArray], ByteArray], count: int
) -> None:
    """A worker has one thread, a photo alone all of them: the same numbers."""
    cv2.setNumThreads(1)
    alone = find(picture)
    cv2.setNumThreads(count)

    np.testing.assert_array_equal(find(picture), alone)
