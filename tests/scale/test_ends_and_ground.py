"""The coupon's ends as the photo shows them, and where colours give way."""

from __future__ import annotations

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest
from staged import Stage, references, stage

from sample_images.drawing.bench import paint_bench
from weldsection.records import FaceOutline, FloatArray, project
from weldsection.scale import rim
from weldsection.scale.edges import coupon_edges
from weldsection.scale.ellipse import Ellipse, Foreshortening, fit_ellipse
from weldsection.scale.ends import seen_edges
from weldsection.scale.ground import reach_by_colour, sides_by_colour
from weldsection.scale.idcard_look import card_corners_mm


def with_corner_moved(face: FaceOutline, corner: int, by_px: float) -> FaceOutline:
    """The same outline with one corner found too far along the plate."""
    corners = face.corners_xy_px.copy()
    along = face.corners_xy_px[1] - face.corners_xy_px[0]
    corners[corner] += by_px * along / np.linalg.norm(along)
    return replace(face, corners_xy_px=corners)


def direction_deg(line_xy_px: FloatArray) -> float:
    """Direction of a line in the photo, degrees."""
    run = line_xy_px[1] - line_xy_px[0]
    return math.degrees(math.atan2(run[1], run[0]))


@pytest.mark.parametrize(("corner", "by_px"), [(3, 14.0), (2, -14.0), (1, 9.0)])
def test_an_end_is_read_where_the_photo_shows_it(corner: int, by_px: float) -> None:
    """The outline has one corner 4 to 7° wrong; the edge itself is plain to see."""
    shot = stage(tilt_deg=(4, -3))
    wrong = with_corner_moved(shot.face, corner, by_px)
    side = "right_xy_px" if corner in (1, 2) else "left_xy_px"

    found = direction_deg(getattr(seen_edges(shot.photo, wrong), side))

    true = direction_deg(getattr(coupon_edges(shot.face), side))
    assert abs(direction_deg(getattr(coupon_edges(wrong), side)) - true) > 3.5
    assert abs(found - true) < 0.6


def test_claimed_direction_of_an_end_covers_the_actual_error() -> None:
    """Over forty ends beside cluttered wood nine of ten lie within two claims."""
    away = []
    for seed in range(20):
        rng = np.random.default_rng([70, seed])
        ground = paint_bench("wood", rng, (1200, 1600), 12.0, clutter=0.0)
        shot = stage(tilt_deg=tuple(rng.normal(0, 4, 2)), ground=ground, seed=seed)
        corners = shot.face.corners_xy_px + rng.normal(0, 1.5, (4, 2))
        scattered = replace(shot.face, corners_xy_px=corners)
        true, found = coupon_edges(shot.face), seen_edges(shot.photo, scattered)
        for k, side in enumerate(("left_xy_px", "right_xy_px")):
            off = direction_deg(getattr(found, side))
            off -= direction_deg(getattr(true, side))
            away.append(math.radians(abs(off)) / found.end_u_rad[k])

    assert np.mean(np.array(away) < 2) >= 0.9


def test_an_end_that_the_photo_does_not_show_stays_as_the_outline_has_it() -> None:
    """Nothing is read from an even grey picture, nor of an end outside the photo."""
    shot = stage()
    blank = replace(shot.photo, bgr=np.full_like(shot.photo.bgr, 128))
    cut = replace(shot.face, cut_by_picture=(True, True))

    unseen = (seen_edges(blank, shot.face), seen_edges(shot.photo, cut))

    for edges, face in zip(unseen, (shot.face, cut), strict=True):
        as_found = coupon_edges(face)
        assert edges.left_xy_px == pytest.approx(as_found.left_xy_px)
        assert edges.right_xy_px == pytest.approx(as_found.right_xy_px)
        assert edges.end_u_rad == as_found.end_u_rad


def coin_on(bench: str, seed: int) -> tuple[Stage, Ellipse]:
    """A coin on a bench top, and its true outline."""
    rng = np.random.default_rng([71, seed])
    coin = references.coin(rng, 24.0, metal="silver")
    ground = paint_bench(bench, rng, (1200, 1600), 12.0, clutter=0.0)
    shot = stage(coin, ground=ground, seed=seed)
    turn = np.linspace(0, 2 * np.pi, 90, endpoint=False)
    ring = np.array([40.0, 45.0]) + 12 * np.column_stack([np.cos(turn), np.sin(turn)])
    seen = project(shot.to_px, ring)
    return shot, fit_ellipse(seen, Ellipse(*seen.mean(axis=0), 144.0)).ellipse


@pytest.mark.parametrize("bench", ["granite", "wood", "cloth"])
@pytest.mark.parametrize("share", [0.92, 0.96, 1.0])
def test_colours_tell_how_far_a_coin_reaches(bench: str, share: float) -> None:
    """Found by its letters, 8 % too small, or by its raised rim, or rightly."""
    shot, outline = coin_on(bench, 1)

    reach = reach_by_colour(shot.photo.bgr, outline.scaled(share))

    assert share * reach == pytest.approx(1.0, abs=0.02)


@pytest.mark.parametrize("share", [0.93, 0.955])
def test_a_coin_found_by_its_letters_is_read_at_its_outline(
    share: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """They are round edges too: a search that has settled on them goes on outwards."""
    shot, outline = coin_on("granite", 2)
    inner = outline.scaled(share)
    round_there = Foreshortening(
        outline.q_px / outline.mean_px, outline.s_px / outline.mean_px, 0.004
    )
    monkeypatch.setattr(
        rim, "agreed_offsets", lambda _, around, __: np.zeros(len(around.at_xy_px))
    )

    read = rim.read_rim(shot.photo.bgr, inner, round_there, np.zeros(2))

    assert read.ellipse.mean_px == pytest.approx(outline.mean_px, rel=0.01)


def test_colours_tell_nothing_of_a_ring_drawn_on_one_ground() -> None:
    """Inside and outside look alike; nor of a fit that came to nothing."""
    shot = stage()
    picture = shot.photo.bgr.copy()
    cv2.circle(picture, (800, 800), 140, (20, 20, 20), 3)

    assert math.isnan(reach_by_colour(picture, Ellipse(800.0, 800.0, 140.0)))
    assert math.isnan(reach_by_colour(picture, Ellipse(800.0, 800.0, math.nan)))


def test_colours_tell_where_the_sides_of_a_card_are() -> None:
    """A card taken 1 mm too far to the right is off by that at both short sides."""
    card = references.bank_card(np.random.default_rng(3))
    shot = stage(card, tilt_deg=(3, 2), centre_mm=(45.0, 42.0))
    place = np.array([45.0, 42.0]) - np.array(references.BANK_CARD_MM) / 2

    def off_mm(right_mm: float) -> FloatArray:
        x, y = place + [right_mm, 0.0]
        to_px = shot.to_px @ np.array([[1, 0, x], [0, 1, y], [0, 0, 1.0]])
        parts = sides_by_colour(shot.photo.bgr, to_px, card_corners_mm())
        return np.asarray(np.nanmedian(parts, axis=1))

    assert np.abs(off_mm(0.0)).max() < 0.3
    _, right, _, left = off_mm(1.0)
    assert (right, left) == pytest.approx((-1.0, 1.0), abs=0.3)
