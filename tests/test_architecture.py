"""The layout of the code: stages in order, each import pointing one way."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from conftest import ROOT

PACKAGE = ROOT / "weldsection"
SOURCES = sorted(PACKAGE.rglob("*.py"))

# From the bottom up: a part may import those before it, and none behind it.
ORDER = (
    "_version", "errors", "flags", "records", "quantities", "shrink", "curves",
    "beside", "networks", "zones", "photo", "outline", "scale", "grid", "surface",
    "quality", "coupon", "beads", "boundary", "measurement", "pipeline", "output",
    "study", "batch", "logged", "cli", "__main__",
)  # fmt: skip
# Rows are made from records by a table which is declared after them; the import
# stands inside the one method that needs it.
ALLOWED_UPWARDS = {("records", "quantities")}


def part_of(path: Path) -> str:
    """Give the stage or package a source file belongs to."""
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def imports(path: Path) -> Iterator[str]:
    """Give the full name of everything a source file imports, wherever."""
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path} imports relatively"
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def own_parts(path: Path) -> set[str]:
    """Give the parts of the package that a source file imports."""
    names = (name.split(".") for name in imports(path))
    return {name[1] for name in names if name[0] == "weldsection" and len(name) > 1}


@pytest.mark.parametrize("path", SOURCES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_imports_point_one_way(path: Path) -> None:
    """No stage knows of a later one."""
    part = part_of(path)
    if path == PACKAGE / "__init__.py":
        return  # the front door, which opens every room when asked to
    upwards = {
        other
        for other in own_parts(path) - {part}
        if ORDER.index(other) > ORDER.index(part)
        and (part, other) not in ALLOWED_UPWARDS
    }
    assert not upwards, f"{part} imports {', '.join(upwards)}, which comes after it"


def test_every_part_has_its_place() -> None:
    """A new part must be given a place in the order."""
    assert {part_of(path) for path in SOURCES} - {"__init__"} == set(ORDER)


@pytest.mark.parametrize("path", SOURCES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_measuring_and_drawing_never_meet(path: Path) -> None:
    """The measuring code cannot know how the samples were drawn, nor the reverse."""
    assert not any(
        name.startswith(("sample_images", "tests")) for name in imports(path)
    )


def test_the_drawing_program_does_not_measure() -> None:
    """What draws the truth must not share a line with what finds it."""
    for path in (ROOT / "sample_images").rglob("*.py"):
        assert not any(name.startswith("weldsection") for name in imports(path)), path


def test_only_the_photo_stage_opens_pictures() -> None:
    """One place reads image files, so that every photo comes upright."""
    openers = re.compile(r"\bimread\(|\bimdecode\(|\bImage\.open\(")
    found = {part_of(p) for p in SOURCES if openers.search(p.read_text("utf-8"))}

    assert found == {"photo"}


def test_the_library_prints_nothing() -> None:
    """Only the command line talks, and it does so by click.echo."""
    for path in SOURCES:
        calls = (n for n in ast.walk(ast.parse(path.read_text("utf-8"))))
        printed = [
            n.lineno
            for n in calls
            if isinstance(n, ast.Call) and getattr(n.func, "id", "") == "print"
        ]
        assert not printed, f"{path}:{printed}"


@pytest.mark.parametrize(
    "path", sorted((PACKAGE / "cli").glob("*.py")), ids=lambda p: p.name
)
def test_commands_only_translate(path: Path) -> None:
    """A command that needs arrays does work that belongs to the library."""
    heavy = {"numpy", "cv2", "scipy", "skimage", "matplotlib", "PIL"}

    assert not heavy & {name.split(".")[0] for name in imports(path)}


def test_one_place_catches_errors_of_every_kind() -> None:
    """A broad except elsewhere would hide faults."""
    broad = [
        path.name
        for path in SOURCES
        for node in ast.walk(ast.parse(path.read_text("utf-8")))
        if isinstance(node, ast.ExceptHandler)
        and (node.type is None or getattr(node.type, "id", "") in _EVERYTHING)
    ]

    assert broad == ["batch.py"]


_EVERYTHING = {"Exception", "BaseException"}


def loaded_by(statement: str) -> set[str]:
    """Give the names of the modules in memory after a statement, run afresh."""
    code = f"{statement}\nimport sys; sys.stdout.write(' '.join(sys.modules))"
    ran = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    )
    return set(ran.stdout.split())


def test_asking_for_the_version_loads_nothing_heavy() -> None:
    """`weldsection --version` does not wait for the picture libraries."""
    heavy = {"numpy", "cv2", "scipy", "skimage", "matplotlib", "PIL"}

    assert not heavy & loaded_by("import weldsection.cli")
    assert not heavy & loaded_by("import weldsection")


def test_measuring_does_not_load_what_it_does_not_need() -> None:
    """Charts, rare file formats and other references wait for those who need them."""
    photo = ROOT / "sample_images" / "phone-card.jpg"
    loaded = loaded_by(
        "import weldsection.cli.measure_run, weldsection\n"
        f"weldsection.measure({str(photo)!r}, 'card')"
    )

    assert "weldsection.scale.card" in loaded
    assert not {"matplotlib", "skimage", "scipy", "PIL", "pillow_heif"} & loaded
    others = ("disc", "idcard", "ruler", "thickness", "points")
    assert not {f"weldsection.scale.{kind}" for kind in others} & loaded


def test_the_front_door_offers_about_a_dozen_names() -> None:
    """Every promised name is there, has a docstring, and no more than that."""
    import weldsection  # noqa: PLC0415 - the subject of the test

    assert 10 <= len(weldsection.__all__) <= 14
    for name in weldsection.__all__:
        assert getattr(weldsection, name) is not None
        assert name in dir(weldsection)
    with pytest.raises(AttributeError, match="no attribute 'weight'"):
        weldsection.weight  # noqa: B018 - the access is the test
