"""Errors a person can act on.

Every error says in one sentence what is wrong and what to do about it; the
command line prints that sentence and nothing else.

::

    WeldSectionError            exit code 1
    ├── UsageError              exit code 2: an option or argument is wrong
    ├── PhotoError              the file is no picture we can read
    ├── ScaleError              no scale, or one that cannot be right
    ├── CouponError             no etched face, or no bead on it
    ├── OutputError             results cannot be written
    └── DataError               a table or record of results is wrong
"""

from __future__ import annotations


class WeldSectionError(Exception):
    """Base of every error this package raises on purpose."""

    exit_code = 1


class UsageError(WeldSectionError, ValueError):
    """An option or argument is wrong; nothing was measured."""

    exit_code = 2


class PhotoError(WeldSectionError):
    """A file cannot be read as a picture, or is too small or too large."""


class ScaleError(WeldSectionError):
    """No scale reference was found, or it contradicts the picture."""


class CouponError(WeldSectionError):
    """The etched face, its plate surface or its beads were not found."""


class OutputError(WeldSectionError):
    """Results cannot be written where they were asked for."""


class DataError(WeldSectionError, ValueError):
    """A table or record of results holds something that cannot be used."""
