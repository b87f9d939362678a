"""A batch in processes of its own: workers, kills, full disks.

These measure drawn samples for real, a few seconds each.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from conftest import ROOT

from weldsection import draw_overlay, read_photo
from weldsection.output.record import read_record
from weldsection.output.table import as_csv

Weldsection = Callable[..., "subprocess.CompletedProcess[str]"]
THICKNESS = ("--reference", "thickness=9.97")


@pytest.fixture(scope="module")
def samples() -> list[Path]:
    """Two drawn samples."""
    return [ROOT / "sample_images" / f"{n}.jpg" for n in ("clean-scan", "phone-tilt")]


def environment() -> dict[str, str]:
    """Give an environment in which the package is found as here."""
    return {**os.environ, "PYTHONPATH": os.pathsep.join(p for p in sys.path if p)}


def results(folder: Path) -> dict[str, bytes]:
    """Give the content of every file of a results folder."""
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def test_workers_and_order_do_not_change_a_digit(
    weldsection: Weldsection, tmp_path: Path, samples: list[Path]
) -> None:
    """One worker or two, forwards, backwards or alone: the same records."""
    one = weldsection("measure", *samples, *THICKNESS, "--out", "one", "--jobs", "1")
    back = samples[::-1]
    two = weldsection("measure", *back, *THICKNESS, "--out", "two", "--jobs", "2")
    weldsection("measure", samples[0], *THICKNESS, "--out", "alone")
    first, second = results(tmp_path / "one"), results(tmp_path / "two")

    assert (one.returncode, two.returncode) == (0, 0)
    assert list(first) == list(second)
    assert [n for n in first if first[n] != second[n]] == ["beads.csv"]
    rows = [sorted(files["beads.csv"].splitlines()) for files in (first, second)]
    assert rows[0] == rows[1]
    alone = results(tmp_path / "alone")
    record = "sections/clean-scan.json"
    assert alone[record] == first[record]


def test_a_bad_photo_among_workers(
    weldsection: Weldsection, tmp_path: Path, samples: list[Path]
) -> None:
    """With workers too, the others are measured and the exit code says so."""
    (tmp_path / "bad.jpg").write_bytes(samples[0].read_bytes()[:50_000])
    ran = weldsection(
        "measure", "bad.jpg", samples[0], "no.jpg", *THICKNESS, "--jobs", "2"
    )

    assert ran.returncode == 1
    assert "bad.jpg is cut short" in ran.stderr
    assert "2 of 3 photos could not be measured" in ran.stderr
    assert "Traceback" not in ran.stderr
    assert (tmp_path / "weldsection-out/sections/clean-scan.json").exists()


@pytest.mark.skipif(os.name == "nt", reason="signals of another kind")
@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGINT])
def test_stopped_at_any_moment_only_complete_files_are_there(
    tmp_path: Path, samples: list[Path], how: int
) -> None:
    """Kill it when the first result appears, then go on to the same end."""
    out = tmp_path / "out"
    command = [
        sys.executable, "-m", "weldsection", "measure", *map(str, samples),
        *THICKNESS, "--out", str(out), "--jobs", "1",
    ]  # fmt: skip
    with subprocess.Popen(
        command, env=environment(), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    ) as running:
        give_up = time.monotonic() + 60
        while not list(out.glob("overlays/*.jpg")) and time.monotonic() < give_up:
            time.sleep(0.005)
        running.send_signal(how)

    for picture in out.glob("overlays/*.jpg"):
        data = picture.read_bytes()
        assert data.endswith(b"\xff\xd9")
        assert cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR) is not None
    for record in out.glob("sections/*.json"):
        assert read_record(record).beads

    assert subprocess.run(command, env=environment(), check=False).returncode == 0
    assert list(results(out)) == [
        "beads.csv",
        "overlays/clean-scan.jpg",
        "overlays/phone-tilt.jpg",
        "sections/clean-scan.json",
        "sections/phone-tilt.json",
    ]


@pytest.mark.skipif(not Path("/proc/self").is_dir(), reason="no /proc here")
def test_workers_do_not_outlive_a_killed_parent(
    tmp_path: Path, samples: list[Path]
) -> None:
    """Nothing goes on in the background, or waits there for ever."""
    with subprocess.Popen(
        [
            sys.executable, "-m", "weldsection", "measure", *map(str, samples),
            *THICKNESS, "--out", str(tmp_path / "out"), "--jobs", "2",
        ],
        env=environment(),
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    ) as running:  # fmt: skip
        workers = wait_for(lambda: children_of(running.pid))
        time.sleep(0.5)
        running.kill()

    assert len(workers) >= 2
    assert wait_for(lambda: not any(Path(f"/proc/{pid}").exists() for pid in workers))


@pytest.mark.skipif(not Path("/proc/self").is_dir(), reason="no /proc here")
def test_workers_have_one_thread_each_whatever_libraries_would_like(
    tmp_path: Path, samples: list[Path]
) -> None:
    """As many threads at work as workers, also where the environment asks for more."""
    with subprocess.Popen(
        [
            sys.executable, "-m", "weldsection", "measure", *map(str, samples),
            *THICKNESS, "--out", str(tmp_path / "out"), "--jobs", "2",
        ],
        env={**environment(), "OPENBLAS_NUM_THREADS": "8", "OMP_NUM_THREADS": "8"},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    ) as running:  # fmt: skip
        workers = wait_for(lambda: children_of(running.pid))
        most = 0
        while running.poll() is None:
            most = max(most, *(threads_of(worker) for worker in workers))
            time.sleep(0.01)

    assert running.returncode == 0
    # one that measures, and one that waits for the parent to end
    assert 1 <= most <= 2


def threads_of(pid: int) -> int:
    """Give the number of threads of a process; 0 when it has ended."""
    try:
        return len(list(Path(f"/proc/{pid}/task").iterdir()))
    except FileNotFoundError:
        return 0


def children_of(pid: int) -> list[int]:
    """Give the processes a process has started, once two workers are there."""
    listed = Path(f"/proc/{pid}/task/{pid}/children").read_text()
    children = [int(child) for child in listed.split()]
    # the third one keeps track of what processes share
    return children if len(children) >= 3 else []


def wait_for(look: Callable[[], Any], seconds: float = 60) -> Any:
    """Look again and again until there is something, or it took too long."""
    give_up = time.monotonic() + seconds
    while not (found := look()) and time.monotonic() < give_up:
        time.sleep(0.02)
    return found


@pytest.mark.skipif(os.name == "nt", reason="no file size limit to set")
def test_no_room_for_a_file_is_one_sentence(
    weldsection: Weldsection, tmp_path: Path, samples: list[Path]
) -> None:
    """A limit of the system on file sizes stands in for a full disk."""
    import resource  # noqa: PLC0415 - not on every system

    def limit() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, 20_000))

    ran = weldsection("measure", samples[0], *THICKNESS, preexec_fn=limit)

    assert ran.returncode == 1
    assert ran.stderr.count("\n") == 1
    assert "Cannot write" in ran.stderr
    assert not (tmp_path / "weldsection-out").exists()


def test_a_reader_that_leaves_early_is_no_error(
    tmp_path: Path, samples: list[Path]
) -> None:
    """``weldsection measure … | head -1`` ends without a traceback."""
    with subprocess.Popen(
        [sys.executable, "-m", "weldsection", "measure", samples[0], *THICKNESS],
        cwd=tmp_path,
        env=environment(),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    ) as running:
        assert running.stdout is not None
        assert running.stderr is not None
        running.stdout.close()
        said = running.stderr.read().decode()

    assert "Traceback" not in said
    assert "Exception" not in said


def test_record_holds_what_the_issue_of_a_number_needs(
    weldsection: Weldsection, tmp_path: Path, samples: list[Path]
) -> None:
    """Versions, options, digest, scale and every line, in mm and in px."""
    weldsection("measure", samples[0], *THICKNESS)
    text = (tmp_path / "weldsection-out/sections/clean-scan.json").read_text("utf-8")
    record = json.loads(text)

    assert len(record["origin"]["sha256"]) == 64
    assert record["options"]["references"] == ["thickness=9.97"]
    assert {"weldsection", "python", "numpy"} <= set(record["versions"])
    assert record["rows"][0]["photo"] == "clean-scan.jpg"
    assert len(record["beads"]) == 6


def test_table_and_picture_can_be_made_again_from_the_record(
    weldsection: Weldsection, tmp_path: Path, samples: list[Path]
) -> None:
    """Years later the record alone gives the rows, and with the photo the picture."""
    weldsection("measure", samples[0], *THICKNESS)
    out = tmp_path / "weldsection-out"
    result = read_record(out / "sections" / "clean-scan.json")

    assert as_csv(result.rows()) == (out / "beads.csv").read_text("utf-8")
    drawn = cv2.imread(str(out / "overlays" / "clean-scan.jpg")).astype(int)
    again = draw_overlay(read_photo(samples[0]), result)
    assert again.shape == drawn.shape
    assert np.abs(again - drawn).mean() < 4  # what coding as JPEG costs
