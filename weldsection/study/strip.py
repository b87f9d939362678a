"""The sections themselves, side by side at one scale, in order of a setting.

Drawn from the lines kept in section records; where the photo is still where
it was, the etched face is shown under them.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from weldsection.errors import WeldSectionError
from weldsection.study.fit import FloatArray
from weldsection.study.join import Bead
from weldsection.study.terms import show_setting

WELD, PLATE, LINE, HAZ = "#b9b9b9", "#efefef", "#111111", "#7a4b00"
# of a row of sections on paper, and in all
ACROSS = 6
MOST_SECTIONS = 48
CROP_PX_PER_MM = 24.0


@dataclass(frozen=True, slots=True)
class Outline:
    """One bead's lines, x from the bead's middle and y from the plate surface.

    In mm of the etched face, y downwards.
    """

    name: str
    setting: float
    fusion_xy_mm: FloatArray
    cap_xy_mm: FloatArray
    haz_xy_mm: FloatArray
    surface_xy_mm: FloatArray
    origin_xy_mm: FloatArray
    """Where the bead's middle lies on the face."""
    mm_to_px: FloatArray | None
    """``(3, 3)``: face mm to photo px; None where the record does not say."""
    photo: Path | None
    """The photo, if it is still the one that was measured."""
    marked: bool


def outlines(
    beads: Sequence[Bead], setting: str, doubtful: Sequence[str]
) -> tuple[Outline, ...]:
    """Collect the lines of all beads that have some, in order of the setting.

    Of very many, as many as can be looked at, evenly over the setting.
    """
    found = [
        _outline(bead, setting, bead.name in doubtful)
        for bead in beads
        if bead.rows[0].geometry and np.isfinite(bead.setting(setting))
    ]
    known = [each for each in found if each is not None]
    known.sort(key=lambda each: (each.setting, each.name))
    if len(known) > MOST_SECTIONS:
        keep = np.linspace(0, len(known) - 1, MOST_SECTIONS).astype(int)
        known = [known[k] for k in keep]
    return tuple(known)


def _outline(bead: Bead, setting: str, marked: bool) -> Outline | None:
    geometry = bead.rows[0].geometry or {}
    fusion, cap = _line(geometry, "fusion_xy_mm"), _line(geometry, "cap_xy_mm")
    if len(fusion) < 2 and len(cap) < 2:
        return None
    ends = np.vstack([line for line in (fusion, cap) if len(line)])
    toes = [geometry.get(f"{side}_toe_xy_mm") for side in ("left", "right")]
    if all(toe is not None for toe in toes):
        middle = np.asarray(toes, np.float64).reshape(2, 2).mean(axis=0)
    else:
        middle = np.array([ends[:, 0].mean(), 0.0])
    surface = _surface(geometry, ends)
    return Outline(
        bead.name,
        bead.setting(setting),
        fusion - middle,
        cap - middle,
        _line(geometry, "haz_xy_mm") - middle,
        surface - middle,
        middle,
        _homography(geometry),
        _photo(geometry),
        marked,
    )


def _line(geometry: Mapping[str, Any], key: str) -> FloatArray:
    points = np.asarray(geometry.get(key) or np.empty((0, 2)), dtype=np.float64)
    return points.reshape(-1, 2)


def _surface(geometry: Mapping[str, Any], ends: FloatArray) -> FloatArray:
    own = _line(geometry, "surface_xy_mm")
    shared = geometry.get("surface") or {}
    if not len(own) and "knots_x_mm" in shared:
        own = np.column_stack([shared["knots_x_mm"], shared["knots_y_mm"]])
    if not len(own):
        left, right = ends[:, 0].min(), ends[:, 0].max()
        return np.array([[left - 3.0, 0.0], [right + 3.0, 0.0]])
    x = np.linspace(ends[:, 0].min() - 3.0, ends[:, 0].max() + 3.0, 40)
    return np.column_stack([x, np.interp(x, own[:, 0], own[:, 1])])


def _homography(geometry: Mapping[str, Any]) -> FloatArray | None:
    direct = geometry.get("mm_to_px")
    if direct is not None:
        return np.asarray(direct, dtype=np.float64).reshape(3, 3)
    scale = geometry.get("scale") or {}
    inverse = scale.get("homography_px_to_mm")
    if inverse is None:
        return None
    matrix = np.asarray(inverse, dtype=np.float64).reshape(3, 3)
    if abs(np.linalg.det(matrix)) == 0:
        return None
    return np.asarray(np.linalg.inv(matrix), dtype=np.float64)


def _photo(geometry: Mapping[str, Any]) -> Path | None:
    """The photo, unless it is gone or another picture by now."""
    origin = geometry.get("origin") or {}
    path = Path(origin.get("path") or "")
    if not path.name or not path.is_file():
        return None
    known = origin.get("sha256")
    if known and hashlib.sha256(path.read_bytes()).hexdigest() != known:
        return None
    return path


# ------------------------------------------------------------------- drawing


def strip_figure(setting: str, found: Sequence[Outline]) -> Figure:
    """Draw sections side by side, all at one scale."""
    box = _box(found)
    across = min(ACROSS, len(found))
    rows = -(-len(found) // across)
    width = 11.0
    cell = (width - 0.4) / across
    tall = cell * (box[3] - box[2]) / (box[1] - box[0]) + 0.45
    height = rows * tall + 0.5
    figure = Figure(figsize=(width, height))
    crops = _crops(found, box)
    for k, each in enumerate(found):
        row, column = divmod(k, across)
        ax = figure.add_axes(
            (
                (0.2 + column * cell) / width,
                (0.5 + (rows - 1 - row) * tall) / height,
                0.97 * cell / width,
                (tall - 0.4) / height,
            )
        )
        draw_section(ax, setting, each, box=box, crop=crops.get(each.name))
    _scale_bar(figure, (box[1] - box[0]) / (0.97 * cell), width, height)
    return figure


def draw_section(
    ax: Axes,
    setting: str,
    each: Outline,
    *,
    box: tuple[float, float, float, float],
    crop: np.ndarray | None = None,
) -> None:
    """Draw one section: plate, weld metal, and the HAZ edge where it was seen."""
    if crop is not None:
        ax.imshow(crop, extent=(box[0], box[1], box[3], box[2]), aspect="auto")
    else:
        below = np.vstack([each.surface_xy_mm, [[box[1], box[3]], [box[0], box[3]]]])
        ax.fill(*below.T, facecolor=PLATE, linewidth=0)
        weld = np.vstack([each.cap_xy_mm, each.fusion_xy_mm[::-1]])
        ax.fill(*weld.T, facecolor=WELD, linewidth=0)
    colour = "white" if crop is not None else LINE
    for line, width, style in (
        (each.fusion_xy_mm, 1.6, "-"),
        (each.cap_xy_mm, 1.2, "-"),
        (each.surface_xy_mm, 0.7, (0, (6, 3))),
    ):
        ax.plot(*line.T, color=colour, linewidth=width + 1.2 * (crop is not None))
        ax.plot(*line.T, color=LINE, linewidth=width, linestyle=style)
    if len(each.haz_xy_mm) > 1:
        ax.plot(*each.haz_xy_mm.T, color=HAZ, linewidth=1.0, linestyle=(0, (2, 2)))
    ax.set_xlim(box[0], box[1])
    ax.set_ylim(box[3], box[2])
    ax.set_aspect("equal")
    ax.set_axis_off()
    mark = " (marked)" if each.marked else ""
    title = f"{show_setting(setting, each.setting)}\nbead {each.name}{mark}"
    ax.set_title(title, fontsize=9, color=LINE, pad=3)


def _box(found: Sequence[Outline]) -> tuple[float, float, float, float]:
    """One frame for all: left, right, top, bottom in mm."""
    ends = np.vstack(
        [line for o in found for line in (o.fusion_xy_mm, o.cap_xy_mm, o.haz_xy_mm)]
    )
    half = float(np.abs(ends[:, 0]).max()) + 1.2
    return -half, half, float(ends[:, 1].min()) - 0.8, float(ends[:, 1].max()) + 0.9


def _scale_bar(figure: Figure, mm_per_inch: float, width: float, height: float) -> None:
    long = 5.0 if mm_per_inch < 12 else 10.0
    ax = figure.add_axes(
        (0.2 / width, 0.1 / height, long / mm_per_inch / width, 0.3 / height)
    )
    ax.plot([0, 1], [0.8, 0.8], color=LINE, linewidth=2.2, solid_capstyle="butt")
    ax.annotate(f"{long:.0f} mm", (0.5, 0.0), ha="center", fontsize=8, color=LINE)
    ax.set(xlim=(0, 1), ylim=(0, 1))
    ax.set_axis_off()


def _crops(
    found: Sequence[Outline], box: tuple[float, float, float, float]
) -> dict[str, np.ndarray]:
    """Cut the etched face around each bead out of its photo, laid flat in mm."""
    crops: dict[str, np.ndarray] = {}
    for path in dict.fromkeys(o.photo for o in found if o.photo is not None):
        mine = [o for o in found if o.photo == path and o.mm_to_px is not None]
        try:
            crops.update(_cut(path, mine, box))
        except WeldSectionError:
            continue  # a photo that no longer opens: its outlines still do
    return crops


def _cut(
    path: Path, mine: Sequence[Outline], box: tuple[float, float, float, float]
) -> dict[str, np.ndarray]:
    if not mine:
        return {}
    import cv2  # noqa: PLC0415 - the picture libraries only where photos are shown

    from weldsection.photo.read import read_photo  # noqa: PLC0415

    bgr = read_photo(path).bgr
    size = (
        round((box[1] - box[0]) * CROP_PX_PER_MM),
        round((box[3] - box[2]) * CROP_PX_PER_MM),
    )
    crops = {}
    for each in mine:
        crop_to_mm = np.array(
            [
                [1 / CROP_PX_PER_MM, 0, box[0] + each.origin_xy_mm[0]],
                [0, 1 / CROP_PX_PER_MM, box[2] + each.origin_xy_mm[1]],
                [0, 0, 1],
            ]
        )
        crop = cv2.warpPerspective(
            bgr,
            np.asarray(each.mm_to_px) @ crop_to_mm,
            size,
            flags=cv2.INTER_AREA | cv2.WARP_INVERSE_MAP,
            borderValue=(255, 255, 255),
        )
        crops[each.name] = crop[..., ::-1]
    return crops
