"""Measurements from a phone photo of a cut and etched weld coupon.

>>> import weldsection
>>> weldsection.Flag.NO_FUSION.word
'no-fusion'

====================  ========================================================
`measure`             photo in, `SectionResult` out; writes nothing
`read_photo`          the photo alone, upright, as `Photo`
`read_record`         an earlier `SectionResult` from its record
`draw_overlay`        the annotated picture of a photo and its result
`Options`             everything that can be asked for
`SectionResult`       one photo: scale, plate surface, quality, beads, rows
`BeadResult`          one bead: its quantities and its lines
`Measured`            a value and its standard uncertainty
`Flag`                every reason for doubt, with its sentence
`QUANTITIES`          every quantity: column, unit, definition
`WeldSectionError`    base of every error raised on purpose
====================  ========================================================

The names are loaded when they are first used.
"""

from __future__ import annotations

import importlib
import os
import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from weldsection._version import __version__

if TYPE_CHECKING:
    from pathlib import Path

    from weldsection.errors import WeldSectionError
    from weldsection.flags import Flag
    from weldsection.output.overlay import draw_overlay
    from weldsection.output.record import read_record
    from weldsection.photo import read_photo
    from weldsection.quantities import QUANTITIES
    from weldsection.records import BeadResult, Measured, Options, SectionResult

__all__ = [
    "QUANTITIES",
    "BeadResult",
    "Flag",
    "Measured",
    "Options",
    "SectionResult",
    "WeldSectionError",
    "__version__",
    "draw_overlay",
    "measure",
    "read_photo",
    "read_record",
]

# The matrix products here are small: threads of the linear algebra library would
# only wait for each other. It reads this once, when numpy is first imported.
if "numpy" not in sys.modules:
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

_HOMES = {
    "QUANTITIES": "quantities",
    "BeadResult": "records",
    "Flag": "flags",
    "Measured": "records",
    "Options": "records",
    "SectionResult": "records",
    "WeldSectionError": "errors",
    "draw_overlay": "output.overlay",
    "read_photo": "photo",
    "read_record": "output.record",
}


def measure(
    path: str | Path,
    reference: str | Sequence[str] = "auto",
    *,
    options: Options | None = None,
) -> SectionResult:
    """Measure every bead on a photo of an etched section.

    Parameters
    ----------
    path
        The photo; it is only read.
    reference
        What gives the photo its size, as after ``--reference``: one or several.
    options
        Everything else that can be asked for; its `references` are not used.

    Returns
    -------
    SectionResult
        The beads in the order asked for; ``rows()`` gives them as plain rows with
        the columns of ``beads.csv``, ready for a data frame.

    Raises
    ------
    WeldSectionError
        With a sentence that says what to do, if there is no such photo, no scale,
        no etched face or no bead on it.

    Examples
    --------
    In the folder of the project, where the sample photos are:

    >>> import weldsection
    >>> section = weldsection.measure("sample_images/clean-scan.jpg", "thickness=9.92")
    >>> [row["bead"] for row in section.rows()]
    [1, 2, 3, 4, 5, 6]
    >>> third = section.beads[2].penetration  # drawn as 1.83 mm
    >>> abs(third.value - 1.83) < 3 * third.u < 0.5
    True
    """
    from dataclasses import replace  # noqa: PLC0415 - all of these are heavy or

    from weldsection.photo import read_photo  # noqa: PLC0415 - serve this alone
    from weldsection.pipeline import measure_section  # noqa: PLC0415
    from weldsection.records import Options  # noqa: PLC0415

    references = (reference,) if isinstance(reference, str) else tuple(reference)
    asked = replace(options or Options(), references=references)
    return measure_section(read_photo(path), asked)


def __getattr__(name: str) -> Any:
    """Load a name from its module when it is first used."""
    if name not in _HOMES:
        raise AttributeError(f"module 'weldsection' has no attribute '{name}'")
    return getattr(importlib.import_module(f"weldsection.{_HOMES[name]}"), name)


def __dir__() -> list[str]:
    return sorted([*globals(), *_HOMES])
