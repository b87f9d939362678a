"""What a point speaks for: from the zones, and never beyond doubt."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from zone_maps import Bead, Plate, coupon_of, parabola

from weldsection.boundary.evidence import CONVICTION, gather_evidence
from weldsection.records import Coupon
from weldsection.zones import FACE, Zone, log_odds


@pytest.fixture(scope="module")
def coupon() -> Coupon:
    """One bead on a plate."""
    return coupon_of(Plate((Bead.of(parabola, 15, 8, 2, 1),)))


def test_each_zone_is_spoken_for_where_it_lies(coupon: Coupon) -> None:
    """Weld metal at the crown, HAZ under it, plate far away."""
    evidence = gather_evidence(coupon)
    best = np.argmax([evidence.base, evidence.haz, evidence.weld], axis=0)

    def at(x_mm: float, y_mm: float) -> int:
        place = round(float(coupon.row_of(y_mm))), round(float(coupon.column_of(x_mm)))
        return int(best[place])

    assert at(15, -0.5) == at(15, 1.5) == 2
    assert at(15, 2.6) == 1
    assert at(15, 6.0) == at(3, 1.0) == 0


def test_no_single_point_is_beyond_doubt(coupon: Coupon) -> None:
    """However sure the zones are, a point says no more than the most allowed."""
    certain = np.full_like(coupon.zones, -60.0)
    certain[Zone.WELD] = 0.0
    evidence = gather_evidence(replace(coupon, zones=certain))

    assert evidence.weld.max() <= 0
    assert evidence.haz.min() >= -CONVICTION
    assert evidence.base.min() >= -CONVICTION


def test_what_is_no_metal_says_nothing_against_plate(coupon: Coupon) -> None:
    """Behind the plate the likelihood of base metal stays as high as it gets."""
    evidence = gather_evidence(coupon)
    behind = round(float(coupon.row_of(coupon.thickness_mm + 1)))

    assert evidence.base[behind].min() > -0.1
    assert evidence.weld[behind].max() < -2


def test_log_odds_are_those_of_the_chances() -> None:
    """0.2 + 0.3 + 0.4 of metal against 0.1 of background: ln 9."""
    zones = np.log(np.array([0.1, 0.2, 0.3, 0.4], np.float32))[:, None, None]

    assert log_odds(zones, FACE)[0, 0] == pytest.approx(np.log(9), rel=1e-5)
    assert log_odds(zones, (Zone.WELD,))[0, 0] == pytest.approx(np.log(2 / 3), rel=1e-5)
