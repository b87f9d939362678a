"""``weldsection measure``: photos in, table and pictures out."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import click

EPILOG = """\b
Examples:
  weldsection measure plate.jpg --reference thickness=10.02
  weldsection measure *.jpg --reference ruler --out results --jobs 2

Results go to the folder given with --out: beads.csv, one record for each photo in
sections/ and one annotated picture in overlays/. Running the same again goes on
where it was stopped.
"""

_POSITIVE = click.FloatRange(min=0, min_open=True)


@click.command(epilog=EPILOG)
@click.argument(
    "photos",
    nargs=-1,
    required=True,
    metavar="PHOTO...",
    type=click.Path(path_type=Path),
)
@click.option(
    "--reference",
    "references",
    multiple=True,
    default=("auto",),
    metavar="KIND",
    help="What gives the photo its size: auto, card, ruler, disc=MM, idcard, "
    "thickness=MM or points=X1,Y1,X2,Y2,MM (upright pixels). May be given several "
    "times.  [default: auto]",
)
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    metavar="FOLDER",
    default=Path("weldsection-out"),
    show_default=True,
    help="Folder for the results.",
)
@click.option(
    "--order",
    type=click.Choice(["left-to-right", "right-to-left"]),
    default="left-to-right",
    show_default=True,
    help="How the beads are counted.",
)
@click.option(
    "--first-bead",
    type=click.IntRange(min=0),
    default=1,
    show_default=True,
    metavar="N",
    help="Number of the first bead counted.",
)
@click.option(
    "--face-height",
    "face_height_mm",
    type=float,
    metavar="MM",
    help="Height of the etched face above the reference, towards the camera.",
)
@click.option(
    "--camera-distance",
    "camera_distance_mm",
    type=_POSITIVE,
    metavar="MM",
    help="Distance from the camera to the reference.",
)
@click.option(
    "--camera",
    "camera_file",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Lens file made by 'weldsection camera'.",
)
@click.option(
    "--card-length",
    "card_length_mm",
    type=_POSITIVE,
    metavar="MM",
    help="Length of the check line on the printed card, measured by you.",
)
@click.option(
    "--log",
    "log_sheet",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Log sheet whose settings are put beside the beads.",
)
@click.option(
    "--beads",
    "bead_ranges",
    multiple=True,
    metavar="FIRST-LAST",
    help="Numbers of the beads on a photo, once for each photo, as 5-8.",
)
@click.option("--overwrite", is_flag=True, help="Replace results of an earlier run.")
@click.option("--quiet", is_flag=True, help="Say nothing but what went wrong.")
@click.option(
    "--format",
    "table_format",
    type=click.Choice(["table", "csv", "json"]),
    help="How the beads are written to standard output.  [default: table]",
)
@click.option(
    "--jobs",
    type=click.IntRange(min=1),
    metavar="N",
    help="Photos measured at the same time.  [default: one for each processor, "
    "at most 4, from 4 photos on]",
)
def command(**given: Any) -> None:
    """Measure the beads on photos of etched sections."""
    # One thread for linear algebra: the arrays are small, and the digits must not
    # depend on how many processors there are. Read when numpy is first imported.
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ[name] = "1"
    from weldsection.cli.measure_run import run  # noqa: PLC0415 - see above

    run(**given)
