"""What others say: sizes from mints and standards, other programs' geometry."""

from __future__ import annotations

import math
import re
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from skimage.transform import ProjectiveTransform
from uncertainties import ufloat, umath

from weldsection.records import ScaleReference, ScaleSource, mm_per_px_at
from weldsection.scale.combine import combine
from weldsection.scale.marks import dictionary, find_marks
from weldsection.scale.plane import homographies_from, scatter

ROOT = Path(__file__).resolve().parents[2]

# diameter and thickness in mm. US coins: US Mint, coin specifications. 50 cent, 1 and
# 2 euro: EU law portal, summary of Reg. (EC) 975/98; the others: second-hand tables
COINS_MM = {
    "US cent": (19.05, 1.52),
    "US nickel": (21.21, 1.95),
    "US dime": (17.91, 1.35),
    "US quarter": (24.26, 1.75),
    "US half dollar": (30.61, 2.15),
    "US dollar": (26.49, 2.00),
    "euro 1 cent": (16.25, 1.67),
    "euro 2 cent": (18.75, 1.67),
    "euro 5 cent": (21.25, 1.67),
    "euro 10 cent": (19.75, 1.93),
    "euro 50 cent": (24.25, 2.38),
    "1 euro": (23.25, 2.33),
    "2 euro": (25.75, 2.20),
}


def test_coins_in_the_manual_have_the_size_their_mints_give() -> None:
    """Every coin of the table, and none besides (reference-values F.1)."""
    text = (ROOT / "docs" / "coins.md").read_text("utf-8")
    rows = re.findall(r"^\| ([\w ]+?) \| ([\d.]+)[^|]*\| ([\d.]+) \|", text, re.M)

    assert {name: (float(d), float(t)) for name, d, t in rows} == COINS_MM


def _centred(times: int) -> NDArray[np.float64]:
    """Shift so that pixel centres stay on integers in a picture so much finer."""
    shift = (times - 1) / 2 / times
    return np.array([[1, 0, shift], [0, 1, shift], [0, 0, 1.0]])


def board_photo(seed: int) -> tuple[NDArray[np.uint8], dict[int, NDArray[np.float64]]]:
    """A board of OpenCV's own, drawn by OpenCV, seen askew; true corners of marks."""
    rng = np.random.default_rng(seed)
    numbers = rng.permutation(100)[:12]
    board = cv2.aruco.GridBoard((4, 3), 30.0, 10.0, dictionary(), numbers)
    page = board.generateImage((1620, 1220), marginSize=60, borderBits=1)
    square = np.array([[0, 0], [1619, 0], [1619, 1219], [0, 1219]], np.float32)
    seen = square * 0.55 + 120 + rng.uniform(-70, 70, (4, 2)).astype(np.float32)
    way = cv2.getPerspectiveTransform(square, seen)
    fine = cv2.warpPerspective(
        (page / 255.0) ** 2.2, np.diag([4.0, 4.0, 1.0]) @ _centred(4) @ way,
        (4720, 3600), borderValue=0.3,
    )  # fmt: skip
    # a lens blurs light and not grey levels
    light = cv2.resize(fine, (1180, 900), interpolation=cv2.INTER_AREA)
    light = cv2.GaussianBlur(light, (0, 0), 0.8)
    noisy = 255 * light ** (1 / 2.2) + rng.normal(0, 3, light.shape)
    grey = np.clip(noisy, 0, 255).astype(np.uint8)
    # 150 by 110 mm at 10 px for each mm within the margin; centres on integers
    points = np.concatenate(board.getObjPoints())[:, :2].astype(np.float64)
    at = 10 * points + 60 - 0.5
    true = cv2.perspectiveTransform(at[None], way)[0].reshape(-1, 4, 2)
    bgr = np.repeat(grey[..., None], 3, axis=2)
    return bgr, dict(zip((int(n) for n in numbers), true, strict=True))


@pytest.mark.parametrize("seed", range(4))
def test_marks_are_found_as_opencvs_own_detector_finds_them(seed: int) -> None:
    """On its own boards: the same marks, and corners no further off than its own."""
    bgr, true = board_photo(seed)
    settings = cv2.aruco.DetectorParameters()
    settings.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    detector = cv2.aruco.ArucoDetector(dictionary(), settings)
    corners, numbers, _ = detector.detectMarkers(cv2.cvtColor(bgr, cv2.COLOR_BGR2GRAY))
    theirs = {int(n): c[0] for n, c in zip(numbers.ravel(), corners, strict=True)}

    ours = {mark.number: mark.corners_xy_px for mark in find_marks(bgr)}

    assert set(ours) == set(theirs) == set(true)
    off = {
        name: np.concatenate([found[n] - true[n] for n in true])
        for name, found in (("ours", ours), ("theirs", theirs))
    }
    scatter_px = {name: float(np.std(each)) for name, each in off.items()}
    assert scatter_px["ours"] < max(1.2 * scatter_px["theirs"], 0.1)
    assert scatter_px["ours"] < 0.3


def test_homography_from_corners_agrees_with_scikit_image() -> None:
    """On 50 random quadrangles, also where they map other points."""
    rng = np.random.default_rng(8)
    goal = np.array([[0, 0], [85.6, 0], [85.6, 53.98], [0, 53.98]])
    for _ in range(50):
        corners = goal * 12 + rng.normal(0, 40, (4, 2)) + 300
        points = rng.uniform(300, 1000, (20, 2))

        own = homographies_from(corners[None], goal)[0]

        other = ProjectiveTransform.from_estimate(corners, goal)
        mapped = cv2.perspectiveTransform(points[None], own)[0]
        assert mapped == pytest.approx(other(points), abs=1e-6)


def test_scatter_of_corners_becomes_the_scatter_of_the_scale() -> None:
    """Corners ± 0.5 px: first-order propagation against Monte Carlo, three places."""
    goal = np.array([[0, 0], [85.6, 0], [85.6, 53.98], [0, 53.98]])
    corners = goal * 10 + [[300, 200], [320, 190], [310, 230], [290, 215]]
    rng = np.random.default_rng(9)
    homography = homographies_from(corners[None], goal)[0]
    centre = corners.mean(axis=0)
    drawn = homographies_from(corners + rng.normal(0, 0.5, (3000, 4, 2)), goal)

    claimed = scatter("graduation", drawn, homography, centre)

    for offset in ([0.0, 0.0], [300.0, -100.0], [-200.0, 250.0]):
        at = centre + offset
        scales = [mm_per_px_at(h, at) for h in drawn]
        spread = float(np.std(np.log(scales)))
        assert claimed.relative_u_at(np.array(offset)) == pytest.approx(
            spread, rel=0.03
        )


def test_a_budget_of_five_sources_adds_up_as_the_uncertainties_package_does() -> None:
    """Caliper, edges, tilt with slopes, lens and plane, away from the centre."""
    centre, at = np.array([800.0, 600.0]), np.array([1100.0, 500.0])
    slopes = np.diag([0.004**2, 8e-6**2, 5e-6**2])
    parts = {"caliper": 0.005, "graduation": 0.003, "lens": 0.001, "plane": 0.002}
    reference = ScaleReference(
        kind="thickness",
        homography=np.diag([0.05, 0.05, 1.0]),
        centre_xy_px=centre,
        sources=(
            *(ScaleSource.constant(name, u) for name, u in parts.items()),
            ScaleSource("tilt", slopes),
        ),
        outline_xy_px=np.zeros((3, 2)),
        finding="",
        shows_tilt=False,
    )

    found = combine((reference,), np.array([700.0, 650.0]))

    logs = [ufloat(0, u) for u in parts.values()]
    run = at - centre
    tilt = ufloat(0, 0.004) + ufloat(0, 8e-6) * run[0] + ufloat(0, 5e-6) * run[1]
    scale = 0.05 * umath.exp(sum(logs) + tilt)
    assert found.mm_per_px_at(at) == pytest.approx(scale.n)
    assert found.relative_u_at(at) == pytest.approx(scale.s / scale.n, rel=1e-9)


# reference-values H.3, pinhole camera: angle in degrees -> 1 - cos in per cent
TILT_TABLE = {
    1: 0.015, 2: 0.061, 5: 0.381, 10: 1.519, 15: 3.407, 20: 6.031, 30: 13.397,
}  # fmt: skip


@pytest.mark.parametrize(("degrees", "percent"), TILT_TABLE.items())
def test_the_scale_of_a_tilted_plane_is_that_of_the_table(
    degrees: float, percent: float
) -> None:
    """Far away, a plane tilted by θ has cos θ in one direction: √cos θ in the mean."""
    turn = math.radians(degrees)
    view = np.diag([1.0, 1 / math.cos(turn), 1.0]) * [[0.05], [0.05], [1.0]]

    shrunk = 0.05 / mm_per_px_at(view, np.zeros(2))

    assert 100 * (1 - shrunk**2) == pytest.approx(percent, abs=0.0006)
