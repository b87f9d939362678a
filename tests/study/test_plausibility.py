"""Traps met in real data (reference-values K): each is pointed out."""

from __future__ import annotations

import numpy as np
import pytest
from outside_data import ARC_VOLTS, CLADDING, ELECTRON_BEAM, TRACK_AREAS, columns
from study_helpers import Cells, bead_cells, mag_ladder, rows_from

from weldsection.study.design import design_doubts
from weldsection.study.join import Repeats, join
from weldsection.study.plausibility import (
    Doubt,
    averages,
    constant_ratio,
    dilution_from_areas,
    doubts,
    fill_factor,
    inches,
    out_of_range,
    repeated_rows,
    repeated_values,
    swapped_columns,
)
from weldsection.study.sections import within_beads
from weldsection.study.tables import SectionRow
from weldsection.study.terms import term


def cladding(*, misprint: bool = False) -> tuple[SectionRow, ...]:
    """The cladding runs as a table; only W, P, R and D were printed."""
    cells = []
    for line in CLADDING.strip().splitlines()[1:]:
        run, *factors, w, p, r, d = line.split(",")
        if misprint and run == "7":
            factors[-1] = "-1"  # as table 4 of the paper has it
        cells.append(
            {
                "photo": "cladding",
                "bead": run,
                "width_mm": w,
                "penetration_mm": p,
                "reinforcement_mm": r,
                "dilution_pct": d,
                **dict(zip(("i", "s", "n", "t", "ac"), factors, strict=True)),
            }
        )
    return rows_from(cells)


def where(found: tuple[Doubt, ...] | list[Doubt]) -> list[str]:
    """Places of the doubts."""
    return [doubt.where for doubt in found]


def test_a_run_that_is_the_average_of_others() -> None:
    """Run 32 of the cladding table is the mean of runs 27 to 31 (Sreeraj 2013)."""
    found = list(averages(cladding()))

    assert where(found) == ["beads.csv row 33"]
    assert "average of rows 28 to 32" in found[0].sentence


def test_a_misprinted_factor_level() -> None:
    """Run 7 of the cladding table has Ac = -1 in one table and +1 in the other."""
    assert not design_doubts(cladding())

    found = design_doubts(cladding(misprint=True))

    # the sign that breaks I*S*N*T can be any of the five columns' own
    assert set(where(found)) == {"beads.csv row 8"}
    assert "ac" in {doubt.column for doubt in found}


def test_a_level_that_is_off_centre() -> None:
    """22.5 V in a balanced plan about 29 V that needs 25.5 (reference-values E.6)."""
    rows = rows_from(
        [bead_cells(k + 1, voltage_v=volts) for k, volts in enumerate(ARC_VOLTS)]
    )

    (found,) = design_doubts(rows)

    assert found.column == "voltage_v"
    assert "25.5 may be meant" in found.sentence


def test_a_lost_digit_in_an_area() -> None:
    """Row 242 of the laser tracks has a fill factor of 0.035 (Hofmann et al.)."""
    _, width, depth, area = columns(TRACK_AREAS)
    rows = rows_from(
        [
            {
                "photo": "track",
                "bead": k + 1,
                "width_mm": width[k] / 10,
                "penetration_mm": depth[k] / 10,
                "penetration_area_mm2": area[k] / 100,
            }
            for k in range(width.size)
        ]
    )

    (found,) = fill_factor(rows)

    assert found.where == "beads.csv row 13"
    assert "0.0348 of width times height" in found.sentence
    assert "lost digit" in found.sentence


def test_a_constant_ratio_is_calculated_not_measured() -> None:
    """Depth 0.500 of the width in almost every row, as in one paper of E.8."""
    rng = np.random.default_rng(1)
    widths = 6 + 2 * rng.random(30)
    cells = [bead_cells(k + 1, w / 2, width=w) for k, w in enumerate(widths)]
    cells[4]["penetration_mm"] = 3.9

    found = list(constant_ratio(rows_from(cells)))

    assert [doubt.column for doubt in found] == ["penetration_mm"]
    assert "0.5 times width_mm" in found[0].sentence


def test_contact_angles_above_180_degrees() -> None:
    """Angles up to 258 degrees stand in one published table (E.7)."""
    rows = rows_from([bead_cells(1, toe_angle_left_deg=258)])

    (found,) = out_of_range(rows)

    assert found.column == "toe_angle_left_deg"


def test_columns_swapped_part_way() -> None:
    """Height and width change places in some rows of a public table."""
    cells = mag_ladder()
    for k in (7, 8):
        cells[k]["width_mm"], cells[k]["reinforcement_mm"] = (
            cells[k]["reinforcement_mm"],
            cells[k]["width_mm"],
        )

    found = list(swapped_columns(rows_from(cells)))

    assert [d.where for d in found if "higher than it is wide" in d.sentence] == [
        "beads.csv row 9",
        "beads.csv row 10",
    ]


def test_penetration_and_width_swapped() -> None:
    """One row fits the others when its two lengths are turned round."""
    cells = mag_ladder()[4:]
    cells[2]["width_mm"], cells[2]["penetration_mm"] = (
        cells[2]["penetration_mm"],
        cells[2]["width_mm"],
    )

    found = [d for d in swapped_columns(rows_from(cells)) if "swapped" in d.sentence]

    assert "beads.csv row 4" in where(found)


def test_a_row_in_inches() -> None:
    """All lengths 25.4 times too small."""
    cells = mag_ladder()[4:]
    for column in ("penetration_mm", "width_mm", "reinforcement_mm"):
        cells[3][column] = round(float(str(cells[3][column])) / 25.4, 4)

    (found,) = inches(rows_from(cells))

    assert found.where == "beads.csv row 5"


def test_a_copied_row() -> None:
    """Two beads alike to the last digit in everything."""
    cells = mag_ladder()
    cells[5] = {**cells[2], "bead": 6}

    (found,) = repeated_rows(rows_from(cells))

    assert found.where == "beads.csv rows 4, 7"


def test_a_value_that_comes_back_too_often() -> None:
    """The same penetration five times among eleven beads."""
    cells = mag_ladder()
    for k in range(3, 8):
        cells[k]["penetration_mm"] = 2.4137

    found = list(repeated_values(rows_from(cells)))

    assert any("2.4137 stands there 5 times" in doubt.sentence for doubt in found)


def test_a_dilution_that_its_areas_do_not_give() -> None:
    """Written 30 %, by the areas 50 %."""
    rows = rows_from([bead_cells(1, 2.0, reinforcement=2.0, dilution_pct=30)])

    (found,) = dilution_from_areas(rows)

    assert "the areas give 50.0 %" in found.sentence


def test_a_zone_above_its_fusion_line() -> None:
    """A HAZ less deep than the penetration: the two lines may be swapped."""
    rows = rows_from([bead_cells(1, 2.0, haz_depth_mm=1.5)])

    assert [doubt.column for doubt in out_of_range(rows)] == ["haz_depth_mm"]


def test_a_slip_between_plan_and_log() -> None:
    """210 A logged where 120 A were planned."""
    rows = rows_from([bead_cells(1, planned_current_a=120, current_a=210)])

    (found,) = design_doubts(rows)

    assert "210 A was logged where 120 A was planned" in found.sentence


@pytest.mark.parametrize("seed", range(25))
def test_honest_tables_are_left_alone(seed: int) -> None:
    """No doubt is raised about beads as they are measured."""
    rows = rows_from(mag_ladder(seed, repeats=1 + seed % 3))

    assert doubts(rows) == ()
    assert design_doubts(rows) == ()


def electron_beam() -> tuple[SectionRow, ...]:
    """18 samples in 4 cross-sections each."""
    cells: list[Cells] = []
    for line in ELECTRON_BEAM.strip().splitlines():
        sample, current, focus, speed, distance, sections = line.split(",")
        cells += [
            {
                "photo": f"cut {k + 1}",
                "bead": sample,
                "cut": k + 1,
                "penetration_mm": section.split("/")[0],
                "width_mm": section.split("/")[1],
                "beam_ma": current,
                "focus_ma": focus,
                "speed": speed,
                "distance_mm": distance,
            }
            for k, section in enumerate(sections.split())
        ]
    return rows_from(cells)


@pytest.mark.parametrize(("name", "sd"), [("penetration", 0.0420), ("width", 0.0412)])
def test_scatter_within_electron_beam_welds(name: str, sd: float) -> None:
    """Pooled over 54 degrees of freedom (reference-values E.2)."""
    found = within_beads(join(electron_beam(), Repeats.CUT), term(name))

    assert found is not None
    assert found.df == 54
    assert found.sd == pytest.approx(sd, abs=0.00005)


def test_samples_of_one_setting_that_lie_far_apart() -> None:
    """Samples 1 and 8: 0.25 mm between beads, 0.04 mm between sections (E.2)."""
    found = within_beads(join(electron_beam(), Repeats.CUT), term("penetration"))

    assert found is not None
    pair = next(p for p in found.unlike if {p.first, p.second} == {"1", "8"})
    assert abs(pair.difference) == pytest.approx(0.25, abs=0.001)


def test_readings_on_a_coarse_grid_are_no_copies() -> None:
    """The electron-beam readings sit on steps of 0.02 mm and repeat honestly."""
    rows = electron_beam()

    assert not list(repeated_rows(rows))
    assert not list(repeated_values(rows))
