"""Names, units and labels of the quantities and settings that are compared."""

from __future__ import annotations

from dataclasses import dataclass

from weldsection.errors import UsageError
from weldsection.quantities import QUANTITIES

# power of the scale in a quantity of that unit; a ratio or an angle has none
_SCALE_POWER = {"mm": 1, "mm²": 2}

# ending of a column's name -> unit as people write it; longer endings first
UNIT_OF_ENDING = (
    ("_kj_mm", "kJ/mm"),
    ("_kj_in", "kJ/in"),
    ("_mm_min", "mm/min"),
    ("_m_min", "m/min"),
    ("_mm_s", "mm/s"),
    ("_in_min", "in/min"),
    ("_l_min", "l/min"),
    ("_mm2", "mm²"),
    ("_deg", "°"),
    ("_pct", "%"),
    ("_mm", "mm"),
    ("_w", "W"),
    ("_a", "A"),
    ("_v", "V"),
    ("_s", "s"),
    ("_c", "°C"),
)


@dataclass(frozen=True, slots=True)
class Term:
    """A quantity that beads are compared in."""

    name: str
    columns: tuple[str, ...]
    """Columns it is read from; of several the smallest value counts."""
    u_column: str | None
    unit: str
    scale_power: int
    """1 for a length, 2 for an area, 0 for what a wrong scale leaves alone."""
    decimals: int

    @property
    def words(self) -> str:
        """The name as it is spoken."""
        return self.name.replace("_", " ").replace("haz", "HAZ")

    @property
    def title(self) -> str:
        """The name at the start of a sentence."""
        return self.words[0].upper() + self.words[1:]

    @property
    def label(self) -> str:
        """The name with its unit, for an axis."""
        return f"{self.words} ({self.unit})"

    def show(self, value: float) -> str:
        """Give a value with its unit, to the digits that make sense.

        Examples
        --------
        >>> term("penetration").show(1.2345)
        '1.23 mm'
        """
        space = "" if self.unit == "°" else " "
        # adding zero turns a rounded -0.0 into 0.0
        return (
            f"{round(value, self.decimals) + 0.0:.{self.decimals}f}{space}{self.unit}"
        )


def _terms() -> tuple[Term, ...]:
    decimals = {"mm": 2, "mm²": 1, "%": 1, "°": 0}
    plain = [
        Term(
            q.attribute,
            (q.column,),
            q.u_column,
            q.unit,
            _SCALE_POWER.get(q.unit, 0),
            decimals[q.unit],
        )
        for q in QUANTITIES
        if q.attribute != "x" and not q.attribute.startswith("toe_angle")
    ]
    sides = ("toe_angle_left_deg", "toe_angle_right_deg")
    found = {t.name: t for t in (*plain, Term("toe_angle", sides, None, "°", 0, 0))}
    # what people ask for first stands first in tables and figures
    first = ("penetration", "width", "reinforcement", "dilution", "toe_angle")
    return tuple(found[n] for n in (*first, *(n for n in found if n not in first)))


TERMS = _terms()

LENGTH_COLUMNS = tuple(
    column for t in TERMS if t.scale_power == 1 for column in t.columns
)


def term(name: str) -> Term:
    """Give the quantity of that name, or of that column.

    Raises
    ------
    UsageError
        If there is no such quantity.
    """
    plain = name.strip().lower().replace("-", "_").replace(" ", "_")
    for each in TERMS:
        if plain == each.name or plain in each.columns:
            return each
    known = ", ".join(t.name for t in TERMS)
    raise UsageError(f"There is no quantity '{name}'; take one of: {known}.")


def unit_of(column: str) -> str:
    """Give the unit that a column's name ends in; empty if it names none.

    Examples
    --------
    >>> unit_of("current_a"), unit_of("travel_mm_min"), unit_of("shield")
    ('A', 'mm/min', '')
    """
    return next((u for end, u in UNIT_OF_ENDING if column.endswith(end)), "")


def words_of(column: str) -> str:
    """Give a column's name without its unit, as it is spoken.

    Examples
    --------
    >>> words_of("heat_input_kj_mm"), words_of("current_a")
    ('heat input', 'current')
    """
    for ending, _ in UNIT_OF_ENDING:
        if column.endswith(ending):
            column = column[: -len(ending)]
            break
    return column.replace("_", " ")


def label_of(column: str) -> str:
    """Give a column's name with its unit, for an axis."""
    unit = unit_of(column)
    return f"{words_of(column)} ({unit})" if unit else words_of(column)


def show_setting(column: str, value: float) -> str:
    """Give a setting with its unit.

    Examples
    --------
    >>> show_setting("current_a", 180.0), show_setting("heat_input_kj_mm", 0.6912)
    ('180 A', '0.69 kJ/mm')
    """
    size = abs(value)
    decimals = 0 if size >= 50 else 1 if size >= 5 else 2
    text = f"{value:.{0 if float(value).is_integer() else decimals}f}"
    unit = unit_of(column)
    return f"{text} {unit}" if unit else text
