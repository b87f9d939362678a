"""The camera: where it stands, and what lens, sensor and JPEG do to a picture."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from sample_images.drawing import noise

Field = NDArray[np.float32]
Matrix = NDArray[np.float64]
Rng = np.random.Generator


@dataclass(frozen=True, slots=True)
class Pose:
    """
    Pinhole camera over the face.

    Attributes
    ----------
    to_pixels
        Homography, mm of the face's plane → pixels.
    eye_xyz_mm
        Where the lens is, in the frame of the face (z towards the camera).
    size_px
        Columns and rows of the picture.
    tilt_deg
        Angle between the optical axis and the face's normal.
    """

    to_pixels: Matrix
    eye_xyz_mm: tuple[float, float, float]
    size_px: tuple[int, int]
    tilt_deg: float

    def px_per_mm(self) -> float:
        """Scale at the face, about the middle of the picture."""
        middle = (np.array(self.size_px, float) - 1) / 2
        square = middle + np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]])
        seen = cv2.perspectiveTransform(square[None], np.linalg.inv(self.to_pixels))[0]
        return float(1 / np.sqrt(abs(np.linalg.det(seen[1:] - seen[0]))))

    def onto_face(self, z_mm: float) -> Matrix:
        """A point of the plane z → where it seems to lie on the face's plane."""
        x, y, high = self.eye_xyz_mm
        k = high / (high - z_mm)
        return np.array([[k, 0, x * (1 - k)], [0, k, y * (1 - k)], [0, 0, 1.0]])

    def plane(self, z_mm: float) -> Matrix:
        """Homography of a plane parallel to the face, z mm nearer the camera."""
        return self.to_pixels @ self.onto_face(z_mm)


def stand(
    size_px: tuple[int, int],
    *,
    aim_xy_mm: tuple[float, float],
    aim_px: tuple[float, float],
    px_per_mm: float,
    distance_mm: float,
    tilt_deg: tuple[float, float] = (0.0, 0.0),
    roll_deg: float = 0.0,
) -> Pose:
    """
    A camera that sees a place of the face at a place of the picture.

    ``tilt_deg`` turns the camera about the picture's x and y axes, ``roll_deg``
    turns the coupon in the picture, clockwise.
    """
    a, b, c = np.radians([tilt_deg[0], tilt_deg[1], roll_deg])
    about_x = np.array(
        [[1, 0, 0], [0, np.cos(a), -np.sin(a)], [0, np.sin(a), np.cos(a)]]
    )
    about_y = np.array(
        [[np.cos(b), 0, np.sin(b)], [0, 1, 0], [-np.sin(b), 0, np.cos(b)]]
    )
    about_z = np.array(
        [[np.cos(c), -np.sin(c), 0], [np.sin(c), np.cos(c), 0], [0, 0, 1]]
    )
    turn = about_x @ about_y @ about_z
    focal = px_per_mm * distance_mm
    middle = (np.array(size_px) - 1) / 2
    lens = np.array([[focal, 0, middle[0]], [0, focal, middle[1]], [0, 0, 1]])
    ray = np.array([*((np.array(aim_px) - middle) / focal), 1.0])
    eye = np.array([*aim_xy_mm, 0.0]) - turn.T @ (ray * distance_mm)
    shift = -turn @ eye
    to_pixels = lens @ np.column_stack([turn[:, 0], turn[:, 1], shift])
    tilt = float(np.degrees(np.arccos(np.clip(turn[2, 2], -1, 1))))
    place = (float(eye[0]), float(eye[1]), float(-eye[2]))
    return Pose(to_pixels / to_pixels[2, 2], place, size_px, tilt)


@dataclass(frozen=True, slots=True)
class Sensor:
    """
    What lens, sensor and processing do; lengths in pixels.

    ``uneven_px`` is more defocus towards one side, as when the face lies askew
    to the plane in focus. ``bend`` is the lens distortion at the picture's
    corner as a part of its distance from the middle, ``noise`` the spread of a
    mid grey.
    """

    defocus_px: float = 0.5
    motion_px: float = 0.0
    motion_deg: float = 0.0
    uneven_px: float = 0.0
    uneven_deg: float = 0.0
    bend: float = 0.0
    vignette: float = 0.1
    exposure: float = 1.0
    contrast: float = 1.0
    white: tuple[float, float, float] = (1.0, 1.0, 1.0)
    noise: float = 0.01
    chroma_noise: float = 0.5
    smear: float = 0.0
    sharpen: float = 0.3
    halo_px: float = 1.2
    grey: bool = False
    jpeg_quality: int = 90


def random_sensor(rng: Rng, *, tier: str, px_per_mm: float) -> Sensor:
    """A sensor drawn by lot: ``clean`` scanner, ``phone``, or ``hard`` phone."""
    if tier == "clean":
        return Sensor(
            defocus_px=rng.uniform(0.3, 0.7),
            vignette=0.0,
            exposure=rng.uniform(0.92, 1.08),
            noise=rng.uniform(0.002, 0.008),
            sharpen=rng.uniform(0, 0.3),
            jpeg_quality=int(rng.integers(90, 98)),
        )
    hard = tier == "hard"
    warm, green = rng.normal(0, 0.06 if hard else 0.035), rng.normal(0, 0.02)
    soft_mm = rng.exponential(0.05 if hard else 0.02)
    shaky = rng.random() < (0.25 if hard else 0.1)
    return Sensor(
        defocus_px=float(np.clip(rng.uniform(0.4, 1.1) + soft_mm * px_per_mm, 0.3, 6)),
        motion_px=rng.uniform(0.05, 0.25) * px_per_mm if shaky else 0.0,
        motion_deg=rng.uniform(0, 180),
        uneven_px=rng.uniform(0.02, 0.18) * px_per_mm
        if rng.random() < (0.3 if hard else 0.12)
        else 0.0,
        uneven_deg=rng.uniform(0, 360),
        bend=rng.normal(0, 0.008) if rng.random() < 0.6 else 0.0,
        vignette=rng.uniform(0, 0.35),
        exposure=float(np.exp(rng.normal(0, 0.22 if hard else 0.12))),
        contrast=float(np.exp(rng.normal(0.05, 0.15))),
        white=(1 + warm, 1 + green, 1 - warm),
        noise=float(rng.lognormal(np.log(0.013 if hard else 0.006), 0.5)),
        chroma_noise=rng.uniform(0.2, 1.0),
        smear=rng.uniform(0, 1) if rng.random() < 0.4 else 0.0,
        sharpen=rng.uniform(0, 1.2),
        halo_px=rng.uniform(0.8, 2.2),
        grey=bool(rng.random() < 0.06),
        jpeg_quality=int(rng.integers(55, 92) if hard else rng.integers(72, 97)),
    )


def meter(picture: Field, face: NDArray[np.bool_], *, brightest: float = 0.8) -> None:
    """
    Expose for the scene as a phone does, in place.

    ``brightest`` is the most that the lighter parts of the face may come to.
    """
    thin = picture[::4, ::4]
    mean = float(thin.mean())
    gain = (0.42 / max(mean, 0.03)) ** 0.45
    if face[::4, ::4].any():
        bright = float(np.percentile(thin[face[::4, ::4]], 90))
        gain = min(gain, brightest / max(bright, 0.05))
    picture *= np.float32(np.clip(gain, 0.4, 2.5))


def expose(picture: Field, sensor: Sensor, rng: Rng) -> NDArray[np.uint8]:
    """
    Scene light → 8-bit RGB as the camera stores it, before JPEG.

    ``picture`` is overwritten.
    """
    shape = picture.shape[:2]
    _blur(picture, sensor)
    if sensor.uneven_px > 0.5:
        _blur_one_side(picture, sensor)
    gain = np.array(sensor.white, np.float32) * np.float32(sensor.exposure)
    picture *= gain
    if sensor.vignette:
        picture *= _falloff(shape, sensor.vignette)[..., None]
    np.clip(picture, 0, 1.5, out=picture)
    _tone(picture, sensor.contrast)
    _add_noise(picture, sensor, rng)
    if sensor.sharpen:
        even = cv2.GaussianBlur(picture, (0, 0), sensor.halo_px)
        picture += np.float32(sensor.sharpen) * (picture - even)
    if sensor.grey:
        picture[:] = picture.mean(axis=2, keepdims=True)
    return np.clip(picture * 255 + 0.5, 0, 255).astype(np.uint8)


def _tone(picture: Field, contrast: float) -> None:
    """Contrast about mid grey with a soft shoulder instead of hard clipping."""
    if contrast != 1.0:
        picture -= 0.45
        picture *= np.float32(contrast)
        picture += 0.45
    over = picture > 0.85
    picture[over] = 0.85 + 0.15 * np.tanh((picture[over] - 0.85) / 0.15)


def _blur(picture: Field, sensor: Sensor) -> None:
    """Defocus and shake, in place."""
    if sensor.defocus_px > 1.6:
        radius = sensor.defocus_px * 1.5
        size = 2 * int(np.ceil(radius)) + 1
        axis = np.arange(size) - size // 2
        disc = np.clip(radius + 0.5 - np.hypot(axis[:, None], axis), 0, 1)
        picture[:] = cv2.filter2D(picture, -1, (disc / disc.sum()).astype(np.float32))
    elif sensor.defocus_px > 0.25:
        picture[:] = cv2.GaussianBlur(picture, (0, 0), sensor.defocus_px)
    if sensor.motion_px > 1:
        size = 2 * int(np.ceil(sensor.motion_px / 2)) + 3
        path = np.zeros((size, size), np.float32)
        way = np.radians(sensor.motion_deg)
        reach = sensor.motion_px / 2 * np.array([np.cos(way), np.sin(way)])
        ends = [np.round((size // 2 + s * reach) * 16).astype(int) for s in (-1, 1)]
        cv2.line(path, ends[0], ends[1], 1.0, 1, cv2.LINE_8, 4)
        path = cv2.GaussianBlur(path, (0, 0), 0.5)
        picture[:] = cv2.filter2D(picture, -1, path / path.sum())


def _blur_one_side(picture: Field, sensor: Sensor) -> None:
    """More defocus towards one side of the picture, in place."""
    rows, columns = picture.shape[:2]
    way = np.radians(sensor.uneven_deg)
    x = np.linspace(-1, 1, columns, dtype=np.float32)
    y = np.linspace(-1, 1, rows, dtype=np.float32)[:, None]
    side = np.clip(np.float32(np.cos(way)) * x + np.float32(np.sin(way)) * y, 0, 1)
    dull = picture
    for sigma in (0.5 * sensor.uneven_px, sensor.uneven_px):
        dull = cv2.GaussianBlur(dull, (0, 0), sigma)
        picture += side[..., None] * (dull - picture)


def _falloff(shape: tuple[int, int], amount: float) -> Field:
    """Darker corners."""
    rows = np.linspace(-1, 1, shape[0], dtype=np.float32)[:, None]
    columns = np.linspace(-1, 1, shape[1], dtype=np.float32)
    return 1 - np.float32(amount) * (rows**2 + columns**2) / 2


def _add_noise(picture: Field, sensor: Sensor, rng: Rng) -> None:
    """Shot noise, finer in light than in dark, smeared by in-camera smoothing."""
    if sensor.noise <= 0:
        return
    shape = picture.shape[:2]
    level = np.sqrt(np.clip(picture.mean(axis=2), 0.02, 1)) * np.float32(sensor.noise)
    luma = noise.white(rng, shape)
    if sensor.smear:
        luma = cv2.GaussianBlur(luma, (0, 0), 0.4 + 0.8 * sensor.smear) * 2
    for channel in range(3):
        part = noise.smooth(rng, shape, 2.0) * np.float32(sensor.chroma_noise)
        picture[..., channel] += level * (luma + part)


def bend_map(
    size_px: tuple[int, int], bend: float, window: tuple[int, int, int, int]
) -> tuple[Field, Field]:
    """
    For each bent pixel of a window, its place in the straight picture.

    Radial distortion: r_straight = r (1 + bend r²), r = 1 at the corner.
    """
    x0, y0, x1, y1 = window
    middle = (np.array(size_px, float) - 1) / 2
    corner = np.hypot(*middle)
    x = (np.arange(x0, x1, dtype=np.float32) - np.float32(middle[0]))[None]
    y = (np.arange(y0, y1, dtype=np.float32) - np.float32(middle[1]))[:, None]
    grow = 1 + np.float32(bend) * (x**2 + y**2) / np.float32(corner**2)
    return x * grow + np.float32(middle[0]), y * grow + np.float32(middle[1])


def bend_points(points_xy_px: Matrix, size_px: tuple[int, int], bend: float) -> Matrix:
    """Points of the straight picture → the bent picture (inverse of `bend_map`)."""
    middle = (np.array(size_px, float) - 1) / 2
    corner = np.hypot(*middle)
    straight = np.asarray(points_xy_px, float) - middle
    bent = straight.copy()
    for _ in range(12):
        r2 = (bent**2).sum(axis=1, keepdims=True) / corner**2
        bent = straight / (1 + bend * r2)
    return bent + middle


def jpeg(picture: NDArray[np.uint8], quality: int) -> NDArray[np.uint8]:
    """RGB picture through JPEG and back."""
    done, data = cv2.imencode(
        ".jpg", picture[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, quality]
    )
    assert done, "OpenCV cannot write JPEG"
    return cv2.imdecode(data, cv2.IMREAD_COLOR)[..., ::-1]
