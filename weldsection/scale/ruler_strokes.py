"""How wide the ticks of a rule are drawn, and what that says of their distance.

Ticks of shop rules are some tenths of a millimetre wide, whether a millimetre or a
tenth of an inch apart. Blur makes them wider in the picture, never narrower.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

from weldsection.records import ByteArray, FloatArray
from weldsection.scale.ruler_ticks import TickRow

# width of ticks in mm and of the blur in px of the search copy, with their spread as
# logarithms; no tick is wider than a share of the step (common practice, no source)
_WIDTH_MM, _WIDTH_LOG_SD, _WIDEST_STEPS = 0.2, 0.35, 0.5
_BLUR_PX, _BLUR_LOG_SD = 2.0, 0.3
# a width is read to so much, and three in a thousand rules are drawn in another way
_READ_LOG_SD, _ODD = 0.1, 0.003
# where along the shortest ticks their width is read, as shares of their length
_DEPTHS = (0.3, 0.45, 0.6)


@dataclass(frozen=True, slots=True)
class Stroke:
    """Width of the ticks along one edge as the search copy shows it."""

    width_px: float
    """Blur included; NaN where it cannot be read."""
    pitch_px: float

    def likelihood(self, step_mm: float) -> float:
        """How likely such a width is for ticks so far apart, as a logarithm."""
        if not math.isfinite(self.width_px):
            return 0.0
        spread = np.linspace(-2.5, 2.5, 21)
        share = np.exp(-0.5 * spread**2)
        drawn_mm = _WIDTH_MM * np.exp(_WIDTH_LOG_SD * spread)
        drawn_px = np.minimum(drawn_mm / step_mm, _WIDEST_STEPS) * self.pitch_px
        blur_px = _BLUR_PX * np.exp(_BLUR_LOG_SD * spread)
        seen_px = np.hypot(drawn_px[:, None], blur_px)
        off = np.log(self.width_px / seen_px) / _READ_LOG_SD
        near = float(share @ np.exp(-0.5 * off**2) @ share) / float(share.sum()) ** 2
        return math.log(near + _ODD)


def stroke_of(grey: ByteArray, row: TickRow) -> Stroke:
    """Read the width of the ticks: darkness summed across one over its depth."""
    pitch = row.lattice.pitch_px
    numbers = row.numbers[np.isfinite(row.base_v)]
    base = float(np.nanmedian(row.base_v))
    short = float(np.nanpercentile(row.tip_v, 20)) - base
    across = np.linspace(-0.5, 0.5, 2 * math.ceil(2 * pitch) + 1)
    own = row.lattice.pitch_at(numbers)[:, None]
    profiles = []
    for share in _DEPTHS:
        at = row.tick_xy(numbers, np.full(len(numbers), base + share * short))
        places = at[:, None] + (across * own)[..., None] * row.edge.along
        profiles.append(row.polarity * _sampled(grey, places))
    profile = np.concatenate(profiles)
    quarter = len(across) // 4
    sides = profile[:, :quarter].mean(axis=1), profile[:, -quarter:].mean(axis=1)
    depth = np.median(np.minimum(*sides)[:, None] - profile, axis=0)
    inner = np.clip(depth[quarter:-quarter], 0.0, None)
    if inner.max() < 1.0:
        return Stroke(math.nan, pitch)
    width_steps = float(inner.sum() / inner.max()) * (across[1] - across[0])
    return Stroke(width_steps * pitch, pitch)


def _sampled(grey: ByteArray, xy: FloatArray) -> FloatArray:
    """Grey levels between pixels, ``(..., 2)`` to ``(...)``."""
    x, y = (np.ascontiguousarray(xy[..., k], dtype=np.float32) for k in (0, 1))
    sampled = cv2.remap(grey, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(sampled, dtype=np.float64)
