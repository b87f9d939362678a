"""The plate surface seen closely, and what the second look is worth."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from conftest import ROOT
from zone_maps import Bead, Plate, coupon_of, parabola

import weldsection.pipeline
from weldsection import measure
from weldsection.beads import find_beads
from weldsection.boundary import level
from weldsection.boundary.evidence import gather_evidence
from weldsection.boundary.trace import trace_bead
from weldsection.records import BeadTrace, Coupon, FloatArray, PlateSurface, project
from weldsection.surface import CORRECTION_MM, corrected

SAMPLES = [
    ROOT / "sample_images" / f"{name}.jpg" for name in ("clean-scan", "phone-card")
]


def flat_surface() -> PlateSurface:
    """Give a surface at y = 0 over 60 mm."""
    knots = np.arange(0, 60.5, 0.5)
    return PlateSurface(knots, np.zeros_like(knots), np.full_like(knots, 0.004))


def test_the_surface_follows_points_and_stays_where_there_are_none() -> None:
    """Seen 0.04 mm deeper over 10 mm, it is drawn there, and nowhere far off."""
    x = np.arange(5, 15, 0.1)
    better = corrected(flat_surface(), x, np.full_like(x, 0.04))

    assert better.y_at(10) == pytest.approx(0.04, abs=0.004)
    assert better.u_at(10) < 0.006
    # what is common to the whole edge is carried along; the doubt grows
    assert 0 < float(better.y_at(55)) < 0.03
    assert better.u_at(55) > 0.6 * CORRECTION_MM


def test_burr_does_not_lift_the_surface() -> None:
    """A third of the points standing half a millimetre high are left out."""
    x = np.arange(5, 15, 0.1)
    y = np.where((x > 8) & (x < 11), -0.5, 0.01)
    better = corrected(flat_surface(), x, y)

    assert better.y_at(6) == pytest.approx(0.01, abs=0.004)
    assert abs(float(better.y_at(9.5)) - 0.01) < 0.02


def test_without_points_the_surface_stays_with_more_doubt() -> None:
    """Nothing seen changes nothing but how well it is known."""
    better = corrected(flat_surface(), np.empty(0), np.empty(0))

    assert better.y_at([3, 30, 58]) == pytest.approx([0, 0, 0])
    assert better.u_at(30) > CORRECTION_MM


def traced(plate: Plate) -> tuple[Coupon, list[BeadTrace]]:
    """Trace the beads of a plate drawn as zones."""
    coupon = coupon_of(plate)
    evidence = gather_evidence(coupon)
    found = [trace_bead(coupon, evidence, site) for site in find_beads(coupon)]
    return coupon, [trace for trace in found if trace is not None]


def test_only_bare_plate_near_beads_is_looked_at() -> None:
    """Stretches keep clear of toes and ends, and are no longer than they need be."""
    plate = Plate((Bead.of(parabola, 12, 6, 2, 1.5), Bead.of(parabola, 23, 6, 2, 1.5)))
    coupon, traces = traced(plate)

    stretches = level._bare_stretches(coupon, traces)

    assert len(stretches) == 3
    for first, last in stretches:
        assert level.SHORTEST_MM < last - first <= 2 * level.REACH_MM
        assert first >= level.END_MM
        assert last <= coupon.length_mm - level.END_MM
        for bead in (12, 23):
            assert last <= bead - 3.2 or first >= bead + 3.2


# -------------------------------------------------------- craters, on the same plates


def test_a_crater_is_one_bead() -> None:
    """A dip of the weld face over the middle of a single root parts nothing."""
    bead = Bead.of(parabola, 15, 10, 2, 1.2)
    across = bead.cap[:, 0] / 5
    dip = 1 - 0.8 * np.exp(-((across / 0.35) ** 2))
    crater = replace(bead, cap=bead.cap * np.column_stack([np.ones_like(dip), dip]))

    assert len(find_beads(coupon_of(Plate((crater,))))) == 1


def test_touching_beads_are_two() -> None:
    """Two beads whose toes meet have two roots."""
    beads = (Bead.of(parabola, 11, 7, 2, 1.2), Bead.of(parabola, 18, 7, 2, 1.2))

    assert len(find_beads(coupon_of(Plate(beads)))) == 2


# ------------------------------------------------------------------- on a drawn photo


def toes_off_mm() -> FloatArray:
    """How far the widths of two samples are off."""
    return np.concatenate([widths_off_mm(sample) for sample in SAMPLES])


def widths_off_mm(sample: Path) -> FloatArray:
    """How far the widths of one sample are off, its scale apart."""
    truth = json.loads(sample.with_suffix(".json").read_text("utf-8"))
    result = measure(sample, truth["reference_option"])
    to_mm = np.linalg.inv(np.array(truth["mm_to_px_upright"])) @ result.mm_to_px
    off = []
    for seen, drawn in zip(result.beads, truth["beads"], strict=True):
        ends = np.array([seen.trace.left_toe_xy_mm, seen.trace.right_toe_xy_mm])
        width = np.ptp(project(to_mm, ends)[:, 0])
        off.append(abs(width - drawn["width_mm"]))
    return np.array(off)


def test_the_second_look_places_toes_better_than_the_first(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """On a scan and a phone photo the widths are nearer to the drawn ones with it."""
    closely = toes_off_mm()
    monkeypatch.setattr(weldsection.pipeline, "look_closer", lambda *given: given[2])
    once = toes_off_mm()

    assert np.median(closely) < 0.05
    assert closely.mean() < once.mean()
