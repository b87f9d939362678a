"""The compare command from table to findings, figures and tables."""

from __future__ import annotations

import csv
import os
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from conftest import Ran
from outside_data import ELECTRON_BEAM, laser_tracks
from study_helpers import Cells, bead_cells, mag_ladder, rows_from, write_table

from weldsection.errors import DataError
from weldsection.output.record import record_text
from weldsection.study.compare import CompareOptions, compare, settings_to_compare
from weldsection.study.findings import findings
from weldsection.study.heat import process
from weldsection.study.results import write_results
from weldsection.study.tables import read_rows
from weldsection.study.terms import term
from weldsection.study.trend import Verdict
from weldsection.study.window import Wish

CommandLine = Callable[..., Ran]


def compared(cells: list[Cells], **options: object):
    """Compare invented beads."""
    return compare(rows_from(cells), CompareOptions(**options))  # type: ignore[arg-type]


def found_for(comparison, name: str, setting: str = "current_a"):
    """The study of one quantity against one setting."""
    (study,) = (s for s in comparison.studies if s.setting == setting)
    return next(q for q in study.quantities if q.quantity.name == name)


def test_a_ladder_is_told_as_it_was_made() -> None:
    """Penetration flat from 180 A, width rising all the way."""
    found = compared(mag_ladder())

    turn = found_for(found, "penetration").trend.turn
    assert found_for(found, "penetration").trend.verdict is Verdict.PLATEAU
    assert turn is not None
    assert turn.low < 180 < turn.high
    assert found_for(found, "width").trend.verdict is Verdict.STRAIGHT
    text = findings(found)
    # past some current a bead widens rather than deepens: common practice, no source
    assert "the bead grows wider and no longer deeper" in text
    assert "Penetration rises to about" in text
    assert "Width rises all the way" in text
    assert "each welded once" in text


def test_voltage_that_went_along_is_named_and_not_told_twice() -> None:
    """Current and voltage of a power source rise together; heat input stays."""
    found = compared(mag_ladder(), process=process("135"))

    assert [s.setting for s in found.studies] == ["current_a", "heat_input_kj_mm"]
    assert "Voltage (r = 1.00) went along with current" in findings(found)
    assert "k = 0.8 for mag" in findings(found)


def test_a_setting_held_the_same_is_named() -> None:
    """Travel speed was 350 mm/min throughout."""
    assert "Held the same: travel 350 mm/min" in findings(compared(mag_ladder()))


def test_a_ladder_from_cold_to_hot_is_called_confounded() -> None:
    """Warming of the plate and current cannot be separated; and what to do."""
    cells = [cell | {"run_order": k} for k, cell in enumerate(mag_ladder(), 1)]

    text = findings(compared(cells))

    # a warm plate needs less current for the same depth: common practice, no source
    assert "cannot be separated here" in text
    assert "once more, in random order" in text
    assert found_for(compared(cells), "penetration").drift is None


def test_one_photos_scale_error_leaves_the_comparison_alone() -> None:
    """Scale 5 % unsure in place of 0.5 %: same verdict, break and interval."""
    sure = mag_ladder()
    unsure = []
    for cell in sure:
        depth = float(str(cell["penetration_mm"]))
        own = 0.06**2 - (0.005 * depth) ** 2
        u = (own + (0.05 * depth) ** 2) ** 0.5
        unsure.append(cell | {"scale_u_pct": 5, "penetration_u_mm": u})

    a = found_for(compared(sure), "penetration").trend
    b = found_for(compared(unsure), "penetration").trend

    assert a.turn is not None
    assert b.turn is not None
    assert b.turn.at == pytest.approx(a.turn.at, rel=1e-6)
    assert (b.turn.low, b.turn.high) == pytest.approx(
        (a.turn.low, a.turn.high), rel=1e-6
    )


def test_a_marked_bead_stays_and_both_answers_are_given() -> None:
    """A restart at the top of the ladder makes the curve; without it, another one."""
    cells = mag_ladder(spread=0.02)
    # one cold restart in the flat part hides the plateau's end
    cells[-1] |= {"penetration_mm": 1.2, "remarks": "restart"}
    found = compared(cells)
    study = found_for(found, "penetration")

    assert found.doubtful == ("11",)
    assert study.trend.points.x.size == 11
    assert study.without is not None
    assert study.without.points.x.size == 10
    assert study.changes_without
    text = findings(found)
    assert "Marked bead: 11 (restart)" in text
    assert "Without the marked beads: penetration" in text


def test_a_flag_that_all_beads_share_marks_none() -> None:
    """A tilt nobody knows is no reason to doubt one bead more than another."""
    cells = [cell | {"flags": "tilt-unknown"} for cell in mag_ladder()]
    cells[3]["flags"] = "tilt-unknown;glare"

    assert compared(cells).doubtful == ("4",)


def test_beads_that_sit_on_the_plate_are_a_finding_and_no_doubt() -> None:
    """At the low end beads sit on the plate (common practice, no source)."""
    cells = mag_ladder()
    cells[0] |= {"penetration_mm": 0.05, "flags": "no-fusion"}
    found = compared(cells)

    assert found.doubtful == ()
    assert "told from zero at bead 1; it may only sit on the plate" in findings(found)


def test_groups_and_window_are_told_in_words() -> None:
    """Margin and wishes come back as sentences with the settings named."""
    found = compared(
        mag_ladder(repeats=3, spread=0.03),
        margins=((term("penetration"), 0.4),),
        wishes=(Wish.parse("penetration>=1.5"), Wish.parse("dilution<=58")),
    )
    text = findings(found)

    assert "are shown to be alike in penetration within 0.40 mm" in text
    assert "All wishes (penetration at least 1.5 mm and dilution at most 58 %)" in text


# The answers a sound tool should give on 316L laser tracks, from table to sentence
# (KU Leuven, DOI 10.6084/m9.figshare.15035733.v1; reference-values E.1).
SENTENCES = [
    (800, "width", "rises to about 206 W (somewhere between 100 and 23"),
    (900, "width", "flat from 200 W"),
    (900, "width", "Where the change ends cannot be told"),
    (
        800,
        "depth",
        "still rises; the flattening rests on the last setting (600 W) alone",
    ),
    (900, "depth", "still rises"),
    (600, "depth", "rises all the way"),
    (600, "width", "flattens near 400 W, but not to a clean plateau"),
]


@pytest.mark.parametrize(("speed", "what", "sentence"), SENTENCES)
def test_laser_tracks_are_told_in_words(speed: int, what: str, sentence: str) -> None:
    """Six answers, reached from the rows alone."""
    power, values = laser_tracks(speed, what)
    cells = [
        {"photo": "tracks", "bead": k, "width_mm": v / 1000, "power_w": p}
        for k, (p, v) in enumerate(zip(power, values, strict=True), 1)
    ]

    assert sentence in findings(compared(cells))


def test_replication_is_counted_in_beads() -> None:
    """Four sections of each sample are not four beads (reference-values E.2)."""
    cells: list[Cells] = []
    for line in ELECTRON_BEAM.strip().splitlines():
        sample, current, *_, sections = line.split(",")
        cells += [
            {
                "photo": f"cut {k}",
                "bead": sample,
                "cut": k,
                "penetration_mm": each.split("/")[0],
                "width_mm": each.split("/")[1],
                "beam_ma": current,
            }
            for k, each in enumerate(sections.split())
        ]
    found = compare(rows_from(cells), CompareOptions(against=("beam_ma",)))

    assert len(found.beads) == 18
    assert sum(found.studies[0].beads_each) == 18
    assert "Sections of one bead scatter by 0.0420 mm in penetration" in findings(found)


def test_beads_without_a_value_are_named_not_lost() -> None:
    """Two beads without penetration stay in the tables and are named."""
    cells = mag_ladder()
    cells[2]["penetration_mm"] = cells[6]["penetration_mm"] = ""

    study = found_for(compared(cells), "penetration")

    assert study.left_out == ("3", "7")
    assert "beads 3 and 7" in findings(compared(cells))


def test_settings_without_spread_are_refused() -> None:
    """File, column, rows and value are named."""
    cells = [bead_cells(k, 2 + 0.1 * k, current_a=180) for k in range(1, 6)]

    with pytest.raises(DataError, match="column current_a: rows 2 to 6 all have 180 A"):
        compared(cells)


def test_a_small_step_counts_when_it_is_asked_for() -> None:
    """180 and 184 A differ by 2 %: taken for held, unless the user says otherwise."""
    cells = [
        bead_cells(k, 2 + 0.1 * k, current_a=180 + 4 * (k % 2)) for k in range(1, 7)
    ]

    with pytest.raises(DataError, match="rows 2 to 7"):
        compared(cells)
    found = compared(cells, against=("current_a",))
    assert found.studies[0].setting == "current_a"


def test_no_settings_at_all_are_refused() -> None:
    """A table straight from the photo needs its log sheet."""
    with pytest.raises(DataError, match="give the log sheet with --log"):
        compared([bead_cells(k) for k in range(1, 5)])


def test_an_unknown_setting_is_refused() -> None:
    """The settings there are, are named."""
    rows = rows_from(mag_ladder())

    with pytest.raises(DataError, match="no setting 'gas'; the tables hold current_a"):
        settings_to_compare(rows, CompareOptions(against=("gas",)))


def test_several_coupons_are_compared_together() -> None:
    """Each photo's scale error is its own; beads of one number are not mixed up."""
    rows = [
        replace(row, coupon=f"plate-{k}", photo=f"{k}.jpg")
        for k in range(3)
        for row in rows_from(mag_ladder(seed=k))
    ]

    found = compare(rows, CompareOptions())

    assert len(found.beads) == 33
    assert set(found.studies[0].beads_each) == {3}
    assert found_for(found, "penetration").trend.verdict is Verdict.PLATEAU


def test_coupons_that_differ_are_named() -> None:
    """A plate read, or welded, 15 % deeper than two others is pointed out."""

    def rows(deep: float):
        for k in range(3):
            for cell in mag_ladder(seed=k, spread=0.03):
                depth = float(str(cell["penetration_mm"])) * (deep if k == 2 else 1)
                yield cell | {
                    "coupon": f"plate-{k}",
                    "photo": f"{k}.jpg",
                    "penetration_mm": depth,
                }

    same, other = compared(list(rows(1.0))), compared(list(rows(1.15)))

    assert found_for(same, "penetration").shift is None
    shift = found_for(other, "penetration").shift
    assert shift is not None
    assert shift.coupon == "plate-2"
    assert "the beads of plate-2 lie" in findings(other)


def test_a_plan_that_was_not_logged_is_said_so() -> None:
    """Planned currents stand in, and the reader is told."""
    cells = [cell | {"planned_current_a": cell["current_a"]} for cell in mag_ladder()]

    assert "Current is the planned one at every bead" in findings(compared(cells))


# ------------------------------------------------------------- command line


def table(folder: Path, **options: object) -> Path:
    """The ladder as a file."""
    return write_table(folder / "beads.csv", mag_ladder(**options))  # type: ignore[arg-type]


def test_everything_is_written_and_can_be_read(
    command_line: CommandLine, tmp_path: Path
) -> None:
    """Findings, tables and figures lie in the folder; standard output has the text."""
    ran = command_line(
        "compare", table(tmp_path), "--process", "135", "--margin", "penetration=0.3",
        "--want", "penetration>=1.5", "--out", "study",
    )  # fmt: skip

    assert ran.code == 0, ran.err
    assert ran.out == (tmp_path / "study" / "findings.md").read_text("utf-8")
    names = {path.name for path in (tmp_path / "study").iterdir()}
    assert names >= {
        "beads_joined.csv", "settings.csv", "trends.csv", "pairs.csv", "window.csv",
        "current.png", "current.svg", "heat_input.png", "window_current.png",
    }  # fmt: skip
    with (tmp_path / "study" / "trends.csv").open(encoding="utf-8") as held:
        first = next(csv.DictReader(held))
    assert first["verdict"] == "plateau"
    assert float(first["break_low"]) < 180 < float(first["break_high"])


def test_columns_nobody_declared_are_kept(
    command_line: CommandLine, tmp_path: Path
) -> None:
    """The gas written beside each bead stands in the joined table too."""
    cells = [cell | {"gas": "M21"} for cell in mag_ladder()]
    command_line("compare", write_table(tmp_path / "b.csv", cells), "--out", "study")

    with (tmp_path / "study" / "beads_joined.csv").open(encoding="utf-8") as held:
        assert {row["gas"] for row in csv.DictReader(held)} == {"M21"}


def test_an_earlier_run_is_kept_unless_overwriting_is_asked_for(
    command_line: CommandLine, tmp_path: Path
) -> None:
    """Nothing in the folder changes, and the sentence says what to do."""
    path = table(tmp_path)
    assert command_line("compare", path, "--out", "study").code == 0
    before = (tmp_path / "study" / "findings.md").stat().st_mtime_ns

    refused = command_line("compare", path, "--out", "study")
    allowed = command_line("compare", path, "--out", "study", "--overwrite")

    assert refused.code == 1
    assert "give --overwrite" in refused.err
    assert allowed.code == 0
    assert (tmp_path / "study" / "findings.md").stat().st_mtime_ns > before


def test_a_second_run_writes_the_same_bytes(
    command_line: CommandLine, tmp_path: Path
) -> None:
    """No dates, no chance: what is compared again comes out the same."""
    path = table(tmp_path)
    for folder in ("a", "b"):
        command_line("compare", path, "--want", "penetration>=2", "--out", folder)

    for made in sorted((tmp_path / "a").iterdir()):
        assert made.read_bytes() == (tmp_path / "b" / made.name).read_bytes(), made.name


@pytest.mark.parametrize(
    ("arguments", "code", "sentence"),
    [
        (["--want", "penetration"], 2, "is no wish"),
        (["--margin", "penetration=-1"], 2, "gives no margin"),
        (["--quantity", "beauty"], 2, "There is no quantity 'beauty'"),
        (["--process", "521"], 2, "no factor for process '521'"),
        (["--against", "gas"], 1, "There is no setting 'gas'"),
        (["--log", "none.csv"], 1, "cannot be read"),
        (["--beads", "other.jpg=1-4"], 2, "No table has a photo 'other.jpg'"),
        (["--chance", "120"], 2, "120"),
    ],
)
def test_a_slip_on_the_command_line_is_one_sentence(
    command_line: CommandLine,
    tmp_path: Path,
    arguments: list[str],
    code: int,
    sentence: str,
) -> None:
    """Exit code, one sentence, no traceback, nothing written."""
    ran = command_line("compare", table(tmp_path), *arguments, "--out", "study")

    assert ran.code == code
    assert sentence in ran.err
    assert "Traceback" not in ran.err
    assert not (tmp_path / "study").exists()


def test_fifteen_beads_in_four_pictures_on_the_command_line(
    command_line: CommandLine, tmp_path: Path
) -> None:
    """Tables of four overlapping photos, numbered, joined, with their log."""
    tables, options = [], []
    for photo, (first, last) in enumerate(((1, 5), (4, 8), (8, 12), (11, 15))):
        cells = [
            bead_cells(k + 1, 1 + 0.15 * b + 0.01 * photo, photo=f"IMG_{photo}.jpg")
            for k, b in enumerate(range(first, last + 1))
        ]  # fmt: skip
        tables.append(write_table(tmp_path / f"part{photo}.csv", cells))
        options += ["--beads", f"IMG_{photo}.jpg={first}-{last}"]
    log = write_table(
        tmp_path / "log.csv",
        [{"bead": b, "current_a": 110 + 5 * b} for b in range(1, 16)],
    )

    ran = command_line(
        "compare", *tables, *options, "--coupon", "all", "--repeats", "reading",
        "--log", log, "--out", "study",
    )  # fmt: skip

    assert ran.code == 0, ran.err
    assert "15 beads, read 20 times" in ran.out
    assert "Beads 4, 5, 8, 11 and 12 were read more than once" in ran.out
    with (tmp_path / "study" / "beads_joined.csv").open(encoding="utf-8") as held:
        rows = list(csv.DictReader(held))
    assert [int(row["bead"]) for row in rows] == list(range(1, 16))
    assert float(rows[7]["penetration"]) == pytest.approx(2.215, abs=0.001)


def test_records_bring_the_sections_side_by_side(
    command_line: CommandLine, tmp_path: Path, made_up: Callable[..., object]
) -> None:
    """Section records in: the strip of sections is drawn, in order of the setting."""
    record = tmp_path / "plate.json"
    record.write_text(record_text(made_up(beads=4)), encoding="utf-8")  # type: ignore[arg-type]
    log = write_table(
        tmp_path / "log.csv",
        [{"bead": b, "current_a": 240 - 20 * b} for b in range(1, 5)],
    )

    ran = command_line("compare", record, "--log", log, "--out", "study")

    assert ran.code == 0, ran.err
    svg = (tmp_path / "study" / "sections_current.svg").read_text("utf-8")
    shown = [svg.index(f"{amps} A") for amps in (160, 180, 200, 220)]
    assert shown == sorted(shown)
    assert (tmp_path / "study" / "sections_current.png").stat().st_size > 5000


def user_seconds(work: Callable[[], object]) -> float:
    """Processor time of this process; other work on the machine does not count."""
    before = time.process_time()
    work()
    return time.process_time() - before


def test_ten_thousand_rows_are_compared_in_time(tmp_path: Path) -> None:
    """5 s for 10,000 rows on 668 photos (bar), figures included."""
    cells = []
    for coupon in range(910):
        for cell in mag_ladder(seed=coupon):
            cells.append(cell | {"coupon": f"c{coupon}", "photo": f"{coupon}.jpg"})
    path = write_table(tmp_path / "beads.csv", cells)

    def work() -> None:
        found = compare(read_rows(path), CompareOptions())
        write_results(found, tmp_path / "study", overwrite=False)

    assert user_seconds(work) < 5


def test_help_does_not_wait_for_numpy(weldsection: Callable[..., object]) -> None:
    """--help comes at once."""
    before = os.times().children_user
    assert weldsection("compare", "--help").returncode == 0  # type: ignore[attr-defined]

    assert os.times().children_user - before < 0.5
