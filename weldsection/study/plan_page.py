"""The printable page of a plan: the plate with its beads, and the sheet."""

from __future__ import annotations

import textwrap

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from weldsection.study.plan import Plan, PlannedBead, summary
from weldsection.study.terms import unit_of, words_of

INK, PLATE, BEAD, SAW = "#111111", "#f2f2f2", "#a8a8a8", "#0b5394"
# A4 upright, inches
PAGE = (8.27, 11.69)
ROWS_ON_A_PAGE = 26


def plan_pages(made: Plan) -> list[Figure]:
    """Draw the page, and more of them where the sheet is long."""
    in_order = sorted(made.beads, key=lambda bead: bead.run_order)
    parts = [
        tuple(in_order[k : k + ROWS_ON_A_PAGE])
        for k in range(0, len(in_order), ROWS_ON_A_PAGE)
    ]
    return [_page(made, part, k + 1, len(parts)) for k, part in enumerate(parts)]


def _page(made: Plan, beads: tuple[PlannedBead, ...], page: int, pages: int) -> Figure:
    figure = Figure(figsize=PAGE)
    of = f", page {page} of {pages}" if pages > 1 else ""
    figure.text(
        0.07, 0.955, f"Test plate {made.request.coupon}{of}", fontsize=15, color=INK
    )
    wrapped = "\n".join(textwrap.fill(t, 104) for t in summary(made).splitlines())
    figure.text(
        0.07, 0.94, wrapped, fontsize=8.3, color=INK, va="top", linespacing=1.35
    )
    draw_plate(figure.add_axes((0.05, 0.62, 0.92, 0.19)), made)
    draw_sheet(figure.add_axes((0.07, 0.05, 0.88, 0.545)), made, beads)
    return figure


def draw_plate(ax: Axes, made: Plan) -> None:
    """Draw the plate from above: beads, their numbers, and where to saw."""
    long, wide = made.plate_mm
    ax.add_patch(Rectangle((0, 0), long, wide, facecolor=PLATE, edgecolor=INK))
    thick = min(0.3 * made.request.spacing_mm, 8.0)
    size = 8 if len(made.beads) <= 20 else 6
    for bead in made.beads:
        ax.add_patch(
            Rectangle(
                (bead.position_mm - thick / 2, 0.04 * wide),
                thick,
                0.92 * wide,
                facecolor=BEAD,
                edgecolor=INK,
                linewidth=0.5,
            )
        )
        ax.annotate(
            str(bead.bead),
            (bead.position_mm, -0.05 * wide),
            ha="center",
            va="top",
            fontsize=size,
            fontweight="bold",
        )
        ax.annotate(
            str(bead.run_order),
            (bead.position_mm, 1.04 * wide),
            ha="center",
            va="bottom",
            fontsize=size,
        )
    for at in made.cuts_mm:
        dash = (0, (7, 2, 1, 2))
        ax.plot([-0.01 * long, 1.01 * long], [at, at], color=SAW, linestyle=dash)
        ax.annotate(
            f"saw at\n{at:.0f} mm",
            (1.02 * long, at),
            fontsize=7.5,
            color=SAW,
            va="center",
        )
    for text, y, side in (("run order", 1.05, "bottom"), ("bead", -0.05, "top")):
        ax.annotate(text, (-0.01 * long, y * wide), ha="right", va=side, fontsize=7.5)
    ax.set_xlim(-0.09 * long, 1.1 * long)
    ax.set_ylim(-0.2 * wide, 1.2 * wide)
    ax.set_axis_off()


def draw_sheet(ax: Axes, made: Plan, beads: tuple[PlannedBead, ...]) -> None:
    """Draw the sheet to be filled in by hand, in the order of welding."""
    names = [name for name, _ in made.request.settings]
    used = list(dict.fromkeys([*names, "current_a", "voltage_v", "time_s"]))
    heads = [
        "run\norder",
        "bead",
        *(f"planned\n{words_of(n)}\n{_unit(n)}" for n in names),
        *(f"used\n{words_of(n)}\n{_unit(n)}" for n in used),
        "plate\nbefore\n(°C)",
        "remarks",
    ]
    widths = [0.8, 0.7, *[1.3] * len(names), *[1.2] * len(used), 0.9, 3.0]
    rows = [
        [
            str(bead.run_order),
            str(bead.bead),
            *(f"{bead.setting(n):g}" for n in names),
            *[""] * (len(used) + 2),
        ]
        for bead in beads
    ]
    table = ax.table(
        rows,
        colLabels=heads,
        colWidths=[w / sum(widths) for w in widths],
        loc="upper center",
        cellLoc="center",
    )
    table.auto_set_font_size(False)
    table.set_fontsize(7.5)
    for (row, _), cell in table.get_celld().items():
        cell.set_height(0.07 if row == 0 else 0.034)
        cell.set_linewidth(0.5)
        if row == 0:
            cell.set_facecolor(PLATE)
    ax.set_axis_off()


def _unit(column: str) -> str:
    return f"({unit_of(column)})" if unit_of(column) else ""
