"""Whatever is put in, the answer is one sentence that says what to do.

Every case runs the command as a user would and looks at all of its output.
"""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from conftest import ROOT, Ran, write_picture

from weldsection.records import ByteArray

CommandLine = Callable[..., Ran]
SAMPLE = ROOT / "sample_images" / "clean-scan.jpg"


def assert_one_sentence(ran: Ran, code: int = 1) -> None:
    """Check that a command failed as it should."""
    assert ran.code == code
    assert ran.out == ""
    assert ran.err.startswith("weldsection: ")
    assert ran.err.endswith((".\n", "'.\n"))
    assert ran.err.count("\n") == 1
    assert "Traceback" not in ran.err


@pytest.mark.parametrize(
    ("option", "words"),
    [
        ("thickness=0", "thickness"),
        ("thickness=-3", "thickness"),
        ("thickness=ten", "ten"),
        ("thickness=", "thickness"),
        ("thickness=nan", "thickness"),
        ("thickness=inf", "thickness"),
        ("disc=0", "disc"),
        ("points=1,2,3", "points"),
        ("points=1,2,1,2,30", "points"),
        ("magic", "magic"),
        ("", "reference"),
    ],
)
def test_a_wrong_reference_is_wrong_usage(
    command_line: CommandLine, tmp_path: Path, option: str, words: str
) -> None:
    """Said before any photo is opened, with exit code 2; nothing is written."""
    ran = command_line("measure", SAMPLE, "--reference", option)

    assert_one_sentence(ran, code=2)
    assert words in ran.err
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "arguments",
    [
        (),
        ("a.jpg", "--order", "sideways"),
        ("a.jpg", "--first-bead", "x"),
        ("a.jpg", "--jobs", "0"),
        ("a.jpg", "--camera-distance", "-5"),
        ("a.jpg", "--card-length", "0"),
        ("a.jpg", "--format", "xml"),
        ("a.jpg", "--camera", "missing.json"),
        ("a.jpg", "--beads", "five"),
        ("a.jpg", "--beads", "1-3", "--beads", "4-6"),
        ("a.jpg", "--nonsense"),
    ],
    ids=lambda arguments: " ".join(arguments) or "no photo",
)
def test_wrong_usage_is_exit_code_2(
    command_line: CommandLine, tmp_path: Path, arguments: tuple[str, ...]
) -> None:
    """A wrong option or none where one is needed."""
    assert_one_sentence(command_line("measure", *arguments), code=2)
    assert list(tmp_path.iterdir()) == []


def test_unknown_command_and_no_command(command_line: CommandLine) -> None:
    """A mistyped command points to the help."""
    ran = command_line("messure")

    assert_one_sentence(ran, code=2)
    assert "--help" in ran.err


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("missing.jpg", None),
        ("empty.jpg", b""),
        ("text.jpg", b"just some notes\n" * 20),
        ("cut.jpg", "cut"),
        ("page.pdf", b"%PDF-1.7\n%\xe2\xe3\n" + b"0" * 500),
    ],
)
def test_files_that_are_no_pictures(
    command_line: CommandLine, tmp_path: Path, name: str, content: bytes | str | None
) -> None:
    """The sentence names the file, and nothing is written."""
    path = tmp_path / name
    if content == "cut":
        path.write_bytes(SAMPLE.read_bytes()[:90_000])
    elif isinstance(content, bytes):
        path.write_bytes(content)
    ran = command_line("measure", path, "--reference", "thickness=10")

    assert_one_sentence(ran)
    assert name in ran.err
    assert not (tmp_path / "weldsection-out").exists()


def test_a_folder_is_no_photo(command_line: CommandLine, tmp_path: Path) -> None:
    """Given a folder, the program does not guess which photos are meant."""
    assert_one_sentence(command_line("measure", tmp_path))


@pytest.mark.parametrize("scene", ["noise", "stripes", "gradient", "checks"])
def test_a_photo_without_a_coupon(
    command_line: CommandLine, tmp_path: Path, scene: str
) -> None:
    """A picture of something else is refused, not measured."""
    rows, columns = np.mgrid[:600, :900]
    dice = np.random.default_rng(3)
    grey = {
        "noise": dice.integers(0, 256, (600, 900)),
        "stripes": 60 + 120 * (columns // 40 % 2),
        "gradient": columns * 255 // 900,
        "checks": 60 + 120 * ((columns // 60 + rows // 60) % 2),
    }[scene]
    picture = np.repeat(grey[:, :, None], 3, axis=2).astype(np.uint8)
    path = write_picture(tmp_path / "bench.png", picture)
    ran = command_line("measure", path, "--reference", "thickness=10")

    assert_one_sentence(ran)
    assert "fault of the program" not in ran.err


def test_a_photo_without_anything_of_known_size(command_line: CommandLine) -> None:
    """Without card or ruler the sentence says what to pass."""
    ran = command_line("measure", SAMPLE)

    assert_one_sentence(ran)
    assert "thickness=MM" in ran.err


def test_points_outside_the_picture(command_line: CommandLine) -> None:
    """A point that is not on the photo is a slip of the hand."""
    ran = command_line("measure", SAMPLE, "--reference", "points=10,10,99999,10,50")

    assert_one_sentence(ran)


@pytest.mark.parametrize("names", [("a/x.jpg", "b/x.jpg"), ("x.jpg", "x.png")])
def test_two_photos_of_the_same_name(
    command_line: CommandLine,
    tmp_path: Path,
    plate_picture: ByteArray,
    names: tuple[str, str],
) -> None:
    """Both are named, and nothing is measured."""
    for name in names:
        (tmp_path / name).parent.mkdir(exist_ok=True)
        write_picture(tmp_path / name, plate_picture)
    ran = command_line("measure", *names, "--reference", "thickness=10")

    assert_one_sentence(ran, code=2)
    assert all(str(Path(name)) in ran.err for name in names)
    assert not (tmp_path / "weldsection-out").exists()


def test_the_same_photo_twice(command_line: CommandLine) -> None:
    """One photo given twice would be two times the same beads."""
    ran = command_line("measure", SAMPLE, SAMPLE, "--reference", "thickness=10")

    assert_one_sentence(ran, code=2)
    assert "given twice" in ran.err


def test_a_file_where_the_folder_should_be(
    command_line: CommandLine, tmp_path: Path
) -> None:
    """A file of the folder's name stays as it is."""
    (tmp_path / "out").write_text("mine")
    ran = command_line(
        "measure", SAMPLE, "--reference", "thickness=9.92", "--out", "out"
    )

    assert_one_sentence(ran)
    assert (tmp_path / "out").read_text() == "mine"


@pytest.mark.skipif(not Path("/proc/self").is_dir(), reason="no /proc here")
def test_an_unwritable_folder(command_line: CommandLine) -> None:
    """A place nobody may write to, not even an administrator."""
    ran = command_line(
        "measure", SAMPLE, "--reference", "thickness=9.92", "--out", "/proc/out"
    )

    assert_one_sentence(ran)
    assert "--out" in ran.err


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full here")
def test_standard_output_on_a_full_disk(
    weldsection: Callable[..., subprocess.CompletedProcess[str]], tmp_path: Path
) -> None:
    """The table cannot be shown, the results are there all the same."""
    with Path("/dev/full").open("w") as full:
        ran = weldsection(
            "measure", SAMPLE, "--reference", "thickness=9.92",
            capture_output=False, stdout=full, stderr=subprocess.PIPE,
        )  # fmt: skip

    assert ran.returncode == 1
    assert "Traceback" not in ran.stderr
    assert "weldsection: " in ran.stderr
    assert (tmp_path / "weldsection-out" / "beads.csv").exists()


@pytest.mark.parametrize(
    "name",
    ["Prüf stück.jpg", "Ünï 🔥 code.jpg", "-dash.jpg", "a;b,c'd\"e.jpg", "x.y.z.JPG"],
)
@pytest.mark.usefixtures("made_up_pipeline")
def test_names_of_every_kind(
    command_line: CommandLine, tmp_path: Path, name: str
) -> None:
    """Spaces, umlauts, emoji and punctuation are fine in a name."""
    folder = tmp_path / "Meine Fotos"
    folder.mkdir()
    shutil.copy(SAMPLE, folder / name)
    ran = command_line("measure", folder / name, "--reference", "thickness=9.92")

    assert ran.code == 0
    assert f"(1/1) {name}: 3 beads" in ran.err
    out = tmp_path / "weldsection-out"
    assert (out / "overlays" / f"{Path(name).stem}.jpg").exists()
    assert (out / "sections" / f"{Path(name).stem}.json").exists()


@pytest.mark.skipif(os.name != "posix", reason="names are text on this system")
@pytest.mark.usefixtures("made_up_pipeline")
def test_a_name_that_is_no_valid_text(
    command_line: CommandLine, tmp_path: Path
) -> None:
    """Old file names in another coding do not stop the results."""
    path = Path(os.fsdecode(os.fsencode(tmp_path) + b"/sch\xf6n.jpg"))
    shutil.copy(SAMPLE, path)
    ran = command_line("measure", path, "--reference", "thickness=9.92")

    assert ran.code == 0
    table = (tmp_path / "weldsection-out" / "beads.csv").read_text("utf-8")
    assert "sch?n.jpg" in table
