"""Write the pages of the manual that are made from tables in the code.

``python docs/make_tables.py`` writes quantities.md, flags.md and errors.md; a test
checks that they are what the code says.
"""

from __future__ import annotations

from pathlib import Path

from weldsection import errors
from weldsection.flags import Flag
from weldsection.quantities import COLUMNS, QUANTITIES

DOCS = Path(__file__).resolve().parent

_OTHER_COLUMNS = {
    "photo": "File name of the photo.",
    "bead": "Number of the bead, counted as asked with `--order` and `--first-bead`.",
    "mm_per_px": "Scale of the photo as taken (upright pixels), at the bead: geometric "
    "mean over directions.",
    "scale_u_pct": "Relative standard uncertainty of that scale, in percent; part of "
    "the uncertainty of every length.",
    "flags": "Reasons for doubt, joined by `;`, each explained in "
    "[flags.md](flags.md). Empty when the program stands behind the row.",
}

_QUANTITIES_HEAD = """\
# Quantities and conventions

Upright means weld face up, plate below; left and right are the viewer's, in the
upright photo. Lengths are in mm, areas in mm², angles in degrees. An empty cell
means *not measured*.

Every `_u_` column is one standard uncertainty (k = 1) and includes the scale: the true
value is meant to lie within twice of it in 95 cases of 100. The scale is one for the
whole photo: if it is wrong, all beads of the photo are wrong by the same factor, so
beads on one photo can be compared more surely than each of them is known.
"""

_QUANTITIES_TAIL = """\
## Which of several conventions

Books measure these things in more than one way. Here:

- **Width** goes from toe to toe along the plate surface. The widest fused spot below
  the surface is not looked for.
- **Depths and heights** count from the original plate surface. It is fitted to the
  undisturbed plate on both sides of the bead and carried across it, so it follows a
  bowed plate; it is not the straight line between the toes.
- **Toe angles** go through the air: a flat face has 180°, a steep one little more
  than 90°. The angle through the metal is 180° less this one.
- **Dilution** is taken from areas, which supposes that plate and filler weigh the same
  for their size. It does not depend on the scale: a wrong scale changes both areas
  alike.
- **Penetration** ends at the fusion line, never at the outer edge of the heat-affected
  zone, which etching shows more clearly. That edge has its own column.

Image points in the records are x to the right and y down with pixel centres on whole
numbers; millimetre points have x along the plate surface from the coupon's left end
and y down into the plate.
"""

_FLAGS_HEAD = """\
# Flags

A flag is a reason for doubt about one row. It stands in the column `flags`, in the
picture's label and below the table on the screen. A row without flags is one the
program stands behind, within its uncertainty.
"""

_ERRORS_HEAD = """\
# Errors

Whatever goes wrong is said in one sentence on standard error, with what to do about
it. A batch goes on with the other photos, and the exit code is then 1. Photos that
were finished stay finished: run the same again and only the rest is measured.

| exit code | means |
|---|---|
| 0 | done |
| 1 | something could not be measured, read or written |
| 2 | the command was not used rightly; nothing was measured |
| 130 | stopped with Ctrl-C; what was finished is kept |
"""

_REMEDIES = {
    "WeldSectionError": "From Python this one catches all the others.",
    "UsageError": "Look at `weldsection measure --help`. Two photos of the same name "
    "belong in two runs with two folders.",
    "PhotoError": "Copy the file from the camera again, or save it as JPEG, PNG, TIFF "
    "or HEIC. Photos need at least 100 pixels on each side and at most 120 megapixels; "
    "raw files must be exported first.",
    "ScaleError": "Lay something of known size beside the coupon, in the plane of the "
    "etched face, and name it with `--reference`. The plate itself will do: "
    "`--reference thickness=MM` with a caliper reading.",
    "CouponError": "Photograph one coupon, etched face up to the camera and weld face "
    "up in the picture, on an even ground, filling most of the picture. If the etch "
    "cannot be seen by eye, etch again.",
    "OutputError": "Give another folder with `--out`, make room on the disk, or allow "
    "an earlier run to be replaced with `--overwrite`.",
    "DataError": "The sentence names file, row and column; put that cell right.",
}


def quantities_page() -> str:
    """Give the manual's page on quantities."""
    parts = [_QUANTITIES_HEAD, "## Columns of `beads.csv`\n"]
    by_column = {quantity.column: quantity for quantity in QUANTITIES}
    u_columns = {quantity.u_column for quantity in QUANTITIES}
    for column in COLUMNS:
        if column in _OTHER_COLUMNS:
            parts.append(f"### {column}\n\n{_OTHER_COLUMNS[column]}\n")
        elif column not in u_columns:
            quantity = by_column[column]
            text = f"{quantity.symbol}, in {quantity.unit}. {quantity.definition}"
            if quantity.u_column:
                text += f" Standard uncertainty: `{quantity.u_column}`."
            parts.append(f"### {column}\n\n{text}\n")
    return "\n".join([*parts, _QUANTITIES_TAIL])


def flags_page() -> str:
    """Give the manual's page on flags."""
    parts = [f"## {flag.word}\n\n{flag.sentence}\n" for flag in Flag]
    return "\n".join([_FLAGS_HEAD, *parts])


def errors_page() -> str:
    """Give the manual's page on errors."""
    parts = [_ERRORS_HEAD]
    for name, remedy in _REMEDIES.items():
        error: type[errors.WeldSectionError] = getattr(errors, name)
        parts.append(
            f"## {name}\n\nExit code {error.exit_code}. {error.__doc__} {remedy}\n"
        )
    return "\n".join(parts)


PAGES = {
    "quantities.md": quantities_page,
    "flags.md": flags_page,
    "errors.md": errors_page,
}


def main() -> None:
    """Write every page."""
    for name, page in PAGES.items():
        (DOCS / name).write_text(page(), "utf-8")


if __name__ == "__main__":
    main()
