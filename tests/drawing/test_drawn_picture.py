"""Drawn pictures against their own truth."""

import json
import re
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image, ImageOps
from scipy.ndimage import map_coordinates

from sample_images.drawing import camera, crops, scene
from sample_images.drawing.face import BASE, HAZ, WELD
from sample_images.drawing.patch import Patch
from sample_images.drawing.section import BeadPlan, PlatePlan, make_section
from sample_images.drawing.styles import EtchStyle, SurfaceStyle

SMALL = (900, 600)


def shot_of_three_beads() -> scene.Shot:
    """A small photo, through a bent lens, of a coupon that fills most of it."""
    beads = (BeadPlan(10, 9, 2, 2), BeadPlan(25, 8, 3, 2), BeadPlan(40, 10, 0.3, 4))
    coupon = scene.Coupon(
        make_section(PlatePlan(10, 50, bow_mm=0.1), beads),
        EtchStyle("dark-haz"),
        SurfaceStyle(),
        paint_seed=4,
    )
    shot = scene.random_shot(5, size_px=SMALL, coupon=coupon, kind="thickness")
    return replace(shot, sensor=replace(shot.sensor, bend=0.01))


@pytest.fixture(scope="module")
def drawing():
    """The photo of three beads."""
    return scene.draw(shot_of_three_beads())


def test_same_seed_same_picture(drawing):
    """A photo is drawn again to the last digit from its seed."""
    again = scene.draw(shot_of_three_beads())

    assert np.array_equal(drawing.picture, again.picture)
    assert drawing.truth == again.truth


def test_labels_agree_with_the_outlines(drawing):
    """The pixels labelled weld cover the area of the weld outlines."""
    drawn_px = np.count_nonzero(drawing.labels == WELD)
    outlined = np.zeros(drawing.labels.shape, np.uint8)
    for bead in drawing.truth["beads"]:
        lines = bead["outline_px"]
        loop = np.array(lines["cap"] + lines["fusion"][::-1])
        cv2.fillPoly(outlined, [np.round(loop * 16).astype(np.int32)], 1, shift=4)

    both = np.count_nonzero((outlined > 0) & (drawing.labels == WELD))
    assert both / drawn_px > 0.95
    assert both / np.count_nonzero(outlined) > 0.9


def test_homography_of_the_truth_maps_mm_to_pixels(drawing):
    """The plate surface in mm lands on the surface in pixels."""
    matrix = np.array(drawing.truth["mm_to_px_upright"])
    section = drawing.shot.coupon.section
    seen = cv2.perspectiveTransform(section.surface_xy_mm(25)[None], matrix)[0]

    # the homography is the best fit of a slightly bent lens
    off = np.hypot(*(seen - np.array(drawing.truth["surface_px"])).T)
    assert off.max() < 1.0


def test_scale_in_the_truth_is_that_of_its_homography():
    """mm_per_px_at_face agrees with the homography's area scale there."""
    truth = scene.truth_of(scene.random_shot(9, tier="clean", size_px=SMALL))
    middle = truth["coupon_length_mm"] / 2, truth["plate_thickness_mm"] / 2
    square = np.array([middle]) + np.array([[0, 0], [0.01, 0], [0, 0.01]])
    seen = cv2.perspectiveTransform(square[None], np.array(truth["mm_to_px_upright"]))
    edges = (seen[0, 1:] - seen[0, 0]) / 0.01

    scale = 1 / np.sqrt(abs(np.linalg.det(edges)))
    assert truth["mm_per_px_at_face"] == pytest.approx(scale, rel=1e-3)


def test_the_camera_aims_where_it_is_told():
    """The aimed place lies on the aimed pixel at the asked scale, tilted or not."""
    pose = camera.stand(
        (1000, 800),
        aim_xy_mm=(40, 5),
        aim_px=(300, 500),
        px_per_mm=8.0,
        distance_mm=250.0,
        tilt_deg=(6, -4),
        roll_deg=10,
    )
    seen = cv2.perspectiveTransform(np.array([[[40.0, 5.0]]]), pose.to_pixels)[0, 0]

    assert seen == pytest.approx([300, 500], abs=1e-6)
    assert pose.tilt_deg == pytest.approx(7.2, abs=0.05)


def test_planes_nearer_the_camera_look_larger():
    """A plane at a fifth of the camera's distance looks a quarter larger."""
    pose = camera.stand(
        SMALL, aim_xy_mm=(0, 0), aim_px=(450, 300), px_per_mm=5, distance_mm=200
    )
    ends = np.array([[[0.0, 0.0], [10.0, 0.0]]])
    near = cv2.perspectiveTransform(ends, pose.plane(40.0))[0]

    assert np.hypot(*(near[1] - near[0])) == pytest.approx(62.5, rel=1e-6)


def test_bent_points_and_bent_pixels_agree():
    """A point bent by the lens is fetched from where it was straight."""
    points = np.array([[100.0, 80.0], [700.0, 500.0]])
    bent = camera.bend_points(points, SMALL, 0.02)
    x, y = camera.bend_map(SMALL, 0.02, (0, 0, *SMALL))
    columns, rows = np.round(bent).astype(int).T

    assert x[rows, columns] == pytest.approx(points[:, 0], abs=1.0)
    assert y[rows, columns] == pytest.approx(points[:, 1], abs=1.0)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_turned_photos_open_upright(orientation, tmp_path):
    """A photo stored turned opens upright by its EXIF orientation (EXIF 2.3)."""
    upright = np.zeros((20, 30, 3), np.uint8)
    upright[:5, :10] = 255
    exif = Image.Exif()
    exif[0x0112] = orientation
    path = tmp_path / "turned.png"
    Image.fromarray(scene.turned(upright, orientation)).save(path, exif=exif)
    with Image.open(path) as stored:
        opened = np.asarray(ImageOps.exif_transpose(stored))

    assert np.array_equal(opened, upright)


def test_saved_photo_has_its_truth_beside_it(drawing, tmp_path):
    """The JPEG opens and the JSON names it."""
    scene.save(drawing, tmp_path / "drawn.jpg")
    truth = json.loads((tmp_path / "drawn.json").read_text("utf-8"))

    assert truth["photo"] == "drawn.jpg"
    assert len(truth["beads"]) == len(drawing.shot.coupon.section.beads)
    with Image.open(tmp_path / "drawn.jpg") as stored:
        assert sorted(stored.size) == sorted(SMALL)


def test_a_patch_lies_where_it_is_put():
    """A white square of 10 mm covers 10 mm of the picture about its centre."""
    square = np.ones((50, 50), np.float32)
    patch = Patch(np.dstack([square] * 3), square, 5.0, (20.0, 10.0))

    assert patch.corners_xy_mm() == pytest.approx(
        np.array([[15, 5], [25, 5], [25, 15], [15, 15]])
    )


@pytest.mark.parametrize("draw", [crops.training_strip, crops.training_view])
def test_training_pictures_repeat_and_carry_labels(draw):
    """The same seed gives the same picture, with plate and weld labelled."""
    rgb, labels = draw(3)
    again, labels_again = draw(3)

    assert np.array_equal(rgb, again)
    assert np.array_equal(labels, labels_again)
    assert rgb.dtype == labels.dtype == np.uint8
    assert rgb.shape[:2] == labels.shape
    assert {BASE, HAZ, WELD} <= set(np.unique(labels))


def test_drawing_never_imports_the_measuring_code():
    """Neither side may lean on the other, or agreement proves nothing."""
    for source in Path(scene.__file__).parent.glob("*.py"):
        imports = re.findall(
            r"^\s*(?:from|import) (\w+)", source.read_text("utf-8"), re.M
        )
        assert "weldsection" not in imports, source.name


@pytest.mark.parametrize("tier", scene.TIERS)
@pytest.mark.parametrize("seed", range(4))
def test_truth_of_any_photo_can_be_written_and_is_whole(tier, seed):
    """Every random photo has a truth that JSON can hold, with all its quantities."""
    shot = scene.random_shot(seed, tier=tier, size_px=SMALL)
    truth = json.loads(json.dumps(scene.truth_of(shot)))

    assert truth["reference_option"]
    for bead in truth["beads"]:
        assert bead["width_mm"] > 0
        assert 0 <= bead["dilution_pct"] <= 100
        assert set(bead["outline_px"]) == {"fusion", "cap", "haz"}


@pytest.mark.parametrize("seed", range(3))
def test_points_reference_gives_the_distance_of_its_points(seed):
    """The millimetres in points=… are those between the two pixels on the face."""
    truth = scene.truth_of(scene.random_shot(seed, size_px=SMALL, kind="points"))
    numbers = truth["reference_option"].removeprefix("points=").split(",")
    x1, y1, x2, y2, distance_mm = (float(number) for number in numbers)
    back = np.linalg.inv(np.array(truth["mm_to_px_upright"]))
    ends = cv2.perspectiveTransform(np.array([[[x1, y1], [x2, y2]]]), back)[0]

    assert np.hypot(*(ends[1] - ends[0])) == pytest.approx(distance_mm, abs=0.006)


@pytest.mark.parametrize("kind", ["rule-mm", "rule-inch", "disc", "idcard", "card"])
def test_things_of_known_size_lie_beside_the_coupon_in_the_picture(kind):
    """A laid down thing is level with the face, clear of it, and seen."""
    shot = scene.random_shot(12, size_px=SMALL, kind=kind)
    corners = shot.patches[0].corners_xy_mm()
    middle = cv2.perspectiveTransform(
        corners.mean(axis=0)[None, None], shot.pose.to_pixels
    )[0, 0]
    outline = shot.coupon.section.outline_xy_mm[:, 1]

    assert shot.patches[0].z_mm == 0
    assert (middle >= 0).all()
    assert (middle < SMALL).all()
    assert corners[:, 1].mean() > outline.max() or corners[:, 1].mean() < outline.min()
    assert shot.reference_option.partition("=")[0] in (
        "ruler",
        "disc",
        "idcard",
        "card",
    )


def test_plain_bead_paints_its_labels_in_order():
    """Down through a bead: weld, HAZ, plate."""
    section = make_section(PlatePlan(10, 40), (BeadPlan(20, 10, 2, 2),))
    labels = scene.face.label_map(section, lambda points: points * 20 + 60, (300, 900))
    column = labels[:, 20 * 20 + 60]
    changes = column[np.flatnonzero(np.diff(column.astype(int)))]

    assert list(changes) == [0, WELD, HAZ, BASE]


@pytest.mark.parametrize("px_per_mm", [6.0, 16.0, 31.7])
def test_painted_metal_is_no_thicker_than_its_outline(px_per_mm):
    """Labels cover the outlines' areas; a half pixel too much would show here."""
    plan = BeadPlan(20.13, 10, 2.31, 2.17)
    section = make_section(PlatePlan(9.87, 40), (plan,))
    labels = scene.face.label_map(
        section, lambda points: points * px_per_mm + 90.3, (900, 1500)
    )
    truth = section.beads[0].truth
    weld_mm2 = truth.penetration_area_mm2 + truth.reinforcement_area_mm2
    drawn_mm2 = np.count_nonzero(labels == WELD) / px_per_mm**2
    rim_mm = 24.0  # length of the weld's outline

    assert abs(drawn_mm2 - weld_mm2) / rim_mm < 0.1 / px_per_mm


def test_painted_edges_lie_where_the_outlines_are():
    """The grey edge of plate and weld in a plain painting is that of the truth."""
    plan = BeadPlan(20, 10, 2.5, 2, root="segment", haz_mm=1.0)
    section = make_section(PlatePlan(10, 40), (plan,))
    etch = EtchStyle(
        "test", haz_grey=-0.2, haz_inner=1.0, weld_grey=0.1, streak_grey=0,
        mottle_grey=0, grain_grey=0, etch_drift=0,
    )  # fmt: skip
    worn = SurfaceStyle(
        grind_grey=0, scratches=0, rolling_grey=0, clouds_grey=0, rim_grey=0
    )
    rng = np.random.default_rng(0)
    painted = scene.face.paint_face(section, etch, worn, rng, px_per_mm=16.0)
    column = round((20 - painted.origin_xy_mm[0]) * 16)
    grey = painted.rgb[:, column, 1]
    depth = painted.origin_xy_mm[1] + np.arange(len(grey)) / 16

    def falls_through(level: float, start: float) -> float:
        below = np.flatnonzero((depth > start) & (grey < level))[0]
        share = (grey[below - 1] - level) / (grey[below - 1] - grey[below])
        return depth[below - 1] + share / 16

    # half way between weld (0.62 + 0.1) and HAZ (0.62 - 0.2)
    assert falls_through(0.57, 1.0) == pytest.approx(2.5, abs=0.012)
    top = (
        depth[0] + (len(grey[depth < 5]) - painted.alpha[depth < 5, column].sum()) / 16
    )
    assert top - 0.5 / 16 == pytest.approx(-2.0, abs=0.012)


def offsets_px(picture, line_xy_px, centre_xy_px):
    """How far outside a line the grey edge is, at points along its middle half."""
    along = np.gradient(line_xy_px, axis=0)
    outward = np.column_stack([-along[:, 1], along[:, 0]])
    outward /= np.hypot(*along.T)[:, None]
    side = np.sign(((line_xy_px - centre_xy_px) * outward).sum(axis=1))
    reach = np.arange(-5, 5.05, 0.1)
    found = []
    for i in range(len(line_xy_px) // 4, 3 * len(line_xy_px) // 4):
        path = line_xy_px[i] + reach[:, None] * outward[i] * side[i]
        grey = map_coordinates(picture.astype(float), path[:, ::-1].T, order=1)
        middle = (grey[:8].mean() + grey[-8:].mean()) / 2
        at = np.flatnonzero((grey[:-1] - middle) * (grey[1:] - middle) <= 0)
        found.append(reach[at[np.argmin(np.abs(reach[at]))]] if len(at) else np.nan)
    return np.array(found)


def test_fusion_line_and_haz_edge_lie_on_the_truth_in_a_tilted_photo():
    """Through tilt and a bent lens the grey edges keep to a tenth of a pixel or so."""
    beads = (BeadPlan(15, 10, 2.5, 2, root="segment"), BeadPlan(40, 8, 0.5, 3))
    etch = EtchStyle(
        "test", haz_grey=-0.25, haz_inner=1, weld_grey=0.2, streak_grey=0,
        mottle_grey=0, grain_grey=0, etch_drift=0, fusion_soft_mm=0.05,
    )  # fmt: skip
    worn = SurfaceStyle(
        grind_grey=0, scratches=0, rolling_grey=0, clouds_grey=0, rim_grey=0
    )
    coupon = scene.Coupon(make_section(PlatePlan(10, 60), beads), etch, worn, 1)
    pose = camera.stand(
        (1120, 480),
        aim_xy_mm=(30, 5),
        aim_px=(560, 240),
        px_per_mm=16,
        distance_mm=200,
        tilt_deg=(6, -5),
        roll_deg=2,
    )
    shot = scene.random_shot(3, tier="clean", coupon=coupon, kind="thickness")
    quiet = camera.Sensor(0.3, bend=0.01, vignette=0, noise=0, sharpen=0)
    shot = replace(shot, pose=pose, sensor=quiet, setting=scene.Setting("plain", 0.0))
    photo = scene.draw(shot)

    for bead in photo.truth["beads"]:
        lines = {name: np.array(line) for name, line in bead["outline_px"].items()}
        centre = np.vstack([lines["cap"], lines["fusion"]]).mean(axis=0)
        for name in ("fusion", "haz"):
            off = offsets_px(photo.picture[..., 1], lines[name], centre)
            assert abs(np.nanmean(off)) < 0.15, (name, np.nanmean(off))
