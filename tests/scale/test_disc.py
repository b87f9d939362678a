"""Scale from a coin or a washer."""

from __future__ import annotations

import math
import warnings
from dataclasses import replace

import cv2
import numpy as np
import pytest
from skimage.measure import EllipseModel
from staged import references, stage

from sample_images.drawing.bench import paint_bench
from sample_images.drawing.patch import Patch
from weldsection.errors import ScaleError
from weldsection.scale.agreement import Outline, nearest_edges
from weldsection.scale.disc import two_tilts
from weldsection.scale.ellipse import (
    Ellipse,
    Foreshortening,
    fit_ellipse,
    sector_scatter,
)
from weldsection.scale.rim import read_rim
from weldsection.scale.tilt import Camera, plane_homographies, project_all

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


@pytest.mark.parametrize(
    ("waves", "depth"), [(7, 0.03), (7, 0.015), (11, 0.02), (12, 0.03)]
)
def test_a_coin_that_is_not_round_is_refused_with_the_reason(
    waves: int, depth: float
) -> None:
    """A euro 20 cent has a flower rim; others are rounded polygons (F.1)."""
    coin = references.coin(
        np.random.default_rng(6), 22.25, metal="silver", waves=waves, wave_depth=depth
    )

    with pytest.raises(ScaleError, match="not round"):
        stage(coin, px_per_mm=20.0, centre_mm=(40.0, 38.0)).scale("disc=22.25")


@pytest.mark.parametrize("seed", range(4))
def test_a_coin_of_two_metals_is_taken_by_its_rim(seed: int) -> None:
    """On speckled stone its bright middle stands out more than the rim does."""
    rng = np.random.default_rng([60, seed])
    coin = references.coin(rng, TWO_EURO_MM, metal="brass", two_metals=True)
    ground = paint_bench("granite", rng, (1200, 1600), 12.0, clutter=0.0)
    shot = stage(coin, tilt_deg=(3, 4), ground=ground)

    found = shot.scale(f"disc={TWO_EURO_MM}")

    # by its middle the error would be 40 %
    assert abs(shot.error(found)) < 0.025


@pytest.mark.parametrize("seed", range(4))
def test_a_shadow_with_a_hard_edge_is_not_the_disc(seed: int) -> None:
    """A lamp close by throws one 1.5 mm beyond the rim on one side."""
    coin = references.coin(np.random.default_rng([61, seed]), EURO_MM, metal="silver")
    shot = stage(with_shadow(coin, (1.2, 0.9)))

    assert abs(shot.error(shot.scale(f"disc={EURO_MM}"))) < 0.015


@pytest.mark.parametrize("seed", range(2))
@pytest.mark.parametrize("dark", [0.3, 0.45])
def test_a_wide_soft_shadow_is_not_the_disc(seed: int, dark: float) -> None:
    """A window to one side darkens the ground for some millimetres."""
    washer = references.washer(np.random.default_rng([7, seed]), 17.22, 7.0)
    shot = stage(with_shadow(washer, (0.8, -0.6), dark=dark, soft_mm=0.8))

    assert abs(shot.error(shot.scale("disc=17.22"))) < 0.004


def test_a_rim_that_is_not_there_is_an_error() -> None:
    """An even picture has no edge to fit, and no warning is printed."""
    bgr = np.full((300, 300, 3), 120, np.uint8)

    with (
        warnings.catch_warnings(action="error"),
        pytest.raises(ScaleError, match="rim of the disc is not seen"),
    ):
        read_rim(bgr, Ellipse(150, 150, 60), Foreshortening(0, 0, 0.02), np.zeros(2))


def with_shadow(
    coin: Patch, by_mm: tuple[float, float], *, dark: float = 0.55, soft_mm: float = 0.0
) -> Patch:
    """The coin and, beside it, the ground that it keeps in the dark."""
    margin = int(4 * coin.px_per_mm)
    rgb = np.pad(coin.rgb, ((margin, margin), (margin, margin), (0, 0)))
    alpha = np.pad(coin.alpha, margin)
    shift = np.float32([[1, 0, by_mm[0]], [0, 1, by_mm[1]]])
    shift[:, 2] *= coin.px_per_mm
    dark = dark * cv2.warpAffine(alpha, shift, alpha.shape[::-1])
    if soft_mm:
        dark = cv2.GaussianBlur(dark, (0, 0), soft_mm * coin.px_per_mm)
    whole = np.maximum(alpha, dark)
    return replace(
        coin, rgb=rgb * (alpha / np.maximum(whole, 1e-6))[..., None], alpha=whole
    )


def test_no_disc_is_an_error_that_says_what_to_do() -> None:
    """Nothing round, nothing found."""
    with pytest.raises(ScaleError, match="No disc of"):
        stage().scale("disc=23.25")


def test_a_disc_of_few_pixels_is_refused_with_what_to_do() -> None:
    """16 mm at 4 px per mm: half a pixel of the rim is 1.6 % of it."""
    coin = references.coin(np.random.default_rng(11), 16.25, metal="silver")
    shot = stage(coin, px_per_mm=4.0, size_px=(640, 480), centre_mm=(40.0, 40.0))

    with pytest.raises(ScaleError, match="px, too little for a scale; move closer"):
        shot.scale("disc=16.25")


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


def test_a_sector_on_another_edge_widens_the_uncertainty() -> None:
    """A fifth of the rim read 1 px further in: the size is off, and says so."""
    true = Ellipse(200.0, 180.0, 90.0, 2.0, -1.0)
    points = true.points_xy_px(360)
    points += np.random.default_rng(4).normal(0, 0.5, (360, 2))
    points[30:110] -= 1.0 * true.normals_xy(360)[30:110]

    fit = fit_ellipse(points, true)
    scatter = math.sqrt(sector_scatter(points, fit)[2, 2])

    off = abs(fit.ellipse.mean_px - true.mean_px)
    assert off > 2 * math.sqrt(fit.covariance[2, 2])
    assert off < 4 * scatter < 1.0


def test_claimed_sector_scatter_matches_the_actual_spread() -> None:
    """Where parts of the rim are off as a whole, the claim is right or cautious."""
    rng = np.random.default_rng(10)
    true = Ellipse(200.0, 180.0, 90.0, 2.0, -1.0)
    radii, claims = [], []
    for _ in range(150):
        off = np.repeat(rng.normal(0, 0.4, 36), 10) + rng.normal(0, 0.1, 360)
        points = true.points_xy_px(360) + off[:, None] * true.normals_xy(360)
        fit = fit_ellipse(points, true)
        radii.append(fit.ellipse.mean_px)
        claims.append(sector_scatter(points, fit)[2, 2])

    assert 0.9 < math.sqrt(float(np.mean(claims))) / float(np.std(radii)) < 1.6


@pytest.mark.parametrize("blur_px", [0.8, 2.0, 5.0])
def test_a_blurred_edge_is_read_where_it_lies_in_light(blur_px: float) -> None:
    """In grey levels a bright disc on dark ground grows by up to 0.8 blur widths."""
    y, x = np.mgrid[:400, :400] - 200.0
    cover = np.clip(120.5 - np.hypot(x, y), 0, 1).astype(np.float32)
    light = cv2.GaussianBlur(0.02 + 0.6 * cover, (0, 0), blur_px)
    grey = (255 * light ** (1 / 2.2)).astype(np.uint8)
    circle = Ellipse(200.0, 200.0, 121.0)
    around = Outline(
        circle.points_xy_px(180), circle.normals_xy(180), np.ones((180, 1)), closed=True
    )

    offset = nearest_edges(np.repeat(grey[..., None], 3, axis=2), around, 2.0)

    assert float(np.nanmedian(offset)) == pytest.approx(-1.0, abs=0.15)


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


@pytest.mark.parametrize("seed", range(6))
def test_one_of_the_two_tilts_of_an_ellipse_is_the_true_one(seed: int) -> None:
    """Also far from the picture's middle, where a level circle is no circle."""
    rng = np.random.default_rng([62, seed])
    eye = Camera.of((2400, 3200), 3500.0)
    true = rng.uniform(-0.2, 0.2, 2)
    to_plane = plane_homographies(np.array([[*true, 0.0]]), eye)
    corner = rng.choice([[400.0, 400.0], [2800.0, 500.0], [1700.0, 2100.0]])
    middle = project_all(to_plane, corner[None])[0, 0]
    turn = np.linspace(0, 2 * np.pi, 90, endpoint=False)
    circle = middle + 0.01 * np.column_stack([np.cos(turn), np.sin(turn)])
    seen = project_all(np.linalg.inv(to_plane), circle)[0]
    ellipse = fit_ellipse(seen, Ellipse(*corner, 40.0)).ellipse

    tilts = np.array(two_tilts(ellipse, eye))

    assert np.linalg.norm(tilts - true, axis=1).min() < 1e-3
    views = plane_homographies(np.column_stack([tilts, [0.0, 0.0]]), eye)
    for ring in project_all(views, seen):
        _, (long, short), _ = cv2.fitEllipse((1e4 * ring).astype(np.float32))
        assert long == pytest.approx(short, rel=1e-3)


def test_a_bevel_that_cannot_be_told_from_the_rim_is_in_the_uncertainty() -> None:
    """A coin of 130 px across shows one edge for both; one of 480 px shows two."""
    coin = references.coin(np.random.default_rng([63, 0]), 16.25, metal="brass")

    small, large = (
        stage(coin, px_per_mm=each, size_px=size, centre_mm=(40.0, 30.0))
        .scale("disc=16.25")
        .references[0]
        for each, size in ((8.0, (1000, 750)), (30.0, (3600, 2700)))
    )

    reading = [
        next(s for s in r.sources if s.name == "graduation").relative_u_at(np.zeros(2))
        for r in (small, large)
    ]
    assert reading[0] > 0.012
    assert reading[1] < 0.006
