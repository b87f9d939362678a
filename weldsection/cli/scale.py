"""``weldsection scale``: show what gives a photo its scale, and how well."""

from __future__ import annotations

from pathlib import Path

import click

EPILOG = """\b
Examples:
  weldsection scale plate.jpg
  weldsection scale plate.jpg --reference disc=23.25 --reference thickness=10.02

Prints what was found, mm per px at the coupon, the camera's tilt and where the
uncertainty comes from, and writes a small picture that shows what was used.
"""

_POSITIVE = click.FloatRange(min=0, min_open=True)


@click.command(epilog=EPILOG)
@click.argument("photo", type=click.Path(path_type=Path))
@click.option(
    "--reference",
    "references",
    multiple=True,
    default=("auto",),
    metavar="KIND",
    help="auto, card, ruler, ruler=mm, ruler=inch, disc=MM, idcard, thickness=MM or "
    "points=X1,Y1,X2,Y2,MM. May be given several times.  [default: auto]",
)
@click.option(
    "--face-height",
    "face_height_mm",
    type=float,
    help="Height in mm of the etched face above the reference, towards the camera.",
)
@click.option(
    "--camera-distance",
    "camera_distance_mm",
    type=_POSITIVE,
    help="Distance in mm from the camera to the reference.",
)
@click.option(
    "--camera",
    "camera_file",
    type=click.Path(path_type=Path),
    help="Lens file made by 'weldsection camera'.",
)
@click.option(
    "--card-length",
    "card_length_mm",
    type=_POSITIVE,
    help="Length in mm of the check line on the printed card, measured by you.",
)
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Picture to write.  [default: PHOTO-scale.jpg in the current folder]",
)
def command(photo: Path, out: Path | None, **given: object) -> None:
    """Show what gives a photo its scale, and how well."""
    from weldsection.scale.report import show_scale  # noqa: PLC0415

    for line in show_scale(photo, out or Path(f"{photo.stem}-scale.jpg"), given):
        click.echo(line)
