"""What is drawn is what was found: tests on the artists' coordinates."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from conftest import write_picture
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure
from study_helpers import mag_ladder, rows_from

from weldsection.output.record import record_text
from weldsection.study import figures, strip
from weldsection.study.compare import CompareOptions, QuantityStudy, compare
from weldsection.study.join import join
from weldsection.study.plan import Request, plan
from weldsection.study.plan_page import plan_pages
from weldsection.study.tables import read_rows
from weldsection.study.window import Wish


@pytest.fixture(scope="module")
def study() -> QuantityStudy:
    """Penetration against current, bead 9 marked."""
    cells = mag_ladder()
    cells[8]["remarks"] = "arc wander"
    found = compare(rows_from(cells), CompareOptions())
    return found.studies[0].quantities[0]


def test_every_bead_is_drawn_where_it_was_measured(study: QuantityStudy) -> None:
    """Sure beads as dots, the marked one as an open diamond with its number."""
    ax = Figure().subplots()
    figures.draw_quantity(ax, study)

    dots = next(line for line in ax.lines if line.get_marker() == "o")
    diamond = next(line for line in ax.lines if line.get_marker() == "D")
    points = study.trend.points
    assert dots.get_xydata() == pytest.approx(
        np.column_stack([points.x, points.y])[~points.doubtful]
    )
    assert diamond.get_xydata() == pytest.approx(
        np.column_stack([points.x, points.y])[points.doubtful]
    )
    assert diamond.get_markerfacecolor() == "white"
    assert "9" in [text.get_text() for text in ax.texts]


def test_the_break_and_its_interval_are_drawn(study: QuantityStudy) -> None:
    """A dashed line at the break, and the interval along the foot."""
    ax = Figure().subplots()
    figures.draw_quantity(ax, study)
    turn = study.trend.turn
    assert turn is not None

    upright = [line for line in ax.lines if len(line.get_xdata()) == 2]
    foot = ax.patches[0].get_extents().transformed(ax.transData.inverted())

    assert [line.get_xdata()[0] for line in upright] == pytest.approx([turn.at])
    assert (foot.x0, foot.x1) == pytest.approx((turn.low, turn.high), rel=1e-3)


def test_the_title_says_the_verdict(study: QuantityStudy) -> None:
    """Someone who only looks at the figure reads the answer."""
    ax = Figure().subplots()
    figures.draw_quantity(ax, study)

    assert "Penetration: rises to about" in ax.get_title(loc="left")


def test_the_colours_differ_in_grey_print() -> None:
    """Ink, curve, band and quiet bars keep apart without colour."""
    greys = [
        float(np.dot(to_rgb(colour), (0.2126, 0.7152, 0.0722)))
        for colour in (figures.INK, figures.CURVE, figures.QUIET, figures.BAND)
    ]

    assert greys == sorted(greys)
    assert np.diff(greys).min() > 0.1


def test_very_many_beads_are_thinned_out_and_said_so() -> None:
    """A figure of ten thousand dots is a blot."""
    cells = [
        cell | {"bead": 100 * seed + int(str(cell["bead"]))}
        for seed in range(30)
        for cell in mag_ladder(seed)
    ]
    found = compare(rows_from(cells), CompareOptions()).studies[0]
    figure = figures.setting_figure(found, found.quantities[:2])

    dots = [line for line in figure.axes[0].lines if line.get_marker() == "o"]
    assert len(dots[0].get_xdata()) <= figures.MOST_SHOWN
    assert any("of 330 beads shown" in text.get_text() for text in figure.texts)


def test_the_window_is_shaded_where_all_wishes_hold() -> None:
    """From the first to the last setting inside."""
    options = CompareOptions(wishes=(Wish.parse("penetration>=2"),))
    found = compare(rows_from(mag_ladder()), options).studies[0]
    assert found.window is not None
    ax = Figure().subplots()
    figures.draw_window(ax, found.setting, found.window)

    band = ax.patches[0].get_extents().transformed(ax.transData.inverted())
    inside = [c.setting for c in found.window.inside]
    assert inside[0] - 5 < band.x0 < inside[0]
    assert inside[-1] < band.x1 < inside[-1] + 5


def record(target: Path, made: Callable[..., object], **more: object) -> Path:
    """Write a made-up section as a record."""
    target.write_text(record_text(made(**more)), encoding="utf-8")  # type: ignore[arg-type]
    return target


def with_currents(rows):
    """Give the beads falling currents: the order of drawing is then reversed."""
    return [replace(row, settings={"current_a": 240.0 - 20 * row.bead}) for row in rows]


def test_sections_stand_side_by_side_at_one_scale(
    tmp_path: Path, made_up: Callable[..., object]
) -> None:
    """Every panel spans the same millimetres, in order of the setting."""
    rows = with_currents(read_rows(record(tmp_path / "plate.json", made_up, beads=4)))
    found = strip.outlines(join(rows), "current_a", ["2"])
    figure = strip.strip_figure("current_a", found)
    panels = figure.axes[:4]

    assert [o.setting for o in found] == [160, 180, 200, 220]
    assert len({ax.get_xlim() for ax in panels}) == 1
    assert len({ax.get_ylim() for ax in panels}) == 1
    assert "marked" in panels[2].get_title()
    width = {round(ax.get_position().width, 6) for ax in panels}
    assert len(width) == 1


def test_a_section_is_drawn_about_the_middle_of_its_bead(
    tmp_path: Path, made_up: Callable[..., object]
) -> None:
    """8 mm wide and 2.5 mm deep, whatever its place on the plate."""
    rows = with_currents(read_rows(record(tmp_path / "plate.json", made_up)))

    for each in strip.outlines(join(rows), "current_a", []):
        assert each.fusion_xy_mm[:, 0].min() == pytest.approx(-4, abs=1e-3)
        assert each.fusion_xy_mm[:, 0].max() == pytest.approx(4, abs=1e-3)
        assert each.fusion_xy_mm[:, 1].max() == pytest.approx(2.5, abs=1e-3)


def test_the_photo_lies_under_the_outlines_while_it_is_the_one_measured(
    tmp_path: Path, plate_picture: np.ndarray, made_up: Callable[..., object]
) -> None:
    """Same file, same digest: cropped. Another picture by that name: left out."""
    photo = write_picture(tmp_path / "plate.png", plate_picture)
    digest = hashlib.sha256(photo.read_bytes()).hexdigest()
    path = record(tmp_path / "plate.json", made_up, path=photo, sha256=digest)
    rows = with_currents(read_rows(path))

    found = strip.outlines(join(rows), "current_a", [])
    assert [o.photo for o in found] == [photo] * 3
    assert strip.strip_figure("current_a", found).axes[0].images

    write_picture(photo, plate_picture[::-1])
    assert all(o.photo is None for o in strip.outlines(join(rows), "current_a", []))


def test_a_long_plan_goes_over_several_pages() -> None:
    """Forty beads do not fit on one sheet."""
    settings = (("current_a", tuple(float(a) for a in range(120, 220, 5))),)
    pages = plan_pages(plan(Request(None, "S235", 10.0, settings, repeats=2)))

    assert len(pages) == 2
    assert "page 2 of 2" in pages[1].texts[0].get_text()
