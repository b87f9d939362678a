"""What must not change a measurement, and what must change it in a known way.

The same drawn coupon, photographed otherwise. A change is judged against the
stated uncertainties of both readings; the scale is left out of the comparison
where both photos share it.
"""

from __future__ import annotations

import math
from pathlib import Path

import cv2
import numpy as np
import pytest
from conftest import ROOT, write_picture
from PIL import Image

from weldsection import measure
from weldsection.records import BeadResult, ByteArray, SectionResult

SAMPLE = ROOT / "sample_images" / "clean-scan.jpg"
REFERENCE = "thickness=9.92"
QUANTITIES = ("penetration", "width", "reinforcement", "dilution")


@pytest.fixture(scope="module")
def picture() -> ByteArray:
    """The drawn coupon, halved, so that it is quick to code and decode."""
    return cv2.resize(
        cv2.imread(str(SAMPLE)), None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA
    )


@pytest.fixture(scope="module")
def plain(
    picture: ByteArray, tmp_path_factory: pytest.TempPathFactory
) -> SectionResult:
    """The coupon as it is."""
    path = tmp_path_factory.mktemp("plain") / "plain.png"
    return measure(write_picture(path, picture), REFERENCE)


def assert_same(
    one: SectionResult,
    other: SectionResult,
    *,
    mirrored: bool = False,
    longer: float = 1.0,
) -> None:
    """Check that two results agree as their uncertainties say.

    Each difference lies within three of its standard uncertainties, and over
    all of them the typical one within one and a half: two dozen differences
    leave that much to chance. Lengths of the other may be `longer` by a factor.
    """
    beads = other.beads[::-1] if mirrored else other.beads
    assert len(one.beads) == len(beads)
    off = []
    for left, right in zip(one.beads, beads, strict=True):
        for name in QUANTITIES:
            a, b = getattr(left, name), getattr(right, name)
            factor = 1.0 if name == "dilution" else longer
            off.append((b.value / factor - a.value) / math.hypot(a.u, b.u))
            assert abs(off[-1]) <= 3, (left.number, name, a, b)
    assert math.sqrt(np.mean(np.square(off))) <= 1.5


@pytest.mark.parametrize("orientation", [3, 6])
def test_the_way_the_camera_was_held_changes_nothing(
    tmp_path: Path, picture: ByteArray, plain: SectionResult, orientation: int
) -> None:
    """Turned by EXIF the pixels are the same, so every digit is."""
    turn = {3: Image.Transpose.ROTATE_180, 6: Image.Transpose.ROTATE_90}[orientation]
    exif = Image.Exif()
    exif[0x0112] = orientation
    stored = Image.fromarray(picture[:, :, ::-1].copy()).transpose(turn)
    stored.save(tmp_path / "plain.png", exif=exif, compress_level=1)

    turned = measure(tmp_path / "plain.png", REFERENCE)

    assert turned.rows() == plain.rows()


def test_mirrored_the_beads_are_mirrored(
    tmp_path: Path, picture: ByteArray, plain: SectionResult
) -> None:
    """Left and right toe change places, x counts from the other end."""
    path = write_picture(tmp_path / "mirrored.png", picture[:, ::-1].copy())
    mirrored = measure(path, REFERENCE)

    assert_same(plain, mirrored, mirrored=True)
    for bead, image in zip(plain.beads, mirrored.beads[::-1], strict=True):
        assert plain.length_mm - bead.x.value == pytest.approx(image.x.value, abs=0.3)
        assert_toes_agree(bead, image)


def assert_toes_agree(bead: BeadResult, image: BeadResult) -> None:
    """Check that the left toe of one is the right toe of the other."""
    for one, other in (
        (bead.toe_angle_left, image.toe_angle_right),
        (bead.toe_angle_right, image.toe_angle_left),
    ):
        assert one.value == pytest.approx(other.value, abs=8)


def test_twice_the_pixels_are_the_same_millimetres(
    tmp_path: Path, picture: ByteArray, plain: SectionResult
) -> None:
    """Enlarged by two, each pixel is half as large and each bead as deep."""
    large = cv2.resize(picture, None, fx=2, fy=2, interpolation=cv2.INTER_CUBIC)
    doubled = measure(write_picture(tmp_path / "large.png", large), REFERENCE)

    assert_same(plain, doubled)
    ratio = plain.beads[0].mm_per_px / doubled.beads[0].mm_per_px
    assert ratio == pytest.approx(2, rel=0.02)


@pytest.mark.parametrize(("contrast", "brightness"), [(0.7, 20), (1.0, 25), (1.0, -25)])
def test_light_changes_nothing(
    tmp_path: Path,
    picture: ByteArray,
    plain: SectionResult,
    contrast: float,
    brightness: float,
) -> None:
    """Darker, lighter or flatter, the lines are where they were."""
    changed = np.clip(picture * contrast + brightness, 0, 255).astype(np.uint8)
    light = measure(write_picture(tmp_path / "light.png", changed), REFERENCE)

    assert_same(plain, light)


def test_a_wrong_scale_leaves_dilution_alone(
    tmp_path: Path, picture: ByteArray, plain: SectionResult
) -> None:
    """Both areas grow alike: (1 + e)² - 1, reference-values H.3; e = 3.448 %."""
    thickness = 9.92 * 1.03448
    path = write_picture(tmp_path / "plain.png", picture)
    wrong = measure(path, f"thickness={thickness:.4f}")

    assert_same(plain, wrong, longer=1.03448)
    area = sum(b.penetration_area.value for b in wrong.beads) / sum(
        b.penetration_area.value for b in plain.beads
    )
    assert area == pytest.approx(1.07015, abs=0.02)


def test_counted_from_the_right_the_numbers_turn(
    tmp_path: Path, picture: ByteArray, plain: SectionResult
) -> None:
    """The first bead counted is the last one seen; its values are its own."""
    from weldsection import Options  # noqa: PLC0415 - loaded when first used

    path = write_picture(tmp_path / "plain.png", picture)
    options = Options(order="right-to-left", first_bead=11)
    turned = measure(path, REFERENCE, options=options)

    assert [bead.number for bead in turned.beads] == [11, 12, 13, 14, 15, 16]
    assert [b.x.value for b in turned.beads] == [b.x.value for b in plain.beads[::-1]]
