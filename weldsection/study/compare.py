"""Compare the settings of measured beads: the procedure."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from weldsection.errors import DataError
from weldsection.flags import Flag
from weldsection.study.coupons import CouponShift, coupon_shift
from weldsection.study.design import design_doubts, setting_columns, varied
from weldsection.study.fit import FloatArray
from weldsection.study.groups import Groups, groups
from weldsection.study.heat import Process, with_heat
from weldsection.study.join import (
    Bead,
    BeadValue,
    Disagreement,
    Repeats,
    agreement,
    join,
)
from weldsection.study.logsheet import PLANNED
from weldsection.study.outliers import Outlier, outliers
from weldsection.study.plausibility import Doubt, doubts
from weldsection.study.points import Points, SharedScale, levels
from weldsection.study.runorder import Drift, OrderCheck, drift, order_check
from weldsection.study.sections import WithinBeads, within_beads
from weldsection.study.tables import SectionRow
from weldsection.study.terms import TERMS, Term, show_setting, words_of
from weldsection.study.trend import Trend, trend
from weldsection.study.window import Window, Wish, window

# settings that go together closer than this cannot be told apart
TOGETHER = 0.9
ABOUT_THE_BEAD = (Flag.NO_FUSION, Flag.OVERLAP)
# columns worked out from other settings
WORKED_OUT = ("arc_energy_kj_mm", "heat_input_kj_mm")

Values = Mapping[str, BeadValue]
"""One quantity of the beads that have it, by name."""


@dataclass(frozen=True, slots=True)
class CompareOptions:
    """What the user asked for."""

    against: tuple[str, ...] = ()
    """Setting columns; empty for all that were varied."""
    quantities: tuple[Term, ...] = ()
    """Empty for all that were measured."""
    margins: tuple[tuple[Term, float], ...] = ()
    wishes: tuple[Wish, ...] = ()
    chance: float = 0.9
    """Chance that a wish must have of holding for the next bead."""
    process: Process | None = None
    repeats: Repeats = Repeats.READING

    def margin(self, quantity: Term) -> float | None:
        """Give the difference that matters in a quantity; None if not said."""
        return dict(self.margins).get(quantity)


@dataclass(frozen=True, slots=True)
class QuantityStudy:
    """One quantity against one setting."""

    quantity: Term
    setting: str
    trend: Trend
    without: Trend | None
    """The same without doubtful beads; None if there are none, or too few left."""
    groups: Groups | None
    """None where no margin was given."""
    groups_without: Groups | None
    """The same without doubtful beads."""
    drift: Drift | None
    outliers: tuple[Outlier, ...]
    """Beads far off the trend of the others."""
    shift: CouponShift | None
    """The coupon farthest off, where coupons differ."""
    left_out: tuple[str, ...]
    """Beads without this quantity or this setting."""

    @property
    def changes_without(self) -> bool:
        """Whether the answer is another one without the doubtful beads."""
        if self.without is None:
            return False
        if self.without.verdict is not self.trend.verdict:
            return True
        x = self.without.points.level_x
        moved = np.abs(self.trend.at(x) - self.without.at(x))
        return bool(np.any(moved > 2 * self.without.u_at(x)))


@dataclass(frozen=True, slots=True)
class SettingStudy:
    """All quantities against one setting."""

    setting: str
    settings: FloatArray
    beads_each: tuple[int, ...]
    """How many beads were welded at each setting."""
    order: OrderCheck
    together: tuple[tuple[str, float], ...]
    """Other settings that changed along with it, and the correlation."""
    also_varied: tuple[str, ...]
    """Other settings that were varied, but not along with it."""
    quantities: tuple[QuantityStudy, ...]
    left_out: tuple[Term, ...]
    """Quantities that were measured at one setting only."""
    window: Window | None
    window_without: Window | None
    """The same without doubtful beads; None if there are none."""


@dataclass(frozen=True, slots=True)
class Comparison:
    """Everything found out about a set of beads."""

    beads: tuple[Bead, ...]
    doubtful: tuple[str, ...]
    """Names of beads that were remarked or flagged."""
    held: tuple[tuple[str, float], ...]
    """Settings that were not varied, and their average."""
    studies: tuple[SettingStudy, ...]
    doubts: tuple[Doubt, ...]
    overlaps: tuple[Disagreement, ...]
    within: tuple[WithinBeads, ...]
    values: Mapping[Term, Values]
    """Every quantity of every bead, its readings combined."""
    options: CompareOptions


def compare(rows: Sequence[SectionRow], options: CompareOptions) -> Comparison:
    """Compare the settings of measured beads.

    Raises
    ------
    DataError
        If there is nothing to compare: no setting, or none that was varied.
    """
    heated = [with_heat(row, options.process) for row in rows]
    beads = join(heated, options.repeats)
    firsts = [bead.rows[0] for bead in beads]
    settings = settings_to_compare(firsts, options)
    values = measured(beads, options)
    doubtful = doubtful_beads(beads)
    studies = tuple(
        _setting_study(setting, beads, values, doubtful, options)
        for setting in settings
    )
    return Comparison(
        beads,
        doubtful,
        _held(firsts),
        studies,
        (*doubts(rows), *design_doubts(firsts)),
        agreement(beads, values),
        tuple(w for q in values if (w := within_beads(beads, q)) is not None),
        values,
        options,
    )


def settings_to_compare(
    rows: Sequence[SectionRow], options: CompareOptions
) -> tuple[str, ...]:
    """Choose the settings: those asked for, or all that were varied."""
    known = setting_columns(rows)
    if not known:
        raise DataError(
            "The tables hold no settings; give the log sheet with --log, "
            "or add a column such as current_a."
        )
    for column in options.against:
        if column not in known:
            raise DataError(
                f"There is no setting '{column}'; the tables hold {', '.join(known)}."
            )
        if not varied(rows, column, share=0.0):
            raise DataError(_no_spread(rows, column))
    if options.against:
        return options.against
    found = tuple(column for column in known if varied(rows, column))
    if not found:
        raise DataError(_no_spread(rows, known[0]))
    return _apart(rows, found)


def _apart(rows: Sequence[SectionRow], found: Sequence[str]) -> tuple[str, ...]:
    """Leave out settings that only went along with an earlier one.

    Heat input stays; arc energy, the same but for a factor, then does not.
    """
    kept: list[str] = []
    for column in found:
        if column == WORKED_OUT[0] and WORKED_OUT[1] in found:
            continue
        if column in WORKED_OUT or not any(
            abs(_correlation(rows, column, other)) >= TOGETHER for other in kept
        ):
            kept.append(column)
    return tuple(kept)


def _correlation(rows: Sequence[SectionRow], first: str, second: str) -> float:
    """How far two settings go together; 0 where it cannot be said."""
    pair = np.array([[row.setting(first), row.setting(second)] for row in rows])
    pair = pair[np.isfinite(pair).all(axis=1)]
    if len(pair) < 3 or np.any(np.ptp(pair, axis=0) == 0):
        return 0.0
    return float(np.corrcoef(pair.T)[0, 1])


def _no_spread(rows: Sequence[SectionRow], column: str) -> str:
    value = next((v for r in rows if math.isfinite(v := r.setting(column))), math.nan)
    return (
        f"{rows[0].place.file}, column {column}: rows {rows[0].place.row} to "
        f"{rows[-1].place.row} all have {show_setting(column, value)}, "
        f"so no {words_of(column)} can be compared; weld beads at other settings."
    )


def measured(
    beads: Sequence[Bead], options: CompareOptions
) -> dict[Term, dict[str, BeadValue]]:
    """Combine the readings of every quantity that enough beads have."""
    wanted = options.quantities or TERMS
    asked = {wish.quantity for wish in options.wishes} | {q for q, _ in options.margins}
    found = {}
    for quantity in TERMS:
        if quantity not in wanted and quantity not in asked:
            continue
        values = {b.name: v for b in beads if (v := b.value(quantity)) is not None}
        if len(values) >= 2:
            found[quantity] = values
        elif quantity in asked or quantity in options.quantities:
            raise DataError(
                f"{quantity.title} was measured on {len(values)} of "
                f"{len(beads)} beads; that is too few to compare."
            )
    if not found:
        raise DataError("No quantity was measured on two beads or more.")
    return found


def doubtful_beads(beads: Sequence[Bead]) -> tuple[str, ...]:
    """Beads that were remarked, or flagged where not all are.

    A flag that tells of the bead and not of its reading is no doubt: a bead
    that only sits on the plate is what a cold setting gives.
    """
    flags = Counter(flag for bead in beads for flag in bead.flags)
    common = {flag for flag, count in flags.items() if count > 0.5 * len(beads)}
    common |= {flag.word for flag in ABOUT_THE_BEAD}
    return tuple(b.name for b in beads if b.remarks or set(b.flags) - common)


def _held(rows: Sequence[SectionRow]) -> tuple[tuple[str, float], ...]:
    """Settings that stayed as they were."""
    return tuple(
        (column, float(np.nanmean([row.setting(column) for row in rows])))
        for column in setting_columns(rows)
        if column not in WORKED_OUT
        and not varied(rows, column)
        and any(math.isfinite(row.setting(column)) for row in rows)
    )


# --------------------------------------------------------------- one setting


def _setting_study(
    setting: str,
    beads: Sequence[Bead],
    values: Mapping[Term, Values],
    doubtful: Sequence[str],
    options: CompareOptions,
) -> SettingStudy:
    known = [bead for bead in beads if math.isfinite(bead.setting(setting))]
    x = np.array([bead.setting(setting) for bead in known])
    order = np.array([bead.setting("run_order") for bead in known])
    level = _levels(known, setting)
    tried = {
        quantity: _quantity_study(
            quantity, setting, beads, each, set(doubtful), options
        )
        for quantity, each in values.items()
    }
    studies = tuple(study for study in tried.values() if study is not None)
    if not studies:
        raise DataError(
            f"No quantity was measured at two settings of {words_of(setting)}; "
            "nothing can be compared."
        )
    together, also = _company(setting, known)
    window_, without = _windows(setting, studies, options)
    return SettingStudy(
        setting,
        np.bincount(level, x) / np.bincount(level),
        tuple(map(int, np.bincount(level))),
        order_check(x, order),
        together,
        also,
        studies,
        tuple(quantity for quantity, study in tried.items() if study is None),
        window_,
        without,
    )


def _windows(
    setting: str, studies: Sequence[QuantityStudy], options: CompareOptions
) -> tuple[Window | None, Window | None]:
    """The window of the wishes, with all beads and without doubtful ones."""
    # heat input is not set on the machine; its window is given only when asked for
    asked = setting not in WORKED_OUT or setting in options.against
    by_quantity = {study.quantity: study for study in studies}
    wishes = options.wishes
    # a window that leaves out a wish would be no window
    judged = all(wish.quantity in by_quantity for wish in wishes)
    if not wishes or not asked or not judged:
        return None, None
    mine = [by_quantity[wish.quantity] for wish in wishes]
    with_all = window(wishes, [each.trend for each in mine], options.chance)
    if all(each.without is None for each in mine):
        return with_all, None
    trends = [each.without or each.trend for each in mine]
    return with_all, window(wishes, trends, options.chance)


def _quantity_study(
    quantity: Term,
    setting: str,
    beads: Sequence[Bead],
    values: Values,
    doubtful: set[str],
    options: CompareOptions,
) -> QuantityStudy | None:
    """Compare one quantity; None if it was measured at one setting only."""
    known = [b for b in beads if b.name in values and math.isfinite(b.setting(setting))]
    points = points_of(known, setting, values, doubtful)
    if points.x.size < 2 or np.ptp(points.x) == 0:
        return None
    found, margin = trend(points), options.margin(quantity)
    order = np.array([bead.setting("run_order") for bead in known])
    confounded = order_check(points.x, order).confounded
    names = {bead.name for bead in known}
    without = _without_doubtful(points)
    return QuantityStudy(
        quantity,
        setting,
        found,
        without,
        None if margin is None else groups(points, margin),
        None if margin is None or without is None else groups(without.points, margin),
        None if confounded else drift(found, order),
        outliers(found),
        coupon_shift(found, [bead.coupon for bead in known]),
        tuple(bead.name for bead in beads if bead.name not in names),
    )


def points_of(
    beads: Sequence[Bead], setting: str, values: Values, doubtful: set[str]
) -> Points:
    """Lay the beads out as points of one quantity against one setting."""
    each = [values[bead.name] for bead in beads]
    photos: dict[str, int] = {}
    shares = [
        (k, photos.setdefault(photo, len(photos)), u)
        for k, value in enumerate(each)
        for photo, u in value.shares
    ]
    point, photo, u = zip(*shares, strict=True) if shares else ((), (), ())
    points = Points.of(
        [bead.setting(setting) for bead in beads],
        [value.value for value in each],
        [value.u_own for value in each],
        scale=SharedScale(
            np.array(point, np.int64),
            np.array(photo, np.int64),
            np.array(u, np.float64),
            len(photos),
        ),
    )
    return replace(
        points,
        names=tuple(bead.name for bead in beads),
        doubtful=np.array([bead.name in doubtful for bead in beads], bool),
        level=_levels(beads, setting),
    )


def _levels(beads: Sequence[Bead], setting: str) -> np.ndarray:
    """Settings as planned where the plan is known, else as they were used."""
    planned = np.array([bead.setting(PLANNED + setting) for bead in beads])
    if planned.size and np.isfinite(planned).all() and np.ptp(planned) > 0:
        return levels(planned)
    return levels(np.array([bead.setting(setting) for bead in beads]))


def _without_doubtful(points: Points) -> Trend | None:
    keep = ~points.doubtful
    if keep.all() or keep.sum() < 3 or np.ptp(points.x[keep]) == 0:
        return None
    return trend(points.kept(keep))


def _company(
    setting: str, beads: Sequence[Bead]
) -> tuple[tuple[tuple[str, float], ...], tuple[str, ...]]:
    """Other settings that were varied: those that went along, and the rest."""
    firsts = [bead.rows[0] for bead in beads]
    along, rest = [], []
    for column in setting_columns(firsts):
        if column == setting or {column, setting} & set(WORKED_OUT):
            continue
        if varied(firsts, column):
            r = _correlation(firsts, setting, column)
            if abs(r) >= TOGETHER:
                along.append((column, r))
            else:
                rest.append(column)
    return tuple(along), tuple(rest)
