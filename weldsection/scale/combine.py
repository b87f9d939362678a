"""Several references on one photo, joined into one scale of the face."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable

import numpy as np

from weldsection.flags import Flag
from weldsection.records import FloatArray, Scale, ScaleReference, ScaleSource
from weldsection.scale.advice import advice_on

# two references disagree when they differ by more than this many standard
# uncertainties: one honest pair in two hundred does by chance
_DISAGREE_SIGMAS = 2.8


def combine(
    references: tuple[ScaleReference, ...], face_centre_xy_px: FloatArray
) -> Scale:
    """Join references by their uncertainties at the middle of the face."""
    logs = np.array([math.log(r.mm_per_px_at(face_centre_xy_px)) for r in references])
    u = np.array([r.relative_u_at(face_centre_xy_px) for r in references])
    weights = u**-2.0 / float(np.sum(u**-2.0))
    joint = float(weights @ logs)
    best = min(references, key=lambda r: _plane_doubt(r, face_centre_xy_px))
    grow = math.exp(joint - math.log(best.mm_per_px_at(face_centre_xy_px)))
    sources = tuple(
        _weighted(moved(source, face_centre_xy_px - r.centre_xy_px), float(w))
        for r, w in zip(references, weights, strict=True)
        for source in r.sources
    )
    advice, disagree = _disagreement(references, logs, u)
    joined = _by_name(sources)
    return Scale(
        homography=np.diag([grow, grow, 1.0]) @ best.homography,
        centre_xy_px=face_centre_xy_px,
        sources=joined,
        references=references,
        flags=tuple(flag for r in references for flag in r.flags) + disagree,
        advice=advice or advice_on(joined),
    )


def moved(source: ScaleSource, offset_xy_px: FloatArray) -> ScaleSource:
    """The same source of doubt about another centre."""
    shift = np.eye(3)
    shift[0, 1:] = offset_xy_px
    return ScaleSource(source.name, shift @ source.covariance @ shift.T)


def _plane_doubt(reference: ScaleReference, at_xy_px: FloatArray) -> tuple[int, float]:
    """Rank: references that show the tilt first, then the better known slopes."""
    slopes = sum(float(np.trace(s.covariance[1:, 1:])) for s in reference.sources)
    return (0 if reference.shows_tilt else 1, slopes)


def _weighted(source: ScaleSource, weight: float) -> ScaleSource:
    return ScaleSource(source.name, weight**2 * source.covariance)


def _by_name(sources: tuple[ScaleSource, ...]) -> tuple[ScaleSource, ...]:
    """Add up the sources of one name: they are independent of each other."""
    names = dict.fromkeys(source.name for source in sources)
    return tuple(
        ScaleSource(name, _sum(s.covariance for s in sources if s.name == name))
        for name in names
    )


def _sum(covariances: Iterable[FloatArray]) -> FloatArray:
    """Sum of covariances."""
    return np.asarray(sum(covariances, np.zeros((3, 3))), dtype=np.float64)


def _disagreement(
    references: tuple[ScaleReference, ...], logs: FloatArray, u: FloatArray
) -> tuple[str, tuple[Flag, ...]]:
    for i, j in itertools.combinations(range(len(references)), 2):
        if abs(logs[i] - logs[j]) > _DISAGREE_SIGMAS * math.hypot(u[i], u[j]):
            return (
                f"The {references[i].kind} gives {math.exp(logs[i]):.5f} mm per px at "
                f"the face and the {references[j].kind} {math.exp(logs[j]):.5f}; "
                "put both in the plane of the etched face or leave one out.",
                (Flag.SCALE_DISAGREES,),
            )
    return "", ()
