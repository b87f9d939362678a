"""What a user may pass to ``--reference``, read before any photo is opened.

The table `KINDS` is the one place where the words are declared.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from weldsection.errors import UsageError

# word -> (form as typed, what it is)
KINDS = {
    "auto": ("auto", "look for the printed card, then for a ruler"),
    "card": ("card", "our printed card, also partly hidden"),
    "ruler": ("ruler, ruler=mm or ruler=inch", "the graduation of a rule"),
    "disc": ("disc=MM", "anything round of that diameter, such as a coin"),
    "idcard": ("idcard", "the outline of a bank card, 85.60 × 53.98 mm"),
    "thickness": ("thickness=MM", "the plate itself, measured with a caliper"),
    "points": ("points=X1,Y1,X2,Y2,MM", "two picture points and their distance"),
}

# references that lie beside the coupon and not in its face
BESIDE = ("card", "ruler", "disc", "idcard")

# kind -> smallest and largest length that makes sense, in mm
_LENGTHS_MM = {
    "thickness": (0.5, 300.0),
    "disc": (4.0, 500.0),
    "points": (0.5, 2000.0),
}


def taken_level(kinds: Iterable[str], face_height_mm: float | None) -> bool:
    """Whether the face is taken to be level with its references, as nobody told.

    Examples
    --------
    >>> taken_level(["ruler"], None), taken_level(["ruler"], 0.0)
    (True, False)
    >>> taken_level(["thickness"], None)
    False
    """
    return face_height_mm is None and any(kind in BESIDE for kind in kinds)


@dataclass(frozen=True, slots=True)
class ReferenceRequest:
    """One ``--reference`` as asked for."""

    kind: str
    text: str
    length_mm: float = math.nan
    """Thickness, diameter or distance; NaN where the kind knows its own size."""
    graduation: str | None = None
    """``mm`` or ``inch`` for a ruler; None lets the ruler decide."""
    points_xy_px: tuple[tuple[float, float], ...] = ()
    typed_coarse: bool = False
    """Whether it was typed as nominal sizes are: whole, to a tenth at most."""


def parse_reference(text: str) -> ReferenceRequest:
    """Read one ``--reference``.

    Raises
    ------
    UsageError
        With a sentence that says what to type instead.

    Examples
    --------
    >>> parse_reference("thickness=10.02").length_mm
    10.02
    >>> parse_reference("ruler=inch").graduation
    'inch'
    """
    word, _, value = text.strip().partition("=")
    kind, value = word.strip().lower(), value.strip()
    if kind not in KINDS:
        forms = ", ".join(form for form, _ in KINDS.values())
        raise UsageError(f"--reference {text!r} is not known; pass one of: {forms}.")
    if kind == "ruler":
        return _ruler(text, value)
    if kind == "points":
        return _points(text, value)
    if kind in _LENGTHS_MM:
        length_mm = _length_mm(kind, text, value)
        decimals = len(value.partition(".")[2])
        coarse = length_mm == round(length_mm) and decimals < 2
        return ReferenceRequest(kind, text, length_mm, typed_coarse=coarse)
    if value:
        raise UsageError(f"--reference {kind} takes no value; leave out '={value}'.")
    return ReferenceRequest(kind, text)


def _ruler(text: str, value: str) -> ReferenceRequest:
    graduation = value.lower() or None
    if graduation not in (None, "mm", "inch"):
        raise UsageError(
            f"--reference {text!r}: a ruler is in mm or inch; "
            "pass ruler, ruler=mm or ruler=inch."
        )
    return ReferenceRequest("ruler", text, graduation=graduation)


def _points(text: str, value: str) -> ReferenceRequest:
    parts = value.split(",")
    if len(parts) != 5:
        raise UsageError(
            f"--reference {text!r} needs five numbers; "
            "pass points=X1,Y1,X2,Y2,MM in pixels and mm."
        )
    x1, y1, x2, y2 = (_number("points", text, part) for part in parts[:4])
    length_mm = _length_mm("points", text, parts[4])
    if math.hypot(x2 - x1, y2 - y1) < 10.0:
        raise UsageError(
            f"--reference {text!r}: the two points must lie at least 10 px apart; "
            "choose points further from each other."
        )
    return ReferenceRequest(
        "points", text, length_mm, points_xy_px=((x1, y1), (x2, y2))
    )


def _number(kind: str, text: str, value: str) -> float:
    try:
        number = float(value)
    except ValueError:
        number = math.nan
    if not math.isfinite(number):
        raise UsageError(
            f"--reference {text!r}: {value.strip()!r} is not a number; "
            f"pass {KINDS[kind][0]} with a decimal point."
        )
    return number


def _length_mm(kind: str, text: str, value: str) -> float:
    length_mm = _number(kind, text, value)
    low, high = _LENGTHS_MM[kind]
    if not low <= length_mm <= high:
        raise UsageError(
            f"--reference {text!r}: the length must be {low:g} to {high:g} mm; "
            f"pass {KINDS[kind][0]} with the measured length."
        )
    return length_mm
