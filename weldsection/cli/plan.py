"""``weldsection plan``: the log sheet and run order of a test plate."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

EPILOG = """\b
Examples:
  weldsection plan --process 135 --thickness 10 --current 120:220:20 --travel 350
  weldsection plan --thickness 8 --current 120,160,200 --setting wire_m_min=4:8:2 \\
      --repeats 2 --order blocks --out plate-2

Writes log-sheet.csv (a row for each bead, to be filled in while welding), a
description of its columns, and plan.pdf to print.
"""

_POSITIVE = click.FloatRange(min=0, min_open=True)


@click.command(epilog=EPILOG)
@click.option("--process", help="Welding process, as 135 or mag.")
@click.option("--material", default="S235", show_default=True, help="Plate material.")
@click.option("--thickness", type=_POSITIVE, required=True, help="Of the plate, mm.")
@click.option("--current", metavar="VALUES", help="Amperes to try, as 120:220:20.")
@click.option("--voltage", metavar="VALUES", help="Volts to try, as 22,24 or 24.")
@click.option("--travel", metavar="VALUES", help="Travel speeds, mm/min, as 350.")
@click.option(
    "--setting",
    "settings",
    multiple=True,
    metavar="NAME=VALUES",
    help="Any other setting to try, its unit in the name, as wire_m_min=4:8:1.",
)
@click.option(
    "--repeats",
    type=click.IntRange(1, 20),
    default=1,
    show_default=True,
    help="Beads at each setting.",
)
@click.option(
    "--bead-length", type=_POSITIVE, default=80.0, show_default=True, help="In mm."
)
@click.option(
    "--spacing",
    type=_POSITIVE,
    default=25.0,
    show_default=True,
    help="Between the middles of neighbouring beads, mm.",
)
@click.option(
    "--cuts",
    type=click.IntRange(1, 10),
    default=1,
    show_default=True,
    help="Saw cuts through every bead.",
)
@click.option(
    "--order",
    type=click.Choice(["random", "blocks"]),
    default="random",
    show_default=True,
    help="Order of welding: random over all beads, or block by block.",
)
@click.option(
    "--wait",
    default="until the plate is below 50 °C",
    show_default=True,
    help="How long to wait, in words, so that the plate cools.",
)
@click.option(
    "--seed",
    type=click.IntRange(min=0),
    default=1,
    show_default=True,
    help="Number that fixes the drawn order.",
)
@click.option(
    "--coupon", default="plate-1", show_default=True, help="The plate's name."
)
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    default=Path("plan"),
    show_default=True,
    help="Folder for the files.",
)
@click.option("--overwrite", is_flag=True, help="Replace an earlier plan in --out.")
def command(out: Path, overwrite: bool, **given: Any) -> None:
    """Plan a test plate: what to weld, in which order, and where to saw."""
    from weldsection.study.plan import summary  # noqa: PLC0415 - so that --help is quick
    from weldsection.study.plan_files import plan_of, write_plan  # noqa: PLC0415

    made = plan_of(given)
    files = write_plan(made, out, overwrite=overwrite)
    click.echo(summary(made), nl=False)
    click.echo("Written: " + ", ".join(map(str, files)), err=True)
