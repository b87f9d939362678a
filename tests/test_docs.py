"""The manual says what the code says."""

from __future__ import annotations

import importlib.util
import re
import tomllib
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import pytest
from conftest import ROOT, Ran

from weldsection import __version__
from weldsection.cli import COMMANDS
from weldsection.flags import Flag
from weldsection.quantities import COLUMNS, QUANTITIES
from weldsection.scale.request import KINDS

DOCS = ROOT / "docs"
PAGES = sorted([*ROOT.glob("*.md"), *DOCS.glob("*.md"), *ROOT.glob("*/README.md")])


def load(path: Path) -> ModuleType:
    """Load a script that is no part of the package."""
    spec = importlib.util.spec_from_file_location(path.stem, path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize("name", ["quantities.md", "flags.md", "errors.md"])
def test_pages_made_from_the_code_are_up_to_date(name: str) -> None:
    """Whoever changes a table makes the page again: python docs/make_tables.py."""
    page = load(DOCS / "make_tables.py").PAGES[name]

    assert (DOCS / name).read_text("utf-8") == page()


@pytest.mark.parametrize("column", COLUMNS)
def test_every_column_is_explained(column: str) -> None:
    """A column nobody defined is a column nobody can trust."""
    manual = (DOCS / "quantities.md").read_text("utf-8")

    assert f"### {column}\n" in manual or f"`{column}`" in manual


@pytest.mark.parametrize("quantity", QUANTITIES, ids=lambda q: q.attribute)
def test_every_quantity_has_its_unit_in_its_column(quantity: object) -> None:
    """The unit is at the end of the column's name."""
    ending = {"mm": "_mm", "mm²": "_mm2", "%": "_pct", "°": "_deg"}
    column, unit = quantity.column, quantity.unit  # type: ignore[attr-defined]

    assert column.endswith(ending[unit])


@pytest.mark.parametrize("flag", Flag, ids=lambda flag: flag.word)
def test_every_flag_says_what_it_means_in_a_sentence(flag: Flag) -> None:
    """A flag is a short word of the trade and one sentence."""
    assert re.fullmatch(r"[a-z]+(-[a-z]+)*", flag.word)
    assert flag.sentence[0].isupper()
    assert flag.sentence.endswith(".")
    assert f"## {flag.word}\n" in (DOCS / "flags.md").read_text("utf-8")


@pytest.mark.parametrize("page", PAGES, ids=lambda p: str(p.relative_to(ROOT)))
def test_links_lead_somewhere(page: Path) -> None:
    """Every link to a file of the project finds it, and the heading in it."""
    for target in re.findall(r"\]\(([^)\s]+)\)", page.read_text("utf-8")):
        if "://" in target:
            continue
        name, _, heading = target.partition("#")
        file = (page.parent / name).resolve() if name else page
        assert file.exists(), f"{page.name} links to {target}"
        if heading:
            titles = re.findall(r"(?m)^#+ (.+)$", file.read_text("utf-8"))
            anchors = [
                re.sub(r"[^\w -]", "", t).lower().replace(" ", "-") for t in titles
            ]
            assert heading in anchors, f"{page.name} links to {target}"


def test_the_two_commands_can_be_pasted() -> None:
    """Each is one line, and names a sample that is there."""
    readme = (ROOT / "README.md").read_text("utf-8")
    lines = [
        line for line in readme.splitlines() if line.startswith("python3.11 -m venv")
    ]

    assert len(lines) == 2
    sample = re.search(r"measure (\S+)", lines[0])
    assert sample is not None
    assert (ROOT / sample[1]).exists()


def test_ci_runs_the_line_of_the_readme() -> None:
    """What is checked is what people are told to run, word for word."""
    readme = (ROOT / "README.md").read_text("utf-8")
    (line,) = re.findall(r"(?m)^python3.11 (-m venv .*pytest)$", readme)
    script = (ROOT / ".ci" / "run").read_text("utf-8")

    assert f'"$python" {line}' in script


def test_commands_of_the_readme_have_the_options_shown(
    command_line: Callable[..., Ran],
) -> None:
    """Every example can be typed as it stands."""
    readme = (ROOT / "README.md").read_text("utf-8")
    examples = re.findall(r"(?m)^weldsection (\w+)(.*)$", readme)

    assert len(examples) >= 6
    for name, rest in examples:
        text = command_line(name, "--help").out
        for option in re.findall(r"--[a-z-]+", rest):
            assert f"{option} " in text, f"{name} has no {option}"


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_helps_with_an_example(
    command_line: Callable[..., Ran], name: str
) -> None:
    """--help shows at least one line that can be pasted."""
    ran = command_line(name, "--help")

    assert ran.code == 0
    assert re.search(rf"(?m)^\s*weldsection {name}\b", ran.out)


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_of_reference_is_in_help_and_manual(
    command_line: Callable[..., Ran], kind: str
) -> None:
    """What may be passed to --reference is told wherever people look."""
    manual = (DOCS / "photographing.md").read_text("utf-8")

    assert kind in command_line("measure", "--help").out
    assert kind == "auto" or f"`--reference {kind}" in manual


def test_without_a_command_the_help_is_shown(command_line: Callable[..., Ran]) -> None:
    """Just the name of the program lists what it can do."""
    ran = command_line()

    assert ran.code == 0
    assert all(f"  {name} " in ran.out for name in COMMANDS)


def test_every_measure_option_is_explained(command_line: Callable[..., Ran]) -> None:
    """No option stands in the help without a word on what it does."""
    text = command_line("measure", "--help").out
    options = re.findall(
        r"(?m)^  (--[a-z-]+)[^\n]*?(?:\s{2,}(\S.*))?\n(\s{10,}\S)?", text
    )

    assert len(options) > 12
    for option, here, below in options:
        assert here or below, option


def test_versions_agree(command_line: Callable[..., Ran]) -> None:
    """One version in the package, the project file, the changelog and the command."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]

    assert project["version"] == __version__
    assert f"## {__version__}" in (ROOT / "CHANGELOG.md").read_text("utf-8")
    assert __version__ in command_line("--version").out


def test_the_changelog_keeps_measured_values_apart() -> None:
    """A change that moves a number has a heading of its own."""
    assert "### Measured values" in (ROOT / "CHANGELOG.md").read_text("utf-8")
