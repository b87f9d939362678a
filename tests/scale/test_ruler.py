"""A rule in the picture gives the scale; nothing else is taken for one."""

from __future__ import annotations

import json
import math
from pathlib import Path

import cv2
import numpy as np
import pytest
from scipy import signal

from sample_images.drawing.patch import Patch, composite
from sample_images.drawing.rulers import EdgeMarks, RulePlan, draw_rule
from weldsection.errors import ScaleError
from weldsection.records import Photo, PhotoOrigin, mm_per_px_at, project
from weldsection.scale.ruler import find_ruler
from weldsection.scale.ruler_lattice import best_lattice, fit_lattice, prominences
from weldsection.scale.ruler_pose import TOLERANCE_RELATIVE_U
from weldsection.scale.ruler_search import find_bands, search_copy
from weldsection.scale.ruler_strokes import Stroke, stroke_of
from weldsection.scale.ruler_ticks import read_ticks
from weldsection.scale.ruler_units import read_graduations

INCH_MM = 25.4
MM = EdgeMarks(1.0, (5, 10), (3.0, 4.5, 6.0), numeral_steps=10)
HALF_MM = EdgeMarks(0.5, (2, 10, 20), (2.0, 2.8, 4.0, 5.2))
SIXTEENTHS = EdgeMarks(INCH_MM / 16, (2, 4, 8, 16), (2.6, 3.5, 4.8, 6.2, 7.8))
TENTHS = EdgeMarks(INCH_MM / 10, (5, 10), (4.0, 6.0, 8.0))
PHOTOS = Path(__file__).parents[3] / "shared" / "photos"


def photo_of(picture: np.ndarray) -> Photo:
    """A drawn picture (0..1) as a photo."""
    grey = np.clip(255 * picture, 0, 255).astype(np.uint8)
    rows, columns = grey.shape[:2]
    return Photo(grey, PhotoOrigin(Path("drawn.png"), "0" * 64, columns, rows))


def view(tilt_deg: tuple[float, float], px_per_mm: float, turn_deg: float = 0.0):
    """Homography mm → px of a camera aimed at (0, 0), picture 1200 x 900."""
    a, b, c = np.radians([*tilt_deg, turn_deg])
    rotation = (
        cv2.Rodrigues(np.array([a, b, 0.0]))[0]
        @ cv2.Rodrigues(np.array([0.0, 0.0, c]))[0]
    )
    focal = 1400.0
    middle = np.array([[focal, 0, 599.5], [0, focal, 449.5], [0, 0, 1]])
    shift = [0, 0, focal / px_per_mm]
    return middle @ np.column_stack([rotation[:, 0], rotation[:, 1], shift])


def scene(
    upper: EdgeMarks | None,
    lower: EdgeMarks | None = None,
    *,
    camera=None,
    ground: str = "steel",
    cover: tuple[float, float] | None = None,
):
    """A photo of a rule on a plain bench, and its homography mm → px."""
    camera = view((0, 0), 10.0) if camera is None else camera
    rng = np.random.default_rng(5)
    plan = RulePlan(110.0, 24.0, upper, lower, ground=ground)
    picture = np.full((900, 1200, 3), 0.45, np.float32)
    rule = draw_rule(plan, rng, px_per_mm=24.0, centre_xy_mm=(0.0, 0.0))
    patches = [rule]
    if cover is not None:
        blank = np.full((300, 300, 3), 0.3, np.float32)
        plain = np.ones((300, 300), np.float32)
        patches.append(Patch(blank, plain, 300 / cover[1], (cover[0], 0.0)))
    for patch in patches:
        composite(picture, patch, lambda z_mm: camera, shadow=0.0)
    picture = cv2.GaussianBlur(picture, (0, 0), 0.7)
    picture += rng.normal(0, 0.008, picture.shape)
    return photo_of(picture), camera


def scale_error(found, camera, at_mm=(0.0, 20.0)) -> float:
    """Relative error of mm per px at a place beside the rule."""
    point = project(camera, np.array([at_mm]))[0]
    return found.mm_per_px_at(point) / mm_per_px_at(np.linalg.inv(camera), point) - 1


@pytest.mark.parametrize(
    ("marks", "name"),
    [(MM, "1 mm"), (HALF_MM, "0.5 mm"), (SIXTEENTHS, "1/16 inch")],
)
@pytest.mark.parametrize("turn_deg", [3.0, 184.0, 70.0])
def test_rule_gives_its_graduation_and_the_scale(marks, name, turn_deg):
    """Millimetres, halves and sixteenths are told apart at any angle."""
    photo, camera = scene(marks, camera=view((0, 0), 10.0, turn_deg))

    found = find_ruler(photo, None)

    assert found is not None
    assert name in found.finding
    assert scale_error(found, camera) == pytest.approx(0, abs=0.002)


@pytest.mark.parametrize("tilt_deg", [(12.0, 0.0), (0.0, -12.0), (-9.0, 9.0)])
def test_tilt_is_removed_in_every_direction(tilt_deg):
    """Along the rule by its spacing, square to it by the way its ticks converge."""
    photo, camera = scene(MM, camera=view(tilt_deg, 10.0, 5.0))

    found = find_ruler(photo, None)

    assert found is not None
    assert found.shows_tilt
    assert scale_error(found, camera) == pytest.approx(0, abs=0.004)


def test_two_edges_are_read_together():
    """Millimetres on one edge and sixteenths on the other give one scale."""
    photo, camera = scene(MM, SIXTEENTHS)

    found = find_ruler(photo, None)

    assert found is not None
    assert "on its other edge" in found.finding
    assert scale_error(found, camera) == pytest.approx(0, abs=0.001)


def test_light_ticks_on_black_are_read():
    """A black rule with light ticks is as good as any."""
    photo, camera = scene(MM, ground="black")

    found = find_ruler(photo, None)

    assert found is not None
    assert scale_error(found, camera) == pytest.approx(0, abs=0.002)


def test_25_mm_of_a_rule_are_enough():
    """A coupon that hides all but 30 mm of the rule leaves the scale."""
    photo, camera = scene(MM, cover=(-30.0, 110.0))

    found = find_ruler(photo, None)

    assert found is not None
    assert scale_error(found, camera, (40.0, 15.0)) == pytest.approx(0, abs=0.005)


def test_uncertainty_names_its_sources():
    """The rule's own tolerance is a class II rule's: ± 0.5 mm in 300 mm, uniform.

    EU Measuring Instruments Directive, material measures of length, class II
    (seen in UK S.I. 2016/1153, Schedule 1I): 0.3 mm + 0.2 mm for each metre begun.
    """
    photo, _ = scene(MM)

    found = find_ruler(photo, None)

    assert found is not None
    names = [source.name for source in found.sources]
    assert names == ["graduation", "reference tolerance", "tilt", "lens"]
    assert pytest.approx((0.3 + 0.2) / 300 / math.sqrt(3)) == TOLERANCE_RELATIVE_U
    assert found.relative_u_at(found.centre_xy_px) >= TOLERANCE_RELATIVE_U


def test_tenths_of_an_inch_are_asked_about_or_right():
    """Tenths are counted in fives and tens like millimetres; no guess is made."""
    photo, camera = scene(TENTHS)

    try:
        found = find_ruler(photo, None)
    except ScaleError as asked:
        assert "ruler=mm or ruler=inch" in str(asked)
        found = find_ruler(photo, None, graduation="inch")

    assert found is not None
    assert "1/10 inch" in found.finding
    assert scale_error(found, camera) == pytest.approx(0, abs=0.002)


@pytest.mark.parametrize("line_mm", [0.12, 0.2, 0.3])
def test_the_width_of_ticks_is_read_blur_included(line_mm):
    """A stroke w wide, blurred by σ, has area over height w / erf(w / √8 σ)."""
    photo, _ = scene(EdgeMarks(1.0, (5, 10), (3.0, 4.5, 6.0), line_mm=line_mm))
    copy = search_copy(photo)
    row = next(row for band in find_bands(copy, 4) for row in read_ticks(copy, band))

    stroke = stroke_of(copy.grey, row)

    # 10 px for each mm; blur 0.7 px and that of drawing, 0.5 px together with pixels
    drawn_px, sigma_px = 10 * line_mm, 0.86
    expected_px = drawn_px / math.erf(drawn_px / math.sqrt(8) / sigma_px)
    assert stroke.width_px == pytest.approx(expected_px, rel=0.12)
    assert stroke.pitch_px == pytest.approx(10.0, rel=0.01)


def test_narrow_ticks_far_apart_are_no_millimetres():
    """Ticks 2.5 px wide and 27 px apart would be under 0.1 mm wide in millimetres."""
    wide_apart, blurred = Stroke(2.5, 27.0), Stroke(2.5, 5.0)

    assert wide_apart.likelihood(2.54) > wide_apart.likelihood(1.0) + 3
    # where blur hides the width it says nothing of the distance
    assert abs(blurred.likelihood(2.54) - blurred.likelihood(1.0)) < 0.7
    assert Stroke(math.nan, 27.0).likelihood(1.0) == 0.0


def test_cloth_does_not_keep_the_search_busy():
    """A weave is full of even rows; only so many of them are read to the end."""
    y, x = np.mgrid[0:900, 0:1200]
    rng = np.random.default_rng(3)
    weave = 0.5 + 0.2 * np.sin(x / 1.7) * (np.sin(y / 9.0) > 0)
    weave += rng.normal(0, 0.03, weave.shape)
    read = []

    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(
            "weldsection.scale.ruler.read_graduations",
            lambda *given: read.append(given) or read_graduations(*given),
        )
        found = find_ruler(photo_of(np.repeat(weave[..., None], 3, axis=2)), None)

    assert found is None
    assert 0 < len(read) <= 12


def test_told_graduation_is_obeyed():
    """``ruler=inch`` on a millimetre rule gives an inch graduation or a refusal."""
    photo, _ = scene(MM)

    try:
        found = find_ruler(photo, None, graduation="inch")
    except ScaleError:
        return

    assert found is not None
    assert "inch" in found.finding


@pytest.mark.parametrize("marks", [MM, SIXTEENTHS])
def test_a_comb_without_long_teeth_is_no_rule(marks):
    """Even ticks of one length are a comb, whatever their distance."""
    even = EdgeMarks(marks.step_mm, (), marks.lengths_mm[:1])
    photo, _ = scene(even)

    assert find_ruler(photo, None) is None


def test_squared_paper_is_no_rule():
    """Millimetre paper has heavier lines every five and ten, but no ends of ticks."""
    picture = np.full((900, 1200, 3), 0.95, np.float32)
    for every, width in ((1, 1), (5, 2), (10, 3)):
        for at in range(0, 1200, 12 * every):
            cv2.line(picture, (at, 0), (at, 900), (0.5, 0.6, 0.7), width)
            cv2.line(picture, (0, at), (1200, at), (0.5, 0.6, 0.7), width)
    picture[:200] = 0.4

    assert find_ruler(photo_of(picture), None) is None


def test_printed_text_is_no_rule():
    """Lines of print with many upright strokes stay print."""
    picture = np.full((900, 1200, 3), 0.95, np.float32)
    ink = np.zeros((900, 1200), np.uint8)
    for row in range(25):
        text = "llilillIIll1111 tilt milli plate 135 "[row % 9 :] * 3
        cv2.putText(
            ink, text, (10, 40 + 34 * row), cv2.FONT_HERSHEY_SIMPLEX, 0.8, 255, 2
        )
    picture -= 0.8 * ink[..., None].astype(np.float32) / 255

    assert find_ruler(photo_of(picture), None) is None


@pytest.mark.parametrize("shape", [(20, 30), (90, 4000), (600, 800)])
def test_empty_pictures_hold_no_rule(shape):
    """A plain picture of any size is no error and no rule."""
    assert find_ruler(photo_of(np.full((*shape, 3), 0.5)), None) is None


def test_lattice_follows_perspective():
    """Marks at u = (a k + b) / (c k + 1) give back a, b and c."""
    k = np.arange(-30.0, 50.0)
    a, b, c = 11.0, 400.0, 0.002
    u = (a * k + b) / (c * k + 1)

    assert fit_lattice(k, u) == pytest.approx([a, b, c], rel=1e-6)


def test_lattice_bridges_missing_marks():
    """Some marks under a stain do not end a lattice, nor do they shift it."""
    profile = np.zeros(900)
    places = 20 + 12.4 * np.arange(70)
    for place in np.delete(places, [20, 21, 44]):
        profile += 50 * np.exp(-0.5 * ((np.arange(900) - place) / 1.4) ** 2)

    lattice = best_lattice(profile)

    assert lattice is not None
    assert len(lattice.numbers) >= 64
    assert lattice.pitch_px == pytest.approx(12.4, abs=0.01)


@pytest.mark.parametrize(
    ("tiers", "lengths", "name"),
    [
        ((5, 10), (3, 4.5, 6), "1 mm"),
        ((2, 10, 20), (4, 5.5, 8, 10), "0.5 mm"),
        ((10, 20), (5, 8, 10), "0.5 mm"),
        ((2, 4, 8, 16), (1.7, 2.3, 3, 4, 5), "1/16 inch"),
        ((2, 4, 8, 16, 32), (2.2, 2.8, 3.4, 4.4, 5.6, 7), "1/32 inch"),
    ],
)
def test_order_of_ticks_tells_fives_from_halves(tiers, lengths, name):
    """Fives and tens are millimetres, halves of halves are inches."""
    marks = EdgeMarks(1.0, tiers, lengths)
    k = np.arange(100)
    seen = np.array([float(marks.length_at(int(n) + 7)) for n in k])
    seen[[3, 40]] = np.nan
    seen[55] = 0.7

    readings = read_graduations(k, seen, 0.1)

    best = max(readings, key=lambda reading: reading.fit)
    assert best.graduation.tiers == next(
        reading.graduation.tiers
        for reading in readings
        if reading.graduation.name == name
    )


@pytest.mark.skipif(not PHOTOS.is_dir(), reason="the shared photos are not here")
@pytest.mark.parametrize("name", ["clean-01", "hard-01", "hard-04", "phone-13"])
def test_shared_photos_give_their_true_scale(name):
    """Drawn photos from elsewhere: mm per px at the face within 0.25 %."""
    truth = json.loads((PHOTOS / f"{name}.json").read_text(encoding="utf-8"))
    picture = cv2.imread(str(PHOTOS / f"{name}.jpg"))
    rows, columns = picture.shape[:2]
    photo = Photo(picture, PhotoOrigin(Path(name), "0" * 64, columns, rows))
    camera = np.array(truth["mm_to_px_upright"])
    middle = (truth["coupon_length_mm"] / 2, truth["plate_thickness_mm"] / 2)

    found = find_ruler(photo, None)

    assert found is not None
    assert scale_error(found, camera, middle) == pytest.approx(0, abs=0.0025)


def test_prominences_are_those_of_scipy() -> None:
    """Peaks stand out by what scipy's own definition says (scipy.signal)."""
    rng = np.random.default_rng(3)
    for size in (5, 40, 400):
        profile = np.convolve(rng.normal(size=size + 4), np.ones(5) / 5, mode="valid")
        at, properties = signal.find_peaks(profile, prominence=0)
        expected = properties["prominences"]
        np.testing.assert_allclose(prominences(profile, at), expected, atol=1e-12)
