"""``findings.md``: the comparison as a text that can be read aloud."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from weldsection.flags import Flag
from weldsection.study import curves
from weldsection.study.compare import (
    WORKED_OUT,
    Comparison,
    QuantityStudy,
    SettingStudy,
)
from weldsection.study.heat import K_SOURCE
from weldsection.study.join import Bead, Disagreement
from weldsection.study.sections import WithinBeads
from weldsection.study.terms import show_setting, words_of
from weldsection.study.trend import Verdict
from weldsection.study.window import Wish
from weldsection.study.words import (
    chance,
    drift_sentence,
    group_sentences,
    listed,
    number,
    order_sentence,
    outlier_sentence,
    planned_sentence,
    replication_sentence,
    shift_sentence,
    short_verdict,
    span,
    trend_sentence,
    wider_sentence,
    window_sentences,
    without_sentence,
)

# quantities that people ask for first; the others are told in a few words
IN_FULL = ("penetration", "width", "reinforcement", "dilution")

CAUTION = (
    "A section shows one place in a weld. Whether a weld is fit for its job is for "
    "the code that applies to it and the people licensed to judge it."
)


def findings(found: Comparison) -> str:
    """Write the findings as Markdown."""
    blocks = ["# Findings"]
    blocks += _about_beads(found)
    for study in found.studies:
        blocks += _about_setting(study, found)
    blocks += _doubts(found)
    blocks += _next(found)
    blocks += _evidence(found)
    blocks += ["---", CAUTION]
    return "\n\n".join(block for block in blocks if block) + "\n"


# ----------------------------------------------------------------- the beads


def _about_beads(found: Comparison) -> Iterator[str]:
    coupons = {bead.coupon for bead in found.beads}
    rows = sum(len(bead.rows) for bead in found.beads)
    sentence = f"{len(found.beads)} beads"
    if len(coupons) > 1:
        sentence += f" on {len(coupons)} coupons"
    if rows > len(found.beads):
        sentence += f", read {rows} times"
    if found.held:
        held = [f"{words_of(c)} {show_setting(c, v)}" for c, v in found.held]
        sentence += f". Held the same: {listed(held)}"
    yield sentence + "."
    if found.doubtful:
        yield _marked(found)
    yield _sitting(found)
    yield _overlaps(found.overlaps)
    for within in found.within:
        yield _within(within)


def _marked(found: Comparison) -> str:
    by_name = {bead.name: bead for bead in found.beads}
    reasons = [f"{name} ({_reason(by_name[name])})" for name in found.doubtful]
    one = len(reasons) == 1
    some, stay, them = (
        ("Marked bead", "It stays", "it")
        if one
        else ("Marked beads", "They stay", "them")
    )
    return (
        f"{some}: {listed(reasons)}. {stay} in the tables and figures; where the "
        f"answer changes without {them}, both answers are given."
    )


def _sitting(found: Comparison) -> str:
    """Name the beads without fusion that can be told from zero."""
    names = [b.name for b in found.beads if Flag.NO_FUSION.word in b.flags]
    if not names:
        return ""
    some, may = ("bead", "it may") if len(names) == 1 else ("beads", "they may")
    return (
        f"No fusion below the plate surface can be told from zero at {some} "
        f"{listed(names)}; {may} only sit on the plate."
    )


def _reason(bead: Bead) -> str:
    return "; ".join(filter(None, (bead.remarks, *bead.flags)))


def _overlaps(pairs: tuple[Disagreement, ...]) -> str:
    """Say how well beads read twice agree with their uncertainty."""
    if not pairs:
        return ""
    far = [pair for pair in pairs if pair.ratio > 2]
    beads = list(dict.fromkeys(pair.bead for pair in pairs))
    one = len(beads) == 1
    sentence = (
        f"{'Bead' if one else 'Beads'} {listed(beads)} {'was' if one else 'were'} read "
        f"more than once: {len(pairs) - len(far)} of {len(pairs)} pairs of readings "
        "agree within twice their uncertainty."
    )
    for pair in far[:4]:
        unit = pair.quantity.unit
        sentence += (
            f" Bead {pair.bead} differs by {number(abs(pair.difference), unit)} in "
            f"{pair.quantity.words}, {pair.ratio:.1f} times the uncertainty of that."
        )
    return sentence


def _within(found: WithinBeads) -> str:
    unit = found.quantity.unit
    sentence = (
        f"Sections of one bead scatter by {number(found.sd, unit, 3)} in "
        f"{found.quantity.words} (standard deviation, {found.df} degrees of freedom)."
    )
    for pair in found.unlike:
        sentence += (
            f" Beads {pair.first} and {pair.second} were welded alike yet differ by "
            f"{number(abs(pair.difference), unit)} ({chance(pair.p)}): that is "
            "bead-to-bead scatter, which sections of one bead do not show."
        )
    return sentence


# --------------------------------------------------------------- one setting


def _about_setting(study: SettingStudy, found: Comparison) -> Iterator[str]:
    yield f"## Against {words_of(study.setting)}"
    if study.setting in WORKED_OUT:
        yield _heat(study, found)
    else:
        yield replication_sentence(study)
        yield planned_sentence(study.setting, found.beads)
        yield _company(study)
    if study.setting not in WORKED_OUT or study.order.confounded:
        yield order_sentence(study)
    full = [each for each in study.quantities if told_in_full(each, found)]
    for each in full:
        yield _quantity(each)
    yield wider_sentence(full)
    if study.left_out:
        names = listed([quantity.words for quantity in study.left_out])
        yield f"Measured at one setting only, so not compared: {names}."
    rest = [each for each in study.quantities if each not in full]
    if rest:
        told = "; ".join(f"{e.quantity.words} {short_verdict(e)}" for e in rest)
        yield f"In short: {told}."
    yield from _windows(study, found.options.wishes)


def _windows(study: SettingStudy, wishes: Sequence[Wish]) -> Iterator[str]:
    if study.window is None:
        missing = [str(w) for w in wishes if w.quantity in study.left_out]
        if missing:
            yield f"No window can be given, for want of values: {listed(missing)}."
        return
    yield " ".join(window_sentences(study.setting, study.window))
    other = study.window_without
    if other is None:
        return
    ends = [
        [c.setting for c in each.inside][:: max(len(each.inside) - 1, 1)]
        for each in (study.window, other)
    ]
    if len(ends[0]) != len(ends[1]) or any(
        abs(a - b) > 1e-6 * abs(a) for a, b in zip(*ends, strict=True)
    ):
        text = window_sentences(study.setting, other)[0]
        yield f"Without the marked beads: {text[0].lower()}{text[1:]}"


def told_in_full(study: QuantityStudy, found: Comparison) -> bool:
    """Whether a quantity gets its own paragraph, and not only a few words."""
    if study.setting in WORKED_OUT and study.setting not in found.options.against:
        return False
    asked = (
        *found.options.quantities,
        *(wish.quantity for wish in found.options.wishes),
        *(quantity for quantity, _ in found.options.margins),
    )
    return study.quantity.name in IN_FULL or study.quantity in asked


def _heat(study: SettingStudy, found: Comparison) -> str:
    low, high = float(study.settings[0]), float(study.settings[-1])
    ends = f"{sum(study.beads_each)} beads from {span(study.setting, low, high)}"
    used = found.options.process
    if study.setting != "heat_input_kj_mm" or used is None:
        return f"{ends}, without a factor for the process."
    return f"{ends}, with k = {used.k:g} for {used.name} ({K_SOURCE})."


def _company(study: SettingStudy) -> str:
    parts = []
    what = words_of(study.setting)
    if study.together:
        names = listed([f"{words_of(c)} (r = {r:.2f})" for c, r in study.together])
        parts.append(
            f"{names[0].upper()}{names[1:]} went along with {what}: what is said of "
            f"{what} is said of both together."
        )
    if study.also_varied:
        names = listed([words_of(c) for c in study.also_varied])
        parts.append(
            f"{names[0].upper()}{names[1:]} was changed too; its effect is part of the "
            "scatter here."
        )
    return " ".join(parts)


def _quantity(study: QuantityStudy) -> str:
    lines = [
        f"**{study.quantity.title}.** {trend_sentence(study)}",
        without_sentence(study),
        drift_sentence(study),
        outlier_sentence(study),
        shift_sentence(study),
    ]
    if study.groups is not None:
        lines += group_sentences(study, study.groups)
    if study.left_out:
        some = "bead" if len(study.left_out) == 1 else "beads"
        lines.append(f"Left out for want of a value: {some} {listed(study.left_out)}.")
    return " ".join(line for line in lines if line)


# --------------------------------------------------------------- at the end


def _doubts(found: Comparison) -> Iterator[str]:
    if not found.doubts:
        return
    yield "## Numbers to look at again"
    shown = found.doubts[:20]
    yield "\n".join(f"- {doubt}" for doubt in shown)
    if len(found.doubts) > len(shown):
        yield f"And {len(found.doubts) - len(shown)} more, in `doubts.csv`."


def _next(found: Comparison) -> Iterator[str]:
    advice = list(dict.fromkeys(a for study in found.studies for a in _advice(study)))
    if advice:
        yield "## What to weld next"
        yield "\n".join(f"- {each}" for each in advice)


def _evidence(found: Comparison) -> Iterator[str]:
    """Table of how the shapes compare, for those who want to check."""
    rows = [
        _evidence_row(study, each)
        for study in found.studies
        for each in study.quantities
        if len(each.trend.shapes) > 2
    ]
    if not rows:
        return
    yield "## How the curves compare"
    yield (
        "F of each bend against the straight line, its chance p, and AICc "
        "(lower is better)."
    )
    head = (
        "| quantity | against | line then flat: F, p | quadratic then flat: F, p | "
        "AICc line | line then flat | quadratic then flat | taken |"
    )
    yield "\n".join([head, "|---" * 8 + "|", *rows])


def _evidence_row(study: SettingStudy, each: QuantityStudy) -> str:
    straight, *bends = (s for s in each.trend.shapes if s.curve is not curves.CONSTANT)
    df = bends[0].fit.df
    cells = [
        each.quantity.words,
        words_of(study.setting),
        *(f"{_f(b.f)} (1, {df}), {chance(b.p)}" for b in bends),
        *(f"{s.aicc:.1f}" for s in (straight, *bends)),
        each.trend.chosen.curve.name,
    ]
    return f"| {' | '.join(cells)} |"


def _f(value: float) -> str:
    """F as it is printed; a perfect fit has no end of it."""
    return "> 9999" if value > 9999 else f"{max(value, 0):.1f}"


def _advice(study: SettingStudy) -> Iterator[str]:
    """Say which further beads would settle what stayed open."""
    if study.setting.endswith(("kj_mm", "kj_in")):
        return  # heat input is not set on the machine
    what = words_of(study.setting)
    if study.order.confounded:
        yield f"The same {what} settings once more, in random order."
    if max(study.beads_each) == 1:
        yield f"A second bead at each {what}, to learn how much beads scatter."
    for each in study.quantities:
        if each.quantity.name in ("penetration", "width"):
            yield from _for_verdict(each)


def _for_verdict(study: QuantityStudy) -> Iterator[str]:
    found, what = study.trend, study.quantity.words
    last = show_setting(study.setting, float(found.points.level_x[-1]))
    if found.verdict in (Verdict.LAST_ONLY, Verdict.NOT_PINNED):
        yield f"Two settings beyond {last}, to see whether {what} stays flat."
    elif found.verdict is Verdict.PLATEAU_OPEN:
        low, high = found.points.level_x[:2]
        yield (
            f"A setting between {show_setting(study.setting, float(low))} and "
            f"{show_setting(study.setting, float(high))}, to see where {what} stops "
            "changing."
        )
    elif found.verdict is Verdict.TOO_FEW:
        yield f"At least five {words_of(study.setting)} settings for a trend."
    elif found.verdict is Verdict.NOT_CLEAN and not math.isnan(found.p_misfit):
        yield f"More beads at the settings where {what} lies off the curve."
