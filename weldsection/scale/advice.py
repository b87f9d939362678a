"""How a better photo would help: one sentence for the largest source of doubt."""

from __future__ import annotations

import math

from weldsection.records import ScaleSource

# below half a per cent the scale is not what limits a measurement
_GOOD_ENOUGH = 0.005

_SENTENCES = {
    "graduation": "Move closer, or lay a longer reference beside the coupon: reading "
    "its edges is the weakest part of the scale.",
    "reference tolerance": "Use a steel rule: the reference's own tolerance is the "
    "weakest part of the scale.",
    "plane": "Prop the reference up level with the etched face, step back and zoom in: "
    "its height is the weakest part of the scale.",
    "tilt": "Hold the camera square to the face, or add a card or rule: the tilt is "
    "the weakest part of the scale.",
    "lens": "Keep coupon and reference near the middle of the picture, or make a "
    "camera file: the lens is the weakest part of the scale.",
    "caliper": "Measure the plate with a caliper at several places, or add a rule: its "
    "thickness is the weakest part of the scale.",
}


def advice_on(sources: tuple[ScaleSource, ...]) -> str:
    """Advice on the largest of some sources at their centre; empty if none is large.

    Examples
    --------
    >>> advice_on((ScaleSource.constant("tilt", 0.02),))[:27]
    'Hold the camera square to t'
    >>> advice_on((ScaleSource.constant("tilt", 0.001),))
    ''
    """
    doubts = {source.name: math.sqrt(source.covariance[0, 0]) for source in sources}
    if math.hypot(*doubts.values()) < _GOOD_ENOUGH:
        return ""
    return _SENTENCES[max(doubts, key=lambda name: doubts[name])]
