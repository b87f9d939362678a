"""Time and memory of the command, as a table.

``PYTHONPATH=. python tests/benchmarks/speed.py`` on a machine that does nothing else;
a few minutes. Times are the best of several runs: what others do to the machine only
ever adds.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

ROOT = Path(__file__).resolve().parent.parent.parent
SAMPLES = ROOT / "sample_images"
PYTHON = (sys.executable, "-c")
COMMAND = (sys.executable, "-m", "weldsection")
ENVIRONMENT = {**os.environ, "PYTHONPATH": str(ROOT)}
# Runs a command as its own child, so that the peak is that command's alone.
_PEAK = (
    "import resource, subprocess, sys; subprocess.run(sys.argv[1:], "
    "stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, check=True); "
    "sys.stdout.write(str(resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss))"
)


@dataclass(frozen=True)
class Row:
    """One line of the table."""

    what: str
    measured: str
    bar: str
    met: bool


def seconds(command: Sequence[str], runs: int) -> float:
    """Best time of a command."""
    times = []
    for _ in range(runs):
        start = time.perf_counter()
        subprocess.run(command, env=ENVIRONMENT, capture_output=True, check=True)
        times.append(time.perf_counter() - start)
    return min(times)


def peak_mb(command: Sequence[str]) -> float:
    """Peak memory of a command and of the largest of its workers."""
    ran = subprocess.run(
        [*PYTHON, _PEAK, *command],
        env=ENVIRONMENT, capture_output=True, text=True, check=True,
    )  # fmt: skip
    return int(ran.stdout) / 1024


def measuring(photos: Sequence[Path], out: Path, *more: str) -> tuple[str, ...]:
    """Give the command that measures photos of the 10 mm sample plates."""
    names = tuple(str(photo) for photo in photos)
    options = ("--reference", "thickness=9.97", "--out", str(out), "--overwrite")
    return (*COMMAND, "measure", *names, *options, *more)


def start_up(runs: int) -> Row:
    """Time to say the version against the time to load the option parser."""
    ours = seconds([*COMMAND, "--version"], 4 * runs)
    click = seconds([*PYTHON, "import click"], 4 * runs)
    return Row(
        "`weldsection --version` / `import click`",
        f"{1000 * ours:.0f} / {1000 * click:.0f} ms = {ours / click:.1f}",
        "2",
        ours <= 2 * click,
    )


def one_photo(photo: Path, out: Path, runs: int) -> Row:
    """Time of the whole process on one photo, picture and all."""
    whole = seconds(measuring([photo], out), runs)
    imports = seconds([*PYTHON, "import numpy, cv2, scipy.ndimage"], runs)
    reads = []
    for _ in range(2 * runs):
        start = time.perf_counter()
        cv2.imread(str(photo))
        reads.append(time.perf_counter() - start)
    times = (whole - imports) / min(reads)
    return Row(
        f"`measure {photo.name}`, less bare imports, / `imread`",
        f"({whole:.2f} - {imports:.2f}) s / {1000 * min(reads):.0f} ms = {times:.1f}",
        "10",
        times <= 10,
    )


def memory(photo: Path, out: Path, bar_mb: float) -> Row:
    """Peak memory on one photo."""
    rows, columns = cv2.imread(str(photo)).shape[:2]
    peak = peak_mb(measuring([photo], out))
    what = f"peak memory at {rows * columns / 1e6:.0f} MP"
    return Row(what, f"{peak:.0f} MB", f"{bar_mb:.0f} MB", peak <= bar_mb)


def workers(photos: Sequence[Path], out: Path) -> Row:
    """Time of a batch with one worker against two."""
    one = seconds(measuring(photos, out / "one", "--jobs", "1"), 1)
    two = seconds(measuring(photos, out / "two", "--jobs", "2"), 1)
    same = all(
        path.read_bytes() == (out / "two" / path.relative_to(out / "one")).read_bytes()
        for path in (out / "one").rglob("*.*")
    )
    return Row(
        f"{len(photos)} photos with 1 worker / with 2, same bytes",
        f"{one:.1f} / {two:.1f} s = {one / two:.2f}, {'yes' if same else 'NO'}",
        "1.8",
        one / two >= 1.8 and same,
    )


def flat_memory(photos: Sequence[Path], out: Path) -> Row:
    """Peak memory of a long batch against a short one."""
    short = peak_mb(measuring(photos[:5], out / "short", "--jobs", "1"))
    long = peak_mb(measuring(photos, out / "long", "--jobs", "1"))
    return Row(
        f"peak memory of {len(photos)} photos / of 5",
        f"{long:.0f} / {short:.0f} MB = {long / short:.2f}",
        "1.1",
        long <= 1.1 * short,
    )


def enlarged(photo: Path, folder: Path, width_px: int) -> Path:
    """Give a photo enlarged to the size of a large camera's."""
    picture = cv2.imread(str(photo))
    height_px = round(picture.shape[0] * width_px / picture.shape[1])
    path = folder / f"large-{photo.name}"
    size = (width_px, height_px)
    cv2.imwrite(str(path), cv2.resize(picture, size, interpolation=cv2.INTER_CUBIC))
    return path


def copies(folder: Path, count: int) -> list[Path]:
    """Give copies of the samples under different names."""
    samples = sorted(SAMPLES.glob("*.jpg"))
    made = []
    for i in range(count):
        path = folder / f"photo-{i:03d}.jpg"
        shutil.copy(samples[i % len(samples)], path)
        made.append(path)
    return made


def main() -> None:
    """Measure everything and write the table to standard output."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--photos", type=int, default=100, help="length of the batch")
    parser.add_argument("--runs", type=int, default=5, help="runs of which the best")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        photo = SAMPLES / "phone-card.jpg"
        batch = copies(folder, asked.photos)
        rows = [
            start_up(asked.runs),
            one_photo(photo, folder / "out", asked.runs),
            memory(photo, folder / "out", 600),
            memory(enlarged(photo, folder, 8160), folder / "large", 1500),
            workers(batch, folder),
            flat_memory(batch, folder),
        ]
    lines = ["| what | measured | bar | met |", "|---|---|---|---|"]
    lines += [
        f"| {row.what} | {row.measured} | {row.bar} | {'yes' if row.met else 'no'} |"
        for row in rows
    ]
    lines.append(
        f"\n{os.cpu_count()} processors, numpy {np.__version__}, "
        f"OpenCV {cv2.__version__}, Python {sys.version.split()[0]}."
    )
    sys.stdout.write("\n".join(lines) + "\n")


if __name__ == "__main__":
    main()
