"""Every reason for doubt, once, with the sentence that explains it.

A flag is written into the ``flags`` column by its name, joined by ``;``.
"""

from __future__ import annotations

from collections.abc import Collection
from enum import Enum


class Flag(Enum):
    """A reason for doubt about one row; the value is its explanation."""

    # the bead
    BOUNDARY_AMBIGUOUS = (
        "Two lines in the picture could each be the fusion line; "
        "etch again or look closely before using the penetration."
    )
    BOUNDARY_FAINT = (
        "Much of the fusion line has too little contrast to be seen; "
        "that stretch is bridged and drawn dashed."
    )
    GLARE = "Glare lies over part of the bead; turn the coupon away from the lamp."
    NO_FUSION = (
        "No fusion below the plate surface can be told from zero; "
        "the bead may only sit on the plate."
    )
    OVERLAP = (
        "Weld metal lies over the plate beyond the fusion line; "
        "width counts from toe to toe, not along the fused part."
    )
    TOUCHING_BEADS = (
        "The bead touches its neighbour, so the toe between them is a guess."
    )
    BEAD_CUT_OFF = "The bead is cut by the coupon's end or the picture's edge."
    NUMBERING_UNSURE = (
        "Something like a bead on this coupon could not be traced and has no row; "
        "check on the picture which bead each number means."
    )
    UNUSUAL_SHAPE = (
        "The traced section has a shape beads do not have; check the picture."
    )
    # the coupon
    COUPON_CUT_OFF = (
        "The coupon's left end lies outside the picture; "
        "x counts from the picture's edge."
    )
    # the scale
    SCALE_DISAGREES = (
        "Two references in the picture give different scales; "
        "check which one lies in the plane of the etched face."
    )
    SCALE_UNSURE = (
        "The scale is uncertain by more than 3 % (two standard uncertainties); "
        "add a reference in the plane of the etched face."
    )
    FACE_NOT_IN_REFERENCE_PLANE = (
        "The etched face does not lie in the plane of the reference; "
        "give --face-height or put the reference level with the face."
    )
    TILT_UNKNOWN = (
        "The picture does not show how the camera was tilted, and that alone makes "
        "the scale unsure; lay a card or a rule beside the coupon."
    )
    NOMINAL_THICKNESS = (
        "The thickness given looks like a nominal one; plates differ from "
        "it by several per cent; measure yours and type it to a hundredth."
    )

    @property
    def word(self) -> str:
        """The flag as it stands in the ``flags`` column.

        Examples
        --------
        >>> Flag.NO_FUSION.word
        'no-fusion'
        """
        return self.name.lower().replace("_", "-")

    @property
    def sentence(self) -> str:
        """What the flag means and what to do about it."""
        return str(self.value)


def in_order(flags: Collection[Flag]) -> tuple[Flag, ...]:
    """Flags in the order they are declared, each once.

    Examples
    --------
    >>> [flag.word for flag in in_order([Flag.OVERLAP, Flag.GLARE, Flag.OVERLAP])]
    ['glare', 'overlap']
    """
    return tuple(flag for flag in Flag if flag in flags)


def join_flags(flags: tuple[Flag, ...]) -> str:
    """Write flags as one cell, in the order they are declared.

    Examples
    --------
    >>> join_flags((Flag.OVERLAP, Flag.GLARE, Flag.OVERLAP))
    'glare;overlap'
    """
    return ";".join(flag.word for flag in in_order(flags))
