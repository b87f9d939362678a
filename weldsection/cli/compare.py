"""``weldsection compare``: measured beads in, an answer in words out."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

EPILOG = """\b
Examples:
  weldsection compare results/beads.csv --log sheet.csv --process 135 --out study
  weldsection compare beads.csv --margin penetration=0.3 \\
      --want "penetration>=1.5" --want "dilution<=60"

Prints the findings; with --out it also writes them to findings.md, with tables
as CSV and figures as PNG and SVG.
"""

_PATH = click.Path(path_type=Path)


@click.command(epilog=EPILOG)
@click.argument("tables", nargs=-1, required=True, type=_PATH)
@click.option(
    "--log",
    "logs",
    multiple=True,
    type=_PATH,
    help="Log sheet with the settings; one for all tables, or one for each.",
)
@click.option(
    "--against",
    multiple=True,
    metavar="SETTING",
    help="Setting to compare against, such as current.  [default: all that varied]",
)
@click.option(
    "--quantity",
    "quantities",
    multiple=True,
    metavar="NAME",
    help="Quantity to compare, such as penetration.  [default: all measured]",
)
@click.option(
    "--margin",
    "margins",
    multiple=True,
    metavar="QUANTITY=SIZE",
    help="Difference that matters: settings are grouped by it.",
)
@click.option(
    "--want",
    "wishes",
    multiple=True,
    metavar="WISH",
    help='Limit to keep, as "penetration>=1.5"; several make a window.',
)
@click.option(
    "--chance",
    type=click.FloatRange(50, 100, max_open=True),
    default=90,
    show_default=True,
    help="Chance in percent that the next bead must have of keeping all wishes.",
)
@click.option(
    "--process",
    help="Welding process, as 135 or mag: gives heat input instead of arc energy.",
)
@click.option(
    "--coupon",
    type=click.Choice(["file", "photo", "all"]),
    default="file",
    show_default=True,
    help="What one coupon is: all photos of a file, each photo, or all files.",
)
@click.option(
    "--beads",
    "ranges",
    multiple=True,
    metavar="PHOTO=FIRST-LAST",
    help="Numbers of the beads a photo shows, as plate2.jpg=5-8.",
)
@click.option(
    "--repeats",
    type=click.Choice(["reading", "face", "cut"]),
    help="What a bead is that is met again: read twice, the other face of the "
    "same cut, or another cut.",
)
@click.option("--out", type=_PATH, help="Folder for findings, tables and figures.")
@click.option("--overwrite", is_flag=True, help="Replace an earlier run in --out.")
def command(out: Path | None, overwrite: bool, **given: Any) -> None:
    """Compare the settings of measured beads (beads.csv or section records)."""
    # One thread for linear algebra: the arrays are small
    import os  # noqa: PLC0415 - numpy is loaded below, so that --help is quick

    os.environ.setdefault("OMP_NUM_THREADS", "1")
    from weldsection.study.findings import findings  # noqa: PLC0415
    from weldsection.study.gather import compare_files  # noqa: PLC0415
    from weldsection.study.results import write_results  # noqa: PLC0415

    found = compare_files(given)
    if out is not None:
        write_results(found, out, overwrite=overwrite)
    click.echo(findings(found), nl=False)
