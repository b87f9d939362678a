"""A close look along a line: the photo unrolled along where a first look put it.

Rows of a band run across the line from inside the weld outwards, columns along
it. For every pair of columns a network gives the chance of each place at which
the fusion line, or the weld face, may cross, and of its lying outside the band.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from weldsection.boundary.closeup import chances, sample_photo
from weldsection.curves import evenly, unit_normals
from weldsection.networks import MULTIPLE, run_network, unfolded
from weldsection.records import ByteArray, Coupon, FloatArray, Photo

# the networks `line` and `cap` were trained on bands of this step, see sample_images
ROWS, ACROSS_MM, ALONG_MM = 96, 1 / 32, 0.05
PAIR_MM = 2 * ALONG_MM  # the network answers for pairs of columns
TURN_MM = 0.3  # normals follow the line's course over this length


@dataclass(frozen=True, slots=True)
class Crossing:
    """Where a line crosses the normals of the one that a first look found."""

    base_xy_mm: FloatArray
    """``(N, 2)`` points of the first line."""
    normal: FloatArray
    """``(N, 2)`` unit vectors out of the weld."""
    chance: FloatArray
    """``(N, ROWS)`` of the crossing at each place, given that it is in the band."""
    beyond: FloatArray
    """``(N,)`` chance that the line lies outside the band."""
    base_moved_mm: FloatArray
    """``(N,)`` how far the first line had been moved before it was unrolled."""

    @property
    def offsets_mm(self) -> FloatArray:
        """``(ROWS,)`` how far outwards each place lies from the first line."""
        return ACROSS_MM * (np.arange(ROWS) - (ROWS - 1) / 2)

    def points_at(self, offset_mm: FloatArray) -> FloatArray:
        """Points at an offset on each normal, ``(..., N, 2)``."""
        return np.asarray(self.base_xy_mm + offset_mm[..., None] * self.normal)

    def quantiles_mm(self, share: FloatArray) -> FloatArray:
        """Offsets that the line stays below with these chances, ``(..., N)``."""
        total = np.concatenate(
            [np.zeros((len(self.chance), 1)), np.cumsum(self.chance, axis=1)], axis=1
        )
        edges = ACROSS_MM * (np.arange(ROWS + 1) - ROWS / 2)
        columns = [np.interp(share[..., n], total[n], edges) for n in range(len(total))]
        return np.stack(columns, axis=-1)

    def spread_mm(self) -> FloatArray:
        """Standard deviation of the crossing on each normal, ``(N,)``."""
        mean = self.chance @ self.offsets_mm
        variance = self.chance @ self.offsets_mm**2 - mean**2
        return np.asarray(np.sqrt(np.maximum(variance, 0.0)))


def look_along(
    photo: Photo, coupon: Coupon, lines_xy_mm: list[FloatArray], network: str
) -> list[Crossing]:
    """
    Unroll the photo along every line and find where it really lies.

    Parameters
    ----------
    photo, coupon
        The photo, and where the face lies on it.
    lines_xy_mm
        ``(N, 2)`` each; the weld lies to the left of who walks along it.
    network
        `line` for fusion lines, `cap` for weld faces.
    """
    bases = [evenly(line, ALONG_MM) for line in lines_xy_mm]
    turned = [normals(base) for base in bases]
    longest = max(len(base) for base in bases)
    width = longest + -longest % MULTIPLE
    bands = np.zeros((len(bases), ROWS, width, 3), np.uint8)
    for band, base, normal in zip(bands, bases, turned, strict=True):
        band[:, : len(base)] = _unrolled(photo, coupon, base, normal)
    scores = _scores(run_network(network, bands))
    return [
        _crossing(base, normal, score)
        for base, normal, score in zip(bases, turned, scores, strict=True)
    ]


def _scores(folded: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    """
    Scores ``(n, ROWS + 1, pairs)`` as the network gives them folded.

    It answers for blocks of two rows and two pairs: four channels of the line's
    crossing there, and one for each pair of its lying outside, on average.
    """
    rows = unfolded(folded[:, :4], 2)[:, 0]
    beyond = folded[:, 4:].mean(axis=2).transpose(0, 2, 1).reshape(len(rows), 1, -1)
    return np.concatenate([rows, beyond], axis=1)


def normals(line_xy_mm: FloatArray) -> FloatArray:
    """Unit normals to the right of the way, y down, of points `ALONG_MM` apart."""
    return unit_normals(softened(line_xy_mm, TURN_MM / ALONG_MM))


def softened(values: FloatArray, points: float) -> FloatArray:
    """Smooth values ``(N, k)`` at evenly spaced points over some of them."""
    sigma = max(points, 0.3)
    flat = np.ascontiguousarray(values.T)
    soft = cv2.GaussianBlur(
        flat, (0, 0), sigmaX=sigma, sigmaY=1e-6, borderType=cv2.BORDER_REPLICATE
    )
    return np.asarray(soft.reshape(flat.shape).T)


def _unrolled(
    photo: Photo, coupon: Coupon, base: FloatArray, normal: FloatArray
) -> ByteArray:
    rows = ACROSS_MM * (np.arange(ROWS) - (ROWS - 1) / 2)
    points = base[None] + rows[:, None, None] * normal[None]
    return sample_photo(photo, coupon.mm_to_px, points)


def _crossing(base: FloatArray, normal: FloatArray, scores: FloatArray) -> Crossing:
    """Chances on the normals in the middle of each pair of columns."""
    count = len(base) // 2
    chance = chances(scores[:, :count], (0,)).T
    inside = np.maximum(chance[:, :ROWS].sum(axis=1), 1e-6)
    return Crossing(
        base_xy_mm=(base[0 : 2 * count : 2] + base[1 : 2 * count : 2]) / 2,
        normal=normal[0 : 2 * count : 2],
        chance=chance[:, :ROWS] / inside[:, None],
        beyond=chance[:, ROWS],
        base_moved_mm=np.zeros(count),
    )
