"""How large, and how empty, a picture may be."""

from __future__ import annotations

import numpy as np

from weldsection.errors import PhotoError
from weldsection.records import ByteArray

# 120 MP: twice what the largest phone cameras give in use, and 360 MB decoded.
LARGEST_PX = 120_000_000
# 100 px: below that not even one bead could be told from its plate.
SMALLEST_SIDE_PX = 100
# An even picture: grey levels within this of black, of white, or of each other.
_EVEN_LEVELS = 8
_EVEN_SAMPLE_STEP_PX = 16
# One pixel in so many may be dust or dead, at either end.
_DUST_ONE_IN = 1000


def check_size(width_px: int, height_px: int, name: str) -> None:
    """Refuse a picture too small to hold a bead or too large to decode."""
    size = f"{width_px} x {height_px} pixels"
    if min(width_px, height_px) < SMALLEST_SIDE_PX:
        raise PhotoError(
            f"{name} is only {size}; a photo needs at least "
            f"{SMALLEST_SIDE_PX} on each side."
        )
    if width_px * height_px > LARGEST_PX:
        raise PhotoError(
            f"{name} is {size}; the limit is {LARGEST_PX // 1_000_000} megapixels, "
            "so save a smaller copy."
        )


def check_not_even(bgr: ByteArray, name: str) -> None:
    """Refuse a picture that shows nothing: all black, all white or one tone."""
    sample = bgr[::_EVEN_SAMPLE_STEP_PX, ::_EVEN_SAMPLE_STEP_PX].reshape(-1, 3)
    levels = np.sort(sample.max(axis=1))
    few = len(levels) // _DUST_ONE_IN
    darkest, brightest = levels[few], levels[-1 - few]
    if brightest < _EVEN_LEVELS:
        tone = "all black"
    elif darkest > 255 - _EVEN_LEVELS:
        tone = "all white"
    elif np.ptp(sample, axis=0).max() < _EVEN_LEVELS:
        tone = "one even tone"
    else:
        return
    raise PhotoError(f"{name} is {tone}; take the photo again with light on the face.")
