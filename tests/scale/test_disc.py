"""Scale from a coin or a washer."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from skimage.measure import EllipseModel
from staged import references, stage

from weldsection.errors import ScaleError
from weldsection.scale.ellipse import Ellipse, fit_ellipse

# US Mint and EU law portal (reference-values F.1)
QUARTER_MM, CENT_MM, TWO_EURO_MM, EURO_MM = 24.26, 19.05, 25.75, 23.25


@pytest.mark.parametrize(
    ("diameter_mm", "tilt_deg", "seed"),
    [
        (QUARTER_MM, (0, 0), 1),
        (CENT_MM, (6, 0), 2),
        (TWO_EURO_MM, (0, -8), 3),
        (EURO_MM, (-5, 7), 4),
    ],
)
def test_a_coin_gives_the_scale(
    diameter_mm: float, tilt_deg: tuple[float, float], seed: int
) -> None:
    """Relief and gleam inside are not its edge, and its tilt is removed."""
    rng = np.random.default_rng(seed)
    coin = references.coin(rng, diameter_mm, metal="brass", two_metals=seed == 3)
    shot = stage(coin, tilt_deg=tilt_deg)

    found = shot.scale(f"disc={diameter_mm}")

    assert abs(shot.error(found)) < 0.012
    assert abs(shot.error(found)) < 2 * found.relative_u_at(shot.face.centre_xy_px)


def test_a_washer_is_taken_by_its_outer_edge() -> None:
    """The hole is round too, but it lies inside."""
    shot = stage(references.washer(np.random.default_rng(5), 24.0, 13.0))

    assert abs(shot.error(shot.scale("disc=24"))) < 0.01


@pytest.mark.parametrize("waves", [7, 12])
def test_a_coin_that_is_not_round_is_refused_with_the_reason(waves: int) -> None:
    """A euro 20 cent has a flower rim; others are rounded polygons (F.1)."""
    coin = references.coin(
        np.random.default_rng(6), 22.25, metal="silver", waves=waves, wave_depth=0.03
    )

    with pytest.raises(ScaleError, match="not round"):
        stage(coin, px_per_mm=20.0, centre_mm=(40.0, 38.0)).scale("disc=22.25")


def test_no_disc_is_an_error_that_says_what_to_do() -> None:
    """Nothing round, nothing found."""
    with pytest.raises(ScaleError, match="No disc of"):
        stage().scale("disc=23.25")


def test_a_bank_card_is_no_disc() -> None:
    """Its rounded corners are not a rim."""
    card = references.bank_card(np.random.default_rng(7))

    with pytest.raises(ScaleError):
        stage(card).scale("disc=23.25")


def test_fifteen_degrees_of_tilt_are_seen() -> None:
    """With the tilt left out the error would be 1.7 % (1 - √cos 15°, H.3)."""
    coin = references.coin(np.random.default_rng(8), EURO_MM, metal="silver")
    shot = stage(coin, tilt_deg=(15, 0), centre_mm=(40.0, 30.0))

    found = shot.scale(f"disc={EURO_MM}")

    assert abs(shot.error(found)) < 0.017
    assert abs(shot.error(found)) < 2 * found.relative_u_at(shot.face.centre_xy_px)


@pytest.mark.parametrize("seed", range(6))
def test_ellipse_fit_agrees_with_opencv_and_scikit_image(seed: int) -> None:
    """On clean points three independent fits give one ellipse."""
    rng = np.random.default_rng(seed)
    true = Ellipse(
        *rng.uniform(300, 400, 2), rng.uniform(80, 120), *rng.normal(0, 4, 2)
    )
    points = true.points_xy_px(180) + rng.normal(0, 0.1, (180, 2))

    own = fit_ellipse(points, Ellipse(350, 350, 100)).ellipse

    (x, y), axes, _ = cv2.fitEllipse(points.astype(np.float32))
    other = EllipseModel.from_estimate(points)
    (x2, y2), (a2, b2) = other.center, other.axis_lengths
    own_axes = sorted(own.semi_axes_px)
    assert (own.x_px, own.y_px) == pytest.approx((x, y), abs=0.1)
    assert own_axes == pytest.approx(sorted(v / 2 for v in axes), abs=0.1)
    assert (own.x_px, own.y_px) == pytest.approx((x2, y2), abs=0.1)
    assert own_axes == pytest.approx(sorted((a2, b2)), abs=0.1)


def test_ellipse_fit_leaves_out_a_shadow_on_one_side() -> None:
    """A fifth of the points 6 px off do not move the fit by 0.2 px."""
    true = Ellipse(200.0, 180.0, 90.0, 2.0, -1.0)
    points = true.points_xy_px(360)
    points[20:92] += 6 * true.normals_xy(360)[20:92]

    fitted = fit_ellipse(points, Ellipse(200.8, 179.6, 90.5, 2.0, -1.0)).ellipse

    assert fitted.as_array() == pytest.approx(true.as_array(), abs=0.2)


def test_claimed_radius_uncertainty_matches_the_actual_spread() -> None:
    """Over 200 scattered rims the radius varies as its covariance says."""
    rng = np.random.default_rng(9)
    true = Ellipse(200.0, 180.0, 90.0, 2.0, -1.0)
    radii, claims = [], []
    for _ in range(200):
        points = true.points_xy_px(200) + rng.normal(0, 0.4, (200, 2))
        fit = fit_ellipse(points, true)
        radii.append(fit.ellipse.mean_px)
        claims.append(math.sqrt(fit.covariance[2, 2]))

    assert float(np.std(radii)) == pytest.approx(float(np.mean(claims)), rel=0.25)
