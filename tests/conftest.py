"""Fixtures for every test: drawn pictures, made-up results, the command line.

The shapes are parabolas, whose areas and depths are known on paper
(reference-values A.2: area of a parabola of chord W and height h is 2/3 W h).
"""

from __future__ import annotations

import os

# as the command does, before numpy is imported: one thread for small arrays
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import pytest

from weldsection.cli import main
from weldsection.flags import Flag
from weldsection.records import (
    BeadResult,
    BeadTrace,
    ByteArray,
    FloatArray,
    Measured,
    Options,
    Photo,
    PhotoOrigin,
    PlateSurface,
    Quality,
    Scale,
    ScaleReference,
    ScaleSource,
    SectionResult,
)

ROOT = Path(__file__).resolve().parent.parent
PX_PER_MM = 20.0
LEFT_PX, TOP_PX = 60.0, 150.0


@pytest.fixture(scope="session")
def plate_picture() -> ByteArray:
    """A bright plate on a dark bench, no two corners alike, 500 x 1400."""
    picture = np.full((500, 1400, 3), (40, 45, 60), np.uint8)
    cv2.rectangle(picture, (60, 150), (1260, 350), (170, 165, 160), -1)
    cv2.circle(picture, (260, 150), 60, (150, 150, 185), -1)
    cv2.rectangle(picture, (0, 0), (30, 20), (0, 0, 220), -1)
    noise = np.random.default_rng(7).integers(-6, 7, (500, 1400, 1))
    return np.clip(picture + noise, 0, 255).astype(np.uint8)


@pytest.fixture
def photo_file(tmp_path: Path, plate_picture: ByteArray) -> Path:
    """That picture as a JPEG file."""
    path = tmp_path / "plate.jpg"
    write_picture(path, plate_picture)
    return path


def write_picture(path: Path, picture: ByteArray) -> Path:
    """Write a picture under any name, also one OpenCV cannot open by itself."""
    path.write_bytes(cv2.imencode(path.suffix, picture)[1].tobytes())
    return path


@pytest.fixture(scope="session")
def made_up() -> Callable[..., SectionResult]:
    """A maker of results with beads of known shape, without measuring any."""
    return made_up_section


def made_up_section(
    path: Path = Path("plate.jpg"),
    *,
    beads: int = 3,
    sha256: str = "0" * 64,
    options: Options | None = None,
    flags: tuple[Flag, ...] = (),
) -> SectionResult:
    """Give a result on a plate 60 mm long, photographed at 20 px/mm, untilted."""
    mm_to_px = np.array([[PX_PER_MM, 0, LEFT_PX], [0, PX_PER_MM, TOP_PX], [0, 0, 1]])
    scale = Scale(
        homography=np.linalg.inv(mm_to_px),
        centre_xy_px=np.array([660.0, 250.0]),
        sources=(ScaleSource.constant("caliper", 0.005),),
        references=(_reference(np.linalg.inv(mm_to_px)),),
        advice="Lay a rule beside the coupon.",
    )
    options = options or Options(references=("thickness=10.02",))
    middles = np.linspace(0, 60, beads + 2)[1:-1]
    return SectionResult(
        origin=PhotoOrigin(path, sha256, 1400, 500, camera="Camera", taken=None),
        scale=scale,
        surface=PlateSurface(
            np.array([0.0, 30.0, 60.0]), np.zeros(3), np.array([0.02, 0.01, 0.02])
        ),
        quality=Quality(PX_PER_MM, 0.05, 0.0, float("nan"), 4.0),
        mm_to_px=mm_to_px,
        thickness_mm=10.02,
        length_mm=60.0,
        beads=tuple(
            made_up_bead(i + options.first_bead, float(x), doubtful=i == 1)
            for i, x in enumerate(middles)
        ),
        options=options,
        flags=flags,
        version="0.0.0",
    )


def _reference(homography: FloatArray) -> ScaleReference:
    return ScaleReference(
        kind="thickness",
        homography=homography,
        centre_xy_px=np.array([660.0, 250.0]),
        sources=(ScaleSource.constant("caliper", 0.005),),
        outline_xy_px=np.array([[60.0, 150.0], [60.0, 350.0]]),
        finding="The plate is 10.02 mm thick.",
        shows_tilt=False,
        flags=(Flag.TILT_UNKNOWN,),
    )


def made_up_bead(number: int, middle_mm: float, *, doubtful: bool) -> BeadResult:
    """Give a bead 8 mm wide, 2.5 mm deep and 1.5 mm high, of parabolas."""
    width, depth, height = 8.0, 2.5, 1.5
    across = np.linspace(-1, 1, 41)
    x = middle_mm + across * width / 2
    fusion = np.column_stack([x, depth * (1 - across**2)])
    cap = np.column_stack([x, -height * (1 - across**2)])
    haz = np.column_stack([middle_mm + across * 5.5, 4 * (1 - across**2)])
    trace = BeadTrace(
        left_toe_xy_mm=fusion[0],
        right_toe_xy_mm=fusion[-1],
        left_toe_u_mm=0.04,
        right_toe_u_mm=0.05,
        fusion_xy_mm=fusion,
        fusion_u_mm=np.full(41, 0.03),
        doubtful=(across > 0.2) & (across < 0.6) & doubtful,
        cap_xy_mm=cap,
        cap_u_mm=0.02,
        outline_xy_mm=cap,
        haz_xy_mm=np.empty((0, 2)) if doubtful else haz,
        fusion_draws_mm=np.repeat(fusion[None], 3, axis=0),
        cap_draws_mm=np.repeat(cap[None], 3, axis=0),
        flags=(Flag.BOUNDARY_FAINT,) if doubtful else (),
    )
    area_p, area_r = 2 / 3 * width * depth, 2 / 3 * width * height
    return BeadResult(
        number=number,
        x=Measured(middle_mm, 0.05),
        penetration=Measured(depth, 0.05),
        width=Measured(width, 0.08),
        reinforcement=Measured(height, 0.03),
        penetration_area=Measured(area_p, 0.3),
        reinforcement_area=Measured(area_r, 0.2),
        dilution=Measured(100 * area_p / (area_p + area_r), 1.2),
        toe_angle_left=Measured(143.13, 2.0),
        toe_angle_right=Measured(143.13, 2.0),
        haz_depth=Measured(float("nan")) if doubtful else Measured(4.0, 0.1),
        mm_per_px=1 / PX_PER_MM,
        scale_relative_u=0.005,
        trace=trace,
        flags=trace.flags,
    )


@pytest.fixture
def made_up_pipeline(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let a batch give made-up results instead of measuring; reading is real."""

    def measure_section(photo: Photo, options: Options) -> SectionResult:
        origin = photo.origin
        return made_up_section(origin.path, sha256=origin.sha256, options=options)

    monkeypatch.setattr("weldsection.batch.measure_section", measure_section)


@dataclass(frozen=True)
class Ran:
    """How a command ended."""

    code: int
    out: str
    err: str


@pytest.fixture
def command_line(
    monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str], tmp_path: Path
) -> Callable[..., Ran]:
    """Give the command line within this process, in a folder of its own."""
    monkeypatch.chdir(tmp_path)

    def run(*arguments: str | Path) -> Ran:
        monkeypatch.setattr("sys.argv", ["weldsection", *map(str, arguments)])
        with pytest.raises(SystemExit) as stopped:
            main()
        out, err = capfd.readouterr()
        return Ran(int(stopped.value.code or 0), out, err)

    return run


@pytest.fixture
def weldsection(tmp_path: Path) -> Callable[..., subprocess.CompletedProcess[str]]:
    """The installed command, run in a folder of its own."""

    def run(*arguments: str | Path, **more: object) -> subprocess.CompletedProcess[str]:
        environment = {**os.environ, "PYTHONUTF8": "1"}
        environment["PYTHONPATH"] = os.pathsep.join(p for p in sys.path if p)
        return subprocess.run(  # type: ignore[call-overload, no-any-return]
            [sys.executable, "-m", "weldsection", *map(str, arguments)],
            check=False,
            **{
                "cwd": tmp_path,
                "env": environment,
                "capture_output": True,
                "text": True,
                "encoding": "utf-8",
                "timeout": 120,
                **more,
            },
        )

    return run


@pytest.fixture(scope="session")
def shared_photos() -> Path:
    """Photos that came with the task; they are no part of the project."""
    folder = ROOT.parent / "shared" / "photos"
    if not folder.is_dir():
        pytest.skip("the shared photos are not on this machine")
    return folder
