"""Two ordered boundaries on a fan of rays, with their whole posterior.

Along each ray the metal is weld, then heat-affected, then base. A state is the
pair (distance of the fusion line, width of the HAZ behind it), so the HAZ edge
can never be taken for the fusion line unless the evidence for a missing HAZ
outweighs it. Neighbouring rays are tied by a transition kernel, and the
forward-backward recursion over the rays gives the exact posterior of both.

References
----------
Rabiner, Proc. IEEE 77 (1989) 257: forward-backward on a hidden Markov chain.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from weldsection.records import FloatArray

# Nats below the best state of its ray. To leave that state for one ray and come
# back costs a path less, so nothing less likely is ever told apart; and chances
# stay above 1e-38, below which processors are a hundred times slower.
LEAST_SCORE = -55.0


@dataclass(frozen=True, slots=True)
class Posterior:
    """What the trellis knows of the fusion line and the HAZ edge on each ray."""

    fusion: FloatArray
    """``(rays, K)`` probability of the fusion line at each step of each ray."""
    width: FloatArray
    """``(rays, D)`` probability of each HAZ width."""


def step_kernel(
    count: int, *, scale: float, tail_share: float, tail_scale: float
) -> FloatArray:
    """How likely a line moves by so many steps to the next ray, ``(count, count)``.

    Mostly a double exponential of width `scale` steps; a small share with a
    wider one lets the steep walls of a finger through.
    """
    distance = np.abs(np.subtract.outer(np.arange(count), np.arange(count)))
    narrow = np.exp(-distance / scale) / (2 * scale)
    wide = np.exp(-distance / tail_scale) / (2 * tail_scale)
    return np.asarray((1 - tail_share) * narrow + tail_share * wide)


def score_states(
    weld: FloatArray, haz: FloatArray, base: FloatArray, widths: FloatArray
) -> FloatArray:
    """
    Log-likelihood of every pair of boundaries on every ray.

    Parameters
    ----------
    weld, haz, base
        ``(rays, K)`` log-likelihood of each zone at each step.
    widths
        ``(D,)`` HAZ widths in whole steps, first 0 for no visible HAZ.

    Returns
    -------
    scores
        ``(rays, K, D)``: weld before step k, HAZ for the width, base after it; in
        single precision, which is plenty for chances and twice as fast.
    """
    steps = weld.shape[1]
    inside, between, outside = (_running_sum(zone) for zone in (weld, haz, base))
    start = np.arange(steps)
    end = np.minimum(start[:, None] + widths[None, :].astype(int), steps)
    before = (inside - between)[:, :-1].astype(np.float32)
    behind = (between + outside[:, -1:] - outside).astype(np.float32)
    return np.asarray(before[:, :, None] + behind[:, end])


def _running_sum(steps: FloatArray) -> FloatArray:
    """Sums over the first 0, 1, 2 ... steps of each ray."""
    total = np.zeros((steps.shape[0], steps.shape[1] + 1))
    np.cumsum(steps, axis=1, out=total[:, 1:])
    return total


def solve(
    scores: FloatArray, kernel: FloatArray, width_kernel: FloatArray
) -> Posterior:
    """
    Forward-backward over the rays.

    Parameters
    ----------
    scores
        ``(rays, K, D)`` log-likelihood of each state, priors included.
    kernel, width_kernel
        ``(K, K)`` and ``(D, D)`` transition weights to the next ray.

    Returns
    -------
    Posterior
        Exact for this chain; each ray's probabilities sum to one.
    """
    rays = len(scores)
    likelihood = np.exp(_below_best(scores)).astype(np.float32)
    kernel = kernel.astype(np.float32)
    width_kernel = width_kernel.astype(np.float32)
    past = np.ones_like(likelihood)
    backward = np.empty_like(likelihood)
    forward = _unit(likelihood[0])
    for ray in range(1, rays):
        past[ray] = kernel.T @ (forward @ width_kernel)
        forward = _unit(past[ray] * likelihood[ray])
    # `backward` holds the likelihood of its own ray too
    backward[-1] = likelihood[-1]
    for ray in range(rays - 2, -1, -1):
        ahead = kernel @ (backward[ray + 1] @ width_kernel.T)
        backward[ray] = _unit(ahead * likelihood[ray])
    joint = past * backward
    joint /= joint.sum(axis=(1, 2), keepdims=True)
    return Posterior(
        fusion=joint.sum(axis=2),
        width=joint.sum(axis=1),
    )


def _below_best(scores: FloatArray) -> FloatArray:
    """Scores of each ray less its best one."""
    below = scores - scores.max(axis=(1, 2), keepdims=True)
    return np.asarray(np.maximum(below, LEAST_SCORE, out=below))


def _unit(weights: FloatArray) -> FloatArray:
    """Scale weights to one, so that long fans do not underflow."""
    return np.asarray(weights / weights.sum())
