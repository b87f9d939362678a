"""Our printed card: layout, sheets, and the scale it gives."""

from __future__ import annotations

import re
from pathlib import Path

import cv2
import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from pypdf import PdfReader
from staged import references, stage

from weldsection.errors import ScaleError, UsageError
from weldsection.records import Options
from weldsection.scale import find_scale, marks_ahead
from weldsection.scale.layout import CARDS, LENS_SHEET, CardLayout
from weldsection.scale.marks import dictionary, find_marks
from weldsection.scale.sheet import PAPERS_MM, draw_sheet

finishes = pytest.importorskip("sample_images.drawing.finishes")

ROOT = Path(__file__).resolve().parents[2]
LAYOUTS = [*CARDS.values(), LENS_SHEET]
POINT_MM = 25.4 / 72


@pytest.mark.parametrize("layout", LAYOUTS, ids=lambda c: c.name)
def test_marks_lie_on_the_card_apart_from_each_other(layout: CardLayout) -> None:
    """Each mark has a white rim of at least one square around it."""
    square = layout.mark_mm / 7
    boxes = [layout.corners_xy_mm(n) for n in layout.numbers]
    for box in boxes:
        assert (box >= square).all()
        assert (box <= [layout.width_mm - square, layout.height_mm - square]).all()
    for i, one in enumerate(boxes):
        for other in boxes[i + 1 :]:
            gap = np.maximum(
                one.min(axis=0) - other.max(axis=0), other.min(axis=0) - one.max(axis=0)
            ).max()
            assert gap >= 2 * square


def test_no_mark_is_on_two_sheets() -> None:
    """A mark tells which card it is on."""
    numbers = [n for layout in LAYOUTS for n in layout.numbers]

    assert len(numbers) == len(set(numbers))
    assert max(numbers) < 100  # DICT_5X5_100


def test_the_pocket_card_has_the_size_of_a_bank_card() -> None:
    """To laminate: ISO/IEC 7810 ID-1 (F.1)."""
    assert (CARDS["pocket"].width_mm, CARDS["pocket"].height_mm) == (85.6, 53.98)


@pytest.mark.parametrize("layout", LAYOUTS, ids=lambda c: c.name)
def test_the_drawing_program_knows_the_same_card(layout: CardLayout) -> None:
    """Drawing and measuring share no code, so their tables are compared here."""
    if layout is LENS_SHEET:
        pytest.skip("the lens sheet is not drawn")
    drawn = references.PRINTED_CARDS[layout.name]
    places = references._mark_places(drawn)

    assert [tuple(p) for p in places] == [tuple(p) for p in layout.places_mm]
    assert (drawn.mark_mm, drawn.width_mm) == (layout.mark_mm, layout.width_mm)


@pytest.mark.parametrize("layout", LAYOUTS, ids=lambda c: c.name)
@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_a_printed_sheet_shows_its_marks_to_opencv_where_they_belong(
    layout: CardLayout, paper: str
) -> None:
    """OpenCV's own detector reads the drawn page, to two pixels."""
    dpi = 150
    figure = draw_sheet(layout, paper)
    figure.set_dpi(dpi)
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    grey = cv2.cvtColor(np.asarray(canvas.buffer_rgba()), cv2.COLOR_RGBA2GRAY)
    corners, numbers, _ = cv2.aruco.ArucoDetector(dictionary()).detectMarkers(grey)

    assert sorted(numbers.ravel()) == sorted(layout.numbers)
    width, height = PAPERS_MM[paper]
    shift = np.array([(width - layout.width_mm) / 2, (height - layout.height_mm) / 2])
    for found, number in zip(corners, numbers.ravel(), strict=True):
        # OpenCV counts pixel centres, the page its edges
        at_mm = (found[0] + 0.5) / dpi * 25.4 - shift
        assert at_mm == pytest.approx(layout.corners_xy_mm(int(number)), abs=0.35)


@pytest.mark.parametrize(
    "path", sorted((ROOT / "calibration").glob("*.pdf")), ids=lambda p: p.stem
)
def test_ready_sheets_have_true_size(path: Path) -> None:
    """Paper of ISO 216 A4 or Letter, and marks of the layout's width on it."""
    page = PdfReader(path).pages[0]
    paper = path.stem.rsplit("-", 1)[1]
    size = [
        float(page.mediabox.width) * POINT_MM,
        float(page.mediabox.height) * POINT_MM,
    ]
    assert size == pytest.approx(PAPERS_MM[paper], abs=0.05)

    name = "lens" if path.stem.startswith("lens") else path.stem.split("-")[1]
    layout = LENS_SHEET if name == "lens" else CARDS[name]
    numbers = rectangles_mm(page.get_contents().get_data().decode("latin-1"))
    assert max(w for w in numbers if w < 30) == pytest.approx(layout.mark_mm, abs=0.01)


def rectangles_mm(content: str) -> list[float]:
    """Widths of the closed four-cornered paths of a page, in mm."""
    pattern = r"([\d.]+) ([\d.]+) m\s+([\d.]+) ([\d.]+) l"
    return [
        abs(float(x2) - float(x1)) * POINT_MM
        for x1, y1, x2, y2 in re.findall(pattern, content)
    ]


# ------------------------------------------------------------------ the scale


@pytest.mark.parametrize(
    ("name", "tilt_deg", "px_per_mm"),
    [("pocket", (0, 0), 11), ("pocket", (12, -5), 11), ("bench", (-8, 8), 8)],
)
def test_a_card_gives_the_scale(
    name: str, tilt_deg: tuple[float, float], px_per_mm: float
) -> None:
    """To 0.15 %, whatever the tilt."""
    shot = stage(
        references.printed_card(name),
        tilt_deg=tilt_deg,
        px_per_mm=px_per_mm,
        centre_mm=(40.0, 43.0) if name == "pocket" else (40.0, 66.0),
    )

    found = shot.scale("auto")

    assert found.references[0].kind == "card"
    assert abs(shot.error(found)) < 0.0015


def test_marks_looked_for_ahead_of_the_face_give_the_same_scale() -> None:
    """And nothing is looked for that nobody asked for."""
    shot = stage(references.printed_card("pocket"), centre_mm=(40.0, 43.0))
    options = Options(("card",))

    marks = marks_ahead(shot.photo, options)

    assert marks is not None
    ahead = find_scale(shot.photo, shot.face, options, marks)
    np.testing.assert_array_equal(ahead.homography, shot.scale("card").homography)
    assert marks_ahead(shot.photo, Options(("ruler", "disc=20"))) is None


def test_forty_five_degrees_are_not_too_much() -> None:
    """The card is read even from the side; H.3 gives 16 % if tilt were left out."""
    shot = stage(
        references.printed_card("pocket"),
        tilt_deg=(45, 0),
        centre_mm=(40.0, 43.0),
        px_per_mm=11.0,
    )

    assert abs(shot.error(shot.scale("card"))) < 0.004


@pytest.mark.parametrize("hidden", [4, 3])
def test_a_card_that_is_mostly_hidden_still_gives_the_scale(hidden: int) -> None:
    """Two marks give scale, more give it better."""
    card = references.printed_card("pocket")
    rgb = card.rgb.copy()
    rows, columns = card.alpha.shape
    # cover the last marks of both rows, or all of the lower row and one more
    if hidden == 4:
        rgb[:, int(0.38 * columns) :] = 0.3
    else:
        rgb[rows // 2 :] = 0.3
    covered = type(card)(rgb, card.alpha, card.px_per_mm, (0.0, 0.0), thickness_mm=0.2)
    shot = stage(covered, tilt_deg=(5, -4), px_per_mm=11.0, centre_mm=(40.0, 43.0))

    found = shot.scale("card")

    u = found.relative_u_at(shot.face.centre_xy_px)
    assert f"{6 - hidden} of 6 marks" in found.references[0].finding
    assert abs(shot.error(found)) < max(0.006, 2 * u)


@pytest.mark.parametrize("seed", range(3))
def test_a_crumpled_edge_costs_its_marks_and_not_the_scale(seed: int) -> None:
    """Marks on the bent side are left out or read where they lie."""
    rng = np.random.default_rng([50, seed])
    card = finishes.crumpled(references.printed_card("bench"), rng)
    shot = stage(card, tilt_deg=(5, 3), px_per_mm=8.0, centre_mm=(40.0, 66.0))

    found = shot.scale("card")

    assert abs(shot.error(found)) < 0.003
    assert abs(shot.error(found)) < 2 * found.relative_u_at(shot.face.centre_xy_px)


def test_poor_light_is_enough_for_a_card() -> None:
    """Dark grey marks on grey paper, a sixth of the usual contrast."""
    card = references.printed_card("pocket", grey=0.22)
    shot = stage(card, px_per_mm=11.0, centre_mm=(40.0, 43.0))

    assert abs(shot.error(shot.scale("card"))) < 0.0015


def test_a_printer_that_scaled_the_card_is_corrected() -> None:
    """Printed at 97 %, with the check line of 70 mm measured as 67.9 mm."""
    card = references.printed_card("pocket", stretch=0.97)
    shot = stage(card, px_per_mm=11.0, centre_mm=(40.0, 43.0))

    trusted = shot.scale("card")
    checked = shot.scale("card", card_length_mm=67.9)

    assert shot.error(trusted) == pytest.approx(1 / 0.97 - 1, abs=0.002)
    assert abs(shot.error(checked)) < 0.0015


def test_a_check_length_of_another_card_is_wrong_usage() -> None:
    """160 mm is the frame's check line and not the pocket card's."""
    shot = stage(
        references.printed_card("pocket"), px_per_mm=11.0, centre_mm=(40.0, 43.0)
    )

    with pytest.raises(UsageError, match="check line is 70 mm"):
        shot.scale("card", card_length_mm=160.0)


def test_without_anything_auto_says_what_could_be_passed() -> None:
    """One sentence with every other reference in it."""
    with pytest.raises(ScaleError) as refused:
        stage().scale("auto")

    sentence = str(refused.value)
    assert all(w in sentence for w in ("disc=MM", "idcard", "thickness=MM", "points="))


def test_marks_of_a_sheet_are_found_at_subpixel_places() -> None:
    """Corners drawn at known places are read to 0.2 px on average."""
    shot = stage(
        references.printed_card("pocket"), px_per_mm=11.0, centre_mm=(40.0, 43.0)
    )
    layout = CARDS["pocket"]
    middle = np.array([layout.width_mm, layout.height_mm]) / 2
    off = []
    for mark in find_marks(shot.photo.bgr):
        mm = layout.corners_xy_mm(mark.number) - middle + [40.0, 43.0]
        at = cv2.perspectiveTransform(mm[None], shot.to_px)[0]
        off.append(mark.corners_xy_px - at)
    mean_shift = np.mean(np.concatenate(off), axis=0)

    assert len(off) == 6
    # the drawn card is rounded to whole pixels of its own: up to 0.15 px here
    assert np.abs(mean_shift).max() < 0.2
    # all marks alike are a little smaller than drawn, which the fit takes out
    assert float(np.std(np.concatenate(off))) < 0.4
