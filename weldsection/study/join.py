"""Join rows of several photos, cuts and faces, and give them their settings.

How to call it, on plain rows and without any photo::

    rows = renumbered(rows, BeadRange(5, 8))       # one photo shows beads 5 to 8
    rows = attach_settings(rows, log)              # count checked; two counts named
    beads = join(rows, Repeats.READING)            # one record for each bead
    for each in beads: each.value("penetration")   # combined, with uncertainty
    text = agreement(beads)                        # overlaps against uncertainty

`measure` calls `renumbered` for each photo with ``--beads``, then
`attach_settings` with ``--log``, and appends `log_columns` to its table; it
needs rows as `weldsection.study.tables.SectionRow`, which `rows_of_sheet`
makes from the rows of ``beads.csv``. `compare` does all of it on tables.

A bead number met again in one coupon is, as the caller says, the same section
read again (overlapping photos), the other face of the same saw cut (a mirror
image: left and right change places), or another cut through the bead.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from enum import Enum
from itertools import pairwise

from weldsection.errors import DataError, UsageError
from weldsection.study.logsheet import LogRow, LogSheet
from weldsection.study.tables import SectionRow
from weldsection.study.terms import Term, term


class Repeats(Enum):
    """What a bead number is that is met again in one coupon."""

    READING = "reading"
    FACE = "face"
    CUT = "cut"


@dataclass(frozen=True, slots=True)
class BeadRange:
    """The beads one photo shows, first to last in the order they were measured."""

    first: int
    last: int

    @property
    def numbers(self) -> tuple[int, ...]:
        """Every number of the range; counts down where last is the smaller."""
        step = 1 if self.last >= self.first else -1
        return tuple(range(self.first, self.last + step, step))

    @classmethod
    def parse(cls, text: str) -> BeadRange:
        """Read ``5-8`` or ``5``.

        Examples
        --------
        >>> BeadRange.parse("5-8").numbers
        (5, 6, 7, 8)
        """
        first, _, last = text.partition("-")
        if not first.isdigit() or not (last or first).isdigit():
            raise UsageError(f"'{text}' is no range of beads; write 5-8 or 5.")
        return cls(int(first), int(last or first))


@dataclass(frozen=True, slots=True)
class Reading:
    """One quantity of one bead as read on one photo."""

    value: float
    u_own: float
    """Uncertainty of the reading alone, the photo's scale left out; NaN unknown."""
    u_scale: float
    """Uncertainty from the photo's scale, shared by all beads on it."""
    photo: str
    cut: str

    @property
    def u(self) -> float:
        """Standard uncertainty of the reading, scale included."""
        return math.hypot(0.0 if math.isnan(self.u_own) else self.u_own, self.u_scale)


@dataclass(frozen=True, slots=True)
class BeadValue:
    """One quantity of one bead, all its readings combined."""

    value: float
    u_own: float
    """Uncertainty of reading and of scatter between cuts, without the scale."""
    shares: tuple[tuple[str, float], ...]
    """Photo and its share in the value times its relative scale uncertainty."""
    cuts: int
    """How many cuts it rests on."""


@dataclass(frozen=True, slots=True)
class Bead:
    """One bead of one coupon with everything known about it."""

    coupon: str
    number: int
    rows: tuple[SectionRow, ...]
    repeats: Repeats
    name: str
    """How the bead is called in tables and sentences."""

    def setting(self, name: str) -> float:
        """Give one setting; NaN where it is not known."""
        return self.rows[0].setting(name)

    @property
    def remarks(self) -> str:
        """What was remarked while welding or measuring."""
        return "; ".join(dict.fromkeys(r.remarks for r in self.rows if r.remarks))

    @property
    def flags(self) -> tuple[str, ...]:
        """Flags of all its rows, each once."""
        return tuple(dict.fromkeys(flag for row in self.rows for flag in row.flags))

    def readings(self, quantity: Term) -> tuple[Reading, ...]:
        """Every reading of one quantity, those not measured left out."""
        found = (_reading(row, quantity, self._cut(row)) for row in self.rows)
        return tuple(r for r in found if not math.isnan(r.value))

    def value(self, quantity: Term | str) -> BeadValue | None:
        """Give one quantity with all readings combined; None if not measured."""
        readings = self.readings(
            term(quantity) if isinstance(quantity, str) else quantity
        )
        if len(readings) == 1:
            (only,) = readings
            relative = only.u_scale / abs(only.value) if only.value else 0.0
            shares = ((only.photo, relative),) if relative > 0 else ()
            return BeadValue(only.value, only.u_own, shares, 1)
        return _combined(readings) if readings else None

    def _cut(self, row: SectionRow) -> str:
        if row.cut or self.repeats is not Repeats.CUT:
            return row.cut
        return f"{row.photo}/{row.place}"


# ---------------------------------------------------------------- numbering


def renumbered(rows: Sequence[SectionRow], beads: BeadRange) -> tuple[SectionRow, ...]:
    """Give the beads of one photo their numbers on the whole coupon.

    The rows are taken in the order of the numbers they were measured with,
    which is the order asked for with ``--order``.

    Raises
    ------
    DataError
        If the photo shows another number of beads; names both.
    """
    numbers = beads.numbers
    if len(rows) != len(numbers):
        photo = rows[0].photo if rows else "The photo"
        raise DataError(
            f"{photo} shows {_beads(len(rows))} and the range {beads.first}-"
            f"{beads.last} has {len(numbers)}; give the beads that it shows."
        )
    in_order = sorted(rows, key=lambda row: row.bead)
    return tuple(
        replace(row, bead=number) for row, number in zip(in_order, numbers, strict=True)
    )


def attach_settings(
    rows: Iterable[SectionRow], log: LogSheet, *, whole: bool = True
) -> tuple[SectionRow, ...]:
    """Give each row the settings logged for its bead.

    Parameters
    ----------
    whole
        Whether the rows are meant to be all the beads of the sheet; False for
        one photo of several.

    Raises
    ------
    DataError
        If there are fewer or more beads than the sheet has; names both counts.
    """
    listed = tuple(rows)
    found: list[SectionRow] = []
    for coupon in dict.fromkeys(row.coupon for row in listed):
        mine = [row for row in listed if row.coupon == coupon]
        part = log.of_coupon(coupon)
        if not part.rows:
            raise DataError(
                f"{log.file} is the sheet of coupon {', '.join(log.coupons)} and has "
                f"no row for coupon '{coupon}'; give that coupon's sheet."
            )
        _check_counts(mine, part, whole=whole)
        by_bead = {row.bead: row for row in part.rows}
        found += [_with_log(row, by_bead[row.bead]) for row in mine]
    return tuple(found)


def log_columns(row: LogRow) -> dict[str, float | str]:
    """Give what a table of beads takes over from the log sheet, by column."""
    cells: dict[str, float | str] = {
        name: "" if math.isnan(value) else value for name, value in row.settings
    }
    return {**cells, "remarks": row.remarks, **dict(row.extra)}


def _with_log(row: SectionRow, log: LogRow) -> SectionRow:
    own = {n: value for n, value in row.settings.items() if not math.isnan(value)}
    remarks = "; ".join(dict.fromkeys(t for t in (row.remarks, log.remarks) if t))
    logged = {name: value for name, value in log.settings if not math.isnan(value)}
    return replace(
        row,
        settings={**own, **logged},
        remarks=remarks,
        extra=(*row.extra, *log.extra),
    )


def _check_counts(rows: Sequence[SectionRow], log: LogSheet, *, whole: bool) -> None:
    seen, listed = {row.bead for row in rows}, set(log.beads)
    unknown, missing = sorted(seen - listed), sorted(listed - seen)
    if not unknown and not (whole and missing):
        return
    where = rows[0].photo if len({r.photo for r in rows}) == 1 else rows[0].place.file
    sentence = f"{where} has {_beads(len(seen))} and {log.file} lists {len(listed)}"
    if unknown:
        sentence += f"; {_named(unknown)} not in the sheet"
    if missing and whole:
        sentence += f"; {_named(missing)} not on the photo"
    raise DataError(f"{sentence}. Number the beads as in the sheet, or give its own.")


def _named(beads: Sequence[int]) -> str:
    shown = ", ".join(map(str, beads[:8])) + (" …" if len(beads) > 8 else "")
    return f"bead {shown} is" if len(beads) == 1 else f"beads {shown} are"


def _beads(count: int) -> str:
    return "1 bead" if count == 1 else f"{count} beads"


# ------------------------------------------------------------------ joining


def join(
    rows: Iterable[SectionRow], repeats: Repeats = Repeats.READING
) -> tuple[Bead, ...]:
    """Make one record of each bead from all rows that show it."""
    groups: dict[tuple[str, int], list[SectionRow]] = {}
    for row in rows:
        groups.setdefault((row.coupon, row.bead), []).append(row)
    return tuple(
        Bead(coupon, number, _faced(group, repeats), repeats, _name(coupon, number))
        for (coupon, number), group in sorted(groups.items())
    )


def _name(coupon: str, number: int) -> str:
    return f"{coupon}/{number}" if coupon else str(number)


def _faced(rows: Sequence[SectionRow], repeats: Repeats) -> tuple[SectionRow, ...]:
    """Turn the mirrored face so that left is left on both."""
    if repeats is not Repeats.FACE:
        return tuple(rows)
    first = rows[0]
    return (
        first,
        *(row if _same_face(row, first) else mirrored(row) for row in rows[1:]),
    )


def _same_face(row: SectionRow, first: SectionRow) -> bool:
    return (
        row.face == first.face if row.face or first.face else row.photo == first.photo
    )


def mirrored(row: SectionRow) -> SectionRow:
    """See a bead from behind: left and right change places."""
    numbers = dict(row.numbers)
    numbers["toe_angle_left_deg"] = row.numbers["toe_angle_right_deg"]
    numbers["toe_angle_right_deg"] = row.numbers["toe_angle_left_deg"]
    return replace(row, numbers=numbers)


def _reading(row: SectionRow, quantity: Term, cut: str) -> Reading:
    value = _smallest([row.numbers[column] for column in quantity.columns])
    u = row.numbers[quantity.u_column] if quantity.u_column else math.nan
    scale_u_pct = row.numbers["scale_u_pct"]
    relative = 0.0 if math.isnan(scale_u_pct) else scale_u_pct / 100
    u_scale = abs(value) * relative * quantity.scale_power
    # the table's u holds the scale; what is left is the reading's own
    own = math.nan if math.isnan(u) else math.sqrt(max(u * u - u_scale * u_scale, 0.0))
    return Reading(value, own, u_scale, f"{row.coupon}/{row.photo}", cut)


def _smallest(values: Sequence[float]) -> float:
    if len(values) == 1:
        return values[0]
    # an unmeasured toe may be the worse one
    return math.nan if any(map(math.isnan, values)) else min(values)


def _combined(readings: Sequence[Reading]) -> BeadValue:
    """Readings of one cut are weighted by their uncertainty, cuts count alike."""
    cuts: dict[str, list[Reading]] = {}
    for reading in readings:
        cuts.setdefault(reading.cut, []).append(reading)
    parts = [(each, _weights(each)) for each in cuts.values()]
    share = 1 / len(parts)
    weighted = [
        (r, w * share)
        for each, weights in parts
        for r, w in zip(each, weights, strict=True)
    ]
    value = sum(w * r.value for r, w in weighted)
    unknown = any(math.isnan(r.u_own) for r, _ in weighted)
    u_own = math.nan if unknown else math.hypot(*(w * r.u_own for r, w in weighted))
    return BeadValue(value, u_own, _shares(weighted, value), len(parts))


def _weights(readings: Sequence[Reading]) -> list[float]:
    u = [reading.u for reading in readings]
    raw = [1 / x**2 for x in u] if all(x > 0 for x in u) else [1.0] * len(u)
    return [w / sum(raw) for w in raw]


def _shares(
    weighted: Sequence[tuple[Reading, float]], value: float
) -> tuple[tuple[str, float], ...]:
    shares: dict[str, float] = {}
    for reading, weight in weighted:
        relative = weight * reading.u_scale / abs(value) if value else 0.0
        shares[reading.photo] = shares.get(reading.photo, 0.0) + relative
    return tuple((photo, share) for photo, share in shares.items() if share > 0)


# ---------------------------------------------------------------- agreement


@dataclass(frozen=True, slots=True)
class Disagreement:
    """Two readings of the same bead held against their uncertainty."""

    bead: str
    quantity: Term
    photos: tuple[str, str]
    values: tuple[float, float]
    u_difference: float

    @property
    def difference(self) -> float:
        """Second reading less the first."""
        return self.values[1] - self.values[0]

    @property
    def ratio(self) -> float:
        """Difference over its standard uncertainty; beyond 2 is too much."""
        if self.u_difference == 0:
            return 0.0 if self.difference == 0 else math.inf
        return abs(self.difference) / self.u_difference


def agreement(
    beads: Iterable[Bead], quantities: Iterable[Term]
) -> tuple[Disagreement, ...]:
    """Compare beads that were read twice: overlapping photos, or both faces."""
    wanted = tuple(quantities)
    return tuple(
        pair
        for bead in beads
        if len(bead.rows) > 1 and bead.repeats is not Repeats.CUT
        for quantity in wanted
        for pair in _pairs(bead, quantity)
    )


def _pairs(bead: Bead, quantity: Term) -> Iterable[Disagreement]:
    readings = bead.readings(quantity)
    for first, second in pairwise(readings):
        if math.isnan(first.u_own) or first.cut != second.cut:
            continue
        shared = first.photo == second.photo
        u = math.hypot(first.u_own, second.u_own)
        if not shared:
            u = math.hypot(u, first.u_scale, second.u_scale)
        yield Disagreement(
            bead.name,
            quantity,
            (first.photo, second.photo),
            (first.value, second.value),
            u,
        )
