"""Smaller copies of pictures."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
import skimage.data

from weldsection.shrink import shrunk


@pytest.mark.parametrize("size", [(200, 150), (160, 120), (63, 47), (512, 300)])
def test_a_small_copy_shows_what_opencv_s_shows(size: tuple[int, int]) -> None:
    """By halves or at once, a camera's picture: in the same place and as bright."""
    grey = cv2.cvtColor(skimage.data.astronaut(), cv2.COLOR_RGB2GRAY)

    ours = shrunk(grey, size).astype(float)

    theirs = cv2.resize(grey, size, interpolation=cv2.INTER_AREA).astype(float)
    assert ours.shape == (size[1], size[0])
    assert ours.mean() == pytest.approx(theirs.mean(), abs=0.5)
    assert np.hypot(*cv2.phaseCorrelate(ours, theirs)[0]) < 0.05
    assert np.corrcoef(ours.ravel(), theirs.ravel())[0, 1] > 0.985


def test_a_step_stays_where_it_is() -> None:
    """Means do not move an edge: its place to a twentieth of a pixel."""
    picture = np.zeros((96, 128), np.uint8)
    picture[:, 50:] = 200
    small = shrunk(picture, (20, 15)).astype(float)

    assert 20 - small[7].sum() / 200 == pytest.approx(50 * 20 / 128, abs=0.05)
