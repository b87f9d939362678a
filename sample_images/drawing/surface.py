"""Grinding, rolling, stains, rust and writing on a painted face, and its glare."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray

from sample_images.drawing import noise, shapes
from sample_images.drawing.section import Points, Section
from sample_images.drawing.styles import SurfaceStyle

Field = NDArray[np.float32]
Rng = np.random.Generator
ToPixels = Callable[[Points], Points]

RUST = np.array([0.40, 0.25, 0.14], np.float32)
INKS = ((0.08, 0.1, 0.35), (0.06, 0.06, 0.07), (0.5, 0.08, 0.1), (0.9, 0.9, 0.88))


def wear(
    rgb: Field,
    labels: NDArray[np.uint8],
    section: Section,
    worn: SurfaceStyle,
    rng: Rng,
    to_pixels: ToPixels,
    scale: float,
) -> None:
    """Put everything on the face that is not the etch, in place."""
    shape = labels.shape
    rgb *= _relief(section, worn, rng, shape, to_pixels, scale)[..., None]
    _odd_metal(rgb, labels, rng, scale)
    plate = (labels > 0).astype(np.uint8)
    from_edge = cv2.distanceTransform(plate, cv2.DIST_L2, 5) / np.float32(scale)
    _rim(rgb, from_edge, worn, rng, scale)
    centre = _thrower(rng, section, to_pixels)
    for _ in range(worn.indents):
        _indents(rgb, centre(), rng, scale)
    for _ in range(worn.punches):
        _dot(rgb, centre(), 0.5 * scale * rng.uniform(0.6, 1.4), 0.3)
    for _ in range(worn.stains):
        _stain(rgb, centre(), rng, scale, tall=1.0)
    for _ in range(worn.drips):
        _stain(rgb, centre(), rng, scale, tall=rng.uniform(2.5, 6))
    for _ in range(worn.fingerprints):
        _fingerprint(rgb, centre(), rng, scale)
    for _ in range(worn.writing):
        _writing(rgb, centre(), rng, scale, section.plate.thickness_mm)
    if worn.rust > 0:
        _rust(rgb, worn.rust, rng, scale)
    for _ in range(worn.rust_points):
        _rust_point(rgb, centre(), rng, scale)
    if worn.oil > 0:
        patch = np.clip(noise.smooth(rng, shape, 9 * scale) - 0.3, 0, 1)
        rgb *= (1 - worn.oil * 2 * patch)[..., None]


def _thrower(
    rng: Rng, section: Section, to_pixels: ToPixels
) -> Callable[[], tuple[float, float]]:
    """Gives random places on the face in pixels, often near a bead."""
    plate = section.plate

    def throw() -> tuple[float, float]:
        x = rng.uniform(0, plate.length_mm)
        y = rng.uniform(0, plate.thickness_mm)
        if section.beads and rng.random() < 0.4:
            bead = section.beads[int(rng.integers(len(section.beads)))]
            x = bead.truth.x_mm + rng.normal(0, 0.4 * bead.truth.width_mm)
            y = rng.uniform(-0.8, 1.5) * bead.truth.penetration_mm
        place = to_pixels(np.array([[x, y]]))[0]
        return float(place[0]), float(place[1])

    return throw


def _relief(
    section: Section,
    worn: SurfaceStyle,
    rng: Rng,
    shape: tuple[int, int],
    to_pixels: ToPixels,
    scale: float,
) -> Field:
    """Brightness factor of grinding lines, rolling bands, clouds and scratches."""
    angle = worn.grind_angle_deg
    fine = noise.brushed(
        rng,
        shape,
        length=worn.grind_mm * scale,
        width=max(1.0, rng.uniform(0.04, 0.12) * scale),
        angle_deg=angle,
    )
    broad = noise.brushed(
        rng,
        shape,
        length=2 * worn.grind_mm * scale,
        width=max(1.0, rng.uniform(0.2, 0.7) * scale),
        angle_deg=angle + rng.normal(0, 2),
    )
    patchy = 0.75 + 0.35 * noise.smooth(rng, shape, 12 * scale)
    relief = worn.grind_grey * (0.75 * fine + 0.5 * broad) * patchy
    if worn.cross_grey:
        second = noise.brushed(
            rng,
            shape,
            length=rng.uniform(2, 15) * scale,
            width=max(1.0, 0.08 * scale),
            angle_deg=angle + rng.uniform(25, 155),
        )
        relief += worn.cross_grey * second * (noise.smooth(rng, shape, 9 * scale) > 0)
    rows = noise.smooth(rng, (shape[0], 1), rng.uniform(0.3, 1.2) * scale)
    relief += worn.rolling_grey * rows
    relief += worn.clouds_grey * noise.fractal(rng, shape, 14 * scale, 3)
    if worn.segregation_grey:
        _segregation(relief, section, worn, rng, to_pixels, scale)
    relief += _scratches(rng, shape, worn.scratches, angle, scale)
    return (1 + relief).astype(np.float32)


def _segregation(
    relief: Field,
    section: Section,
    worn: SurfaceStyle,
    rng: Rng,
    to_pixels: ToPixels,
    scale: float,
) -> None:
    """A thin dark stringer at mid-thickness, broken here and there."""
    level = section.plate.thickness_mm * rng.uniform(0.45, 0.55)
    y = to_pixels(np.array([[0.0, level]]))[0, 1]
    columns = relief.shape[1]
    sway = y + 0.15 * scale * noise.smooth(rng, (1, columns), (1, 8 * scale))[0]
    broken = np.clip(0.6 + noise.smooth(rng, (1, columns), (1, 3 * scale))[0], 0, 1.5)
    rows = np.arange(relief.shape[0], dtype=np.float32)[:, None]
    width = scale * rng.uniform(0.05, 0.25) + 0.4
    relief -= worn.segregation_grey * np.exp(-(((rows - sway) / width) ** 2)) * broken


def _scratches(
    rng: Rng, shape: tuple[int, int], count: int, angle_deg: float, scale: float
) -> Field:
    """Single scratches, light or dark, most of them roughly one way."""
    drawn = np.zeros(shape, np.uint8)
    dark = np.zeros(shape, np.uint8)
    for _ in range(count):
        way = np.radians(
            angle_deg + rng.normal(0, 8) if rng.random() < 0.6 else rng.uniform(0, 180)
        )
        long = rng.exponential(6) * scale + 2
        x, y = rng.uniform(0, shape[1]), rng.uniform(0, shape[0])
        ends = np.array([[x, y], [x + long * np.cos(way), y - long * np.sin(way)]])
        target = drawn if rng.random() < 0.55 else dark
        corners = np.round(ends * 16).astype(np.int32)
        thick = 1 + int(rng.random() < 0.1 and scale > 12)
        tone = int(rng.uniform(40, 200))
        cv2.line(target, corners[0], corners[1], tone, thick, cv2.LINE_AA, 4)
    light = drawn.astype(np.float32) - dark.astype(np.float32)
    return light * np.float32(0.25 / 255)


def _odd_metal(rgb: Field, labels: NDArray[np.uint8], rng: Rng, scale: float) -> None:
    """Spatter and burr: duller and more uneven than the ground face."""
    odd = labels == 4
    if not odd.any():
        return
    tone = rng.uniform(0.25, 0.95)
    rough = noise.smooth(rng, labels.shape, max(1.0, 0.3 * scale))
    rgb[odd] *= (tone * (1 + 0.15 * rough[odd]))[:, None]


def _rim(
    rgb: Field, from_edge: Field, worn: SurfaceStyle, rng: Rng, scale: float
) -> None:
    """The edge that grinding rounded: a light or dark rim, sometimes dull."""
    sway = 1 + 0.5 * noise.smooth(rng, from_edge.shape, 5 * scale)
    near = np.exp(-((from_edge / (worn.rim_mm * np.clip(sway, 0.2, 2))) ** 2))
    near = near.astype(np.float32)
    if worn.rim_blur_mm:
        dull = cv2.GaussianBlur(rgb, (0, 0), max(0.3, worn.rim_blur_mm * scale))
        weight = np.clip(1.5 * near, 0, 1)[..., None]
        rgb += weight * (dull - rgb)
    rgb *= (1 + worn.rim_grey * near)[..., None]


def _cut_out(
    rgb: Field, centre: tuple[float, float], reach: float
) -> tuple[Field, Field, Field]:
    """View of the picture around a place, with coordinates from that place."""
    rows, columns = rgb.shape[:2]
    x0, x1 = (int(np.clip(centre[0] + s * reach, 0, columns)) for s in (-1, 1))
    y0, y1 = (int(np.clip(centre[1] + s * reach, 0, rows)) for s in (-1, 1))
    x = np.arange(x0, x1, dtype=np.float32) - np.float32(centre[0])
    y = np.arange(y0, y1, dtype=np.float32)[:, None] - np.float32(centre[1])
    return rgb[y0:y1, x0:x1], x, y


def _dot(rgb: Field, centre: tuple[float, float], radius: float, dark: float) -> None:
    """A small pit with a light edge."""
    radius = max(radius, 0.6)
    view, x, y = _cut_out(rgb, centre, 3 * radius + 2)
    far = np.hypot(x, y) / radius
    view *= (1 - (1 - dark) * np.exp(-(far**2)))[..., None]
    view *= (1 + 0.15 * np.exp(-(((far - 1.5) / 0.4) ** 2)))[..., None]


def _indents(rgb: Field, centre: tuple[float, float], rng: Rng, scale: float) -> None:
    """A row of hardness indents."""
    way = np.radians(rng.choice([0, 90, 45]) + rng.normal(0, 5))
    step = rng.uniform(0.4, 1.2) * scale
    size = rng.uniform(0.06, 0.2) * scale
    for i in range(int(rng.integers(4, 22))):
        place = centre[0] + i * step * np.cos(way), centre[1] + i * step * np.sin(way)
        _dot(rgb, place, size, 0.35)


def _stain(
    rgb: Field, centre: tuple[float, float], rng: Rng, scale: float, tall: float
) -> None:
    """A dried drop: a flat tint with a darker rim; tall ones have run down."""
    reach = rng.uniform(0.8, 5) * scale
    view, x, y = _cut_out(rgb, centre, reach * max(1.6, tall * 1.2))
    if not view.size:
        return
    ragged = 0.18 * noise.smooth(rng, view.shape[:2], max(2.0, 0.7 * reach))
    far = np.hypot(x, y / tall) / reach + ragged
    inside = np.clip((1 - far) * 8, 0, 1)
    rim = np.exp(-(((far - 0.95) / 0.06) ** 2))
    tone = rng.uniform(-0.16, 0.1)
    view *= (1 + tone * inside - rng.uniform(0, 0.15) * rim)[..., None]
    if rng.random() < 0.4:
        cast = np.array([1.06, 1.0, 0.88]) if rng.random() < 0.6 else [0.94, 1.0, 1.06]
        view *= 1 + inside[..., None] * (np.asarray(cast, np.float32) - 1)


def _fingerprint(
    rgb: Field, centre: tuple[float, float], rng: Rng, scale: float
) -> None:
    """Ridges half a millimetre apart in a patch the size of a finger."""
    view, x, y = _cut_out(rgb, centre, 9 * scale)
    if not view.size:
        return
    bend = 0.6 * noise.smooth(rng, view.shape[:2], 4 * scale)
    ridge = np.sin(
        np.hypot(x, 0.7 * y + 3 * scale) / scale * 2 * np.pi / 0.5 + 4 * bend
    )
    patch = np.exp(-((np.hypot(x, y / 1.3) / (6 * scale)) ** 4))
    view *= (1 - rng.uniform(0.03, 0.12) * np.clip(ridge, 0, 1) * patch)[..., None]


def _writing(
    rgb: Field,
    centre: tuple[float, float],
    rng: Rng,
    scale: float,
    thick_mm: float,
) -> None:
    """Marker pen on the steel."""
    letters = rng.choice(list("ABCDEFHKLMNPRSTUVX0123456789-"), int(rng.integers(1, 5)))
    text = "".join(letters)
    high = rng.uniform(0.3, 0.7) * thick_mm * scale
    size = max(high, 2.5 * scale) / 22
    thick = max(1, int(rng.uniform(0.4, 1.1) * scale))
    ink = np.zeros(rgb.shape[:2], np.uint8)
    place = int(centre[0]), int(centre[1] + high / 2)
    face = int(rng.choice([cv2.FONT_HERSHEY_SIMPLEX, cv2.FONT_HERSHEY_SCRIPT_SIMPLEX]))
    cv2.putText(ink, text, place, face, size, 255, thick, cv2.LINE_AA)
    turn = cv2.getRotationMatrix2D(centre, rng.normal(0, 8), 1)
    ink = cv2.warpAffine(ink, turn, ink.shape[::-1])
    worn = np.clip(0.85 + 0.25 * noise.fractal(rng, ink.shape, scale, 2), 0, 1)
    cover = (ink.astype(np.float32) / 255 * rng.uniform(0.5, 0.95) * worn)[..., None]
    colour = np.array(INKS[int(rng.choice(4, p=[0.4, 0.35, 0.15, 0.1]))], np.float32)
    rgb *= 1 - cover
    rgb += cover * colour


def _rust(rgb: Field, amount: float, rng: Rng, scale: float) -> None:
    """Bloom of rust in patches with ragged edges."""
    shape = rgb.shape[:2]
    clouds = noise.fractal(rng, shape, rng.uniform(3, 12) * scale, 5, 0.65)
    cover = np.clip((clouds - 1.6 + 1.2 * amount) * 1.2, 0, 1) * rng.uniform(0.3, 0.85)
    shade = (0.9 + 0.25 * noise.smooth(rng, shape, max(1.0, 0.2 * scale)))[..., None]
    rgb += cover[..., None] * (RUST * shade - rgb)


def _rust_point(
    rgb: Field, centre: tuple[float, float], rng: Rng, scale: float
) -> None:
    """One small ragged rust spot, some with a pale brown halo."""
    radius = max(0.7, rng.lognormal(np.log(0.13), 0.5) * scale)
    view, x, y = _cut_out(rgb, centre, 4 * radius + 2)
    if not view.size:
        return
    ragged = 0.35 * noise.smooth(rng, view.shape[:2], max(1.0, 0.8 * radius))
    far = np.hypot(x, y) / radius + ragged
    halo = rng.uniform(0, 0.25)
    cover = 0.85 * np.clip(1.6 - far, 0, 1) + halo * np.exp(-((far / 2.2) ** 2))
    tone = RUST * rng.uniform(0.35, 0.95)
    view += np.clip(cover, 0, 0.95)[..., None] * (tone - view)


def glare(rng: Rng, shape: tuple[int, int], scale: float) -> Field:
    """Broad hot spots where the ground steel mirrors the lamp."""
    total = np.zeros(shape, np.float32)
    rows = np.arange(shape[0], dtype=np.float32)[:, None]
    columns = np.arange(shape[1], dtype=np.float32)
    for _ in range(int(rng.integers(1, 4))):
        x, y = rng.uniform(0, shape[1]), rng.uniform(0, shape[0])
        long, short = rng.uniform(4, 30) * scale, rng.uniform(2, 10) * scale
        lean = rng.normal(0, 0.6)
        dx, dy = columns - x, rows - y
        total += np.exp(-(((dx + lean * dy) / long) ** 2) - (dy / short) ** 2)
    lines = noise.brushed(
        rng,
        shape,
        length=8 * scale,
        width=max(1.0, 0.1 * scale),
        angle_deg=float(rng.choice([0, 90, rng.uniform(0, 180)])),
    )
    return total * np.clip(1 + 0.3 * lines, 0, 2)


def ripple(count: int, rng: Rng) -> NDArray[np.float64]:
    """Height of the ripples along a bead's run, for its flank."""
    return shapes.wave(count, rng, 1.0, count / 3)
