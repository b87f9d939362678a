"""The procedure, from a photo to the quantities of its beads."""

from __future__ import annotations

from weldsection._version import __version__
from weldsection.beads import find_beads
from weldsection.boundary.closer import look_closer
from weldsection.boundary.evidence import gather_evidence
from weldsection.boundary.level import with_closer_surface
from weldsection.boundary.trace import trace_beads
from weldsection.coupon import lay_on_grid
from weldsection.errors import CouponError
from weldsection.measurement import measure_bead
from weldsection.outline import find_face
from weldsection.records import BeadResult, BeadTrace, Options, Photo, SectionResult
from weldsection.scale import find_scale, marks_ahead

# references read off the plate's own edges, which the grid shows more sharply
RESTS_ON_FACE = ("thickness", "points")


def measure_section(photo: Photo, options: Options) -> SectionResult:
    """Measure every bead on one etched cross-section."""
    marks = marks_ahead(photo, options)
    face = find_face(photo)
    scale = find_scale(photo, face, options, marks)
    whole = any(reference.kind in RESTS_ON_FACE for reference in scale.references)
    coupon = lay_on_grid(photo, face, scale, whole=whole)
    if whole:
        scale = find_scale(photo, coupon.face, options, marks)
        coupon = lay_on_grid(photo, coupon.face, scale, coupon)
    evidence = gather_evidence(coupon)
    first = trace_beads(coupon, evidence, find_beads(coupon))
    coupon = with_closer_surface(photo, coupon, first)
    seen = _in_order(look_closer(photo, coupon, first), options)
    if not seen:
        raise CouponError(
            f"{photo.origin.path.name}: no bead could be traced; "
            "photograph the etched face closer and in better light."
        )
    beads: tuple[BeadResult, ...] = tuple(
        measure_bead(coupon, scale, trace, options.first_bead + index)
        for index, trace in enumerate(seen)
    )
    return SectionResult(
        origin=photo.origin,
        scale=scale,
        surface=coupon.surface,
        quality=coupon.quality,
        mm_to_px=coupon.mm_to_px,
        thickness_mm=coupon.thickness_mm,
        length_mm=coupon.length_mm,
        beads=beads,
        options=options,
        flags=(*scale.flags, *coupon.flags),
        version=__version__,
    )


def _in_order(traces: list[BeadTrace], options: Options) -> list[BeadTrace]:
    """Beads in the order the user counts them."""
    return traces[::-1] if options.order == "right-to-left" else traces
