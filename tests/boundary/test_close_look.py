"""The second look: bands along a line, their chances, and what is drawn from them."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from weldsection.boundary import closer
from weldsection.boundary.band import (
    ACROSS_MM,
    ALONG_MM,
    ROWS,
    Crossing,
    normals,
)
from weldsection.boundary.closeup import chances, sample_photo
from weldsection.curves import evenly
from weldsection.flags import Flag
from weldsection.records import FloatArray, Photo, PhotoOrigin

PX_PER_MM = 25.0
MM_TO_PX = np.array([[PX_PER_MM, 0, 100.0], [0, PX_PER_MM, 80.0], [0, 0, 1.0]])


def photo_of(grey: FloatArray) -> Photo:
    """Wrap a grey picture as a photo."""
    bgr = np.repeat(np.clip(grey, 0, 255).astype(np.uint8)[..., None], 3, axis=2)
    rows, columns = grey.shape
    return Photo(bgr, PhotoOrigin(Path("plate.jpg"), "", columns, rows))


def crossing_of(centre_mm: FloatArray, sigma_mm: FloatArray) -> Crossing:
    """Give a crossing whose chances are normal distributions about known places."""
    count = len(centre_mm)
    base = np.column_stack([np.arange(count) * 2 * ALONG_MM, np.zeros(count)])
    rows = ACROSS_MM * (np.arange(ROWS) - (ROWS - 1) / 2)
    weight = np.exp(-0.5 * ((rows - centre_mm[:, None]) / sigma_mm[:, None]) ** 2)
    return Crossing(
        base_xy_mm=base,
        normal=np.tile([0.0, 1.0], (count, 1)),
        chance=weight / weight.sum(axis=1, keepdims=True),
        beyond=np.zeros(count),
        base_moved_mm=np.zeros(count),
    )


@pytest.mark.parametrize("turn_deg", [0, 30, -75])
def test_normals_point_out_of_the_weld(turn_deg: float) -> None:
    """Left to right along the line, its outside is to the right, y down."""
    turn = math.radians(turn_deg)
    line = np.outer(np.arange(60) * ALONG_MM, [math.cos(turn), math.sin(turn)])

    assert normals(line)[30] == pytest.approx([-math.sin(turn), math.cos(turn)])


def test_even_points_keep_length_and_course() -> None:
    """A quarter circle of radius 3 has points a step apart, all on it."""
    turn = np.linspace(0, math.pi / 2, 17) ** 1.3
    line = evenly(3 * np.column_stack([np.cos(turn), np.sin(turn)]), 0.05)

    steps = np.hypot(*np.diff(line, axis=0).T)
    assert steps == pytest.approx(np.full(len(steps), 0.05), rel=0.01)
    assert np.hypot(*line.T) == pytest.approx(np.full(len(line), 3.0), abs=0.03)


def test_the_photo_is_sampled_where_it_was_asked_for() -> None:
    """A ramp of grey across the photo is read back at each point of the face."""
    grey = np.broadcast_to(np.arange(400, dtype=float) / 2, (300, 400))
    x, y = np.meshgrid(np.linspace(0, 8, 30), np.linspace(0, 5, 20))
    points = np.dstack([x, y])

    seen = sample_photo(photo_of(grey), MM_TO_PX, points)

    assert seen[..., 0] == pytest.approx((x * PX_PER_MM + 100) / 2, abs=1.1)


def test_beyond_the_picture_it_is_black() -> None:
    """Points outside the photo do not borrow its edge."""
    points = np.dstack(np.meshgrid(np.linspace(-9, -5, 9), np.linspace(0, 2, 9)))

    assert not sample_photo(
        photo_of(np.full((300, 400), 200.0)), MM_TO_PX, points
    ).any()


def test_fine_detail_is_averaged_and_not_picked() -> None:
    """Stripes finer than the close-up's step become their mean grey."""
    grey = np.full((300, 400), 90.0)
    grey[:, ::2] = 160
    points = np.dstack(np.meshgrid(np.linspace(0, 8, 26), np.linspace(0, 5, 17)))

    seen = sample_photo(photo_of(grey), MM_TO_PX, points)[2:-2, 2:-2, 0].astype(float)

    assert seen == pytest.approx(np.full(seen.shape, 125.0), abs=6)


def test_chances_sum_to_one_and_survive_large_scores() -> None:
    """Softmax over the wanted axes, without overflow."""
    scores = np.random.default_rng(0).normal(0, 300, (3, 4, 5)).astype(np.float32)
    found = chances(scores, (1, 2))

    assert np.isfinite(found).all()
    assert found.sum(axis=(1, 2)) == pytest.approx([1, 1, 1])


@pytest.mark.parametrize("sigma", [0.05, 0.2])
def test_quantiles_are_those_of_the_distribution(sigma: float) -> None:
    """Median and the two one-sigma points of a normal distribution on each normal."""
    centre = np.linspace(-0.5, 0.5, 12)
    crossing = crossing_of(centre, np.full(12, sigma))

    for share, place in ((0.5, 0.0), (0.158655, -1.0), (0.841345, 1.0)):
        found = crossing.quantiles_mm(np.full(12, share))
        assert found == pytest.approx(centre + place * sigma, abs=0.006)
    assert crossing.spread_mm() == pytest.approx(np.full(12, sigma), rel=0.03)


def test_draws_have_the_spread_of_each_normal() -> None:
    """Each normal keeps its own distribution, whatever its neighbours do."""
    sigma = np.where(np.arange(60) < 30, 0.05, 0.15)
    crossing = crossing_of(np.zeros(60), sigma)

    drawn = closer._draws(crossing, np.zeros(60, bool))

    assert drawn.shape == (closer.DRAWS, 60)
    assert np.median(drawn.std(axis=0) / sigma) == pytest.approx(1, abs=0.2)


def test_draws_move_alike_near_one_another_only() -> None:
    """Neighbours a tenth of a mm apart agree; over six mm only what is common does."""
    crossing = crossing_of(np.zeros(80), np.full(80, 0.1))
    drawn = closer._draws(crossing, np.zeros(80, bool))

    near = np.mean([np.corrcoef(drawn[:, n], drawn[:, n + 1])[0, 1] for n in range(70)])
    far = np.mean([np.corrcoef(drawn[:, n], drawn[:, n + 60])[0, 1] for n in range(20)])
    assert near > 0.9
    assert far == pytest.approx(closer.COMMON_SHARE, abs=0.2)


def test_the_share_below_is_that_of_the_normal_distribution() -> None:
    """Against the error function of the standard library."""
    z = np.linspace(-4, 4, 81)
    exact = [0.5 * (1 + math.erf(value / math.sqrt(2))) for value in z]

    assert closer._normal_share(z) == pytest.approx(exact, abs=4e-4)


def test_a_line_far_from_where_the_first_look_put_it_is_in_doubt() -> None:
    """Both looks agree to a tenth of a millimetre, or one of them is wrong."""
    sharp = np.full(40, 0.02)
    bare = SimpleNamespace(fusion_u_mm=np.zeros(12))
    near = closer._course_u(bare, crossing_of(np.full(40, 0.1), sharp))
    far = closer._course_u(bare, crossing_of(np.full(40, 0.6), sharp))
    moved = replace(crossing_of(np.zeros(40), sharp), base_moved_mm=np.full(40, 0.6))

    assert near.max() == pytest.approx(closer.DEFINITION_MM, abs=1e-3)
    assert far.min() > 0.3
    assert closer._course_u(bare, moved).min() > 0.3


def test_a_line_that_leaves_the_band_is_drawn_dashed() -> None:
    """Where the network sees no line in the band, the first line stays, in doubt."""
    crossing = crossing_of(np.full(40, 0.3), np.full(40, 0.05))
    lost = replace(crossing, beyond=np.where(np.arange(40) < 20, 0.9, 0.0))
    offset = closer._offset(lost)

    assert offset[:15] == pytest.approx(np.zeros(15), abs=1e-6)
    assert offset[25:] == pytest.approx(np.full(15, 0.3), abs=0.01)
    drawn = closer._draws(lost, lost.beyond > closer.LOST)
    assert drawn[:, :15].std() > 5 * drawn[:, 25:].std()


@pytest.mark.parametrize(
    ("height_mm", "depth_sd_mm", "flags", "is_bead"),
    [
        (1.5, 0.5, (), True),
        (0.0, 0.1, (), True),
        (0.0, 0.5, (), False),
        (0.0, 0.1, (Flag.BOUNDARY_FAINT,), False),
    ],
    ids=["raised", "ground flush and sure", "unsure", "faint"],
)
def test_metal_level_with_the_plate_must_be_surely_deep(
    height_mm: float, depth_sd_mm: float, flags: tuple[Flag, ...], is_bead: bool
) -> None:
    """A streak of the plate is no bead that was ground flush."""
    x = np.linspace(0.0, 6.0, 40)
    arch = np.sin(np.pi * x / 6.0)
    depth = np.random.default_rng(3).normal(1.0, depth_sd_mm, 200)
    coupon = SimpleNamespace(surface=SimpleNamespace(y_at=np.zeros_like))
    trace = SimpleNamespace(
        cap_xy_mm=np.column_stack([x, -height_mm * arch]),
        fusion_draws_mm=np.stack([np.column_stack([x, deep * arch]) for deep in depth]),
        flags=flags,
    )

    assert closer._is_bead(coupon, trace) is is_bead
