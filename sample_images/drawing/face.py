"""Paints the ground and etched face of a coupon, with the label of each pixel."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from sample_images.drawing import noise, raster, surface
from sample_images.drawing.section import Bead, Points, Section
from sample_images.drawing.styles import EtchStyle, SurfaceStyle

Field = NDArray[np.float32]
Rng = np.random.Generator

NOT_FACE, BASE, HAZ, WELD, OTHER_METAL = range(5)
_GRAIN_PX_PER_MM = 20.0  # finer painting of the grain shows nothing more
_SHIFT = 6  # binary places of sub-pixel polygon corners in OpenCV


@dataclass(frozen=True, slots=True)
class Face:
    """
    The painted face on a mm grid.

    Attributes
    ----------
    rgb
        Rows × columns × 3 in 0..1.
    alpha
        1 on metal of the face's plane, 0 beside it.
    labels
        0 not face, 1 plate, 2 HAZ, 3 weld metal, 4 spatter and burr.
    origin_xy_mm
        Place of the centre of pixel (0, 0).
    px_per_mm
        Resolution.
    """

    rgb: Field
    alpha: Field
    labels: NDArray[np.uint8]
    origin_xy_mm: tuple[float, float]
    px_per_mm: float

    def to_mm(self) -> NDArray[np.float64]:
        """Pixels of the grid → mm of the face's plane."""
        step = 1 / self.px_per_mm
        x, y = self.origin_xy_mm
        return np.array([[step, 0, x], [0, step, y], [0, 0, 1]])


@dataclass(slots=True)
class _Canvas:
    """Geometry of the face in pixels while it is painted."""

    shape: tuple[int, int]
    origin: tuple[float, float]
    scale: float

    def pixels(self, points_xy_mm: Points) -> Points:
        """Outline in mm → pixels of the canvas."""
        return (np.asarray(points_xy_mm) - self.origin) * self.scale

    def mask(self, outline: Points) -> NDArray[np.bool_]:
        """Pixels inside an outline."""
        image = np.zeros(self.shape, np.uint8)
        raster.fill(image, self.pixels(outline), 1)
        return image > 0


def paint_face(
    section: Section,
    etch: EtchStyle,
    worn: SurfaceStyle,
    rng: Rng,
    *,
    px_per_mm: float,
    margin_mm: float = 1.0,
) -> Face:
    """
    Paint a section as its ground and etched face.

    Parameters
    ----------
    section
        The coupon.
    etch, worn
        How the etch shows, and what else is on the face.
    rng
        Source of chance.
    px_per_mm
        Resolution of the painting.
    margin_mm
        Empty rim around the face.
    """
    canvas = _canvas(section, px_per_mm, margin_mm)
    labels = label_map(section, canvas.pixels, canvas.shape)
    grey, parts = _etched_grey(section, etch, canvas, labels, rng)
    rgb = _coloured(grey, parts, etch, rng)
    metal = np.zeros(canvas.shape, np.uint8)
    solid = (section.outline_xy_mm, *section.spatter_xy_mm, *section.burr_xy_mm)
    for outline in solid:
        raster.blend(metal, canvas.pixels(outline))
    surface.wear(rgb, labels, section, worn, rng, canvas.pixels, canvas.scale)
    _flaws(rgb, section, etch, canvas, rng)
    alpha = metal.astype(np.float32) / 255
    np.clip(rgb, 0.0, 1.6, out=rgb)
    return Face(rgb, alpha, labels, canvas.origin, px_per_mm)


def _canvas(section: Section, px_per_mm: float, margin_mm: float) -> _Canvas:
    """A grid around everything in the face's plane."""
    solid = [section.outline_xy_mm, *section.spatter_xy_mm, *section.burr_xy_mm]
    points = np.vstack(solid)
    low, high = points.min(axis=0) - margin_mm, points.max(axis=0) + margin_mm
    columns, rows = np.ceil((high - low) * px_per_mm).astype(int) + 1
    return _Canvas((int(rows), int(columns)), (float(low[0]), float(low[1])), px_per_mm)


def label_map(
    section: Section, to_pixels: Callable[[Points], Points], shape: tuple[int, int]
) -> NDArray[np.uint8]:
    """
    Class of each pixel: weld over HAZ over plate, spatter and burr beside it.

    ``to_pixels`` carries outlines in mm onto the grid (x, y in pixels).
    """
    labels = np.zeros(shape, np.uint8)
    for outline in (*section.spatter_xy_mm, *section.burr_xy_mm):
        raster.fill(labels, to_pixels(outline), OTHER_METAL)
    raster.fill(labels, to_pixels(section.outline_xy_mm), BASE)
    heated = np.zeros(shape, np.uint8)
    for bead in section.beads:
        raster.fill(heated, to_pixels(bead.haz_xy_mm), HAZ)
    labels[(heated > 0) & (labels == BASE)] = HAZ
    for bead in section.beads:
        raster.fill(labels, to_pixels(bead.weld_xy_mm()), WELD)
    return labels


@dataclass(slots=True)
class _Depths:
    """Distances in mm to the outlines: positive inside, negative outside."""

    weld: Field
    haz: Field
    air: Field


def _depths(section: Section, canvas: _Canvas, labels: NDArray[np.uint8]) -> _Depths:
    """How deep each pixel lies in the weld, in the heated zone and in the metal."""
    weld = np.zeros(canvas.shape, np.uint8)
    for bead in section.beads:
        raster.blend(weld, canvas.pixels(bead.weld_xy_mm()))
    heated = ((labels == WELD) | (labels == HAZ)).astype(np.uint8) * 255
    solid = np.zeros(canvas.shape, np.uint8)
    raster.blend(solid, canvas.pixels(section.outline_xy_mm))
    return _Depths(*(_signed_mm(mask, canvas.scale) for mask in (weld, heated, solid)))


def _signed_mm(share: NDArray[np.uint8], scale: float) -> Field:
    """Distance into a shape given by each pixel's share of it, to part of a pixel."""
    inside = share >= 128
    depth = np.full(share.shape, -1e3, np.float32)
    if inside.any():
        depth = cv2.distanceTransform(inside.astype(np.uint8), cv2.DIST_L2, 5)
        depth -= cv2.distanceTransform((~inside).astype(np.uint8), cv2.DIST_L2, 5)
        depth -= np.float32(0.5) * np.sign(depth)
        cut = (share > 0) & (share < 255)
        depth[cut] = share[cut].astype(np.float32) / 255 - 0.5
    return depth / np.float32(scale)


def _etch_strength(
    etch: EtchStyle, shape: tuple[int, int], rng: Rng, scale: float
) -> Field:
    """How well the etch took along the coupon, about 1."""
    columns = shape[1]
    x = np.linspace(0, 1, columns, dtype=np.float32)
    drift = noise.smooth(rng, (1, columns), (1, 18 * scale))[0]
    level = 1 + etch.etch_drift * (0.5 * drift + rng.uniform(-1.4, 1.4) * (x - 0.5))
    if etch.etch_gone > 0:
        start = x if rng.random() < 0.5 else 1 - x
        level *= 1 / (1 + np.exp(-(start - etch.etch_gone) / rng.uniform(0.01, 0.08)))
        level = 0.06 + 0.94 * level
    return np.broadcast_to(np.clip(level, 0.05, 1.6), shape).astype(np.float32)


def _etched_grey(
    section: Section,
    etch: EtchStyle,
    canvas: _Canvas,
    labels: NDArray[np.uint8],
    rng: Rng,
) -> tuple[Field, dict[str, Field]]:
    """Grey of the face, and the share of HAZ and weld in each pixel."""
    scale = canvas.scale
    depths = _depths(section, canvas, labels)
    fine = noise.smooth(rng, canvas.shape, max(1.0, etch.grain_mm * scale))
    wander = 0.4 * fine + 0.6 * noise.smooth(rng, canvas.shape, 1.2 * scale)
    in_metal = np.clip(depths.air / 0.25, 0, 1)
    if etch.ragged_mm:
        _make_ragged(depths, etch, in_metal, rng, scale)
    weld = _weld_share(etch, depths, in_metal, scale)
    haz, zone = _haz_grey(etch, depths, scale)
    grain, reheated = _weld_grey(section, etch, canvas, depths.weld, rng)
    grey = haz * (1 - weld) + grain
    grey += weld * (etch.weld_grey * (1 - reheated) + 0.7 * etch.haz_grey * reheated)
    if etch.coarse_mm:
        grey += _coarse_strip(etch, canvas, -depths.weld, grey, rng)
    if etch.fusion_line:
        near = depths.weld / (0.05 + 0.4 / scale) + etch.fusion_line_out
        ragged = np.clip(0.7 + 0.5 * wander, 0, 1.3)
        grey -= np.float32(etch.fusion_line) * np.exp(-(near**2)) * ragged * in_metal
    grey *= _etch_strength(etch, canvas.shape, rng, scale)
    grey += etch.base_grey + etch.grain_grey * (fine + 0.5 * wander)
    return grey, {"weld": weld, "haz": zone * (1 - weld)}


def _make_ragged(
    depths: _Depths, etch: EtchStyle, in_metal: Field, rng: Rng, scale: float
) -> None:
    """Let single grains reach over the fusion line, as much in as out."""
    grain = max(1.0, etch.ragged_grain_mm * scale)
    reach = etch.ragged_mm * noise.smooth(rng, depths.weld.shape, grain)
    depths.weld += reach.astype(np.float32) * in_metal


def _weld_share(
    etch: EtchStyle, depths: _Depths, in_metal: Field, scale: float
) -> Field:
    """Share of weld metal's grey in each pixel: soft below, sharp against the air."""
    width = etch.fusion_soft_mm + 0.5 / scale
    soft = 0.5 + 0.5 * np.clip(depths.weld / width, -1, 1)
    sharp = depths.weld > 0
    return np.where(sharp, np.maximum(soft, 1 - in_metal), soft * in_metal).astype(
        np.float32
    )


def _haz_grey(etch: EtchStyle, depths: _Depths, scale: float) -> tuple[Field, Field]:
    """Grey of the heat-affected zone and its share in each pixel."""
    off_weld = np.maximum(-depths.weld, 0)
    outward = off_weld / (off_weld + np.maximum(depths.haz, 0) + 1e-3)
    rise = np.clip((outward - etch.haz_delay) / etch.haz_rise, 0, 1)
    rise = rise * rise * (3 - 2 * rise)
    level = etch.haz_inner + (1 - etch.haz_inner) * rise
    zone = np.clip(0.5 + depths.haz / max(etch.haz_edge_mm, 1 / scale), 0, 1)
    zone *= depths.air > 0
    grey = etch.haz_grey * level * zone
    if etch.haz_line:
        near = depths.haz / (0.06 + 0.4 / scale)
        grey -= np.float32(etch.haz_line) * np.exp(-(near**2))
    return grey.astype(np.float32), zone.astype(np.float32)


def _coarse_strip(
    etch: EtchStyle, canvas: _Canvas, off_weld: Field, grey: Field, rng: Rng
) -> Field:
    """Coarse grains beside the fusion line, which look like weld metal."""
    reach = etch.coarse_mm * (1 + 0.3 * noise.smooth(rng, canvas.shape, canvas.scale))
    there = np.clip((reach - off_weld) / (etch.coarse_fade * etch.coarse_mm), 0, 1)
    there *= off_weld > 0
    grain = max(1.0, etch.coarse_grain_mm * canvas.scale)
    grains = np.tanh(1.5 * noise.smooth(rng, canvas.shape, grain))
    towards = (etch.weld_grey - grey) * min(etch.coarse_grey, 1.0)
    return (there * (towards + 0.6 * etch.streak_grey * grains)).astype(np.float32)


def _weld_grey(
    section: Section, etch: EtchStyle, canvas: _Canvas, in_weld: Field, rng: Rng
) -> tuple[Field, Field]:
    """Grain contrast of all beads, and where a later bead has reheated one."""
    grain = np.zeros(canvas.shape, np.float32)
    reheated = np.zeros(canvas.shape, np.float32)
    order = list(section.beads)
    if rng.random() < 0.5:
        order.reverse()
    for i, bead in enumerate(order):
        mask = canvas.mask(bead.weld_xy_mm()).astype(np.uint8)
        if etch.ragged_mm:
            reach = 2 * math.ceil(2.5 * etch.ragged_mm * canvas.scale) + 1
            mask = cv2.dilate(mask, np.ones((reach, reach), np.uint8))
        mask = mask.astype(bool) & (in_weld > 0)
        x, y, width, height = cv2.boundingRect(mask.astype(np.uint8))
        if not width:
            continue
        window = (slice(y, y + height), slice(x, x + width))
        inside = mask[window]
        painted = _bead_grain(bead, etch, canvas, (x, y), inside, rng)
        painted += etch.bead_spread * rng.normal()
        later = order[i + 1 : i + 2]
        if later and etch.reheated > 0:
            hot = _reheating(later[0], canvas, window) * etch.reheated * inside
            painted *= 1 - hot
            reheated[window] = np.maximum(reheated[window], hot)
        grain[window][inside] = painted[inside]
    if etch.bands_grey:
        swing = noise.smooth(rng, canvas.shape, 4 * canvas.scale)
        rings = np.sin(in_weld * rng.uniform(2.5, 7) + 1.2 * swing)
        grain += etch.bands_grey * rings * (in_weld > 0)
    return grain, reheated


def _reheating(later: Bead, canvas: _Canvas, window: tuple[slice, slice]) -> Field:
    """Heat of a later bead in a neighbour's weld metal, 0..1."""
    centre = canvas.pixels(later.fusion_xy_mm.mean(axis=0))
    reach = (later.plan.width_mm / 2 + later.plan.haz_mm) * canvas.scale
    rows = np.arange(window[0].start, window[0].stop, dtype=np.float32)[:, None]
    columns = np.arange(window[1].start, window[1].stop, dtype=np.float32)
    far = np.hypot(columns - centre[0], rows - centre[1]) / reach
    return np.clip((1 - far) * 8, 0, 1).astype(np.float32)


def _bead_grain(
    bead: Bead,
    etch: EtchStyle,
    canvas: _Canvas,
    corner: tuple[int, int],
    inside: NDArray[np.bool_],
    rng: Rng,
) -> Field:
    """Columnar grains of one bead, grown from its fusion line to the crown."""
    full = inside.shape
    shrink = max(1.0, canvas.scale / _GRAIN_PX_PER_MM)
    scale = canvas.scale / shrink
    shape = int(np.ceil(full[0] / shrink)) + 1, int(np.ceil(full[1] / shrink)) + 1
    origin = tuple(np.array(canvas.origin) + np.array(corner) / canvas.scale)
    way = _growth(bead, etch, _Canvas(shape, origin, scale), rng)
    width = etch.streak_mm * scale * rng.uniform(0.8, 1.25)
    length = max(7 * width, 1.5 * scale)
    streaks = noise.drawn_along(rng, way, width=width, length=length)
    finer = noise.drawn_along(rng, way, width=max(1.0, 0.4 * width), length=length)
    sharp = 0.5 + etch.streak_sharp
    mixed = np.tanh(sharp * (streaks + 0.5 * finer)) / np.tanh(sharp)
    patchy = np.clip(0.8 + 0.3 * noise.smooth(rng, shape, 2.5 * scale), 0.4, 1.5)
    clouds = noise.fractal(rng, shape, 1.3 * scale, 3)
    grain = etch.streak_grey * 0.9 * mixed * patchy + etch.mottle_grey * clouds
    if shrink == 1:
        return grain[: full[0], : full[1]]
    size = int(shape[1] * shrink), int(shape[0] * shrink)
    grain = cv2.resize(grain, size, interpolation=cv2.INTER_CUBIC)
    return grain[: full[0], : full[1]]


def _growth(
    bead: Bead,
    etch: EtchStyle,
    canvas: _Canvas,
    rng: Rng,
) -> Field:
    """Direction of grain growth: off the fusion line, bending to the crown."""
    shape = canvas.shape
    line = canvas.pixels(bead.fusion_xy_mm)
    blank = np.full(shape, 255, np.uint8)
    corners = np.round(line * 2**_SHIFT).astype(np.int32)
    cv2.polylines(blank, [corners], False, 0, 1, shift=_SHIFT)
    far = cv2.distanceTransform(blank, cv2.DIST_L2, 5)
    depth = max(float(np.ptp(line[:, 1])), 2.0)
    even = cv2.GaussianBlur(far, (0, 0), 1.0 + 0.12 * depth)
    away_x = cv2.Sobel(even, cv2.CV_32F, 1, 0)
    away_y = cv2.Sobel(even, cv2.CV_32F, 0, 1)
    cap = canvas.pixels(bead.cap_xy_mm)
    wide = float(np.ptp(line[:, 0]))
    focus_x = line[:, 0].mean() + 0.08 * wide * rng.normal()
    focus_y = cap[:, 1].min() - 0.25 * wide * rng.uniform(0, 1)
    rows = np.arange(shape[0], dtype=np.float32)[:, None]
    columns = np.arange(shape[1], dtype=np.float32)
    to_x, to_y = focus_x - columns + 0 * rows, focus_y - rows + 0 * columns
    _unit(away_x, away_y)
    _unit(to_x, to_y)
    bent = np.clip(far / (0.35 * shape[0] + 1), 0, 1)
    pull = np.clip(etch.fan + (1.1 - etch.fan) * bent, 0, 1).astype(np.float32)
    x, y = away_x * (1 - pull) + to_x * pull, away_y * (1 - pull) + to_y * pull
    turn = np.radians(14) * noise.smooth(rng, shape, 1.5 * canvas.scale)
    cosine, sine = np.cos(turn), np.sin(turn)
    x, y = x * cosine - y * sine, x * sine + y * cosine
    _unit(x, y)
    return np.dstack([x, y]).astype(np.float32)


def _flaws(
    rgb: Field, section: Section, etch: EtchStyle, canvas: _Canvas, rng: Rng
) -> None:
    """Pores in the weld, and the gap under metal that only lies on the plate."""
    scale = canvas.scale
    dark = np.zeros(canvas.shape, np.uint8)
    for bead in section.beads:
        lies = bead.fusion_flat_mm()
        if lies is not None:
            corners = np.round(canvas.pixels(lies) * 2**_SHIFT).astype(np.int32)
            width = max(1, round(scale * rng.uniform(0.02, 0.08)))
            cv2.polylines(dark, [corners], False, 230, width, cv2.LINE_AA, _SHIFT)
        if rng.random() < etch.pores:
            _pores(dark, bead, canvas, rng)
    if dark.any():
        rgb *= (1 - dark.astype(np.float32) / 300)[..., None]


def _pores(dark: NDArray[np.uint8], bead: Bead, canvas: _Canvas, rng: Rng) -> None:
    """A few round gas pores inside the weld metal."""
    weld = bead.weld_xy_mm()
    middle = weld.mean(axis=0)
    for _ in range(int(rng.integers(1, 9))):
        rim = weld[int(rng.integers(len(weld)))]
        place = canvas.pixels(middle + (rim - middle) * rng.uniform(0, 0.8))
        radius = canvas.scale * rng.lognormal(np.log(0.12), 0.5)
        corner = np.round(place * 2**_SHIFT).astype(int)
        size = max(1, round(radius * 2**_SHIFT))
        cv2.circle(dark, corner, size, 255, -1, cv2.LINE_AA, _SHIFT)


def _unit(x: Field, y: Field) -> None:
    """Make the vectors (x, y) one long, in place."""
    long = np.hypot(x, y) + 1e-6
    x /= long
    y /= long


def _coloured(grey: Field, parts: dict[str, Field], etch: EtchStyle, rng: Rng) -> Field:
    """Grey → colour by the casts of plate, HAZ and weld."""
    hue = noise.smooth(rng, grey.shape, max(grey.shape) / 6)
    rgb = np.empty((*grey.shape, 3), np.float32)
    for channel in range(3):
        cast = np.float32(etch.tint[channel] - 1) * (1 + 0.4 * hue)
        cast = cast + np.float32(etch.haz_tint[channel] - 1) * parts["haz"]
        cast += np.float32(etch.weld_tint[channel] - 1) * parts["weld"]
        rgb[..., channel] = grey * (1 + cast)
    return rgb
