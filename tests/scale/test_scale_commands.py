"""The commands scale, card and camera."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import cv2
import pytest
from conftest import Ran
from pypdf import PdfReader
from staged import references, stage

from weldsection.cli import COMMANDS
from weldsection.records import FaceOutline


@pytest.mark.parametrize("arguments", [["--size", "pocket"], ["--lens"], []])
def test_card_writes_a_sheet_and_says_how_to_check_it(
    command_line: Callable[..., Ran], tmp_path: Path, arguments: list[str]
) -> None:
    """One PDF, one sentence with the length to measure."""
    ran = command_line("card", *arguments, "--out", "sheet.pdf")

    assert ran.code == 0
    assert "mm long" in ran.out
    assert len(PdfReader(tmp_path / "sheet.pdf").pages) == 1
    assert [p.name for p in tmp_path.iterdir()] == ["sheet.pdf"]


def test_a_sheet_that_cannot_be_written_is_one_sentence(
    command_line: Callable[..., Ran],
) -> None:
    """A folder that is not there."""
    ran = command_line("card", "--out", "no/sheet.pdf")

    assert ran.code == 1
    assert ran.err.count("\n") == 1
    assert "choose another --out" in ran.err


def test_camera_without_the_sheet_is_one_sentence(
    command_line: Callable[..., Ran], tmp_path: Path
) -> None:
    """A photo of something else teaches nothing about a lens."""
    cv2.imwrite(str(tmp_path / "other.jpg"), stage().photo.bgr)

    ran = command_line("camera", "other.jpg", "--out", "phone.json")

    assert ran.code == 1
    assert "lens sheet" in ran.err
    assert not (tmp_path / "phone.json").exists()


def test_scale_tells_what_it_found_and_why_it_is_unsure(
    command_line: Callable[..., Ran],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Scale, tilt, budget and advice on the screen; a picture beside it."""
    shot = stage(
        references.printed_card("pocket"), px_per_mm=11.0, centre_mm=(40.0, 43.0)
    )
    cv2.imwrite(str(tmp_path / "plate.jpg"), shot.photo.bgr)

    def found(photo: object) -> FaceOutline:
        return shot.face

    monkeypatch.setattr("weldsection.scale.report.find_face", found)
    ran = command_line("scale", "plate.jpg", "--reference", "card")

    assert ran.code == 0, ran.err
    assert "6 of 6 marks of the pocket card" in ran.out
    assert "mm per px" in ran.out
    assert "Camera tilt" in ran.out
    assert "reference tolerance" in ran.out
    assert cv2.imread(str(tmp_path / "plate-scale.jpg")).shape[1] == 1200


def test_scale_refuses_a_wrong_reference_before_it_reads_the_photo(
    command_line: Callable[..., Ran],
) -> None:
    """The photo does not even exist."""
    ran = command_line("scale", "none.jpg", "--reference", "coin")

    assert ran.code == 2
    assert "pass one of" in ran.err


@pytest.mark.parametrize("name", ["scale", "card", "camera"])
def test_help_has_an_example(command_line: Callable[..., Ran], name: str) -> None:
    """What is typed is shown as it is typed."""
    assert name in COMMANDS
    assert f"  weldsection {name}" in command_line(name, "--help").out
