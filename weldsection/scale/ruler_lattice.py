"""Evenly spaced marks along a line, seen in perspective.

Mark k stands at ``u = (a k + b) / (c k + 1)``: equal steps on a rule, drawn
together towards the side where the rule runs away from the camera.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from weldsection.records import FloatArray

# neighbouring gaps on a rule differ by far less than this share; noise does not
_GAP_SHARE = 0.2
# a mark belongs to the lattice within this share of a step
_NEAR_SHARE = 0.18
_SHORTEST_RUN = 5
# grey levels that a mark must stand out by
_LEAST_PROMINENCE = 2.0
# a stretch continues while this share of its expected marks is there
_FILLED = 0.6


@dataclass(frozen=True, slots=True)
class Lattice:
    """Marks numbered along a line and the perspective that spaces them."""

    numbers: FloatArray
    u_px: FloatArray
    coefficients: FloatArray
    """(a, b, c)."""

    @property
    def pitch_px(self) -> float:
        """Step at the middle of the marks."""
        middle = float(np.median(self.numbers))
        at = self.at(np.array([middle - 0.5, middle + 0.5]))
        return float(abs(at[1] - at[0]))

    @property
    def rms_px(self) -> float:
        """Scatter of the marks about the lattice."""
        return float(np.sqrt(np.mean((self.at(self.numbers) - self.u_px) ** 2)))

    @property
    def filled(self) -> float:
        """Share of the marks between the first and the last that were seen."""
        return len(self.numbers) / (float(np.ptp(self.numbers)) + 1)

    def at(self, numbers: FloatArray) -> FloatArray:
        """Positions of marks by their numbers, in px."""
        a, b, c = self.coefficients
        return np.asarray((a * numbers + b) / (c * numbers + 1), dtype=np.float64)

    def holds(self, run: FloatArray) -> bool:
        """Whether a run of peaks is a stretch of this very lattice."""
        inside = self.u_px[0] <= run[len(run) // 2] <= self.u_px[-1]
        pitch = float(run[-1] - run[0]) / (len(run) - 1)
        return bool(inside and abs(pitch / self.pitch_px - 1) < 0.1)

    def shifted(self, u_px: float) -> Lattice:
        """The same marks counted from a zero so many px further left."""
        a, b, c = self.coefficients
        coefficients = np.array([a + u_px * c, b + u_px, c])
        return Lattice(self.numbers, self.u_px + u_px, coefficients)

    def pitch_at(self, numbers: FloatArray) -> FloatArray:
        """Step in px at marks."""
        a, b, c = self.coefficients
        step = (a - b * c) / (c * numbers + 1) ** 2
        return np.asarray(np.abs(step), dtype=np.float64)


def best_lattice(profile: FloatArray) -> Lattice | None:
    """Find the longest row of evenly spaced peaks in a profile.

    Peaks are tried down to three depths, so that neither grain nor a few very
    strong strokes decide.
    """
    peaks, prominence = _peaks(profile)
    if len(peaks) <= _SHORTEST_RUN:
        return None
    strong = float(np.percentile(prominence, 90))
    best: Lattice | None = None
    for share in (0.2, 0.4, 0.6):
        chosen = peaks[prominence > share * strong]
        for run in _runs(chosen):
            if best is not None and best.holds(run):
                continue
            lattice = _followed(_started(run), chosen)
            if lattice is not None and merit(lattice) > merit(best):
                best = lattice
    return best


def longer_lattice(lattice: Lattice, profile: FloatArray) -> Lattice | None:
    """Follow a lattice through a longer profile that holds its stretch."""
    peaks, prominence = _peaks(profile)
    if len(peaks) <= _SHORTEST_RUN:
        return None
    own = prominence[_nearest(peaks, lattice.u_px)]
    chosen = peaks[prominence > 0.35 * float(np.median(own))]
    return _followed(lattice, chosen) if len(chosen) > _SHORTEST_RUN else None


def merit(lattice: Lattice | None) -> float:
    """Marks seen less twice the marks missed."""
    if lattice is None:
        return 0.0
    seen = len(lattice.numbers)
    missed = float(np.ptp(lattice.numbers)) + 1 - seen
    return seen - 2 * missed


def _peaks(profile: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Peaks to a fraction of a sample, and by how much they stand out."""
    inner = profile[1:-1]
    at = 1 + np.flatnonzero((inner > profile[:-2]) & (inner >= profile[2:]))
    height = prominences(profile, at)
    at, height = at[height >= _LEAST_PROMINENCE], height[height >= _LEAST_PROMINENCE]
    left, middle, right = profile[at - 1], profile[at], profile[at + 1]
    bend = left - 2 * middle + right
    shift = np.where(bend < 0, 0.5 * (left - right) / np.minimum(bend, -1e-9), 0.0)
    return np.asarray(at + shift, dtype=np.float64), height


def prominences(profile: FloatArray, at: npt.NDArray[np.intp]) -> FloatArray:
    """
    How far one must come down from each peak before reaching a higher one.

    The definition of `scipy.signal.peak_prominences`, whose import alone takes
    longer than everything else that is done with a photo.
    """
    if not len(at):
        return np.zeros(0)
    valleys = np.minimum.reduceat(profile, np.concatenate([[0], at]))
    heights = profile[at].tolist()
    left = _bases(heights, valleys[:-1].tolist())
    right = _bases(heights[::-1], valleys[:0:-1].tolist())[::-1]
    return np.asarray(profile[at] - np.maximum(left, right), dtype=np.float64)


def _bases(heights: list[float], valleys: list[float]) -> list[float]:
    """Lowest point on one side of each peak up to the next higher peak."""
    higher: list[tuple[float, float]] = []
    bases = []
    for height, valley in zip(heights, valleys, strict=True):
        base = valley
        while higher and higher[-1][0] <= height:
            base = min(base, higher.pop()[1])
        bases.append(base)
        higher.append((height, base))
    return bases


def _runs(peaks: FloatArray, count: int = 3) -> list[FloatArray]:
    """The longest runs of peaks whose gaps are alike."""
    gaps = np.diff(peaks)
    if len(gaps) < _SHORTEST_RUN:
        return []
    alike = np.abs(np.diff(gaps)) < _GAP_SHARE * np.minimum(gaps[1:], gaps[:-1])
    edges = np.flatnonzero(np.diff(np.concatenate([[0], alike.astype(int), [0]])))
    starts, ends = edges[::2], edges[1::2]
    order = np.argsort(starts - ends)[:count]
    return [
        peaks[starts[i] : ends[i] + 2]
        for i in order
        if ends[i] - starts[i] + 2 > _SHORTEST_RUN
    ]


def _started(run: FloatArray) -> Lattice:
    """Number the peaks of a run."""
    if len(run) > 24:
        # a long run may hide one false step: start from its middle
        run = run[len(run) // 2 - 8 : len(run) // 2 + 8]
    numbers = np.arange(len(run), dtype=np.float64)
    return Lattice(numbers, run, fit_lattice(numbers, run))


def _followed(lattice: Lattice, peaks: FloatArray) -> Lattice | None:
    """Follow a lattice to both sides until no more peaks fit."""
    for turn in range(20):
        grown = _extended(lattice, peaks)
        if grown is None:
            return None
        if turn > 1 and len(grown.numbers) <= len(lattice.numbers):
            marks = grown.numbers, grown.u_px
            return Lattice(*marks, fit_lattice(*marks, rounds=4))
        lattice = grown
    return lattice


def _nearest(peaks: FloatArray, wanted: FloatArray) -> FloatArray:
    """Index of the peak nearest to each wanted place."""
    after = np.clip(np.searchsorted(peaks, wanted), 1, len(peaks) - 1)
    closer = wanted - peaks[after - 1] < peaks[after] - wanted
    return np.asarray(after - closer.astype(np.int64))


def _extended(lattice: Lattice, peaks: FloatArray) -> Lattice | None:
    """Take in the peaks that fit, a quarter of the length further on each side."""
    first, last = lattice.numbers[0], lattice.numbers[-1]
    reach = max(3.0, np.floor(0.25 * (last - first)))
    numbers = np.arange(first - reach, last + reach + 1)
    wanted = lattice.at(numbers)
    if not np.all(np.diff(wanted) > 0):
        # a pole of the perspective within reach: no such rule
        return None
    nearest = _nearest(peaks, wanted)
    near = np.maximum(_NEAR_SHARE * lattice.pitch_at(numbers), 0.7)
    hit = _continuous(np.abs(peaks[nearest] - wanted) < near)
    if np.count_nonzero(hit) < _SHORTEST_RUN:
        return None
    numbers, u = numbers[hit], peaks[nearest[hit]]
    return Lattice(numbers, u, fit_lattice(numbers, u))


def _continuous(hit: FloatArray) -> FloatArray:
    """Drop what lies beyond a stretch with too many marks missing."""
    kernel = np.ones(7) / 7
    share = np.convolve(hit.astype(float), kernel, mode="same")
    share[:3] = share[3] if len(share) > 6 else share[:3]
    share[-3:] = share[-4] if len(share) > 6 else share[-3:]
    good = share >= _FILLED
    middle = len(hit) // 2
    bad_before = np.flatnonzero(~good[:middle])
    bad_after = np.flatnonzero(~good[middle:])
    kept = hit.copy()
    if len(bad_before):
        kept[: bad_before[-1] + 1] = False
    if len(bad_after):
        kept[middle + bad_after[0] :] = False
    return kept


def fit_lattice(numbers: FloatArray, u_px: FloatArray, rounds: int = 1) -> FloatArray:
    """Fit (a, b, c) to marks; further rounds leave outliers out.

    c stays 0 under eight marks.
    """
    middle = float(numbers.mean())
    half = max(float(np.ptp(numbers)) / 2, 1.0)
    origin, size = float(u_px[0]), max(float(np.ptp(u_px)), 1.0)
    t, y = (numbers - middle) / half, (u_px - origin) / size
    design = np.stack([t, np.ones_like(t), -t * y], axis=1)
    if len(u_px) < 8:
        design = design[:, :2]
    weight = np.ones_like(y)
    p = q = r = 0.0
    for turn in range(rounds):
        weighted = design * weight[:, None]
        solved = np.linalg.solve(weighted.T @ design, weighted.T @ y)
        p, q, r = (*solved, 0.0)[:3]
        if turn + 1 < rounds:
            residual = (p * t + q) / (r * t + 1) - y
            spread = max(1.4826 * float(np.median(np.abs(residual))), 0.05 / size)
            weight = np.clip(1 - (residual / (4.685 * spread)) ** 2, 0, None) ** 2
    # back from t and y to k and u, with 1 as the constant below
    p, q = p * size + origin * r, q * size + origin
    scale = half - r * middle
    return np.array([p, q * half - p * middle, r]) / scale
