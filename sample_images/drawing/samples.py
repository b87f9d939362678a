"""The sample photos of this project: one repair shop's test plates.

MAG welding (135) with 1.0 mm solid wire on 10 mm S235 plate, a ladder of
currents from 120 to 220 A, one bead for each. Places and numbers are made up.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from sample_images.drawing import body, camera, plans, styles
from sample_images.drawing.camera import Sensor
from sample_images.drawing.compose import Setting
from sample_images.drawing.references import printed_card
from sample_images.drawing.scene import Coupon, Shot
from sample_images.drawing.section import BeadPlan, PlatePlan, make_section

CURRENTS_A = (120, 140, 160, 180, 200, 220)


def ladder_bead(current_a: float, at_mm: float, rng: np.random.Generator) -> BeadPlan:
    """
    A bead of the ladder: wider and deeper with current, cold at its lower end.

    Past some 190 A the bead grows wider rather than deeper (common practice,
    no source).
    """
    heat = (current_a - 120) / 100
    depth = 0.7 + 2.6 * min(heat, 0.72) + 0.25 * max(heat - 0.72, 0)
    return BeadPlan(
        at_mm=at_mm,
        width_mm=5.6 + 5.2 * heat + rng.normal(0, 0.15),
        penetration_mm=depth * rng.normal(1, 0.04),
        reinforcement_mm=2.45 - 0.55 * heat + rng.normal(0, 0.08),
        root="finger" if current_a >= 200 else "parabola",
        cap="segment",
        kind="finger" if current_a >= 200 else "normal",
        skew=float(rng.normal(0, 0.1)),
        lean=float(rng.normal(0, 0.03)),
        haz_mm=1.0 + 0.9 * heat,
        haz_waviness=0.04,
        waviness_mm=0.03,
        seed=int(rng.integers(2**31)),
    )


def cold_bead(current_a: float, at_mm: float, rng: np.random.Generator) -> BeadPlan:
    """A bead run too fast and too cold: next to no fusion under a steep cap."""
    heat = (current_a - 120) / 100
    return replace(
        ladder_bead(current_a, at_mm, rng),
        width_mm=4.6 + 2.2 * heat,
        penetration_mm=0.15 + 0.5 * heat,
        reinforcement_mm=2.5 - 0.3 * heat,
        root="parabola",
        kind="cold",
        haz_mm=0.8 + 0.5 * heat,
    )


def test_plate(
    seed: int, *, cold: int = 0, reverse: bool = False, bow_mm: float = 0.2
) -> Coupon:
    """
    One coupon with the whole ladder, 20 mm apart.

    ``cold`` beads at the low end are cold ones, ``reverse`` numbers the plate
    from the right.
    """
    rng = np.random.default_rng([seed, 31])
    places = 14 + 19.0 * np.arange(len(CURRENTS_A)) + rng.normal(0, 0.4, 6)
    if reverse:
        places = places[::-1]
    makers = [cold_bead if i < cold else ladder_bead for i in range(len(CURRENTS_A))]
    beads = tuple(
        make(current, float(at), rng)
        for make, current, at in zip(makers, CURRENTS_A, places, strict=True)
    )
    plate = PlatePlan(
        thickness_mm=float(round(rng.normal(10.0, 0.06), 2)),
        length_mm=float(round(rng.normal(124, 1.0), 2)),
        bow_mm=bow_mm,
        end_tilt=(float(rng.normal(0, 0.01)), float(rng.normal(0, 0.01))),
    )
    section = make_section(plate, beads)
    return Coupon(section, _etch(), _ground(), seed)


def _etch() -> styles.EtchStyle:
    """A good nital etch: dark HAZ with a sharp edge, streaked weld metal."""
    return styles.EtchStyle(
        family="dark-haz",
        base_grey=0.64,
        haz_grey=-0.17,
        haz_inner=0.75,
        weld_grey=-0.05,
        streak_grey=0.09,
        streak_mm=0.3,
        streak_sharp=1.2,
        fan=0.3,
        bead_spread=0.01,
        coarse_mm=0.25,
        coarse_grey=0.5,
    )


def _ground() -> styles.SurfaceStyle:
    """Ground to fine paper along the plate."""
    return styles.SurfaceStyle(grind_grey=0.025, scratches=8, clouds_grey=0.015)


@dataclass(frozen=True, slots=True)
class Sample:
    """One committed sample photo: file name and how it is drawn."""

    name: str
    about: str
    shot: Shot


def _lying(
    coupon: Coupon,
    seed: int,
    *,
    size_px: tuple[int, int],
    share: float,
    tilt_deg: tuple[float, float] = (0.0, 0.0),
    roll_deg: float = 0.0,
    aim: tuple[float, float] = (0.5, 0.5),
) -> Shot:
    """A photo of a coupon; ``share`` of the width is the coupon's length."""
    plate = coupon.section.plate
    scale = share * size_px[0] / plate.length_mm
    pose = camera.stand(
        size_px,
        aim_xy_mm=(plate.length_mm / 2, plate.thickness_mm / 2),
        aim_px=(aim[0] * size_px[0], aim[1] * size_px[1]),
        px_per_mm=scale,
        distance_mm=1.05 * size_px[0] / scale,
        tilt_deg=tilt_deg,
        roll_deg=roll_deg,
    )
    return Shot(
        coupon=coupon,
        look=body.BodyLook(depth_mm=12.0, light_xy=(0.35, 0.3), shadow=0.45),
        setting=Setting("wood", 0.0, light_slope=0.15),
        pose=pose,
        sensor=Sensor(defocus_px=0.7, vignette=0.15, noise=0.006, jpeg_quality=88),
        seed=seed,
    )


def samples() -> list[Sample]:
    """The committed photos."""
    return [
        _clean_scan(),
        _with_card(),
        _tilted(),
        _poor_etch(),
        _rusty(),
        _right_to_left(),
    ]


def _clean_scan() -> Sample:
    """Flatbed scan on black."""
    shot = _lying(test_plate(1), 1, size_px=(4000, 2000), share=0.9)
    shot = replace(
        shot,
        tier="clean",
        look=replace(shot.look, depth_mm=0.0),
        setting=Setting("felt", 0.0, light_slope=0.02),
        sensor=Sensor(
            defocus_px=0.5, vignette=0, noise=0.004, sharpen=0.2, jpeg_quality=90
        ),
    )
    return Sample("clean-scan", "flatbed scan, even light, good etch", shot)


def _tilted() -> Sample:
    """Held askew: perspective shows the underside."""
    coupon = test_plate(2)
    shot = _lying(
        coupon,
        2,
        size_px=(4000, 3000),
        share=0.82,
        tilt_deg=(-10.0, 4.0),
        roll_deg=-3.0,
        aim=(0.5, 0.45),
    )
    shot = replace(shot, sensor=replace(shot.sensor, bend=0.006))
    return Sample("phone-tilt", "phone held askew by 11 degrees", shot)


def _poor_etch() -> Sample:
    """The acid was weak and took on one side only."""
    coupon = test_plate(3)
    etch = replace(
        coupon.etch,
        haz_grey=-0.05,
        haz_edge_mm=0.3,
        weld_grey=-0.02,
        streak_grey=0.045,
        etch_drift=0.5,
        etch_gone=0.2,
    )
    worn = replace(coupon.worn, stains=2, drips=1, clouds_grey=0.05, fingerprints=1)
    coupon = replace(coupon, etch=etch, worn=worn)
    shot = _lying(
        coupon,
        3,
        size_px=(4000, 3000),
        share=0.86,
        tilt_deg=(3, -2),
        roll_deg=2,
        aim=(0.5, 0.56),
    )
    shot = replace(
        shot, tier="hard", setting=Setting("paper", 0.0, light_slope=0.3, cast=0.2)
    )
    return Sample("poor-etch", "weak etch that hardly took at the left end", shot)


def _rusty() -> Sample:
    """Ground with coarse paper and left lying for a day."""
    coupon = test_plate(4)
    worn = replace(
        coupon.worn,
        grind_grey=0.06,
        grind_angle_deg=78.0,
        cross_grey=0.04,
        scratches=70,
        rust=0.45,
        rust_points=25,
        writing=1,
    )
    section = replace(
        coupon.section,
        spatter_xy_mm=plans.random_spatter(np.random.default_rng(5), coupon.section),
        burr_xy_mm=plans.random_burr(np.random.default_rng(1), coupon.section),
    )
    coupon = replace(coupon, section=section, worn=worn)
    shot = _lying(
        coupon,
        4,
        size_px=(4000, 3000),
        share=0.84,
        tilt_deg=(4, 3),
        roll_deg=5,
        aim=(0.5, 0.5),
    )
    shot = replace(
        shot,
        tier="hard",
        setting=Setting("concrete", 0.0, light_slope=0.25),
        sensor=replace(shot.sensor, noise=0.01, jpeg_quality=82),
    )
    return Sample("rust-and-scratches", "coarse grinding marks, rust, burr", shot)


def _right_to_left() -> Sample:
    """Numbered from the right, the first three beads too cold."""
    coupon = test_plate(6, cold=3, reverse=True)
    shot = _lying(
        coupon,
        6,
        size_px=(4000, 2250),
        share=0.88,
        tilt_deg=(-3, 2),
        roll_deg=-1.5,
        aim=(0.5, 0.52),
    )
    shot = replace(
        shot, setting=Setting("cardboard", 0.0, light_slope=0.2), exif_orientation=6
    )
    return Sample(
        "right-to-left-cold", "numbered right to left, cold beads at the right", shot
    )


def _with_card() -> Sample:
    """The printed card beside the coupon, level with its face."""
    coupon = test_plate(5)
    plate = coupon.section.plate
    card = printed_card("pocket", px_per_mm=30.0, grey=0.9)
    lifted = replace(
        card,
        centre_xy_mm=(0.47 * plate.length_mm, plate.thickness_mm + 37.0),
        angle_deg=1.2,
    )
    shot = _lying(
        coupon,
        5,
        size_px=(4000, 3000),
        share=0.84,
        tilt_deg=(-4, 3),
        roll_deg=1,
        aim=(0.5, 0.27),
    )
    shot = replace(shot, patches=(lifted,), reference_option="card")
    return Sample("phone-card", "phone photo with the printed card", shot)
