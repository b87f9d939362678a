"""Make a plan from the words of the command line, and write its files."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

from weldsection.errors import OutputError, UsageError
from weldsection.output.files import write_whole, write_whole_text
from weldsection.study.heat import process
from weldsection.study.logsheet import LOG_COLUMNS, NO_SETTINGS
from weldsection.study.plan import (
    Order,
    Plan,
    Request,
    column_description,
    log_sheet,
    parse_values,
    plan,
)

SHEET, COLUMNS, PAGE = "log-sheet.csv", "log-sheet-columns.json", "plan.pdf"


def plan_of(given: dict[str, Any]) -> Plan:
    """Plan what the command line asks for."""
    named = [
        (column, given[option])
        for option, column in (
            ("current", "current_a"),
            ("voltage", "voltage_v"),
            ("travel", "travel_mm_min"),
        )
        if given[option]
    ]
    further = [_named(text) for text in given["settings"]]
    settings = tuple((name, parse_values(text)) for name, text in [*named, *further])
    doubled = {name for name, _ in settings if [n for n, _ in settings].count(name) > 1}
    if doubled:
        raise UsageError(f"{sorted(doubled)[0]} is given twice; give it once.")
    return plan(
        Request(
            process(given["process"]) if given["process"] else None,
            given["material"],
            given["thickness"],
            settings,
            given["repeats"],
            given["bead_length"],
            given["spacing"],
            given["cuts"],
            Order(given["order"]),
            given["wait"],
            given["seed"],
            given["coupon"],
        )
    )


def _named(text: str) -> tuple[str, str]:
    """Read ``wire_m_min=4:8:1``."""
    name, sign, values = text.partition("=")
    column = name.strip().lower().replace("-", "_").replace(" ", "_")
    reserved = {c.name for c in LOG_COLUMNS if c.kind != "number"} | set(NO_SETTINGS)
    if not sign or not column.isidentifier() or column in reserved:
        raise UsageError(
            f"'{text}' is no setting; write name_unit=from:to:step, "
            "as wire_m_min=4:8:1."
        )
    return column, values


def write_plan(made: Plan, folder: Path, *, overwrite: bool) -> list[Path]:
    """Write log sheet, description of its columns and printable page.

    Raises
    ------
    OutputError
        If a log sheet is there already, perhaps filled in, and may not be
        overwritten.
    """
    sheet = folder / SHEET
    if sheet.exists() and not overwrite:
        raise OutputError(
            f"{sheet} is there already and may be filled in; give --overwrite to "
            "replace it, or another folder."
        )
    page = _pdf(made)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(f"{folder} cannot be made: {error.strerror}.") from None
    write_whole(folder / PAGE, page)
    write_whole_text(folder / COLUMNS, column_description(made, SHEET))
    write_whole_text(sheet, log_sheet(made))
    return [sheet, folder / COLUMNS, folder / PAGE]


def _pdf(made: Plan) -> bytes:
    # matplotlib takes long to load and is needed for the page alone
    from matplotlib.backends.backend_pdf import PdfPages  # noqa: PLC0415

    from weldsection.study.plan_page import plan_pages  # noqa: PLC0415

    held = io.BytesIO()
    with PdfPages(held, metadata={"CreationDate": None}) as pages:
        for figure in plan_pages(made):
            pages.savefig(figure)
    return held.getvalue()
