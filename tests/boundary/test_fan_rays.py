"""Rays across a bead: where they start, where they point, what they read."""

from __future__ import annotations

import math

import numpy as np
import pytest
from zone_maps import Bead, Plate, coupon_of, parabola

from weldsection.boundary.fan import APEX_SHARE, STEP_MM, lay_fan, sample
from weldsection.records import FloatArray


@pytest.mark.parametrize(("left", "right"), [(2.0, 5.0), (10.0, 18.0), (3.0, 28.0)])
def test_rays_leave_the_surface_from_toe_to_toe_out_of_one_point(
    left: float, right: float
) -> None:
    """All pass through the apex above the bead's middle and point downwards."""
    fan = lay_fan(left, right, 6.0)
    apex = np.array([(left + right) / 2, -APEX_SHARE * (right - left) / 2])
    start = np.column_stack([fan.start_x_mm, np.zeros_like(fan.start_x_mm)])
    from_apex = start - apex
    across = (
        from_apex[:, 0] * fan.direction[:, 1] - from_apex[:, 1] * fan.direction[:, 0]
    )

    assert (fan.start_x_mm[0], fan.start_x_mm[-1]) == pytest.approx((left, right))
    np.testing.assert_allclose(across, 0, atol=1e-9)
    np.testing.assert_allclose(np.hypot(*fan.direction.T), 1)
    assert (fan.direction[:, 1] > 0).all()


@pytest.mark.parametrize("depth", [1.0, 4.0, 9.0])
def test_every_ray_reaches_the_depth_asked_for(depth: float) -> None:
    """The most slanted ray is long enough, too."""
    fan = lay_fan(5.0, 13.0, depth)
    ends = fan.points_at(np.full(len(fan.start_x_mm), fan.steps * STEP_MM))

    assert ends[:, 1].min() >= depth


def test_a_distance_along_a_ray_is_a_distance() -> None:
    """Points at 1.5 mm lie 1.5 mm from where the ray meets the surface."""
    fan = lay_fan(5.0, 13.0, 4.0)
    points = fan.points_at(np.full(len(fan.start_x_mm), 1.5))
    start = np.column_stack([fan.start_x_mm, np.zeros_like(fan.start_x_mm)])

    np.testing.assert_allclose(np.hypot(*(points - start).T), 1.5)


def bowed(x_mm: FloatArray) -> FloatArray:
    """A plate whose middle stands 0.4 mm above its ends."""
    return np.asarray(-0.4 * (1 - ((np.asarray(x_mm) - 15) / 15) ** 2))


@pytest.mark.parametrize("axis", ["x", "y"])
def test_fields_are_read_where_the_ray_passes(axis: str) -> None:
    """A field that says its own place is read to a hundredth, on a bowed plate too."""
    coupon = coupon_of(Plate((Bead.of(parabola, 15, 8, 2, 1),), surface=bowed))
    x, y = np.meshgrid(coupon.columns_x_mm, coupon.rows_y_mm)
    depth = y - coupon.surface.y_at(x)
    fan = lay_fan(11.0, 19.0, 5.0)
    at = (np.arange(fan.steps) + 0.5) * STEP_MM

    (read,) = sample(coupon, fan, [x if axis == "x" else depth])

    along = 0 if axis == "x" else 1
    start = fan.start_x_mm[:, None] if axis == "x" else 0.0
    expected = start + at[None, :] * fan.direction[:, along : along + 1]
    np.testing.assert_allclose(read, expected, atol=0.01)


def test_rays_meet_a_shallow_line_nearly_square() -> None:
    """In the middle half of a bead no ray slants by more than 40 degrees."""
    fan = lay_fan(0.0, 8.0, 3.0)
    middle = np.abs(fan.start_x_mm - 4.0) < 2.0
    slant = np.degrees(np.arccos(fan.direction[middle, 1]))

    assert slant.max() < 40
    assert math.isclose(slant.min(), 0, abs_tol=1.0)
