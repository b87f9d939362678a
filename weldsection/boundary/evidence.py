"""How much each point of the face speaks for weld metal, HAZ and base metal."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from weldsection.records import Coupon, FloatArray
from weldsection.zones import Zone

CONVICTION = 4.0  # the most one point may say, in nats: no point is beyond doubt


@dataclass(frozen=True, slots=True)
class Evidence:
    """Log-likelihoods ``(rows, columns)`` on the coupon's grid, at most 0."""

    weld: FloatArray
    haz: FloatArray
    base: FloatArray


def gather_evidence(coupon: Coupon) -> Evidence:
    """Evidence from the zones; what is no metal says nothing against base."""
    zones = coupon.zones
    base = np.logaddexp(zones[Zone.BASE], zones[Zone.BACKGROUND])
    return Evidence(
        weld=np.maximum(zones[Zone.WELD], -CONVICTION),
        haz=np.maximum(zones[Zone.HAZ], -CONVICTION),
        base=np.maximum(base, -CONVICTION),
    )
