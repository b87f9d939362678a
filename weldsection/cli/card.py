"""``weldsection card``: print a scale card or the lens sheet."""

from __future__ import annotations

from pathlib import Path

import click

EPILOG = """\b
Examples:
  weldsection card --size bench --paper a4 --out card.pdf
  weldsection card --lens --paper letter --out lens-sheet.pdf

Print at 100 % ("actual size"), measure the check line on the paper, and pass
its length with --card-length when it is not what is printed beside it.
"""


@click.command(epilog=EPILOG)
@click.option(
    "--size",
    type=click.Choice(["pocket", "bench", "frame"]),
    default="bench",
    show_default=True,
    help="pocket: 85.6 × 54 mm, to laminate; bench: 150 × 100 mm; "
    "frame: 190 × 250 mm with room for the coupon inside.",
)
@click.option(
    "--paper",
    type=click.Choice(["a4", "letter"]),
    default="a4",
    show_default=True,
    help="Sheet the printer holds.",
)
@click.option("--lens", is_flag=True, help="Make the lens sheet instead of a card.")
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    default=Path("weldsection-card.pdf"),
    show_default=True,
    help="File to write.",
)
def command(size: str, paper: str, lens: bool, out: Path) -> None:
    """Print a scale card to lay beside the coupon."""
    from weldsection.scale.sheet import sheet, write_sheet  # noqa: PLC0415

    layout = sheet("lens" if lens else size)
    write_sheet(layout, paper, out)
    click.echo(
        f"{out}: print at 100 %, then check that the line on it is "
        f"{layout.check_mm:g} mm long."
    )
