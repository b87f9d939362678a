"""``weldsection camera``: learn a lens from photos of the lens sheet."""

from __future__ import annotations

from pathlib import Path

import click

EPILOG = """\b
Example:
  weldsection card --lens --out lens-sheet.pdf
  weldsection camera sheet1.jpg sheet2.jpg sheet3.jpg sheet4.jpg --out phone.json
  weldsection measure plate.jpg --reference ruler --camera phone.json

Lay the printed sheet flat, fill the picture with it, and take four or five
photos from different sides with the same zoom as for the coupons.
"""


@click.command(epilog=EPILOG)
@click.argument(
    "photos", nargs=-1, required=True, type=click.Path(path_type=Path, dir_okay=False)
)
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    required=True,
    help="Camera file to write.",
)
def command(photos: tuple[Path, ...], out: Path) -> None:
    """Learn a camera's lens from photos of the lens sheet."""
    from weldsection.photo import read_photo  # noqa: PLC0415
    from weldsection.scale.calibrate import learn_lens  # noqa: PLC0415
    from weldsection.scale.lens import write_lens  # noqa: PLC0415

    lens = learn_lens([read_photo(path) for path in photos])
    write_lens(lens, out)
    click.echo(
        f"{out}: learned from {lens.photos} photos; marks fit to "
        f"{lens.fit_px:.2f} px, the lens moves the picture's corners by "
        f"{100 * lens.corner_shift:.2f} %."
    )
