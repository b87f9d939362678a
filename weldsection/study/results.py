"""Write a comparison into a folder: findings, tables and figures.

Everything is made first and written then, each file whole or not at all.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

from weldsection.errors import OutputError
from weldsection.output.files import write_whole
from weldsection.study.compare import (
    WORKED_OUT,
    Comparison,
    QuantityStudy,
    SettingStudy,
)
from weldsection.study.findings import IN_FULL, findings
from weldsection.study.groups import level_means
from weldsection.study.terms import words_of

FINDINGS = "findings.md"
Cell = str | float | int


def write_results(found: Comparison, folder: Path, *, overwrite: bool) -> list[Path]:
    """Write findings, tables and figures; give the files written.

    Raises
    ------
    OutputError
        If the folder holds the findings of an earlier run and may not be
        overwritten; nothing is written then.
    """
    target = folder / FINDINGS
    if target.exists() and not overwrite:
        raise OutputError(
            f"{target} is there from an earlier run; give --overwrite to replace it, "
            "or another folder."
        )
    files = dict(_files(found))
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(f"{folder} cannot be made: {error.strerror}.") from None
    for name, content in files.items():
        write_whole(folder / name, content)
    return [folder / name for name in files]


def _files(found: Comparison) -> Iterator[tuple[str, bytes]]:
    for name, rows in tables(found).items():
        if len(rows) > 1:
            yield name, _csv(rows)
    yield from _figures(found)
    # last, so that findings.md is there only when all the rest is
    yield FINDINGS, findings(found).encode()


def _figures(found: Comparison) -> Iterator[tuple[str, bytes]]:
    # matplotlib takes as long to load as the whole comparison
    from weldsection.study import figures, strip  # noqa: PLC0415

    for study in found.studies:
        worked_out = study.setting in WORKED_OUT
        panels = [
            each
            for each in study.quantities
            if not worked_out or each.quantity.name in IN_FULL
        ]
        drawn = {
            _stem(study): figures.setting_figure(study, panels or study.quantities)
        }
        if study.window is not None:
            drawn[f"window_{_stem(study)}"] = figures.window_figure(
                study.setting, study.window
            )
        lines = strip.outlines(found.beads, study.setting, found.doubtful)
        if lines and study is found.studies[0]:
            drawn[f"sections_{_stem(study)}"] = strip.strip_figure(study.setting, lines)
        for name, figure in drawn.items():
            for kind in ("png", "svg"):
                yield f"{name}.{kind}", figures.as_bytes(figure, kind)


def _stem(study: SettingStudy) -> str:
    return words_of(study.setting).replace(" ", "_")


# -------------------------------------------------------------------- tables


def tables(found: Comparison) -> dict[str, list[list[Cell]]]:
    """Give every table by the name of its file; the first row is the header."""
    return {
        "beads_joined.csv": list(_beads(found)),
        "settings.csv": list(_settings(found)),
        "trends.csv": list(_trends(found)),
        "pairs.csv": list(_pairs(found)),
        "window.csv": list(_window(found)),
        "overlaps.csv": list(_overlaps(found)),
        "doubts.csv": [
            ["where", "column", "doubt"],
            *_doubts(found),
        ],
    }


def _doubts(found: Comparison) -> Iterator[list[Cell]]:
    for doubt in found.doubts:
        yield [doubt.where, doubt.column, doubt.sentence]


def _studies(found: Comparison) -> Iterator[tuple[SettingStudy, QuantityStudy]]:
    for study in found.studies:
        for each in study.quantities:
            yield study, each


def _beads(found: Comparison) -> Iterator[list[Cell]]:
    quantities = list(found.values)
    settings = list(dict.fromkeys(s for b in found.beads for s in b.rows[0].settings))
    # columns nobody declared are not lost
    extra = list(dict.fromkeys(c for b in found.beads for c, _ in b.rows[0].extra))
    yield [
        *("coupon", "bead", "readings", *settings, "remarks", "flags", *extra),
        *(
            f"{q.name}{part}"
            for q in quantities
            for part in ("", "_u_reading", "_u_scale")
        ),
    ]
    for bead in found.beads:
        cells: list[Cell] = [bead.coupon, bead.number, len(bead.rows)]
        cells += [bead.setting(name) for name in settings]
        cells += [bead.remarks, ";".join(bead.flags)]
        texts = dict(bead.rows[0].extra)
        cells += [texts.get(column, "") for column in extra]
        for quantity in quantities:
            value = found.values[quantity].get(bead.name)
            if value is None:
                cells += ["", "", ""]
            else:
                scale = abs(value.value) * math.hypot(*(u for _, u in value.shares))
                cells += [value.value, value.u_own, scale]
        yield cells


def _settings(found: Comparison) -> Iterator[list[Cell]]:
    yield [
        *("quantity", "unit", "against", "setting", "beads", "average"),
        *("u_reading", "sd_bead_to_bead", "u_average", "u_scale"),
    ]
    for study, each in _studies(found):
        means = level_means(each.trend.points)
        own, level = each.trend.points.u_own, each.trend.points.level
        scatter = means.spread.beads * means.spread.factor(means.y)
        for k, x in enumerate(means.x):
            count = int(means.beads[k])
            reading = math.sqrt(float((own[level == k] ** 2).sum())) / count
            yield [
                *(each.quantity.name, each.quantity.unit, study.setting, float(x)),
                *(count, float(means.y[k]), reading, float(scatter[k])),
                *(float(means.u_own[k]), math.hypot(*means.scale_mm[k])),
            ]


def _trends(found: Comparison) -> Iterator[list[Cell]]:
    yield [
        *("quantity", "unit", "against", "beads", "verdict", "taken"),
        *("break", "break_low", "break_high", "open_below", "open_above", "level"),
        *("u_level", "slope", "u_slope", "F_line_flat", "p_line_flat"),
        *("F_quadratic_flat", "p_quadratic_flat", "aicc_line", "aicc_line_flat"),
        *("aicc_quadratic_flat", "p_misfit", "drift_per_bead", "u_drift"),
    ]
    for study, each in _studies(found):
        trend, turn = each.trend, each.trend.turn
        line, bends = trend.shapes[1], trend.shapes[2:]
        cells: list[Cell] = [
            *(each.quantity.name, each.quantity.unit, study.setting),
            *(trend.points.x.size, trend.verdict.value, trend.chosen.curve.name),
        ]
        if turn is None:
            cells += [""] * 5
        else:
            cells += [turn.at, turn.low, turn.high]
            cells += ["yes" if o else "no" for o in (turn.low_open, turn.high_open)]
        flat = trend.chosen.curve.breaks
        cells += [trend.chosen.level, trend.chosen.fit.u[0]] if flat else ["", ""]
        cells += [line.fit.parameters[1], line.fit.u[1]]
        cells += [v for b in bends for v in (b.f, b.p)] if bends else [""] * 4
        cells += [s.aicc for s in (line, *bends)] + [""] * (2 - len(bends))
        cells += [trend.p_misfit]
        cells += [each.drift.per_bead, each.drift.u] if each.drift else ["", ""]
        yield cells


def _pairs(found: Comparison) -> Iterator[list[Cell]]:
    yield [
        *("quantity", "unit", "against", "first", "second", "difference"),
        *("u_difference", "margin", "p_alike", "p_different", "result"),
    ]
    for study, each in _studies(found):
        if each.groups is None:
            continue
        x = each.groups.means.x
        for pair in each.groups.pairs:
            yield [
                *(each.quantity.name, each.quantity.unit, study.setting),
                *(float(x[pair.first]), float(x[pair.second]), pair.difference),
                *(pair.u, each.groups.margin, pair.p_alike, pair.p_different),
                pair.relation.value,
            ]


def _window(found: Comparison) -> Iterator[list[Cell]]:
    yield ["against", "setting", "wish", "chance"]
    for study in found.studies:
        if study.window is None:
            continue
        for chance in study.window.chances:
            for wish, p in zip(study.window.wishes, chance.each, strict=True):
                yield [study.setting, chance.setting, str(wish), p]
            yield [study.setting, chance.setting, "all", chance.all_wishes]


def _overlaps(found: Comparison) -> Iterator[list[Cell]]:
    yield [
        *("bead", "quantity", "unit", "first_photo", "second_photo", "first_value"),
        *("second_value", "difference", "u_difference", "ratio"),
    ]
    for pair in found.overlaps:
        yield [
            *(pair.bead, pair.quantity.name, pair.quantity.unit, *pair.photos),
            *(*pair.values, pair.difference, pair.u_difference, pair.ratio),
        ]


def _csv(rows: Iterable[Sequence[Cell]]) -> bytes:
    held = io.StringIO()
    writer = csv.writer(held, lineterminator="\n")
    writer.writerows([_written(cell) for cell in row] for row in rows)
    return held.getvalue().encode()


def _written(cell: Cell) -> str:
    if isinstance(cell, str | int):
        return str(cell)
    return "" if math.isnan(cell) else f"{float(cell):.6g}"
