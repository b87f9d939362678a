"""The pages on planning and comparing print what the commands print."""

from __future__ import annotations

import importlib.util
import re
from pathlib import Path
from types import ModuleType

import pytest
from conftest import ROOT

DOCS = ROOT / "docs"


def maker() -> ModuleType:
    """The script that makes the examples."""
    path = DOCS / "examples" / "make_study.py"
    spec = importlib.util.spec_from_file_location(path.stem, path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize("page", ["comparing.md", "planning.md"])
def test_examples_are_what_the_commands_print(page: str, tmp_path: Path) -> None:
    """Whoever changes a sentence makes the pages again: make_study.py."""
    assert (DOCS / page).read_text("utf-8") == maker().made(page, tmp_path / "made")


@pytest.mark.parametrize("page", ["comparing.md", "planning.md"])
def test_the_command_shown_is_the_command_run(page: str) -> None:
    """The line to paste is the one behind the printed text."""
    text = (DOCS / page).read_text("utf-8")
    commands = re.findall(r"<!-- made by: (.+?) -->", text)

    assert commands
    for command in commands:
        assert f"```\n{command}\n```" in text


def test_the_python_example_runs(capsys: pytest.CaptureFixture[str]) -> None:
    """The lines shown can be pasted."""
    text = (DOCS / "comparing.md").read_text("utf-8")
    (code,) = re.findall(r"```python\n(.*?)```", text, re.DOTALL)

    exec(compile(code, "comparing.md", "exec"), {})

    assert capsys.readouterr().out.startswith("plateau ")
