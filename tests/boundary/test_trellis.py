"""Two ordered boundaries found together: exact on small grids, sane on large ones."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from weldsection.boundary.trellis import (
    score_states,
    solve,
    step_kernel,
)
from weldsection.records import FloatArray

RAYS, STEPS, WIDTHS = 4, 5, 3


def small_chain(seed: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Give random scores and transitions of a chain small enough to enumerate."""
    rng = np.random.default_rng(seed)
    scores = rng.normal(0, 1.5, (RAYS, STEPS, WIDTHS))
    kernel = step_kernel(STEPS, scale=0.8, tail_share=0.1, tail_scale=3.0)
    width_kernel = rng.uniform(0.1, 1.0, (WIDTHS, WIDTHS))
    return scores, kernel, width_kernel


def every_path(
    scores: FloatArray, kernel: FloatArray, width_kernel: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Weigh every path there is: paths ``(N, RAYS, 2)`` and their probability."""
    states = list(itertools.product(range(STEPS), range(WIDTHS)))
    paths = np.array(list(itertools.product(states, repeat=RAYS)))
    weight = np.zeros(len(paths))
    for ray in range(RAYS):
        weight += scores[ray, paths[:, ray, 0], paths[:, ray, 1]]
    for ray in range(1, RAYS):
        before, after = paths[:, ray - 1], paths[:, ray]
        weight += np.log(kernel[before[:, 0], after[:, 0]])
        weight += np.log(width_kernel[before[:, 1], after[:, 1]])
    chance = np.exp(weight - weight.max())
    return paths, chance / chance.sum()


@pytest.mark.parametrize("seed", range(3))
def test_the_posterior_is_that_of_all_paths_weighed_one_by_one(seed: int) -> None:
    """Forward-backward gives what enumerating all 50 625 paths gives."""
    chain = small_chain(seed)
    paths, chance = every_path(*chain)
    found = solve(*chain)

    for ray in range(RAYS):
        fusion = np.bincount(paths[:, ray, 0], chance, STEPS)
        width = np.bincount(paths[:, ray, 1], chance, WIDTHS)
        np.testing.assert_allclose(found.fusion[ray], fusion, rtol=1e-5)
        np.testing.assert_allclose(found.width[ray], width, rtol=1e-5)


def test_where_one_path_stands_out_it_is_the_best_path() -> None:
    """With clear evidence the likeliest lines are the best single path of all."""
    scores, kernel, width_kernel = small_chain(5)
    sharp = 12 * scores
    paths, chance = every_path(sharp, kernel, width_kernel)

    found = solve(sharp, kernel, width_kernel)

    fusion, width = found.fusion.argmax(axis=1), found.width.argmax(axis=1)
    likeliest = np.column_stack([fusion, width])
    np.testing.assert_array_equal(likeliest, paths[chance.argmax()])


def test_the_posterior_is_that_of_a_library_for_hidden_markov_chains() -> None:
    """Ours is `CategoricalHMM.predict_proba` of hmmlearn 0.3 for the same chain."""
    hmm = pytest.importorskip("hmmlearn.hmm", reason="hmmlearn is not installed")
    scores, kernel, width_kernel = small_chain(11)
    # hmmlearn wants transitions that sum to one
    kernel = kernel / kernel.sum(axis=1, keepdims=True)
    width_kernel = width_kernel / width_kernel.sum(axis=1, keepdims=True)
    count = STEPS * WIDTHS
    seen = np.exp(scores.reshape(RAYS, count).T)
    seen /= 1.01 * seen.sum(axis=1).max()
    model = hmm.CategoricalHMM(n_components=count, init_params="", params="")
    model.startprob_ = np.full(count, 1 / count)
    model.transmat_ = np.kron(kernel, width_kernel)
    # a symbol for each ray, seen once, and one that is never seen
    model.emissionprob_ = np.column_stack([seen, 1 - seen.sum(axis=1)])
    model.n_features = RAYS + 1
    theirs = model.predict_proba(np.arange(RAYS)[:, None])

    ours = solve(scores, kernel, width_kernel)

    theirs = theirs.reshape(RAYS, STEPS, WIDTHS)
    np.testing.assert_allclose(ours.fusion, theirs.sum(axis=2), rtol=1e-5)
    np.testing.assert_allclose(ours.width, theirs.sum(axis=1), rtol=1e-5)


def test_scores_are_the_sums_one_would_add_by_hand() -> None:
    """One ray of three steps: weld before, HAZ for the width, base behind it."""
    weld = np.array([[1.0, 2.0, 4.0]])
    haz = np.array([[10.0, 20.0, 40.0]])
    base = np.array([[100.0, 200.0, 400.0]])

    scores = score_states(weld, haz, base, np.array([0, 1, 5]))

    by_hand = [
        [100 + 200 + 400, 10 + 200 + 400, 10 + 20 + 40],
        [1 + 200 + 400, 1 + 20 + 400, 1 + 20 + 40],
        [1 + 2 + 400, 1 + 2 + 40, 1 + 2 + 40],
    ]
    np.testing.assert_allclose(scores[0], by_hand)


def test_a_step_to_the_next_ray_is_as_likely_either_way_and_rarer_when_longer() -> None:
    """The kernel is symmetric, positive and falls with distance."""
    kernel = step_kernel(30, scale=2.0, tail_share=0.03, tail_scale=16.0)

    np.testing.assert_allclose(kernel, kernel.T)
    assert (np.diff(kernel[0]) < 0).all()
    assert kernel.min() > 0


def test_long_fans_with_strong_evidence_do_not_underflow() -> None:
    """Two hundred rays of scores in the thousands still sum to one."""
    rng = np.random.default_rng(3)
    scores = rng.normal(0, 1000, (200, 12, 4))
    kernel = step_kernel(12, scale=1.0, tail_share=0.05, tail_scale=6.0)

    found = solve(scores, kernel, step_kernel(4, scale=1, tail_share=0, tail_scale=1))

    np.testing.assert_allclose(found.fusion.sum(axis=1), 1, rtol=1e-5)
    assert np.isfinite(found.fusion).all()


def test_states_that_no_path_takes_do_not_slow_the_sum_or_change_it() -> None:
    """The posterior is the exact one though states are cut off at the least score."""
    scores, kernel, width_kernel = small_chain(4)
    scores[1:3, 3:] -= 90.0  # chances below 1e-38 without the least score
    paths, chance = every_path(scores, kernel, width_kernel)

    found = solve(scores, kernel, width_kernel)

    for ray in range(RAYS):
        fusion = np.bincount(paths[:, ray, 0], chance, STEPS)
        np.testing.assert_allclose(found.fusion[ray], fusion, rtol=1e-5, atol=1e-12)


def striped(rays: int, steps: int, fusion: int, haz: int) -> dict[str, FloatArray]:
    """A faint step from weld to HAZ, a strong one from HAZ to base."""
    at = np.arange(steps)
    zone = np.where(at < fusion, 0, np.where(at < haz, 1, 2))
    likeness = np.array([[0.0, -0.4, -4.0], [-0.4, 0.0, -4.0], [-4.0, -4.0, 0.0]])
    noise = np.random.default_rng(8).normal(0, 0.3, (3, rays, steps))
    fields = likeness[:, zone][:, None] + noise
    return dict(zip(("weld", "haz", "base"), fields, strict=True))


def test_a_sharp_haz_edge_is_not_taken_for_the_faint_fusion_line() -> None:
    """The inner boundary is found where two are, though the outer is far clearer."""
    fields = striped(40, 60, fusion=20, haz=44)
    widths = np.arange(0, 40, 2)
    scores = score_states(fields["weld"], fields["haz"], fields["base"], widths)
    kernel = step_kernel(60, scale=1.0, tail_share=0.03, tail_scale=16.0)
    width_kernel = step_kernel(len(widths), scale=0.7, tail_share=0.05, tail_scale=4.0)

    found = solve(scores, kernel, width_kernel)

    inner = found.fusion @ np.arange(60)
    outer = inner + found.width @ widths
    assert np.abs(inner - 20).max() < 4
    assert np.abs(np.median(inner) - 20) < 1
    assert np.abs(outer - 44).max() < 4


def test_without_evidence_the_posterior_stays_wide() -> None:
    """Where the picture says nothing the line is known no better than before."""
    scores = np.zeros((30, 40, 3))
    kernel = step_kernel(40, scale=1.0, tail_share=0.05, tail_scale=10.0)

    found = solve(scores, kernel, np.ones((3, 3)))

    at = np.arange(40)
    mean = found.fusion @ at
    spread = np.sqrt(found.fusion @ at**2 - mean**2)
    assert spread.min() > 5
