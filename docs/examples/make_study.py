"""Make the examples of the pages on planning and comparing anew.

Run from the project's folder: ``python docs/examples/make_study.py``. Each block
between ``<!-- made by: COMMAND -->`` and ``<!-- end -->`` is replaced by what the
command prints, and the figures beside this file by those it draws.
"""

from __future__ import annotations

import re
import shlex
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
PAGES = ("comparing.md", "planning.md")
FIGURES = ("current.png", "window_current.png")
_BLOCK = re.compile(r"(<!-- made by: (.+?) -->\n).*?(<!-- end -->)", re.DOTALL)


def run(command: str, folder: Path) -> str:
    """Run one command of the manual; its ``--out`` goes to a folder of its own."""
    words = shlex.split(command)
    if "--out" in words:
        words[words.index("--out") + 1] = str(folder)
    program = [sys.executable, "-m", *words]
    done = subprocess.run(
        program, cwd=ROOT, check=True, capture_output=True, encoding="utf-8"
    )
    return done.stdout


def made(page: str, folder: Path) -> str:
    """Give a page with its examples made anew."""

    def block(match: re.Match[str]) -> str:
        fence = "````text" if page == "planning.md" else "````markdown"
        return f"{match[1]}{fence}\n{run(match[2], folder)}````\n{match[3]}"

    text = (ROOT / "docs" / page).read_text("utf-8")
    return _BLOCK.sub(block, text)


def main() -> None:
    """Write the pages and figures."""
    for page in PAGES:
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name) / "made"
            text = made(page, folder)
            for figure in FIGURES:
                if (folder / figure).exists():
                    target = ROOT / "docs" / "examples" / f"mag-ladder-{figure}"
                    shutil.copyfile(folder / figure, target)
        (ROOT / "docs" / page).write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
