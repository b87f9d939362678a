"""Time and memory of the command, as a table.

``PYTHONPATH=. python tests/benchmarks/speed.py`` on a machine that does nothing else;
some minutes. Times are the best of several runs, since what others do to the machine
only ever adds, and beside each stands the time of processor (user and system) that
it took, which they change less.
"""

from __future__ import annotations

import argparse
import os
import resource
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
# As installed: with the byte code that `pip install` leaves beside each module.
ENVIRONMENT = {**os.environ, "PYTHONPATH": str(ROOT), "PYTHONDONTWRITEBYTECODE": ""}
# What the process cannot do without, whatever it does.
BARE_IMPORTS = "import numpy, numpy.random, cv2, click, contourpy"
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


@dataclass(frozen=True)
class Taken:
    """What a command took."""

    wall_s: float
    cpu_s: float
    """User and system time of the command and its workers."""

    def __str__(self) -> str:
        return f"{self.wall_s:.2f} s ({self.cpu_s:.2f} s of processor)"


def taken(command: Sequence[str], processors: set[int] | None = None) -> Taken:
    """Time of a command, on some of the processors only if asked."""
    allowed = os.sched_getaffinity(0)
    os.sched_setaffinity(0, processors or allowed)
    before, start = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    try:
        subprocess.run(command, env=ENVIRONMENT, capture_output=True, check=True)
    finally:
        os.sched_setaffinity(0, allowed)
    wall, after = (
        time.perf_counter() - start,
        resource.getrusage(resource.RUSAGE_CHILDREN),
    )
    cpu = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return Taken(wall, cpu)


def best(command: Sequence[str], runs: int) -> Taken:
    """Least time of a command over several runs."""
    seen = [taken(command) for _ in range(runs)]
    return Taken(min(s.wall_s for s in seen), min(s.cpu_s for s in seen))


def peak_mb(command: Sequence[str]) -> float:
    """Peak memory of a command and of the largest of its workers."""
    ran = subprocess.run(
        [*PYTHON, _PEAK, *command],
        env=ENVIRONMENT, capture_output=True, text=True, check=True,
    )  # fmt: skip
    return int(ran.stdout) / 1024


def measuring(
    photos: Sequence[Path], out: Path, *more: str, reference: str = "thickness=9.97"
) -> tuple[str, ...]:
    """Give the command that measures photos of the 10 mm sample plates."""
    names = tuple(str(photo) for photo in photos)
    options = ("--reference", reference, "--out", str(out), "--overwrite")
    return (*COMMAND, "measure", *names, *options, *more)


def start_up(runs: int) -> Row:
    """Time to say the version against the time to load the option parser."""
    ours = best([*COMMAND, "--version"], 4 * runs).wall_s
    click = best([*PYTHON, "import click"], 4 * runs).wall_s
    return Row(
        "`weldsection --version` / `import click`",
        f"{1000 * ours:.0f} / {1000 * click:.0f} ms = {ours / click:.1f}",
        "2",
        ours <= 2 * click,
    )


def one_photo(photo: Path, out: Path, runs: int, reference: str) -> Row:
    """Time of the whole process on one photo, picture and all."""
    whole = best(measuring([photo], out, reference=reference), runs)
    imports = best([*PYTHON, BARE_IMPORTS], runs)
    reads = []
    for _ in range(2 * runs):
        start = time.perf_counter()
        cv2.imread(str(photo))
        reads.append(time.perf_counter() - start)
    times = (whole.wall_s - imports.wall_s) / min(reads)
    return Row(
        f"`measure {photo.name}`, {reference}, less bare imports, / `imread`",
        f"({whole} - {imports}) / {1000 * min(reads):.0f} ms = {times:.1f}",
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
    """Time of a batch with one worker on one processor against two on two."""
    first, second = sorted(os.sched_getaffinity(0))[:2]
    alone = measuring(photos, out / "one", "--jobs", "1")
    shared = measuring(photos[::-1], out / "two", "--jobs", "2")
    one, two = taken(alone, {first}), taken(shared, {first, second})
    times, same = one.wall_s / two.wall_s, same_results(out / "one", out / "two")
    return Row(
        f"{len(photos)} photos by 1 worker on 1 processor / by 2 on 2, backwards, "
        "same bytes",
        f"{one} / {two} = {times:.2f}, {'yes' if same else 'NO'}",
        "1.8",
        times >= 1.8 and same,
    )


def same_results(first: Path, second: Path) -> bool:
    """Whether two folders hold the same, rows of the table in any order."""
    table = "beads.csv"
    files = sorted(path.relative_to(first) for path in first.rglob("*.*"))
    rows = [sorted((each / table).read_text().splitlines()) for each in (first, second)]
    return rows[0] == rows[1] and all(
        (first / file).read_bytes() == (second / file).read_bytes()
        for file in files
        if file.name != table
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
            one_photo(photo, folder / "out", asked.runs, "card"),
            one_photo(photo, folder / "out", asked.runs, "thickness=9.97"),
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
