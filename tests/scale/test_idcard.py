"""Scale from a bank card's outline."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from staged import references, stage

from sample_images.drawing.patch import Patch
from weldsection.errors import ScaleError
from weldsection.flags import Flag
from weldsection.records import project
from weldsection.scale import idcard_look
from weldsection.scale.idcard_look import (
    LONG_MM,
    RADIUS_MM,
    SHORT_MM,
    card_corners_mm,
    off_view,
)
from weldsection.scale.plane import homographies_from
from weldsection.scale.sides import Reading, read_side, rival_sides
from weldsection.scale.tilt import Camera

finishes = pytest.importorskip("sample_images.drawing.finishes")
camera = pytest.importorskip("sample_images.drawing.camera")


def test_size_is_that_of_the_standard() -> None:
    """ISO/IEC 7810 ID-1: 85.60 × 53.98 mm, corner radius 2.88 to 3.48 (F.1)."""
    assert (LONG_MM, SHORT_MM) == (85.60, 53.98)
    assert 2.88 <= RADIUS_MM <= 3.48


@pytest.mark.parametrize(
    ("tilt_deg", "seed"), [((0, 0), 1), ((9, 0), 2), ((0, -12), 3), ((-10, 10), 6)]
)
def test_a_bank_card_gives_the_scale_and_the_tilt(
    tilt_deg: tuple[float, float], seed: int
) -> None:
    """Four sides carry the whole plane."""
    card = references.bank_card(np.random.default_rng(seed))
    shot = stage(card, tilt_deg=tilt_deg, centre_mm=(40.0, 46.0), px_per_mm=11.0)

    found = shot.scale("idcard")

    assert abs(shot.error(found)) < 0.003
    assert found.references[0].shows_tilt


@pytest.mark.parametrize("seed", range(8))
def test_a_card_with_picture_glare_and_worn_corners_is_read(seed: int) -> None:
    """As it comes out of a pocket: what is printed on it is not its outline."""
    card = finishes.used_bank_card(np.random.default_rng([40, seed]))
    shot = stage(card, tilt_deg=(4, -5), centre_mm=(40.0, 46.0), px_per_mm=11.0)

    assert abs(shot.error(shot.scale("idcard"))) < 0.003


@pytest.mark.parametrize("margin_mm", [1.5, 2.2, 3.2])
def test_a_printed_frame_is_not_the_outline(margin_mm: float) -> None:
    """The bench's colour shows more clearly inside the margin than beyond it."""
    card = references.bank_card(np.random.default_rng(5))
    margin = round((margin_mm + 0.5) * card.px_per_mm)
    rgb = np.full_like(card.rgb, 0.3)
    rgb[margin:-margin, margin:-margin] = (0.75, 0.8, 0.2)
    shot = stage(
        replace(card, rgb=rgb), tilt_deg=(4, -5), centre_mm=(40.0, 46.0), px_per_mm=11.0
    )

    assert abs(shot.error(shot.scale("idcard"))) < 0.004


def test_sides_that_the_colours_put_elsewhere_are_flagged(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Lines of graph paper beside a card turned its sides and the scale was 3 % off."""
    shot = stage(references.bank_card(np.random.default_rng(1)), centre_mm=(40.0, 42.0))
    off_mm = np.zeros((4, 6))
    off_mm[1] = 0.9
    monkeypatch.setattr(idcard_look, "sides_by_colour", lambda *_: off_mm)

    found = shot.scale("idcard")

    assert Flag.SCALE_UNSURE in found.flags


def test_a_camera_sees_a_card_and_not_another_rectangle_as_a_card() -> None:
    """Paper of A proportions is off by ln(1.586 / 1.414) = 0.11 whatever the tilt."""
    cards, papers = [], []
    for tilt in ((0.0, 0.0), (12.0, -7.0), (-25.0, 10.0)):
        pose = camera.stand(
            (1600, 1200),
            aim_xy_mm=(43.0, 27.0),
            aim_px=(700.0, 500.0),
            px_per_mm=9.0,
            distance_mm=1600 * 1.1 / 9.0,
            tilt_deg=tilt,
        )
        corners = card_corners_mm()
        paper = corners * [1.0, LONG_MM / 2**0.5 / SHORT_MM]
        cards.append(project(pose.to_pixels, corners))
        papers.append(project(pose.to_pixels, paper))
    view = Camera.of((1200, 1600), None)

    assert off_view(np.array(cards), view).max() < 0.005
    assert off_view(np.array(papers), view).min() > 0.08


def test_a_sheet_of_paper_of_like_proportions_is_not_a_card() -> None:
    """A6 paper has the proportions 1 : 1.41 and square corners (ISO 216)."""
    paper = references.bank_card(np.random.default_rng(4), size_mm=(85.6, 60.5))
    rgb = np.full_like(paper.rgb, 0.85)
    square = paper.alpha.copy()
    rows, columns = square.shape
    cv2.rectangle(square, (8, 8), (columns - 9, rows - 9), 1.0, -1)
    sheet = type(paper)(rgb, square, paper.px_per_mm, (0.0, 0.0), thickness_mm=0.1)

    with pytest.raises(ScaleError, match="No bank card was found"):
        stage(sheet, centre_mm=(40.0, 48.0), px_per_mm=11.0).scale("idcard")


def test_no_card_is_an_error_that_says_what_to_do() -> None:
    """An empty bench has no card on it."""
    with pytest.raises(ScaleError, match="pass another --reference"):
        stage().scale("idcard")


def test_homography_from_corners_agrees_with_opencv() -> None:
    """On 50 random quadrangles."""
    rng = np.random.default_rng(5)
    goal = np.array([[0, 0], [85.6, 0], [85.6, 53.98], [0, 53.98]])
    for _ in range(50):
        corners = goal * 12 + rng.normal(0, 40, (4, 2)) + 300
        own = homographies_from(corners[None], goal)[0]
        other = cv2.getPerspectiveTransform(
            corners.astype(np.float32), goal.astype(np.float32)
        )
        assert own / own[2, 2] == pytest.approx(other / other[2, 2], rel=2e-3, abs=1e-3)


def test_a_printed_margin_is_not_the_outline_or_is_in_the_uncertainty() -> None:
    """A frame printed 1.2 mm inside the edge stands out more than the edge does."""
    card = framed(references.bank_card(np.random.default_rng(64)), 1.2)
    shot = stage(card, tilt_deg=(4, -5), centre_mm=(40.0, 46.0), px_per_mm=11.0)

    found = shot.scale("idcard")

    u = found.relative_u_at(shot.face.centre_xy_px)
    # by the frame the error would be 3 %
    assert abs(shot.error(found)) < min(2 * u, 0.01)


def framed(card: Patch, margin_mm: float) -> Patch:
    """The card with all within a margin printed dark, and the margin like the bench."""
    inward = round((margin_mm + 0.5) * card.px_per_mm)
    rgb = np.full_like(card.rgb, 0.55)
    rgb[inward:-inward, inward:-inward] = 0.1
    return replace(card, rgb=rgb)


def test_lines_beside_a_side_compete_with_it() -> None:
    """A second edge 8 px further out is told, the side itself is not."""
    grey = np.full((200, 400, 3), 60, np.uint8)
    grey[100:] = 150
    grey[:92] = 150
    rng = np.random.default_rng(65)
    noisy = np.clip(grey + rng.normal(0, 2, grey.shape), 0, 255).astype(np.uint8)
    ends = np.array([[50.0, 99.5], [350.0, 99.5]])
    how = Reading(180, 0.07, 20.0, 2.5, averaged=15)
    side = read_side(noisy, ends, how)

    rivals = rival_sides(noisy, side, how, 0.5)

    assert len(rivals) == 1
    assert rivals[0].ends_xy_px[:, 1] == pytest.approx([91.5, 91.5], abs=0.3)
