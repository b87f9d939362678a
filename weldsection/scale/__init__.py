"""Scale: from photo pixels to millimetres of the etched face.

Each kind of reference is one file with one function that gives a
`ScaleReference`; `find_scale` runs those asked for and joins them.
`parse_reference` checks what was typed without loading the picture libraries.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from weldsection.scale.request import parse_reference

if TYPE_CHECKING:
    from weldsection.records import FaceOutline, Options, Photo, Scale

__all__ = ["find_scale", "parse_reference"]


def find_scale(photo: Photo, face: FaceOutline, options: Options) -> Scale:
    """Find the scale of the etched face from the references asked for.

    Raises
    ------
    UsageError
        When a reference cannot be read as typed.
    ScaleError
        When one asked for is not in the photo.
    """
    from weldsection.scale.find import find_references, join  # noqa: PLC0415

    return join(find_references(photo, face, options), face)
