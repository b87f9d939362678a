"""``weldsection measure``: what it writes, what it keeps, how it goes on."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from pathlib import Path

import pytest
from conftest import Ran, write_picture

from weldsection.batch import Batch, PhotoOutcome, Task, measure_batch, plain_rows
from weldsection.errors import OutputError
from weldsection.output.files import ResultsFolder
from weldsection.quantities import COLUMNS
from weldsection.records import ByteArray, Options

CommandLine = Callable[..., Ran]
THICKNESS = ("--reference", "thickness=10.02")

pytestmark = pytest.mark.usefixtures("made_up_pipeline")


@pytest.fixture
def photos(tmp_path: Path, plate_picture: ByteArray) -> list[Path]:
    """Three photos, no two the same."""
    made = []
    for i, name in enumerate(["b.jpg", "a.png", "Prüf stück 🔥.jpg"]):
        picture = plate_picture.copy()
        picture[400 + 10 * i : 480, 100:200] = 90
        made.append(write_picture(tmp_path / name, picture))
    return made


def listed(folder: Path) -> list[str]:
    """Give every file below a folder, temporary ones too."""
    return sorted(
        str(path.relative_to(folder)) for path in folder.rglob("*") if path.is_file()
    )


def rows_in(folder: Path) -> list[dict[str, str]]:
    """Give the rows of the table in a results folder."""
    with (folder / "beads.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


# ----------------------------------------------------------------------- output


def test_one_photo_gives_table_record_and_picture(
    command_line: CommandLine, tmp_path: Path, photos: list[Path]
) -> None:
    """The default folder holds exactly the promised files."""
    ran = command_line("measure", photos[0], *THICKNESS)

    assert ran.code == 0
    assert listed(tmp_path / "weldsection-out") == [
        "beads.csv",
        "overlays/b.jpg",
        "sections/b.json",
    ]
    assert "2.50 ± 0.05" in ran.out
    assert "(1/1) b.jpg: 3 beads, scale from thickness ± 0.5 %" in ran.err
    assert (
        "picture: 20 px/mm, edge blur 0.05 mm, burnt out 0.0 %, etch contrast"
        in ran.err
    )
    assert "Lay a rule beside the coupon." in ran.err


def test_rows_come_in_the_order_asked_for(
    command_line: CommandLine, tmp_path: Path, photos: list[Path]
) -> None:
    """Photos stand in the table as they stood on the command line."""
    command_line("measure", *photos, *THICKNESS, "--out", "out", "--first-bead", "7")
    rows = rows_in(tmp_path / "out")

    assert [row["photo"] for row in rows[::3]] == [photo.name for photo in photos]
    assert [row["bead"] for row in rows[:3]] == ["7", "8", "9"]


def test_standard_output_can_be_csv_or_json(
    command_line: CommandLine, tmp_path: Path, photos: list[Path]
) -> None:
    """For scripts standard output holds the rows and nothing else."""
    as_csv = command_line("measure", photos[0], *THICKNESS, "--format", "csv")
    as_json = command_line("measure", photos[0], *THICKNESS, "--format", "json")

    table = tmp_path / "weldsection-out" / "beads.csv"
    assert as_csv.out == table.read_text("utf-8")
    assert list(json.loads(as_json.out)[0]) == list(COLUMNS)


def test_quiet_says_nothing(command_line: CommandLine, photos: list[Path]) -> None:
    """With --quiet only what went wrong is said, and rows if asked for."""
    assert command_line("measure", photos[0], *THICKNESS, "--quiet") == Ran(0, "", "")
    rows = command_line("measure", photos[0], *THICKNESS, "--quiet", "--format", "csv")
    assert rows.out.startswith("photo,bead,")
    assert rows.err == ""


def test_the_photo_is_not_touched(
    command_line: CommandLine, photos: list[Path]
) -> None:
    """The source photo keeps its bytes and its time."""
    before = [(p.read_bytes(), p.stat().st_mtime_ns) for p in photos]
    command_line("measure", *photos, *THICKNESS)

    assert [(p.read_bytes(), p.stat().st_mtime_ns) for p in photos] == before


# ---------------------------------------------------------------- earlier results


def test_running_again_takes_finished_photos_over(
    command_line: CommandLine, tmp_path: Path, photos: list[Path]
) -> None:
    """After an interruption only the missing photo is measured."""
    out = tmp_path / "weldsection-out"
    command_line("measure", *photos, *THICKNESS)
    first = (out / "beads.csv").read_bytes()
    record = out / "sections" / "b.json"
    before = record.stat().st_mtime_ns
    (out / "sections" / "a.json").unlink()

    ran = command_line("measure", *photos, *THICKNESS)

    assert ran.code == 0
    assert ran.err.count("(measured before)") == 2
    assert record.stat().st_mtime_ns == before
    assert (out / "beads.csv").read_bytes() == first
    assert (out / "sections" / "a.json").exists()


def test_a_further_photo_joins_the_earlier_ones(
    command_line: CommandLine, tmp_path: Path, photos: list[Path]
) -> None:
    """The photos of yesterday and one more make one table."""
    command_line("measure", *photos[:2], *THICKNESS)
    ran = command_line("measure", *photos, *THICKNESS)

    assert ran.code == 0
    assert len(rows_in(tmp_path / "weldsection-out")) == 9


@pytest.mark.parametrize(
    "change",
    [
        ("--reference", "thickness=9.8"),
        (*THICKNESS, "--first-bead", "2"),
        (*THICKNESS, "--order", "right-to-left"),
    ],
)
def test_results_of_other_options_are_kept(
    command_line: CommandLine,
    tmp_path: Path,
    photos: list[Path],
    change: tuple[str, ...],
) -> None:
    """Another run may not replace an earlier one unless told to."""
    out = tmp_path / "weldsection-out"
    command_line("measure", photos[0], *THICKNESS)
    before = {name: (out / name).read_bytes() for name in listed(out)}

    ran = command_line("measure", photos[0], *change)

    assert ran.code == 1
    assert "--overwrite" in ran.err
    assert ran.err.count("\n") == 1
    assert {name: (out / name).read_bytes() for name in listed(out)} == before
    assert command_line("measure", photos[0], *change, "--overwrite").code == 0


def test_results_of_other_photos_are_kept(
    command_line: CommandLine, tmp_path: Path, photos: list[Path]
) -> None:
    """With --overwrite the folder afterwards holds the new run alone."""
    command_line("measure", photos[0], *THICKNESS)

    assert command_line("measure", photos[1], *THICKNESS).code == 1
    assert command_line("measure", photos[1], *THICKNESS, "--overwrite").code == 0
    assert listed(tmp_path / "weldsection-out") == [
        "beads.csv",
        "overlays/a.jpg",
        "sections/a.json",
    ]


def test_a_failed_run_replaces_nothing(
    command_line: CommandLine, tmp_path: Path, photos: list[Path]
) -> None:
    """Told to overwrite, but with nothing to put in its place: all is kept."""
    out = tmp_path / "weldsection-out"
    command_line("measure", photos[0], *THICKNESS)
    before = {name: (out / name).read_bytes() for name in listed(out)}

    assert command_line("measure", "no.jpg", *THICKNESS, "--overwrite").code == 1
    assert {name: (out / name).read_bytes() for name in listed(out)} == before


def test_a_changed_photo_is_not_taken_over(
    command_line: CommandLine, photos: list[Path], plate_picture: ByteArray
) -> None:
    """The same name with other content is another photo."""
    command_line("measure", photos[0], *THICKNESS)
    write_picture(photos[0], plate_picture[:, ::-1])

    assert "--overwrite" in command_line("measure", photos[0], *THICKNESS).err


def test_a_table_that_is_not_ours_is_kept(
    command_line: CommandLine, tmp_path: Path, photos: list[Path]
) -> None:
    """A beads.csv somebody put there is not replaced unasked."""
    (tmp_path / "weldsection-out").mkdir()
    table = tmp_path / "weldsection-out" / "beads.csv"
    table.write_text("mine")

    assert command_line("measure", photos[0], *THICKNESS).code == 1
    assert table.read_text() == "mine"


# -------------------------------------------------------------------- failures


def test_one_bad_photo_does_not_cost_the_others(
    command_line: CommandLine, tmp_path: Path, photos: list[Path]
) -> None:
    """The rest is measured and written, and the exit code says one failed."""
    (tmp_path / "bad.jpg").write_text("no picture")
    ran = command_line(
        "measure", photos[0], tmp_path / "bad.jpg", photos[1], *THICKNESS
    )

    assert ran.code == 1
    assert "bad.jpg is not a picture" in ran.err
    assert "1 of 3 photos could not be measured" in ran.err
    assert len(rows_in(tmp_path / "weldsection-out")) == 6


def test_a_fault_of_ours_is_one_sentence_too(
    command_line: CommandLine, photos: list[Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Even an error nobody thought of costs one photo only."""

    def broken(photo: object, options: object) -> None:
        raise ZeroDivisionError("division by zero")

    monkeypatch.setattr("weldsection.batch.measure_section", broken)
    ran = command_line("measure", photos[0], *THICKNESS)

    assert ran.code == 1
    assert ran.err.count("\n") == 1
    assert "b.jpg could not be measured (ZeroDivisionError" in ran.err


def test_when_nothing_is_measured_nothing_is_left(
    command_line: CommandLine, tmp_path: Path
) -> None:
    """A run without results leaves no empty folders and no empty table."""
    ran = command_line("measure", "missing.jpg", *THICKNESS)

    assert ran.code == 1
    assert ran.err.count("\n") == 1
    assert list(tmp_path.iterdir()) == []


def test_a_full_disk_ends_the_run_in_one_sentence(
    command_line: CommandLine,
    tmp_path: Path,
    photos: list[Path],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """It would be full for the other photos too; what is finished stays."""

    def full(path: Path, content: bytes) -> None:
        if path.stem == "a":
            raise OutputError(f"The disk is full, so {path} cannot be written.")
        path.write_bytes(content)

    monkeypatch.setattr("weldsection.batch.write_whole", full)
    ran = command_line("measure", *photos, *THICKNESS)

    assert ran.code == 1
    assert "The disk is full" in ran.err
    assert len(rows_in(tmp_path / "weldsection-out")) == 3


def test_ctrl_c_keeps_what_was_finished(
    command_line: CommandLine,
    tmp_path: Path,
    photos: list[Path],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Stopped at the second photo, the first is there, in the table too."""
    from weldsection import batch  # noqa: PLC0415 - its function is replaced

    real = batch.read_photo

    def stop(path: Path) -> object:
        if path.stem == "a":
            raise KeyboardInterrupt
        return real(path)

    monkeypatch.setattr(batch, "read_photo", stop)
    ran = command_line("measure", *photos, *THICKNESS)

    assert ran.code == 130
    assert "what was finished is kept" in ran.err
    assert listed(tmp_path / "weldsection-out") == [
        "beads.csv",
        "overlays/b.jpg",
        "sections/b.json",
    ]


# -------------------------------------------------------------- log and numbers


def test_bead_numbers_of_each_photo(
    command_line: CommandLine, tmp_path: Path, photos: list[Path]
) -> None:
    """--beads numbers the beads of each photo; counting down turns the order."""
    ran = command_line(
        "measure", *photos[:2], *THICKNESS, "--beads", "1-3", "--beads", "6-4"
    )
    rows = rows_in(tmp_path / "weldsection-out")

    assert ran.code == 0
    assert [row["bead"] for row in rows] == ["1", "2", "3", "4", "5", "6"]
    record = json.loads((tmp_path / "weldsection-out/sections/a.json").read_text())
    assert record["options"]["order"] == "right-to-left"


def test_a_range_of_another_length_names_both_counts(
    command_line: CommandLine, tmp_path: Path, photos: list[Path]
) -> None:
    """Three beads cannot be numbered 1 to 5; the plain table is kept."""
    ran = command_line("measure", photos[0], *THICKNESS, "--beads", "1-5")

    assert ran.code == 1
    assert "shows 3 beads and --beads 1-5 names 5" in ran.err
    assert len(rows_in(tmp_path / "weldsection-out")) == 3


def test_settings_of_the_log_sheet_stand_beside_the_beads(
    command_line: CommandLine, tmp_path: Path, photos: list[Path]
) -> None:
    """Current and remarks of each bead follow the agreed columns."""
    log = tmp_path / "log.csv"
    log.write_text("bead,current_a,remarks\n1,120,\n2,150,arc wandered\n3,180,\n")
    ran = command_line("measure", photos[0], *THICKNESS, "--log", log)
    rows = rows_in(tmp_path / "weldsection-out")

    assert ran.code == 0
    assert list(rows[0])[: len(COLUMNS)] == list(COLUMNS)
    assert [float(row["current_a"]) for row in rows] == [120, 150, 180]
    assert rows[1]["remarks"] == "arc wandered"


def test_a_log_sheet_of_other_beads_names_both_counts(
    command_line: CommandLine, tmp_path: Path, photos: list[Path]
) -> None:
    """A sheet of two beads does not fit a photo of three."""
    log = tmp_path / "log.csv"
    log.write_text("bead,current_a\n1,120\n2,150\n")
    ran = command_line("measure", photos[0], *THICKNESS, "--log", log)

    assert ran.code == 1
    assert "3" in ran.err
    assert len(rows_in(tmp_path / "weldsection-out")) == 3


# ---------------------------------------------------------------- for real, slow


def test_reports_come_for_every_photo(tmp_path: Path, photos: list[Path]) -> None:
    """From Python the same batch can be run with a listener of one's own."""
    seen: list[PhotoOutcome] = []
    tasks = tuple(Task(photo, Options(("thickness=10.02",))) for photo in photos)
    outcomes = measure_batch(
        Batch(tasks, ResultsFolder(tmp_path / "out")),
        seen.append,
        plain_rows,
    )

    assert outcomes == seen
    assert [outcome.photo for outcome in outcomes] == photos
