"""Find every reference asked for and join them into the scale of the face.

The finder of each kind is loaded when that kind is looked for: a photo with a
disc need not wait for the code that reads rulers.
"""

from __future__ import annotations

from concurrent.futures import Future
from dataclasses import dataclass
from typing import TYPE_CHECKING

from weldsection.beside import begun
from weldsection.errors import ScaleError
from weldsection.records import FaceOutline, Options, Photo, Scale, ScaleReference
from weldsection.scale.combine import combine
from weldsection.scale.edges import CouponEdges, coupon_edges
from weldsection.scale.lens import Lens, read_lens, with_lens
from weldsection.scale.parallax import at_face
from weldsection.scale.request import ReferenceRequest, parse_reference

if TYPE_CHECKING:
    from weldsection.scale.marks import Mark

_PASS_ANOTHER = (
    "pass what lies in the photo: disc=MM for a coin, idcard for a bank card, "
    "thickness=MM for the plate by caliper, or points=X1,Y1,X2,Y2,MM."
)


@dataclass(frozen=True, slots=True)
class _Search:
    """Where to look, and with what."""

    photo: Photo
    face: FaceOutline
    options: Options
    lens: Lens | None
    marks: Future[tuple[Mark, ...]] | None


def marks_ahead(photo: Photo, options: Options) -> Future[tuple[Mark, ...]] | None:
    """Begin to look for the card's marks, if a card is asked for: needs no face."""
    requests = [parse_reference(text) for text in options.references]
    if any(request.kind in _BY_MARKS for request in requests):
        from weldsection.scale.marks import find_marks  # noqa: PLC0415 - see above

        return begun(find_marks, photo.bgr)
    return None


def find_references(
    photo: Photo,
    face: FaceOutline,
    options: Options,
    marks: Future[tuple[Mark, ...]] | None = None,
) -> tuple[ScaleReference, ...]:
    """Find each reference asked for, carried to the plane of the face."""
    requests = [parse_reference(text) for text in options.references]
    lens = read_lens(options.camera_file) if options.camera_file else None
    search = _Search(photo, face, options, lens, marks)
    edges = _edges(face)
    found = (_find(search, request) for request in requests)
    return tuple(at_face(one, photo, face, options, edges) for one in found)


def join(references: tuple[ScaleReference, ...], face: FaceOutline) -> Scale:
    """Join the references found into the scale at the middle of the face."""
    return combine(references, face.centre_xy_px)


def _edges(face: FaceOutline) -> CouponEdges | None:
    try:
        return coupon_edges(face)
    except ScaleError:
        return None


def _find(search: _Search, request: ReferenceRequest) -> ScaleReference:
    """Find one reference and take the lens into account."""
    photo, face, lens = search.photo, search.face, search.lens
    if request.kind == "idcard":
        from weldsection.scale.idcard import find_idcard  # noqa: PLC0415 - see above

        return find_idcard(photo, face, lens)
    if request.kind in _ONE_ANSWER:
        found = _ONE_ANSWER[request.kind](photo, face, request)
        return with_lens(found, photo, face, lens)
    return _look_for(search, request)


def _thickness(
    photo: Photo, face: FaceOutline, request: ReferenceRequest
) -> ScaleReference:
    from weldsection.scale.thickness import find_thickness  # noqa: PLC0415 - see above

    return find_thickness(photo, face, request)


def _points(
    photo: Photo, face: FaceOutline, request: ReferenceRequest
) -> ScaleReference:
    from weldsection.scale.points import find_points  # noqa: PLC0415 - see above

    return find_points(photo, face, request)


def _disc(photo: Photo, face: FaceOutline, request: ReferenceRequest) -> ScaleReference:
    from weldsection.scale.disc import find_disc  # noqa: PLC0415 - see above

    return find_disc(photo, face, request)


_BY_MARKS = ("auto", "card")
_ONE_ANSWER = {"thickness": _thickness, "points": _points, "disc": _disc}


def _look_for(search: _Search, request: ReferenceRequest) -> ScaleReference:
    """Card, ruler, or with ``auto`` first one and then the other."""
    photo, face, lens = search.photo, search.face, search.lens
    found = None
    if request.kind in _BY_MARKS:
        from weldsection.scale.card import find_card  # noqa: PLC0415 - see above
        from weldsection.scale.marks import find_marks  # noqa: PLC0415 - see above

        length_mm = search.options.card_length_mm
        ahead = search.marks
        marks = find_marks(photo.bgr) if ahead is None else ahead.result()
        found = find_card(photo, face, marks, card_length_mm=length_mm, lens=lens)
    if found is None and request.kind in ("auto", "ruler"):
        from weldsection.scale.ruler import find_ruler  # noqa: PLC0415 - see above

        rule = find_ruler(photo, face, graduation=request.graduation)
        found = rule and with_lens(rule, photo, face, lens)
    if found is not None:
        return found
    missing = {
        "auto": "No scale card and no ruler was found",
        "card": "Our scale card was not found: two of its marks must be seen whole",
        "ruler": "No ruler was found: 25 mm of its marks must be sharp",
    }
    raise ScaleError(f"{missing[request.kind]}; {_PASS_ANOTHER}")
