"""Figures of a comparison; each function draws on axes it is given.

Readable in grey print and by the colour-blind: what matters is told by
shape, width and dash, and colour only helps.
"""

from __future__ import annotations

import io
import textwrap
from collections.abc import Sequence

import numpy as np
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from scipy.special import stdtrit

from weldsection.study.compare import QuantityStudy, SettingStudy
from weldsection.study.fit import FloatArray
from weldsection.study.points import Points
from weldsection.study.terms import label_of, show_setting
from weldsection.study.trend import SURE, Trend, Verdict
from weldsection.study.window import Window
from weldsection.study.words import short_verdict

# dark to light in grey print as well
INK, CURVE, BAND, QUIET, MARKED = "#222222", "#0b5394", "#c9dcef", "#8a8a8a", "#b45f06"
DPI = 110
COLUMNS = 2
PANEL_HEIGHT = 2.9
MOST_SHOWN = 250


def draw_quantity(ax: Axes, study: QuantityStudy) -> None:
    """Draw one quantity against one setting: beads, curve and what is known.

    Thick bars are the reading's uncertainty alone, thin ones take in the
    scatter from bead to bead; both are one standard uncertainty. The band is
    the 95 % interval of the average. Bars and band leave out the scale error,
    which all beads of a photo share.
    """
    found = study.trend
    _draw_curve(ax, study)
    points = _shown(found)
    sure = ~points.doubtful
    beads = found.spread.beads * found.spread.factor(found.at(points.x))
    wide = np.hypot(points.u_own, beads)
    ax.errorbar(
        points.x, points.y, wide, fmt="none", ecolor=QUIET, elinewidth=0.9, capsize=2.5
    )
    ax.errorbar(
        points.x, points.y, points.u_own, fmt="none", ecolor=INK, elinewidth=2.6
    )
    ax.plot(points.x[sure], points.y[sure], "o", color=INK, markersize=4.5, zorder=4)
    ax.plot(
        points.x[~sure],
        points.y[~sure],
        "D",
        markerfacecolor="white",
        markeredgecolor=MARKED,
        markeredgewidth=1.6,
        markersize=6,
        zorder=5,
    )
    for k in np.flatnonzero(~sure):
        ax.annotate(
            points.names[k],
            (points.x[k], points.y[k]),
            xytext=(6, -11),
            textcoords="offset points",
            fontsize=7.5,
            color=MARKED,
        )
    _dress(ax, study)


def _shown(found: Trend) -> Points:
    """All beads, or of very many a part that can still be told apart."""
    points = found.points
    if points.x.size <= MOST_SHOWN:
        return points
    keep = np.zeros(points.x.size, bool)
    keep[np.linspace(0, points.x.size - 1, MOST_SHOWN).astype(int)] = True
    return points.kept(keep)


def _draw_curve(ax: Axes, study: QuantityStudy) -> None:
    found = study.trend
    x = np.linspace(found.points.x.min(), found.points.x.max(), 160)
    y, band = found.at(x), _half_band(found, x)
    if np.isfinite(band).all():
        ax.fill_between(x, y - band, y + band, color=BAND, linewidth=0, zorder=0)
    told = found.verdict not in (Verdict.NO_TREND, Verdict.TOO_FEW)
    style = "-" if told and found.verdict is not Verdict.NOT_CLEAN else (0, (5, 3))
    ax.plot(x, y, color=CURVE, linewidth=1.7, linestyle=style, zorder=2)
    turn = found.turn
    if found.verdict.is_plateau and turn is not None:
        low = found.points.x.min() if turn.low_open else turn.low
        ax.axvspan(low, turn.high, ymax=0.045, color=CURVE, alpha=0.55, linewidth=0)
        if found.verdict is Verdict.PLATEAU:
            ax.axvline(turn.at, color=CURVE, linewidth=1, linestyle=(0, (2, 2)))


def _half_band(found: Trend, x: FloatArray) -> FloatArray:
    df = found.chosen.fit.df
    factor = float(stdtrit(df, (1 + SURE) / 2)) if df > 0 else np.nan
    return factor * found.u_at(x)


def _dress(ax: Axes, study: QuantityStudy) -> None:
    ax.set_xlabel(label_of(study.setting), fontsize=8.5)
    ax.set_ylabel(study.quantity.label, fontsize=8.5)
    title = textwrap.fill(f"{study.quantity.title}: {short_verdict(study)}", 66)
    # y: a title put in its place is not looked for anew at every drawing
    ax.set_title(title, fontsize=9, loc="left", color=INK, y=1.02)
    ax.locator_params(nbins=6)
    ax.tick_params(labelsize=8, colors=INK)
    ax.spines[["top", "right"]].set_visible(False)
    ax.grid(axis="y", color="#e6e6e6", linewidth=0.6)
    ax.set_axisbelow(True)


def setting_figure(study: SettingStudy, panels: Sequence[QuantityStudy]) -> Figure:
    """Draw quantities against one setting, a panel for each."""
    rows, columns = -(-len(panels) // COLUMNS), min(COLUMNS, len(panels))
    height = PANEL_HEIGHT * rows + 0.6
    figure = Figure(figsize=(5 * columns, height))
    # in inches from the edges: laying out by trial draws everything twice
    figure.subplots_adjust(
        left=0.68 / (5 * columns),
        right=1 - 0.15 / (5 * columns),
        bottom=1.0 / height,
        top=1 - 0.42 / height,
        wspace=0.2,
        hspace=0.5,
    )
    axes = figure.subplots(rows, columns, squeeze=False).ravel()
    for ax, each in zip(axes, panels, strict=False):
        draw_quantity(ax, each)
    for ax in axes[len(panels) :]:
        ax.set_axis_off()
    key = textwrap.fill(_key(study), 88 * columns)
    figure.text(0.01, 0.12 / height, key, fontsize=7.5, color="#555555", va="bottom")
    return figure


def _key(study: SettingStudy) -> str:
    parts = [
        "thick bar: reading",
        "thin bar: reading and bead-to-bead scatter (one standard uncertainty each)",
        "band: 95 % of the average",
        "bar at the foot: 95 % of the break",
    ]
    if sum(study.beads_each) > MOST_SHOWN:
        parts.append(f"{MOST_SHOWN} of {sum(study.beads_each)} beads shown")
    if any(each.trend.points.doubtful.any() for each in study.quantities):
        parts.append("open diamond: marked bead")
    return "  ·  ".join(parts)


def draw_window(ax: Axes, setting: str, found: Window) -> None:
    """Draw at each setting the chance that the next bead keeps every wish."""
    x = np.array([c.setting for c in found.chances])
    styles = ["--", ":", "-.", (0, (1, 1)), (0, (8, 2))]
    for k, wish in enumerate(found.wishes):
        each = [100 * c.each[k] for c in found.chances]
        ax.plot(
            x,
            each,
            color=INK,
            linewidth=1.1,
            linestyle=styles[k % len(styles)],
            label=str(wish),
            zorder=3,
        )
    together = np.array([100 * c.all_wishes for c in found.chances])
    ax.plot(x, together, "o-", color=CURVE, linewidth=1.8, label="all of them")
    ax.axhline(100 * found.wanted, color=INK, linewidth=0.8)
    ax.annotate(
        f"wanted: {found.wanted:.0%}",
        (1, 100 * found.wanted),
        xycoords=("axes fraction", "data"),
        ha="right",
        va="bottom",
        fontsize=8,
    )
    inside = [c.setting for c in found.inside]
    if inside:
        step = 0.2 * float(np.diff(x).min()) if x.size > 1 else 0.5
        ax.axvspan(inside[0] - step, inside[-1] + step, color=BAND, zorder=0)
    _dress_window(ax, setting, found)


def _dress_window(ax: Axes, setting: str, found: Window) -> None:
    inside = found.inside
    where = (
        f"{show_setting(setting, inside[0].setting)} to "
        f"{show_setting(setting, inside[-1].setting)}"
        if inside
        else "none"
    )
    ax.set_title(f"Settings where all wishes hold: {where}", fontsize=10, loc="left")
    ax.set_xlabel(label_of(setting), fontsize=9)
    ax.set_ylabel("chance for the next bead (%)", fontsize=9)
    ax.set_ylim(-3, 106)
    ax.tick_params(labelsize=8)
    ax.spines[["top", "right"]].set_visible(False)
    ax.legend(fontsize=8, frameon=False, loc="center left", bbox_to_anchor=(1.01, 0.5))


def window_figure(setting: str, found: Window) -> Figure:
    """Draw the window of one setting."""
    figure = Figure(figsize=(9, 3.6))
    figure.subplots_adjust(left=0.07, right=0.72, bottom=0.14, top=0.9)
    draw_window(figure.subplots(), setting, found)
    return figure


def as_bytes(figure: Figure, kind: str) -> bytes:
    """Give a figure as a PNG or SVG file, the same bytes for the same figure."""
    held = io.BytesIO()
    # None: no date in the file, so that a second run writes the same
    metadata = {"Date": None} if kind == "svg" else {"Software": None}
    with rc_context({"svg.fonttype": "none", "svg.hashsalt": "weldsection"}):
        figure.savefig(held, format=kind, dpi=DPI, metadata=metadata)
    return held.getvalue()
