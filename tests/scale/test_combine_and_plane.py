"""Several references together, parallax, and the lens."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from staged import references, stage
from uncertainties import ufloat

from weldsection.errors import DataError, OutputError, ScaleError, UsageError
from weldsection.flags import Flag
from weldsection.records import (
    Options,
    Photo,
    PhotoOrigin,
    ScaleReference,
    ScaleSource,
)
from weldsection.scale.calibrate import learn_lens
from weldsection.scale.combine import combine, moved
from weldsection.scale.layout import LENS_SHEET
from weldsection.scale.lens import (
    Bend,
    Lens,
    combined_bend,
    lens_source,
    read_lens,
    with_lens,
    write_lens,
)
from weldsection.scale.marks import dictionary
from weldsection.scale.parallax import at_face, height_sentence

CENTRE = np.array([800.0, 600.0])


def reference(mm_per_px: float, u: float, kind: str = "points") -> ScaleReference:
    """A reference of known scale and uncertainty, the same everywhere."""
    return ScaleReference(
        kind=kind,
        homography=np.diag([mm_per_px, mm_per_px, 1.0]),
        centre_xy_px=CENTRE,
        sources=(ScaleSource.constant("caliper", u),),
        outline_xy_px=np.array([[100.0, 900.0], [400.0, 900.0], [400.0, 1100.0]]),
        finding="",
        shows_tilt=False,
    )


def test_two_references_are_weighed_as_the_uncertainties_package_would() -> None:
    """Weighted mean and its standard uncertainty (package uncertainties 3)."""
    found = combine((reference(0.0500, 0.01), reference(0.0505, 0.005)), CENTRE)

    one, two = ufloat(math.log(0.0500), 0.01), ufloat(math.log(0.0505), 0.005)
    joint = (one / 0.01**2 + two / 0.005**2) / (1 / 0.01**2 + 1 / 0.005**2)
    assert math.log(found.mm_per_px_at(CENTRE)) == pytest.approx(joint.n, abs=1e-9)
    assert found.relative_u_at(CENTRE) == pytest.approx(joint.s, rel=1e-9)


def test_disagreement_is_a_flag_with_both_numbers() -> None:
    """0.050 and 0.052 mm per px at ± 0.5 % cannot both be right."""
    found = combine((reference(0.050, 0.005), reference(0.052, 0.005, "disc")), CENTRE)

    assert Flag.SCALE_DISAGREES in found.flags
    assert "0.05000" in found.advice
    assert "0.05200" in found.advice


def test_agreement_raises_no_flag() -> None:
    """0.5 % apart at ± 0.5 % each is chance."""
    found = combine((reference(0.0500, 0.005), reference(0.05025, 0.005)), CENTRE)

    assert found.flags == ()


def test_a_doubtful_scale_is_flagged() -> None:
    """From 3 % at k = 2 on nobody should rely on it."""
    unsure = combine((reference(0.05, 0.016),), CENTRE)
    sure = combine((reference(0.05, 0.014),), CENTRE)

    assert unsure.doubts_at(CENTRE) == (Flag.SCALE_UNSURE,)
    assert sure.doubts_at(CENTRE) == ()
    assert unsure.flags == sure.flags == ()


@pytest.mark.parametrize(
    ("caliper_u", "tilt_u", "expected"),
    [
        (0.010, 0.010, ()),
        (0.010, 0.015, (Flag.SCALE_UNSURE, Flag.TILT_UNKNOWN)),
        (0.016, 0.015, (Flag.SCALE_UNSURE,)),
        (0.016, 0.001, (Flag.SCALE_UNSURE,)),
    ],
)
def test_the_tilt_is_named_where_it_alone_makes_the_scale_unsure(
    caliper_u: float, tilt_u: float, expected: tuple[Flag, ...]
) -> None:
    """A caliper that is unsure by itself is not the tilt's fault."""
    one = reference(0.05, caliper_u)
    tilted = replace(one, sources=(*one.sources, ScaleSource.constant("tilt", tilt_u)))

    assert combine((tilted,), CENTRE).doubts_at(CENTRE) == expected


def test_the_doubt_is_that_of_the_place_asked_about() -> None:
    """A slope of the tilt leaves the middle sure and makes the far end unsure."""
    slope = np.diag([0.0, 2e-5**2, 0.0])
    one = reference(0.05, 0.005)
    tilted = replace(one, sources=(*one.sources, ScaleSource("tilt", slope)))
    found = combine((tilted,), CENTRE)

    assert found.doubts_at(CENTRE) == ()
    assert Flag.TILT_UNKNOWN in found.doubts_at(CENTRE + [800.0, 0.0])


def test_moving_a_source_changes_its_words_and_not_its_meaning() -> None:
    """The doubt at one place of the photo is the same seen from another centre."""
    root = np.random.default_rng(1).normal(0, [1e-2, 1e-5, 1e-5], (3, 3))
    source = ScaleSource("tilt", root.T @ root)
    shift = np.array([120.0, -40.0])

    elsewhere = moved(source, shift)

    for point in (np.zeros(2), np.array([300.0, 50.0])):
        assert elsewhere.relative_u_at(point) == pytest.approx(
            source.relative_u_at(point + shift)
        )


def test_plate_and_card_on_one_photo_are_both_used() -> None:
    """Their joint uncertainty is smaller than that of either."""
    card = references.printed_card("pocket")
    shot = stage(card, px_per_mm=11.0, centre_mm=(40.0, 43.0))

    both = shot.scale("card", "thickness=10.30")

    at = shot.face.centre_xy_px
    assert {r.kind for r in both.references} == {"card", "thickness"}
    assert both.relative_u_at(at) < min(r.relative_u_at(at) for r in both.references)
    assert abs(shot.error(both)) < 0.002
    assert Flag.SCALE_DISAGREES not in both.flags


# ------------------------------------------------------------------- parallax


@pytest.mark.parametrize(
    ("dz_mm", "distance_mm", "percent"),
    [
        (3, 250, 1.215),
        (5, 300, 1.695),
        (10, 300, 3.448),
        (-10, 300, -3.226),
        (20, 300, 7.143),
        (-20, 300, -6.250),
        (10, 500, 2.041),
        (10, 1000, 1.010),
    ],
)
def test_a_raised_face_is_corrected_by_the_table(
    dz_mm: float, distance_mm: float, percent: float
) -> None:
    """Measured over true is Z / (Z - dz): table of reference-values H.3."""
    shot = stage()
    options = Options(face_height_mm=dz_mm, camera_distance_mm=distance_mm)
    flat = reference(0.05, 0.001, "ruler")

    raised = at_face(flat, shot.photo, shot.face, options, None)

    ratio = flat.mm_per_px_at(CENTRE) / raised.mm_per_px_at(CENTRE)
    assert 100 * (ratio - 1) == pytest.approx(percent, abs=0.0006)


@pytest.mark.parametrize("exif", [True, False])
def test_ten_millimetres_at_three_hundred_are_corrected(exif: bool) -> None:
    """A card 10 mm below the face; told, the error falls from 3.4 to 0.3 %."""
    card = references.printed_card("pocket")
    shot = stage(
        card,
        px_per_mm=11.0,
        centre_mm=(40.0, 43.0),
        z_mm=-10.0,
        distance_mm=300.0,
        exif=exif,
    )
    told = {"face_height_mm": 10.0}
    if not exif:
        told["camera_distance_mm"] = 310.0

    assert shot.error(shot.scale("card")) == pytest.approx(0.0333, abs=0.003)
    assert abs(shot.error(shot.scale("card", **told))) < 0.003


def test_a_reference_under_the_coupon_is_flagged_and_widened() -> None:
    """What the coupon lies on is deeper than its face by the coupon's depth."""
    shot = stage()
    margin = np.array([[-50, -50], [50, -50], [50, 50], [-50, 50]])
    beneath = replace(
        reference(0.083, 0.001, "ruler"),
        outline_xy_px=shot.face.corners_xy_px + margin,
    )

    found = at_face(beneath, shot.photo, shot.face, Options(), None)

    assert Flag.FACE_NOT_IN_REFERENCE_PLANE in found.flags
    assert found.relative_u_at(CENTRE) > 0.015


@pytest.mark.parametrize(("height_mm", "limits_mm"), [(None, 1.0), (0.0, 0.5)])
def test_level_by_eye_is_less_sure_than_a_height_that_was_told(
    height_mm: float | None, limits_mm: float
) -> None:
    """A height dh anywhere between limits adds dh / Z: by Monte Carlo."""
    shot = stage()
    options = Options(face_height_mm=height_mm, camera_distance_mm=300.0)
    heights = np.random.default_rng(1).uniform(-limits_mm, limits_mm, 200_000)
    spread = float(np.std(np.log(300.0 / (300.0 - heights))))

    found = at_face(
        reference(0.05, 0.001, "card"), shot.photo, shot.face, options, None
    )

    plane = next(s for s in found.sources if s.name == "plane")
    assert plane.relative_u_at(np.zeros(2)) == pytest.approx(spread, rel=0.01)


def test_a_told_height_is_propagated_as_the_uncertainties_package_does() -> None:
    """1 - h / Z with h = 10 ± 0.5/√3 mm and Z = 300 ± 2 % (package uncertainties)."""
    shot = stage()
    options = Options(face_height_mm=10.0, camera_distance_mm=300.0)

    found = at_face(
        reference(0.05, 0.001, "card"), shot.photo, shot.face, options, None
    )

    shrink = 1 - ufloat(10.0, 0.5 / math.sqrt(3)) / ufloat(300.0, 6.0)
    plane = next(s for s in found.sources if s.name == "plane")
    assert found.mm_per_px_at(CENTRE) == pytest.approx(0.05 * shrink.n)
    assert plane.relative_u_at(np.zeros(2)) == pytest.approx(shrink.s / shrink.n)


def test_the_report_says_what_a_lower_reference_would_do() -> None:
    """At 300 mm, 10 mm are 3.4 % (reference-values H.3); told, it is repeated."""
    shot = stage()
    card = reference(0.05, 0.001, "card")

    untold = height_sentence(card, shot.photo, Options(camera_distance_mm=300.0))
    told = height_sentence(card, shot.photo, Options(face_height_mm=-2.5))

    assert "3.4 % too large" in untold
    assert "--face-height" in untold
    assert "-2.5 mm" in told
    assert height_sentence(reference(1, 1, "points"), shot.photo, Options()) == ""


def test_plate_and_points_need_no_height() -> None:
    """They lie in the face itself."""
    shot = stage()
    plain = reference(0.05, 0.001, "thickness")

    assert (
        at_face(plain, shot.photo, shot.face, Options(face_height_mm=9), None) == plain
    )


def test_a_height_beyond_the_camera_is_wrong_usage() -> None:
    """Nothing stands nearer than the lens."""
    shot = stage()
    options = Options(face_height_mm=400.0, camera_distance_mm=300.0)

    with pytest.raises(UsageError, match="--face-height"):
        at_face(reference(0.05, 0.001, "card"), shot.photo, shot.face, options, None)


# ----------------------------------------------------------------------- lens


def lens(k1: float = 0.02, size: tuple[int, int] = (1600, 1200)) -> Lens:
    """A lens about the middle of the picture."""
    return Lens(*size, 1500.0, (size[0] - 1) / 2, (size[1] - 1) / 2, k1, 0.0, 0.1, 5)


def test_a_camera_file_comes_back_as_it_was_written(tmp_path: Path) -> None:
    """Nothing is lost on the way through the file."""
    path = tmp_path / "Händy ✓.json"
    write_lens(lens(), path)

    assert read_lens(path) == lens()
    assert [p.name for p in tmp_path.iterdir()] == [path.name]


@pytest.mark.parametrize(
    "text",
    [
        "", "{}", "[]", "null", '{"format": "weldsection camera 1"}',
        lens().to_json().replace("1500.0", "NaN"),
        lens().to_json().replace("1500.0", "-1"),
        lens().to_json().replace("camera 1", "camera 9"),
        lens().to_json().replace('"k1"', '"k9"'),
    ],
)  # fmt: skip
def test_a_broken_camera_file_is_refused_in_one_sentence(
    text: str, tmp_path: Path
) -> None:
    """With the command that makes a good one."""
    path = tmp_path / "phone.json"
    path.write_text(text, encoding="utf-8")

    with pytest.raises(DataError, match="weldsection camera PHOTO"):
        read_lens(path)


def test_a_missing_camera_file_is_refused(tmp_path: Path) -> None:
    """A folder is no camera file either."""
    for path in (tmp_path / "none.json", tmp_path):
        with pytest.raises(DataError, match="cannot be read"):
            read_lens(path)


def test_a_camera_file_that_cannot_be_written_leaves_nothing(tmp_path: Path) -> None:
    """The folder is not there."""
    with pytest.raises(OutputError, match="choose another"):
        write_lens(lens(), tmp_path / "no" / "phone.json")


def test_a_camera_file_serves_other_sizes_and_turns_of_the_same_picture() -> None:
    """Half the size and upright are the same camera; a square crop is not."""
    half = lens().fitted_to(600, 800)

    middle = np.array([[299.5, 399.5], [599.0, 799.0]])
    assert half.straightened(middle)[0] == pytest.approx(middle[0], abs=0.5)
    with pytest.raises(UsageError, match="not cropped"):
        lens().fitted_to(1000, 1000)


def test_a_known_lens_corrects_the_scale_between_reference_and_face() -> None:
    """A reference read through k1 = 0.02 far from the face is 1 % off, then right."""
    shot = stage()
    bent, true = lens(), np.diag([0.08, 0.08, 1.0])
    grid = np.stack(np.meshgrid(np.linspace(50, 450, 9), np.linspace(800, 1100, 9)))
    near = grid.reshape(2, -1).T
    as_read, _ = cv2.findHomography(near, bent.straightened(near) * 0.08, 0)
    low = replace(
        reference(0.08, 0.001, "card"),
        homography=as_read,
        centre_xy_px=near.mean(axis=0),
        outline_xy_px=near[[0, 8, 80, 72]],
    )

    corrected = with_lens(low, shot.photo, shot.face, bent)

    at = shot.face.centre_xy_px
    steps = np.array([[-5.0, 0], [5, 0], [0, -5], [0, 5]]) + at
    moved_px = bent.straightened(steps)
    area = np.linalg.det(
        np.array([moved_px[1] - moved_px[0], moved_px[3] - moved_px[2]])
    )
    expected = true[0, 0] * math.sqrt(area) / 10
    assert abs(low.mm_per_px_at(at) / expected - 1) > 0.01
    assert corrected.mm_per_px_at(at) == pytest.approx(expected, rel=4e-3)


def test_an_unknown_lens_is_part_of_the_uncertainty() -> None:
    """2 k1 (r² - r²) between reference and face, by Monte Carlo over k1."""
    face, own = np.array([800.0, 100.0]), np.array([300.0, 1000.0])
    k1 = np.random.default_rng(2).normal(0, 0.005, 100_000)
    axis, half2 = np.array([799.5, 599.5]), (1600**2 + 1200**2) / 4
    r2 = [float(((p - axis) ** 2).sum()) / half2 for p in (face, own)]
    growth = [np.sqrt((1 + k1 * r) * (1 + 3 * k1 * r)) for r in r2]
    spread = float(np.std(np.log(growth[0] / growth[1])))

    claimed = lens_source((1200, 1600), own, 0.005, face).relative_u_at(face - own)

    assert claimed == pytest.approx(math.hypot(spread, 0.001), rel=0.05)


def test_what_bent_sides_say_is_weighed_against_what_phones_do() -> None:
    """A sure reading wins, an unsure one changes nothing."""
    one = np.ones(1)

    assert combined_bend(1000 * one, 8 * one, 0.01 * one).k1 == pytest.approx(
        0.008, rel=1e-4
    )
    unsure = combined_bend(1000 * one, 8 * one, 1e6 * one)
    assert unsure.k1 == pytest.approx(0, abs=1e-6)
    assert unsure.u == pytest.approx(Bend().u, rel=1e-3)


def sheet_photo(seed: int, k1: float) -> Photo:
    """The lens sheet from some side, through a lens of that k1 (OpenCV's sense)."""
    rng = np.random.default_rng(seed)
    ppm = 5.0
    page = np.full((int(260 * ppm), int(196 * ppm)), 255, np.uint8)
    for number, x, y in LENS_SHEET.places_mm:
        side = round(LENS_SHEET.mark_mm * ppm)
        mark = cv2.aruco.generateImageMarker(dictionary(), number, side)
        row, column = round(y * ppm), round(x * ppm)
        page[row : row + side, column : column + side] = mark
    size, focal = (1600, 1200), 1500.0
    turn, _ = cv2.Rodrigues(np.array([*rng.normal(0, 0.25, 2), np.pi / 2]))
    matrix = np.array([[focal, 0, 799.5], [0, focal, 599.5], [0, 0, 1]])
    middle = np.array([95.0, 127.0, 0.0])
    shift = np.array([0, 0, 330.0]) - turn @ middle
    # for every photo pixel: straighten, then where on the page
    grid = np.stack(np.meshgrid(np.arange(1600.0), np.arange(1200.0)), axis=-1)
    straight = cv2.undistortPoints(
        grid.reshape(-1, 1, 2), matrix, np.array([k1, 0, 0, 0.0]), P=matrix
    )
    plane = matrix @ np.column_stack([turn[:, 0], turn[:, 1], shift])
    on_page = cv2.perspectiveTransform(straight, np.linalg.inv(plane)).reshape(
        1200, 1600, 2
    )
    at = ((on_page + 0.0) * ppm - 0.5).astype(np.float32)
    grey = cv2.remap(
        cv2.GaussianBlur(page, (0, 0), 1.0), at[..., 0], at[..., 1], cv2.INTER_LINEAR,
        borderValue=128,
    )  # fmt: skip
    bgr = np.repeat(grey[..., None], 3, axis=2)
    return Photo(bgr, PhotoOrigin(Path(f"sheet{seed}.jpg"), "", *size))


def test_the_lens_is_learned_from_photos_of_the_sheet() -> None:
    """Three photos through k1 = -0.10 give a lens that straightens to 0.4 px."""
    photos = [sheet_photo(seed, -0.10) for seed in range(3)]

    learned = learn_lens(photos)

    matrix = np.array([[1500.0, 0, 799.5], [0, 1500, 599.5], [0, 0, 1]])
    points = np.random.default_rng(1).uniform([100, 100], [1500, 1100], (200, 2))
    true = cv2.undistortPoints(
        points[:, None], matrix, np.array([-0.10, 0, 0, 0.0]), P=matrix
    )[:, 0]
    straightened = learned.straightened(points)
    assert np.abs(true - points).max() > 8
    # a little more or less zoom is no bend
    zoom = float(
        (straightened - 800).ravel()
        @ (true - 800).ravel()
        / ((straightened - 800) ** 2).sum()
    )
    off = (straightened - learned_axis(learned)) * zoom - (true - [799.5, 599.5])
    assert float(np.sqrt((off**2).mean())) < 0.4
    assert json.loads(learned.to_json())["photos"] == 3


def learned_axis(learned: Lens) -> np.ndarray:
    """Where the lens's axis meets the picture."""
    return np.array([learned.axis_x_px, learned.axis_y_px])


def test_too_few_photos_of_the_sheet_are_refused() -> None:
    """One photo cannot tell a lens from a tilt."""
    with pytest.raises(ScaleError, match="take at least 3"):
        learn_lens([sheet_photo(1, 0.0)])
