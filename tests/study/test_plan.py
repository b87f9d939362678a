"""The plan before anything is welded: order, spacing, sheet and page."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from conftest import Ran

from weldsection.errors import UsageError
from weldsection.study.heat import process
from weldsection.study.logsheet import LOG_COLUMNS, read_log_sheet
from weldsection.study.plan import (
    Order,
    Request,
    haz_half_width_mm,
    parse_values,
    plan,
    planned_heat_kj_mm,
    summary,
)
from weldsection.study.runorder import order_check

CommandLine = Callable[..., Ran]

LADDER = tuple(float(a) for a in range(120, 221, 20))
REQUEST = Request(
    process("135"),
    "S235",
    10.0,
    (("current_a", LADDER), ("travel_mm_min", (350.0,))),
)


def test_every_setting_is_there_as_often_as_asked() -> None:
    """Six currents three times each: 18 beads, numbered along the plate."""
    made = plan(replace(REQUEST, repeats=3))

    assert [bead.bead for bead in made.beads] == list(range(1, 19))
    currents = [bead.setting("current_a") for bead in made.beads]
    assert {a: currents.count(a) for a in LADDER} == dict.fromkeys(LADDER, 3)
    assert sorted(b.run_order for b in made.beads) == list(range(1, 19))


@pytest.mark.parametrize("seed", range(30))
@pytest.mark.parametrize("order", Order)
def test_the_order_drawn_does_not_go_along_with_the_setting(
    order: Order, seed: int
) -> None:
    """No plan of ours would be accused of mixing up warming and current."""
    made = plan(replace(REQUEST, order=order, seed=seed, repeats=2))
    x = np.array([bead.setting("current_a") for bead in made.beads])
    run = np.array([float(bead.run_order) for bead in made.beads])

    assert abs(order_check(x, run).correlation) < 0.5


def test_blocks_hold_every_setting_once() -> None:
    """The first six beads welded are all six currents, and so the next."""
    made = plan(replace(REQUEST, order=Order.BLOCKS, repeats=2))
    in_order = sorted(made.beads, key=lambda bead: bead.run_order)

    assert {b.setting("current_a") for b in in_order[:6]} == set(LADDER)
    assert {b.setting("current_a") for b in in_order[6:]} == set(LADDER)


def test_a_seed_fixes_the_order_and_another_changes_it() -> None:
    """The same plan can be printed again."""
    orders = [
        [bead.run_order for bead in plan(replace(REQUEST, seed=seed)).beads]
        for seed in (4, 4, 5)
    ]

    assert orders[0] == orders[1] != orders[2]


def test_several_settings_are_tried_in_every_combination() -> None:
    """Three currents at two wire speeds: six beads."""
    settings = (("current_a", (120.0, 160.0, 200.0)), ("wire_m_min", (4.0, 6.0)))

    made = plan(replace(REQUEST, settings=settings))

    assert len({bead.settings for bead in made.beads}) == 6


@pytest.mark.parametrize(
    ("text", "values"),
    [
        ("80:140:10", (80, 90, 100, 110, 120, 130, 140)),
        ("0.3:0.5:0.1", (0.3, 0.4, 0.5)),
        ("120,160,200", (120, 160, 200)),
        ("24", (24,)),
        ("100:125:10", (100, 110, 120)),
    ],
)
def test_values_are_read(text: str, values: tuple[float, ...]) -> None:
    """From, to and step; or a list; or one value."""
    assert parse_values(text) == pytest.approx(values)


@pytest.mark.parametrize("text", ["", "a", "120:200", "200:120:10", "1:9:0", "1:9e9:1"])
def test_what_is_no_list_of_values_is_refused(text: str) -> None:
    """With a word on how to write one."""
    with pytest.raises(UsageError):
        parse_values(text)


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"settings": ()}, "Nothing is to be tried"),
        ({"settings": (("current_a", (180.0,)),)}, "nothing can be compared"),
        ({"settings": (("current_a", (120.0, 120.0)),)}, "one value twice"),
        ({"settings": (("current_a", (0.0, 120.0)),)}, "must be above zero"),
        ({"repeats": 100}, "600 beads, more than 500"),
    ],
)
def test_a_plan_that_teaches_nothing_is_refused(
    change: dict[str, object], sentence: str
) -> None:
    """Before anything is welded."""
    with pytest.raises(UsageError, match=sentence):
        plan(replace(REQUEST, **change))  # type: ignore[arg-type]


def test_overlapping_zones_are_warned_of() -> None:
    """12 mm apart is too close for 0.75 kJ/mm on 10 mm plate; 25 mm is not."""
    close = plan(replace(REQUEST, spacing_mm=12.0))
    apart = plan(REQUEST)

    assert any("would overlap" in warning for warning in close.warnings)
    assert not any("overlap" in warning for warning in apart.warnings)


def test_a_thinner_plate_gets_hot_farther_away() -> None:
    """The same heat marks a 3 mm plate wider than a 10 mm plate (common practice)."""
    assert haz_half_width_mm(0.8, 3.0) > 1.5 * haz_half_width_mm(0.8, 10.0)


def test_the_heat_input_foreseen_is_that_of_the_hottest_bead() -> None:
    """220 A, 25 V by the load line of MAG, 350 mm/min, k = 0.8: 0.754 kJ/mm."""
    assert planned_heat_kj_mm(REQUEST) == pytest.approx(0.8 * 60 * 25 * 220 / 350e3)


def test_unknown_heat_is_said_to_be_unknown() -> None:
    """Without a travel speed the spacing cannot be checked, and that is said."""
    made = plan(replace(REQUEST, settings=(("current_a", LADDER),)))

    assert "was not checked" in summary(made)


@pytest.mark.parametrize("cuts", [1, 2, 3])
def test_saw_cuts_keep_clear_of_start_and_crater(cuts: int) -> None:
    """25 mm at each end are left out (ISO 15614-1:2017) where the bead is long."""
    made = plan(replace(REQUEST, cuts=cuts, bead_length_mm=100.0))

    assert len(made.cuts_mm) == cuts
    assert min(made.cuts_mm) >= 25
    assert max(made.cuts_mm) <= 75


def test_the_sheet_comes_back_as_it_was_planned(
    command_line: CommandLine, tmp_path: Path
) -> None:
    """Plan, print, read: the log sheet is one that `measure` and `compare` take."""
    ran = command_line(
        "plan", "--process", "135", "--thickness", "10", "--current", "120:220:20",
        "--setting", "wire_m_min=4,6", "--travel", "350", "--out", "p",
    )  # fmt: skip

    assert ran.code == 0, ran.err
    log = read_log_sheet(tmp_path / "p" / "log-sheet.csv")
    assert log.beads == tuple(range(1, 13))
    assert log.coupons == ("plate-1",)
    first = dict(log.rows[0].settings)
    assert (first["current_a"], first["wire_m_min"]) == (120, 4)
    assert "current_a" in log.rows[0].assumed
    assert (tmp_path / "p" / "plan.pdf").read_bytes().startswith(b"%PDF")


def test_every_column_of_the_sheet_is_described(
    command_line: CommandLine, tmp_path: Path
) -> None:
    """The description lists the columns of the sheet in their order."""
    command_line("plan", "--thickness", "10", "--current", "120,160", "--out", "p")

    with (tmp_path / "p" / "log-sheet.csv").open(encoding="utf-8") as held:
        header = next(csv.reader(held))
    described = json.loads(
        (tmp_path / "p" / "log-sheet-columns.json").read_text("utf-8")
    )
    fields = described["resources"][0]["schema"]["fields"]
    assert [field["name"] for field in fields] == header
    assert all(field["description"] for field in fields)
    assert {column.name for column in LOG_COLUMNS} <= set(header)


def test_a_sheet_that_may_be_filled_in_is_not_replaced(
    command_line: CommandLine, tmp_path: Path
) -> None:
    """A second plan into the same folder is refused unless asked for."""
    plan_ = ("plan", "--thickness", "10", "--current", "120,160", "--out", "p")
    command_line(*plan_)
    sheet = tmp_path / "p" / "log-sheet.csv"
    sheet.write_text("filled in", encoding="utf-8")

    assert command_line(*plan_).code == 1
    assert sheet.read_text("utf-8") == "filled in"
    assert command_line(*plan_, "--overwrite").code == 0


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (("--current", "120:200"), "is no list of values"),
        (("--current", "120,160", "--process", "glue"), "no factor for process"),
        (("--setting", "remarks=1,2"), "is no setting"),
        (("--setting", "wire"), "is no setting"),
        (("--current", "120,160", "--setting", "current_a=1,2"), "is given twice"),
    ],
)
def test_a_slip_on_the_command_line_is_one_sentence(
    command_line: CommandLine, tmp_path: Path, arguments: tuple[str, ...], sentence: str
) -> None:
    """Usage error, exit code 2, nothing written."""
    ran = command_line("plan", "--thickness", "10", *arguments, "--out", "p")

    assert ran.code == 2
    assert sentence in ran.err
    assert not (tmp_path / "p").exists()
