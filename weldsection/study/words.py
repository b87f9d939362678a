"""Results as sentences that can be read aloud."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np
from scipy.special import stdtrit

from weldsection.study.compare import QuantityStudy, SettingStudy
from weldsection.study.groups import Groups, Relation
from weldsection.study.join import Bead
from weldsection.study.logsheet import PLANNED
from weldsection.study.terms import Term, show_setting, unit_of, words_of
from weldsection.study.trend import SURE, Break, Trend, Verdict
from weldsection.study.window import Window


def number(value: float, unit: str, digits: int = 2) -> str:
    """Give a number to so many significant digits, with its unit.

    Examples
    --------
    >>> number(0.23456, "mm"), number(123.4, "A", 3)
    ('0.23 mm', '123 A')
    """
    space = "" if unit in ("", "°") else " "
    if value == 0 or not math.isfinite(value):
        return f"{value:g}{space}{unit}"
    decimals = max(digits - 1 - math.floor(math.log10(abs(value))), 0)
    return f"{value:.{decimals}f}{space}{unit}"


def span(column: str, low: float, high: float) -> str:
    """Give two settings as a range with the unit once.

    Examples
    --------
    >>> span("current_a", 105.2, 131.0)
    '105 to 131 A'
    """
    unit = unit_of(column)
    shown = show_setting(column, low)
    return f"{shown.removesuffix(unit).strip()} to {show_setting(column, high)}"


def chance(p: float) -> str:
    """Give a chance as people write it.

    Examples
    --------
    >>> chance(0.00001), chance(0.034)
    ('p < 0.001', 'p = 0.034')
    """
    if math.isnan(p):
        return "p unknown"
    return "p < 0.001" if p < 0.001 else f"p = {p:.2g}"


def listed(names: Sequence[str], *, most: int = 12) -> str:
    """Join names with commas and an ``and``.

    Examples
    --------
    >>> listed(["120 A", "140 A", "160 A"])
    '120 A, 140 A and 160 A'
    """
    shown = list(names[:most])
    if len(names) > most:
        return ", ".join(shown) + f" and {len(names) - most} more"
    if len(shown) < 2:
        return "".join(shown)
    return ", ".join(shown[:-1]) + " and " + shown[-1]


# -------------------------------------------------------------------- trends


def trend_sentence(study: QuantityStudy) -> str:
    """Say what a quantity does against a setting."""
    sentence = _TREND[study.trend.verdict](study.quantity, study.setting, study.trend)
    return sentence[0].upper() + sentence[1:]


def _verb(found: Trend) -> str:
    return "rises" if found.rises else "falls"


def _flat_at(quantity: Term, found: Trend) -> str:
    level = found.chosen.level
    factor = float(stdtrit(found.chosen.fit.df, (1 + SURE) / 2))
    own = factor * float(found.u_at(found.means.x[-1:])[0])
    both = math.hypot(own, 2 * found.points.relative_scale_u * level)
    return f"at {quantity.show(level)} (± {number(both, quantity.unit)})"


def _hidden(quantity: Term, found: Trend) -> str:
    if not found.hidden_rise > 0:
        return ""
    more = number(found.hidden_rise, quantity.unit)
    return f" Beyond it a change of up to {more} could still hide."


def _plateau(quantity: Term, setting: str, found: Trend) -> str:
    turn = _known(found.turn)
    at = show_setting(setting, turn.at)
    return (
        f"{quantity.words} {_verb(found)} to about {at} ({_interval(setting, found)}) "
        f"and is flat from there, {_flat_at(quantity, found)}."
        + _hidden(quantity, found)
    )


def _interval(setting: str, found: Trend) -> str:
    turn = _known(found.turn)
    if turn.low_open:
        return (
            f"somewhere between {span(setting, float(found.means.x[0]), turn.high)}"
        ).replace(" to ", " and ")
    if turn.high_open:
        return f"{show_setting(setting, turn.low)} or more"
    return span(setting, turn.low, turn.high)


def _plateau_open(quantity: Term, setting: str, found: Trend) -> str:
    turn = _known(found.turn)
    low, second = found.points.level_x[:2]
    latest = max(turn.high, float(second))
    where = span(setting, float(low), latest).replace(" to ", " and ")
    return (
        f"{quantity.words} {_verb(found)} from the first setting to the second "
        f"and is flat from {show_setting(setting, float(second))}, "
        f"{_flat_at(quantity, found)}. Where the change ends cannot be told: "
        f"anywhere between {where}." + _hidden(quantity, found)
    )


def _straight(quantity: Term, setting: str, found: Trend) -> str:
    slope = float(found.parameters[1])
    step = _round_step(float(np.ptp(found.means.x)) / 5)
    change = number(abs(slope) * step, quantity.unit)
    bend = found.shapes[2]
    sentence = (
        f"{quantity.words} {_verb(found)} all the way, by {change} for each "
        f"{show_setting(setting, step)}; no flattening is shown ({chance(bend.p)})."
    )
    turn = found.turn
    if turn is not None and turn.low > found.points.level_x[1]:
        sentence += (
            " A plateau that begins below "
            f"{show_setting(setting, turn.low)} does not fit these beads."
        )
    return sentence


def _round_step(step: float) -> float:
    """Nearest 1, 2 or 5 times a power of ten."""
    power = 10 ** math.floor(math.log10(step))
    return float(min((1, 2, 5, 10), key=lambda k: abs(k * power - step)) * power)


def _last_only(quantity: Term, setting: str, found: Trend) -> str:
    last = show_setting(setting, float(found.points.level_x[-1]))
    return (
        f"{quantity.words} still {_verb(found)}; the flattening rests on the last "
        f"setting ({last}) alone."
    )


def _not_pinned(quantity: Term, setting: str, found: Trend) -> str:
    turn = _known(found.turn)
    return (
        f"{quantity.words} {_verb(found)} and then flattens, but these beads cannot "
        f"say where: the break may lie anywhere from "
        f"{show_setting(setting, turn.low)} up, and that leaves too few settings "
        "beyond it to call it flat."
    )


def _still_curving(quantity: Term, setting: str, found: Trend) -> str:
    last = show_setting(setting, float(found.points.level_x[-1]))
    return (
        f"{quantity.words} {_verb(found)} ever more slowly, and no plateau is "
        f"shown by {last}."
    )


def _not_clean(quantity: Term, setting: str, found: Trend) -> str:
    turn = _known(found.turn)
    reason = (
        "the settings scatter about the curve more than beads of one setting do "
        f"({chance(found.p_misfit)})"
        if found.p_misfit < 1 - SURE
        else f"it goes on changing beyond the break ({chance(found.p_tail)})"
    )
    return (
        f"{quantity.words} {_verb(found)} and flattens near "
        f"{show_setting(setting, turn.at)}, but not to a clean plateau: {reason}."
    )


def _no_trend(quantity: Term, setting: str, found: Trend) -> str:
    line = found.shapes[1].fit
    factor = float(stdtrit(line.df, (1 + SURE) / 2)) if line.df > 0 else math.nan
    slope, u = float(line.parameters[1]), float(line.u[1])
    most = (abs(slope) + factor * u) * float(np.ptp(found.means.x))
    sentence = (
        f"{quantity.words} shows no trend with {words_of(setting)} "
        f"({chance(found.p_trend)}), {quantity.show(found.chosen.level)} on average"
    )
    if not most > 0:
        return f"{sentence}."
    return (
        f"{sentence}; a change of up to {number(most, quantity.unit)} over the whole "
        "range could still hide."
    )


def _too_few(quantity: Term, setting: str, found: Trend) -> str:
    count = found.points.level_x.size
    change = abs(float(found.at(found.means.x)[-1] - found.at(found.means.x)[0]))
    told = ["", "one setting", "two settings", "three settings"]
    few = f"only {told[count]}" if count < len(told) else "only a handful of beads"
    verb = "rose" if found.rises else "fell"
    sure = "" if math.isnan(found.p_trend) else f" ({chance(found.p_trend)})"
    return (
        f"whether {quantity.words} levels off cannot be told: {few}. "
        f"It {verb} by {number(change, quantity.unit)} from the first setting to the "
        f"last{sure}."
    )


_TREND: dict[Verdict, Callable[[Term, str, Trend], str]] = {
    Verdict.PLATEAU: _plateau,
    Verdict.PLATEAU_OPEN: _plateau_open,
    Verdict.STRAIGHT: _straight,
    Verdict.LAST_ONLY: _last_only,
    Verdict.NOT_PINNED: _not_pinned,
    Verdict.STILL_CURVING: _still_curving,
    Verdict.NOT_CLEAN: _not_clean,
    Verdict.NO_TREND: _no_trend,
    Verdict.TOO_FEW: _too_few,
}


def _known(turn: Break | None) -> Break:
    if turn is None:
        raise ValueError("a verdict about a break needs the break")
    return turn


def short_verdict(study: QuantityStudy) -> str:
    """Give the trend in a few words, for a figure."""
    found, turn = study.trend, study.trend.turn
    verb = _verb(found)
    if found.verdict is Verdict.PLATEAU and turn is not None:
        return (
            f"{verb} to about {show_setting(study.setting, turn.at)} "
            f"({_interval(study.setting, found)}), then flat"
        )
    if found.verdict is Verdict.PLATEAU_OPEN:
        second = float(found.points.level_x[1])
        return f"flat from {show_setting(study.setting, second)} or earlier"
    return {
        Verdict.STRAIGHT: f"{verb} all the way",
        Verdict.LAST_ONLY: "flattening rests on the last setting alone",
        Verdict.NOT_PINNED: "flattens; where cannot be told",
        Verdict.STILL_CURVING: f"{verb} ever more slowly, no plateau yet",
        Verdict.NOT_CLEAN: "flattens, no clean plateau",
        Verdict.NO_TREND: "no trend shown",
        Verdict.TOO_FEW: "too few settings for a trend",
    }[found.verdict]


# -------------------------------------------------------------------- groups


def group_sentences(study: QuantityStudy, found: Groups) -> tuple[str, ...]:
    """Say which settings are alike, which differ, and what stays open."""
    name = [show_setting(study.setting, float(x)) for x in found.means.x]
    margin = study.quantity.show(found.margin)
    if not found.means.spread.df:
        return ("There are too few beads to compare single settings.",)
    sentences = [_runs(study, found)]
    if study.groups_without is not None and study.groups_without.runs != found.runs:
        sentences.append(
            f"Without the marked beads: {_runs(study, study.groups_without)}"
        )
    unlike = [p for p in found.pairs if p.relation is Relation.DIFFERENT]
    open_ = [p for p in found.pairs if p.relation is Relation.UNDECIDED]
    total = len(found.pairs)
    sentences.append(
        f"Of {total} pairs of settings, {len(unlike)} are shown to differ and "
        f"{len(open_)} stay undecided (each pair judged at 5 %)."
    )
    neighbours = [p for p in open_ if p.second == p.first + 1]
    if neighbours:
        pairs = listed([f"{name[p.first]} and {name[p.second]}" for p in neighbours])
        sentences.append(
            f"Undecided between neighbours: {pairs}. With these beads two equal "
            "settings could be shown alike, with even odds, only within about "
            f"{study.quantity.show(found.provable)}; within {margin} it takes about "
            f"{found.beads_needed} beads at each setting."
        )
    return tuple(sentences)


def _runs(study: QuantityStudy, found: Groups) -> str:
    """Name the settings that are shown to be alike."""
    margin = study.quantity.show(found.margin)
    name = [show_setting(study.setting, float(x)) for x in found.means.x]
    told = [listed([name[k] for k in run]) for run in found.runs]
    if not told:
        return f"No two neighbouring settings are shown to be alike within {margin}."
    return (
        f"{'; '.join(told)} are shown to be alike in {study.quantity.words} "
        f"within {margin}."
    )


# -------------------------------------------------------------------- window


def window_sentences(setting: str, found: Window) -> tuple[str, ...]:
    """Say at which settings all wishes hold."""
    wishes = listed([str(wish) for wish in found.wishes])
    inside = found.inside
    wanted = f"{found.wanted:.0%}"
    if not inside:
        best = max(found.chances, key=lambda c: c.all_wishes)
        return (
            f"At no setting does the next bead keep all wishes ({wishes}) with a "
            f"chance of {wanted}; the best is {show_setting(setting, best.setting)} "
            f"with {best.all_wishes:.0%}, where {found.wishes[best.weakest]} is "
            "hardest to keep.",
        )
    first, last = inside[0].setting, inside[-1].setting
    where = (
        f"at {show_setting(setting, first)}"
        if len(inside) == 1
        else f"from {span(setting, first, last)}"
    )
    sentences = [
        f"All wishes ({wishes}) hold {where} with a chance of at least {wanted} "
        "for the next bead."
    ]
    trouble = found.nearest_trouble
    if trouble is not None and trouble.all_wishes < 0.995:
        sentences.append(
            f"Nearest to trouble is {show_setting(setting, trouble.setting)} "
            f"({trouble.all_wishes:.0%}), with {found.wishes[trouble.weakest]}."
        )
    return tuple(sentences)


# ----------------------------------------------------------- about the beads


def replication_sentence(study: SettingStudy) -> str:
    """Say on how many beads each setting stands, and what that means."""
    least, most = min(study.beads_each), max(study.beads_each)
    settings = f"{sum(study.beads_each)} beads at {len(study.beads_each)} settings"
    ends = span(study.setting, float(study.settings[0]), float(study.settings[-1]))
    if most == 1:
        return (
            f"{settings}, {ends}, each welded once. With one bead a setting, the luck "
            "of a bead and the effect of its setting look the same; how much beads "
            "scatter is judged by how they lie about the trend."
        )
    each = f"{least}" if least == most else f"{least} to {most}"
    sentence = f"{settings}, {ends}, {each} beads a setting."
    if least == 1:
        sentence += " Where a setting has one bead only, its luck cannot be told."
    return sentence


def order_sentence(study: SettingStudy) -> str:
    """Say whether order of welding and setting can be told apart."""
    check, what = study.order, words_of(study.setting)
    if math.isnan(check.correlation):
        return ""
    if check.confounded:
        return (
            f"Run order and {what} go together (r = {check.correlation:.2f}): warming "
            f"of the plate and {what} cannot be separated here. A warm plate needs "
            "less current for the same penetration, so part of the trend may be heat."
        )
    return (
        f"Run order and {what} do not go together (r = {check.correlation:.2f}), "
        "so drift from bead to bead can be told from the setting."
    )


def drift_sentence(study: QuantityStudy) -> str:
    """Say how a quantity drifted with the order of welding; empty if it did not."""
    found = study.drift
    if found is None or not found.p < 1 - SURE:
        return ""
    more = "grows" if found.per_bead > 0 else "shrinks"
    unit = study.quantity.unit
    return (
        f"{study.quantity.title} {more} by "
        f"{number(abs(found.per_bead), unit)} (± {number(2 * found.u, unit, 1)}) with "
        f"each bead welded, whatever the setting ({chance(found.p)})."
    )


def wider_sentence(studies: Sequence[QuantityStudy]) -> str:
    """Say when a bead grows wider and no longer deeper; empty if it does not."""
    by_name = {study.quantity.name: study for study in studies}
    depth, width = by_name.get("penetration"), by_name.get("width")
    if depth is None or width is None or not depth.trend.verdict.is_plateau:
        return ""
    wider = width.trend.verdict is Verdict.STRAIGHT and width.trend.rises
    if not (depth.trend.rises and wider):
        return ""
    at = show_setting(depth.setting, _known(depth.trend.turn).at)
    return f"Beyond about {at} the bead grows wider and no longer deeper."


def outlier_sentence(study: QuantityStudy) -> str:
    """Name beads that lie far off the trend; empty if none does."""
    unit = study.quantity.unit
    told = [
        f"bead {each.name} lies {number(abs(each.off), unit)} "
        f"{'above' if each.off > 0 else 'below'} the curve"
        for each in study.outliers
    ]
    if not told:
        return ""
    many = listed(told, most=4)
    return (
        f"{many[0].upper()}{many[1:]}, more than luck explains: look at its picture "
        "and remarks."
    )


def shift_sentence(study: QuantityStudy) -> str:
    """Say that coupons differ; empty where that is not shown."""
    found = study.shift
    if found is None:
        return ""
    side = "above" if found.off > 0 else "below"
    return (
        f"Coupons differ by more than their beads scatter ({chance(found.p)}): the "
        f"beads of {found.coupon} lie {number(abs(found.off), study.quantity.unit)} "
        f"{side} the common curve on average, so beads of several coupons are no full "
        "repeats of each other."
    )


def planned_sentence(setting: str, beads: Sequence[Bead]) -> str:
    """Say that nothing but the plan is known of a setting; empty if more is."""
    used = [bead.setting(setting) for bead in beads]
    planned = [bead.setting(PLANNED + setting) for bead in beads]
    if len(beads) < 4 or used != planned:
        return ""
    what = words_of(setting)
    return (
        f"{what[0].upper()}{what[1:]} is the planned one at every bead; what was "
        "really used was not logged."
    )


def without_sentence(study: QuantityStudy) -> str:
    """Say how the answer changes without doubtful beads; empty if it does not."""
    if not study.changes_without or study.without is None:
        return ""
    say = _TREND[study.without.verdict]
    sentence = say(study.quantity, study.setting, study.without)
    same = study.without.verdict is study.trend.verdict
    if same and sentence == say(study.quantity, study.setting, study.trend):
        return ""
    return f"Without the marked beads: {sentence}"
