"""Scale: from photo pixels to millimetres of the etched face.

Each kind of reference is one file with one function that gives a
`ScaleReference`; `find_scale` runs those asked for and joins them.
`parse_reference` checks what was typed without loading the picture libraries.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from weldsection.scale.request import parse_reference

if TYPE_CHECKING:
    from concurrent.futures import Future

    from weldsection.records import FaceOutline, Options, Photo, Scale
    from weldsection.scale.marks import Mark

__all__ = ["find_scale", "marks_ahead", "parse_reference"]


def marks_ahead(photo: Photo, options: Options) -> Future[tuple[Mark, ...]] | None:
    """Begin to look for the marks of a card, where one is asked for.

    They can be looked for beside the face, which every other reference waits for.
    """
    from weldsection.scale import find  # noqa: PLC0415

    return find.marks_ahead(photo, options)


def find_scale(
    photo: Photo,
    face: FaceOutline,
    options: Options,
    marks: Future[tuple[Mark, ...]] | None = None,
) -> Scale:
    """Find the scale of the etched face from the references asked for.

    Parameters
    ----------
    marks
        What `marks_ahead` has begun to look for, if it was asked.

    Raises
    ------
    UsageError
        When a reference cannot be read as typed.
    ScaleError
        When one asked for is not in the photo.
    """
    from weldsection.scale.find import find_references, join  # noqa: PLC0415

    return join(find_references(photo, face, options, marks), face)
