"""The full record of one photo as JSON, and back.

Picture, table and report can all be made again from a record. What it leaves
out are the boundary lines drawn at random for the uncertainties, which say
nothing that the uncertainties do not, and take a hundred times the room.

Lengths are rounded to 0.1 µm and picture points to 0.01 px, far below what can
be measured; quantities and homographies are kept to the last digit.
"""

from __future__ import annotations

import hashlib
import json
import math
import platform
from collections.abc import Mapping, Sequence
from dataclasses import fields
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from weldsection._version import __version__
from weldsection.errors import DataError
from weldsection.flags import Flag
from weldsection.quantities import QUANTITIES
from weldsection.records import (
    BeadResult,
    BeadTrace,
    FloatArray,
    Measured,
    Options,
    PhotoOrigin,
    PlateSurface,
    Quality,
    Scale,
    ScaleReference,
    ScaleSource,
    SectionResult,
    project,
)

Json = dict[str, Any]

FORMAT = "weldsection section record"
FORMAT_VERSION = 1
_MM_DECIMALS, _PX_DECIMALS = 4, 2
# The plate surface is drawn as its knots, and between them straight.
_LINES = ("left_toe", "right_toe", "fusion", "cap", "outline", "haz")
_LINE_DOUBTS = ("left_toe_u_mm", "right_toe_u_mm", "cap_u_mm")


def record_text(result: SectionResult) -> str:
    """Write the full record of one photo."""
    return json.dumps(record_of(result), ensure_ascii=False, allow_nan=False) + "\n"


def record_of(result: SectionResult) -> Json:
    """Give the full record of one photo as plain values."""
    return {
        "format": FORMAT,
        "format_version": FORMAT_VERSION,
        "photo": result.origin.path.name,
        "rows": [_empty_as_null(row) for row in result.rows()],
        "flags": _words(result.flags),
        "origin": _origin(result.origin),
        "options": options_record(result.options),
        "versions": versions(),
        "measured_by": result.version,
        "quality": _plain(result.quality),
        "thickness_mm": _number(result.thickness_mm),
        "length_mm": _number(result.length_mm),
        "scale": _scale(result),
        "mm_to_px": result.mm_to_px.tolist(),
        "surface": _surface(result),
        "beads": [_bead(bead, result.mm_to_px) for bead in result.beads],
    }


def read_record(path: Path) -> SectionResult:
    """Read a record back; the draws of a `BeadTrace` are then empty.

    Raises
    ------
    DataError
        If the file is no section record, or one of a later version.
    """
    return result_of(load_record(path), path)


def load_record(path: Path) -> Json:
    """Read a record as plain values, checked to be one."""
    try:
        record = json.loads(path.read_text("utf-8"))
    except (OSError, ValueError) as error:
        raise DataError(
            f"{path} cannot be read as a record; measure the photo again."
        ) from error
    if not isinstance(record, dict) or record.get("format") != FORMAT:
        raise DataError(f"{path} is no section record; give a file from sections/.")
    if record.get("format_version") != FORMAT_VERSION:
        raise DataError(
            f"{path} was written by another version of weldsection; "
            "measure the photo again."
        )
    return record


def result_of(record: Json, path: Path) -> SectionResult:
    """Build the result that a record describes; `path` is named in errors."""
    try:
        return SectionResult(
            origin=PhotoOrigin(
                **{**record["origin"], "path": Path(record["origin"]["path"])}
            ),
            scale=_read_scale(record["scale"]),
            surface=PlateSurface(
                *(_array(record["surface"][name]) for name in _names(PlateSurface))
            ),
            quality=Quality(**_nulls_as_nan(record["quality"])),
            mm_to_px=_array(record["mm_to_px"]),
            thickness_mm=_nan_if_null(record["thickness_mm"]),
            length_mm=_nan_if_null(record["length_mm"]),
            beads=tuple(_read_bead(bead) for bead in record["beads"]),
            options=_read_options(record["options"]),
            flags=_flags(record["flags"]),
            version=record["measured_by"],
        )
    except (KeyError, TypeError, ValueError, IndexError) as error:
        raise DataError(
            f"{path} is a damaged record ({error}); measure the photo again."
        ) from error


def options_record(options: Options) -> Json:
    """Give what was asked for, with the digest of the camera file in use."""
    plain = _plain(options)
    camera = options.camera_file
    if camera is not None and camera.is_file():
        plain["camera_file_sha256"] = hashlib.sha256(camera.read_bytes()).hexdigest()
    return plain


def versions() -> dict[str, str]:
    """Give the versions that a number may depend on."""
    return {
        "weldsection": __version__,
        "python": platform.python_version(),
        "numpy": np.__version__,
        "opencv": cv2.__version__,
    }


# ------------------------------------------------------------------- writing


def _origin(origin: PhotoOrigin) -> Json:
    return _plain(origin)


def _scale(result: SectionResult) -> Json:
    scale = result.scale
    middle_px = _middle_of_face_px(result)
    offset_px = middle_px - scale.centre_xy_px
    return {
        "homography_px_to_mm": scale.homography.tolist(),
        "centre_xy_px": scale.centre_xy_px.tolist(),
        "mm_per_px_mid_face": scale.mm_per_px_at(middle_px),
        "relative_u_pct_mid_face": 100 * scale.relative_u_at(middle_px),
        "u_pct_by_source_mid_face": {
            s.name: 100 * s.relative_u_at(offset_px) for s in scale.sources
        },
        "sources": [_source(source) for source in scale.sources],
        "references": [_reference(reference) for reference in scale.references],
        "flags": _words(scale.flags),
        "advice": scale.advice,
    }


def _middle_of_face_px(result: SectionResult) -> FloatArray:
    surface = result.surface
    x_mm = float(surface.knots_x_mm[[0, -1]].mean())
    thickness = result.thickness_mm if math.isfinite(result.thickness_mm) else 0.0
    y_mm = float(surface.y_at(x_mm)) + thickness / 2
    middle: FloatArray = project(result.mm_to_px, np.array([[x_mm, y_mm]]))[0]
    return middle


def _source(source: ScaleSource) -> Json:
    return {"name": source.name, "covariance": source.covariance.tolist()}


def _reference(reference: ScaleReference) -> Json:
    return {
        "kind": reference.kind,
        "finding": reference.finding,
        "homography": reference.homography.tolist(),
        "centre_xy_px": reference.centre_xy_px.tolist(),
        "sources": [_source(source) for source in reference.sources],
        "outline_xy_px": _points(reference.outline_xy_px, _PX_DECIMALS),
        "shows_tilt": bool(reference.shows_tilt),
        "flags": _words(reference.flags),
    }


def _surface(result: SectionResult) -> Json:
    surface = result.surface
    knots_xy_mm = np.column_stack([surface.knots_x_mm, surface.knots_y_mm])
    return {
        **{name: getattr(surface, name).tolist() for name in _names(PlateSurface)},
        "surface_xy_mm": _points(knots_xy_mm, _MM_DECIMALS),
        "surface_xy_px": _points(project(result.mm_to_px, knots_xy_mm), _PX_DECIMALS),
    }


def _bead(bead: BeadResult, mm_to_px: FloatArray) -> Json:
    trace = bead.trace
    record: Json = {
        "number": int(bead.number),
        "flags": _words(bead.flags),
        "trace_flags": _words(trace.flags),
        "mm_per_px": float(bead.mm_per_px),
        "scale_relative_u": float(bead.scale_relative_u),
    }
    for quantity in QUANTITIES:
        measured: Measured = getattr(bead, quantity.attribute)
        value, u = _number(measured.value), _number(measured.u)
        record[quantity.attribute] = {"value": value, "u": u, "unit": quantity.unit}
    for name in _LINES:
        # rounded first, so that a record read and written again stays the same
        xy_mm = np.round(getattr(trace, f"{name}_xy_mm"), _MM_DECIMALS)
        xy_px = project(mm_to_px, xy_mm).reshape(np.shape(xy_mm))
        record[f"{name}_xy_mm"] = _points(xy_mm, _MM_DECIMALS)
        record[f"{name}_xy_px"] = _points(xy_px, _PX_DECIMALS)
    record["fusion_u_mm"] = _points(trace.fusion_u_mm, _MM_DECIMALS)
    record["doubtful"] = [bool(doubt) for doubt in trace.doubtful]
    record |= {name: _number(getattr(trace, name)) for name in _LINE_DOUBTS}
    return record


def _plain(record: Any) -> Json:
    """Give a flat record's fields as plain values."""
    plain: Json = {}
    for name in _names(type(record)):
        value = getattr(record, name)
        if isinstance(value, Path):
            value = str(value)
        elif isinstance(value, tuple):
            value = list(value)
        elif isinstance(value, float):
            value = _number(value)
        plain[name] = value
    return plain


def _points(values: FloatArray, decimals: int) -> Any:
    listed = np.round(np.asarray(values, dtype=np.float64), decimals)
    if not np.isfinite(listed).all():
        plain = listed.astype(object)
        plain[~np.isfinite(listed)] = None
        return plain.tolist()
    return listed.tolist()


def _number(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def _empty_as_null(row: Mapping[str, Any]) -> Json:
    return {key: None if value == "" else value for key, value in row.items()}


def _words(flags: Sequence[Flag]) -> list[str]:
    return [flag.word for flag in flags]


def _names(record: type) -> tuple[str, ...]:
    return tuple(field.name for field in fields(record))


# ------------------------------------------------------------------- reading


def _read_scale(record: Json) -> Scale:
    return Scale(
        homography=_array(record["homography_px_to_mm"]),
        centre_xy_px=_array(record["centre_xy_px"]),
        sources=tuple(_read_source(source) for source in record["sources"]),
        references=tuple(_read_reference(each) for each in record["references"]),
        flags=_flags(record["flags"]),
        advice=record["advice"],
    )


def _read_source(record: Json) -> ScaleSource:
    return ScaleSource(record["name"], _array(record["covariance"]))


def _read_reference(record: Json) -> ScaleReference:
    return ScaleReference(
        kind=record["kind"],
        homography=_array(record["homography"]),
        centre_xy_px=_array(record["centre_xy_px"]),
        sources=tuple(_read_source(source) for source in record["sources"]),
        outline_xy_px=_array(record["outline_xy_px"]).reshape(-1, 2),
        finding=record["finding"],
        shows_tilt=record["shows_tilt"],
        flags=_flags(record["flags"]),
    )


def _read_bead(record: Json) -> BeadResult:
    fusion_xy_mm = _array(record["fusion_xy_mm"]).reshape(-1, 2)
    trace = BeadTrace(
        left_toe_xy_mm=_array(record["left_toe_xy_mm"]),
        right_toe_xy_mm=_array(record["right_toe_xy_mm"]),
        fusion_xy_mm=fusion_xy_mm,
        fusion_u_mm=_array(record["fusion_u_mm"]),
        doubtful=np.array(record["doubtful"], dtype=np.bool_),
        cap_xy_mm=_array(record["cap_xy_mm"]).reshape(-1, 2),
        outline_xy_mm=_array(record["outline_xy_mm"]).reshape(-1, 2),
        haz_xy_mm=_array(record["haz_xy_mm"]).reshape(-1, 2),
        fusion_draws_mm=np.empty((0, *fusion_xy_mm.shape)),
        cap_draws_mm=np.empty((0, 0, 2)),
        flags=_flags(record["trace_flags"]),
        **{name: _nan_if_null(record[name]) for name in _LINE_DOUBTS},
    )
    quantities = {
        q.attribute: Measured(
            _nan_if_null(record[q.attribute]["value"]),
            _nan_if_null(record[q.attribute]["u"]),
        )
        for q in QUANTITIES
    }
    return BeadResult(
        number=record["number"],
        **quantities,
        mm_per_px=record["mm_per_px"],
        scale_relative_u=record["scale_relative_u"],
        trace=trace,
        flags=_flags(record["flags"]),
    )


def _read_options(record: Json) -> Options:
    given = {name: record[name] for name in _names(Options)}
    camera = given["camera_file"]
    return Options(
        **{
            **given,
            "references": tuple(given["references"]),
            "camera_file": None if camera is None else Path(camera),
        }
    )


def _flags(words: Sequence[str]) -> tuple[Flag, ...]:
    known = {flag.word: flag for flag in Flag}
    return tuple(known[word] for word in words)


def _array(values: Any) -> FloatArray:
    return np.array(values, dtype=np.float64)  # null becomes NaN


def _nan_if_null(value: float | None) -> float:
    return math.nan if value is None else value


def _nulls_as_nan(record: Json) -> Json:
    return {key: math.nan if v is None else v for key, v in record.items()}
