"""Find every reference asked for and join them into the scale of the face."""

from __future__ import annotations

from weldsection.errors import ScaleError
from weldsection.records import FaceOutline, Options, Photo, Scale, ScaleReference
from weldsection.scale.combine import combine
from weldsection.scale.disc import find_disc
from weldsection.scale.idcard import find_idcard
from weldsection.scale.points import find_points
from weldsection.scale.request import ReferenceRequest, parse_reference
from weldsection.scale.thickness import find_thickness


def find_references(
    photo: Photo, face: FaceOutline, options: Options
) -> tuple[ScaleReference, ...]:
    """Find each reference asked for, in the order given."""
    requests = [parse_reference(text) for text in options.references]
    return tuple(_find(photo, face, request) for request in requests)


def join(
    references: tuple[ScaleReference, ...],
    photo: Photo,
    face: FaceOutline,
    options: Options,
) -> Scale:
    """Join the references found into the scale at the face."""
    return combine(references, face.centre_xy_px)


def _find(photo: Photo, face: FaceOutline, request: ReferenceRequest) -> ScaleReference:
    if request.kind == "thickness":
        return find_thickness(photo, face, request)
    if request.kind == "idcard":
        return find_idcard(photo, face, request)
    if request.kind == "disc":
        return find_disc(photo, face, request)
    if request.kind == "points":
        return find_points(photo, face, request)
    raise ScaleError(
        "No scale card or ruler was found; "
        "pass --reference thickness=MM or points=X1,Y1,X2,Y2,MM."
    )
