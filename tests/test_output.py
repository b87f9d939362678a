"""Tables, records and pictures say what was measured, and nothing else."""

from __future__ import annotations

import csv
import errno
import io
import json
import math
import os
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from conftest import LEFT_PX, PX_PER_MM, TOP_PX, made_up_section

from weldsection.batch import _picture, _summary
from weldsection.errors import DataError, OutputError
from weldsection.flags import Flag
from weldsection.output.closeups import closeups
from weldsection.output.files import ResultsFolder, same_name_key, write_whole
from weldsection.output.geometry import dimensions, section_lines
from weldsection.output.layout import rows_needed, spread
from weldsection.output.overlay import _footer_lines, draw_overlay, overlay_jpeg
from weldsection.output.record import load_record, read_record, record_of, record_text
from weldsection.output.strokes import PENS, Pen, draw_line, plain_letters
from weldsection.output.table import as_csv, as_json, as_table, shown
from weldsection.quantities import COLUMNS
from weldsection.records import ByteArray, Photo, Quality, SectionResult

MakeSection = Callable[..., SectionResult]


@pytest.mark.parametrize(
    ("kind", "height_mm", "told"),
    [("ruler", None, True), ("ruler", 0.0, False), ("thickness", None, False)],
)
def test_what_was_taken_for_granted_is_told(
    made_up: MakeSection, kind: str, height_mm: float | None, told: bool
) -> None:
    """A reference lower than the face makes every length too large, and none shows it.

    10 mm at 300 mm: 3.4 % (reference-values H.3).
    """
    section = made_up()
    beside = replace(section.scale.references[0], kind=kind)
    section = replace(
        section,
        scale=replace(section.scale, references=(beside,)),
        options=replace(section.options, face_height_mm=height_mm),
    )

    assert ("taken to be level" in _summary(section)) is told
    assert any("Taken to be level" in t for t in _footer_lines(section)) is told


def test_the_picture_in_words_leaves_out_what_is_not_known() -> None:
    """The angle of view is that at the coupon, not that of the camera."""
    seen = Quality(21.4, 0.12, 0.0, 11.2, 4.0)

    assert _picture(seen) == (
        "21 px/mm, edge blur 0.12 mm, burnt out 0.0 %, seen 11° askew, "
        "etch contrast 4.0"
    )
    assert "askew" not in _picture(replace(seen, tilt_deg=math.nan))


# ------------------------------------------------------------------------ table


def test_csv_has_exactly_the_agreed_columns(made_up: MakeSection) -> None:
    """The header is the one that other programs rely on, word for word."""
    text = as_csv(made_up().rows())

    assert text.splitlines()[0] == (
        "photo,bead,x_mm,penetration_mm,penetration_u_mm,width_mm,width_u_mm,"
        "reinforcement_mm,reinforcement_u_mm,penetration_area_mm2,"
        "reinforcement_area_mm2,dilution_pct,dilution_u_pct,toe_angle_left_deg,"
        "toe_angle_right_deg,haz_depth_mm,mm_per_px,scale_u_pct,flags"
    )
    assert "\r" not in text


def test_csv_cells_are_what_was_measured(made_up: MakeSection) -> None:
    """A parabola of 8 by 2.5 mm has 13.333 mm²; what is missing is empty."""
    rows = list(csv.DictReader(io.StringIO(as_csv(made_up().rows()))))

    assert [row["bead"] for row in rows] == ["1", "2", "3"]
    assert float(rows[0]["penetration_area_mm2"]) == pytest.approx(13.333, abs=1e-3)
    assert float(rows[0]["dilution_pct"]) == pytest.approx(62.5)
    assert float(rows[0]["scale_u_pct"]) == pytest.approx(0.5)
    assert rows[0]["flags"] == ""
    assert rows[1]["flags"] == "boundary-faint"
    assert rows[1]["haz_depth_mm"] == ""


def test_csv_names_with_commas_and_umlauts_survive(made_up: MakeSection) -> None:
    """A name is quoted where it must be, and read back the same."""
    name = 'Prüfstück 3, "oben" 🔥.jpg'
    text = as_csv(made_up(Path(name)).rows())

    assert next(csv.DictReader(io.StringIO(text)))["photo"] == name


def test_further_columns_follow_the_agreed_ones(made_up: MakeSection) -> None:
    """Settings from a log sheet stand behind, empty where a bead has none."""
    rows = [dict(row) for row in made_up().rows()]
    rows[1]["current_a"] = 160.0
    read = list(csv.DictReader(io.StringIO(as_csv(rows))))

    assert list(read[0]) == [*COLUMNS, "current_a"]
    assert [row["current_a"] for row in read] == ["", "160.0", ""]


def test_json_rows_are_plain_and_missing_is_null(made_up: MakeSection) -> None:
    """Scripts get the same rows with null for what was not measured."""
    rows = json.loads(as_json(made_up().rows()))

    assert list(rows[0]) == list(COLUMNS)
    assert rows[1]["haz_depth_mm"] is None
    assert rows[0]["penetration_mm"] == 2.5


def test_table_to_read_has_units_and_explains_flags_once(
    made_up: MakeSection,
) -> None:
    """Each value has its unit and u, each flag its sentence, once."""
    text = as_table(made_up(beads=6, flags=(Flag.TILT_UNKNOWN,)).rows())
    lines = text.splitlines()

    assert "2.50 ± 0.05" in lines[2]
    assert lines[1].split() == ["mm", "mm", "mm", "mm", "%", "°", "°", "mm"]
    assert text.count(Flag.TILT_UNKNOWN.sentence) == 1
    assert "photo" not in lines[0]


def test_table_columns_are_aligned(made_up: MakeSection) -> None:
    """Decimal points of a column stand below each other."""
    lines = as_table(made_up(beads=12).rows()).splitlines()[2:14]

    assert len({line.index("±") for line in lines}) == 1
    assert len({line.index(".") for line in lines}) == 1


def test_table_of_several_photos_names_them(made_up: MakeSection) -> None:
    """With two photos the first column says which is which."""
    rows = [*made_up(Path("a.jpg")).rows(), *made_up(Path("b\x1b[1m.jpg")).rows()]
    lines = as_table(rows).splitlines()

    assert lines[0].startswith("photo")
    assert lines[2].startswith("a.jpg")
    assert "\x1b" not in "".join(lines)
    assert shown("a\nb") == "a?b"


# ----------------------------------------------------------------------- record


def test_record_and_back_is_the_same_result(
    tmp_path: Path, made_up: MakeSection
) -> None:
    """Rows, picture and record made from a record are those it was made from."""
    result = made_up(Path("Prüfstück 🔥.jpg"), flags=(Flag.COUPON_CUT_OFF,))
    path = tmp_path / "record.json"
    path.write_text(record_text(result), "utf-8")

    again = read_record(path)

    assert again.rows() == result.rows()
    assert record_text(again) == record_text(result)
    assert again.origin == result.origin
    assert again.options == result.options
    assert again.scale.references[0].finding == "The plate is 10.02 mm thick."
    assert again.scale.relative_u_at(np.zeros(2)) == pytest.approx(0.005)
    assert math.isnan(again.quality.tilt_deg)
    assert again.beads[1].trace.doubtful.any()
    for line, other in zip(section_lines(again), section_lines(result), strict=True):
        assert line.role == other.role
        assert np.abs(line.xy_px - other.xy_px).max() < 0.01


def test_record_gives_lines_in_mm_and_in_px(made_up: MakeSection) -> None:
    """A point at 20 px/mm, 60 px from the left, is where its mm say."""
    bead = record_of(made_up())["beads"][0]
    xy_mm, xy_px = np.array(bead["fusion_xy_mm"]), np.array(bead["fusion_xy_px"])

    assert np.allclose(xy_mm * PX_PER_MM + [LEFT_PX, TOP_PX], xy_px, atol=0.01)
    assert len(bead["fusion_u_mm"]) == len(bead["doubtful"]) == len(xy_mm)
    for name in ("left_toe", "right_toe", "cap", "haz"):
        assert f"{name}_xy_mm" in bead
        assert f"{name}_xy_px" in bead


def test_record_is_plain_json(made_up: MakeSection) -> None:
    """No reader needs to know of NaN, which JSON does not have."""
    record = json.loads(record_text(made_up()), parse_constant=pytest.fail)

    assert record["quality"]["tilt_deg"] is None
    assert record["versions"]["numpy"] == np.__version__
    assert record["origin"]["sha256"] == "0" * 64
    assert record["scale"]["u_pct_by_source_mid_face"] == {"caliper": 0.5}


@pytest.mark.parametrize(
    "text",
    ["", "{", "[]", "{}", '{"format": "weldsection section record"}', "\0\1\2"],
)
def test_a_file_that_is_no_record_is_called_so(tmp_path: Path, text: str) -> None:
    """A sentence names the file; nothing is guessed."""
    path = tmp_path / "plate.json"
    path.write_text(text)

    with pytest.raises(DataError, match=re.escape(str(path))):
        read_record(path)


@pytest.mark.parametrize("part", ["origin", "scale", "beads", "surface", "options"])
def test_a_record_with_a_part_missing_is_damaged(
    tmp_path: Path, made_up: MakeSection, part: str
) -> None:
    """A record someone edited is refused, not half read."""
    record = record_of(made_up())
    record[part] = {}
    path = tmp_path / "plate.json"
    path.write_text(json.dumps(record))

    if part == "beads":
        assert read_record(path).beads == ()
        return
    with pytest.raises(DataError, match="damaged record"):
        read_record(path)


def test_a_record_of_another_version_is_refused(
    tmp_path: Path, made_up: MakeSection
) -> None:
    """What later versions write may mean something else."""
    path = tmp_path / "plate.json"
    path.write_text(json.dumps({**record_of(made_up()), "format_version": 99}))

    with pytest.raises(DataError, match="another version"):
        load_record(path)


# ---------------------------------------------------------------------- picture


@pytest.fixture
def photo(plate_picture: ByteArray) -> Photo:
    """The photo that made-up results belong to."""
    return Photo(plate_picture, made_up_section().origin)


def test_lines_drawn_are_the_lines_measured(made_up: MakeSection) -> None:
    """In photo pixels the fusion line lies where its millimetres are."""
    result = made_up(beads=1)
    fusion = [line for line in section_lines(result) if line.role == "fusion line"]
    expected = result.beads[0].trace.fusion_xy_mm * PX_PER_MM + [LEFT_PX, TOP_PX]

    assert len(fusion) == 1
    assert np.allclose(fusion[0].xy_px, expected)


def test_a_doubtful_stretch_is_a_line_of_its_own(made_up: MakeSection) -> None:
    """Seen, bridged, seen: three pieces that join, the middle one dashed."""
    result = made_up(beads=3)
    pieces = [
        line for line in section_lines(result) if line.role.startswith("fusion line")
    ]

    assert [piece.role for piece in pieces] == [
        "fusion line",
        "fusion line",
        "fusion line, doubtful",
        "fusion line",
        "fusion line",
    ]
    assert np.array_equal(pieces[1].xy_px[-1], pieces[2].xy_px[0])
    assert np.array_equal(pieces[2].xy_px[-1], pieces[3].xy_px[0])
    assert PENS["fusion line, doubtful"].dash_px


def test_dimensions_are_what_the_table_says(made_up: MakeSection) -> None:
    """The drawn P is 2.5 mm and the drawn R 1.5 mm long, square to the plate."""
    result = made_up()
    lengths_mm = {
        d.symbol: float(np.hypot(*(d.end_xy_px - d.start_xy_px))) / PX_PER_MM
        for d in dimensions(result.beads[0], result)
    }

    assert lengths_mm == pytest.approx({"P": 2.5, "R": 1.5})


def test_the_edge_itself_is_not_painted_over(photo: Photo) -> None:
    """Between the two thin lines of a traced edge the photo shows through."""
    for role, pen in PENS.items():
        ground = np.full((80, 200, 3), 128, np.uint8)
        draw_line(ground, np.array([[10.0, 40.0], [190.0, 40.0]]), pen)

        assert (ground[40] == 128).all(), role
        assert (ground != 128).any(), role


def test_picture_keeps_the_photo_and_adds_strips(
    photo: Photo, made_up: MakeSection
) -> None:
    """Away from the lines the photo is there unchanged, at readable size."""
    picture = draw_overlay(photo, made_up())

    assert 1200 <= max(picture.shape) <= 2600
    assert (picture[2, 2] == 255).all()
    assert (picture[-2, 2] == 255).all()
    plate = (np.abs(picture.astype(int) - (170, 165, 160)) < 12).all(axis=2)
    assert 0.1 < plate.mean() < 0.6


def test_a_small_photo_is_enlarged_and_its_sentences_have_room(
    plate_picture: ByteArray, made_up: MakeSection
) -> None:
    """A photo of 300 pixels gives a picture on which everything can be read."""
    small = cv2.resize(plate_picture, (350, 125), interpolation=cv2.INTER_AREA)
    result = made_up(beads=2)
    smaller = np.diag([0.25, 0.25, 1.0])
    result = replace(result, mm_to_px=smaller @ result.mm_to_px)

    picture = draw_overlay(Photo(small, result.origin), result)

    assert picture.shape[1] >= 1300


@pytest.mark.parametrize("beads", [1, 2, 9, 20])
def test_any_number_of_beads_has_room(
    photo: Photo, made_up: MakeSection, beads: int
) -> None:
    """From one bead to twenty the picture can be drawn and decoded."""
    coded = overlay_jpeg(photo, made_up(beads=beads))

    assert cv2.imdecode(np.frombuffer(coded, np.uint8), cv2.IMREAD_COLOR) is not None


def test_close_ups_show_each_bead_with_its_lines_and_without(
    photo: Photo, made_up: MakeSection
) -> None:
    """The lower one is the photo and nothing else; the upper one has lines."""
    strip = closeups(photo, made_up(beads=2), 1300)
    half = strip.shape[0] // 2
    marked, plain = strip[: half - 8, 8:600], strip[half:-8, 8:600]

    assert marked.shape == plain.shape
    assert (marked != plain).any(axis=2).mean() > 0.02
    levels = {tuple(level) for level in plain.reshape(-1, 3)[::50].tolist()}
    # steel, bench and weld are grey or brown: no drawn colour is among them
    assert not any(max(level) - min(level) > 60 for level in levels)


@pytest.mark.parametrize("beads", [1, 8, 9, 20])
def test_close_ups_have_room_for_any_number_of_beads(
    photo: Photo, made_up: MakeSection, beads: int
) -> None:
    """The strip is as wide as asked, in as many rows as it takes."""
    strip = closeups(photo, made_up(beads=beads), 1300)

    assert strip.shape[1] == 1300
    assert len(closeups(photo, made_up(beads=0), 1300)) == 0


def test_a_picture_of_nothing_measured_can_be_drawn(
    photo: Photo, made_up: MakeSection
) -> None:
    """No bead at all is drawn as a plate without beads."""
    assert draw_overlay(photo, made_up(beads=0)).ndim == 3


def test_every_kind_of_line_differs_in_grey_print() -> None:
    """Without colour the patterns still tell the lines apart."""
    patterns = []
    for pen in PENS.values():
        ground = np.full((80, 200, 3), 128, np.uint8)
        draw_line(ground, np.array([[10.0, 40.0], [190.0, 40.0]]), pen)
        grey = cv2.cvtColor(ground, cv2.COLOR_BGR2GRAY).astype(int)
        patterns.append(grey)

    for i, one in enumerate(patterns):
        for other in patterns[i + 1 :]:
            assert np.abs(one - other).sum() > 2000


def test_lines_are_drawn_to_a_fraction_of_a_pixel() -> None:
    """A line at row 40.25 has its weight at row 40.25."""
    ground = np.zeros((80, 200, 3), np.uint8)
    pen = Pen((255, 255, 255), casing=(0, 0, 0))
    draw_line(ground, np.array([[10.0, 40.25], [190.0, 40.25]]), pen)
    weight = ground[:, 50:150, 0].sum(axis=1).astype(float)

    assert weight @ np.arange(80) / weight.sum() == pytest.approx(40.25, abs=0.15)


@pytest.mark.parametrize("count", [1, 2, 7, 20])
def test_labels_never_lie_on_each_other(count: int) -> None:
    """However the beads crowd, neighbours stand their distance apart."""
    wanted = np.sort(np.random.default_rng(count).uniform(0, 400, count))
    places = spread(wanted, 100.0, 50.0, 2350.0)

    assert (np.diff(places) >= 100 - 1e-9).all()
    assert places.min() >= 50
    assert places.max() <= 2350


def test_labels_move_as_little_as_possible() -> None:
    """Two at one place step aside evenly; outside check: least squares by hand."""
    assert spread(np.array([100.0, 100.0]), 40, 0, 500).tolist() == [80.0, 120.0]
    assert spread(np.array([100.0, 300.0]), 40, 0, 500).tolist() == [100.0, 300.0]
    assert rows_needed(30, 160, 2400) == 2


def test_letters_the_font_lacks_are_replaced() -> None:
    """A picture's caption is never an empty box."""
    assert plain_letters("Prüfstück 🔥") == "Prufstuck ?"


# ------------------------------------------------------------------------ files


def test_a_failed_write_leaves_the_old_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A full disk costs the new file only, and says that the disk is full."""
    path = tmp_path / "beads.csv"
    write_whole(path, b"old")

    def full(self: Path, content: bytes) -> int:
        with self.open("wb") as half:
            half.write(content[:2])
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(Path, "write_bytes", full)

    with pytest.raises(OutputError, match="disk is full"):
        write_whole(path, b"new content")
    assert path.read_bytes() == b"old"
    assert os.listdir(tmp_path) == ["beads.csv"]  # noqa: PTH208 - names alone


def test_an_interrupted_write_leaves_no_trace(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ctrl-C between writing and renaming leaves neither half nor temporary."""

    def stop(self: Path, target: Path) -> Path:
        raise KeyboardInterrupt

    monkeypatch.setattr(Path, "replace", stop)

    with pytest.raises(KeyboardInterrupt):
        write_whole(tmp_path / "beads.csv", b"new")
    assert list(tmp_path.iterdir()) == []


def test_left_overs_of_a_killed_run_are_cleared(tmp_path: Path) -> None:
    """What a kill left under a temporary name is gone after the next start."""
    folder = ResultsFolder(tmp_path / "out")
    folder.prepare()
    (folder.overlays / ".weldsection-99-jpg.part").write_bytes(b"half")
    (folder.root / "notes.txt").write_text("mine")

    folder.prepare()

    assert list(folder.overlays.iterdir()) == []
    assert (folder.root / "notes.txt").exists()


def test_a_file_in_the_way_of_the_folder(tmp_path: Path) -> None:
    """A file of the folder's name is not overwritten."""
    (tmp_path / "out").write_text("mine")

    with pytest.raises(OutputError, match="a file is in the way"):
        ResultsFolder(tmp_path / "out").prepare()
    assert (tmp_path / "out").read_text() == "mine"


def test_names_that_some_file_systems_take_for_the_same() -> None:
    """Capital letters, endings and the coding of accents make no difference."""
    composed, taken_apart = Path("Prüf.jpg"), Path("pru\u0308f.JPEG")

    assert same_name_key(composed) == same_name_key(taken_apart)
    assert same_name_key(Path("a.jpg")) != same_name_key(Path("b.jpg"))
