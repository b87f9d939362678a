"""How an etched face may look: random styles in families."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

Rng = np.random.Generator
Colour = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class EtchStyle:
    """
    Look of a ground and etched face; greys in 0..1, lengths in mm.

    Attributes
    ----------
    family
        Name of the family it was drawn from.
    base_grey
        The plate.
    haz_grey, haz_inner
        Outer HAZ against the plate, and the part of it left at the fusion line.
    haz_delay, haz_rise
        The zone takes on its outer grey past the first part of its thickness,
        and over the second part of it.
    haz_edge_mm
        Softness of the outer edge.
    haz_line
        Darkness of a thin line along the outer edge.
    coarse_mm, coarse_grey
        Strip of coarse grains along the fusion line, and its likeness to weld.
    coarse_grain_mm, coarse_fade
        Size of those grains, and the part of the strip over which they fade.
    weld_grey
        Weld metal against the plate.
    streak_grey, streak_mm, streak_sharp
        Columnar grains: contrast, width, and how hard their edges are.
    fan
        0 grains follow the fusion line's normals .. 1 all run to one point.
    mottle_grey
        Cloudy contrast in the weld.
    bands_grey
        Solidification bands along the fusion line.
    fusion_line, fusion_line_out
        Darkness of a thin line on the fusion boundary, and how far outside of
        it the line lies in its own half widths: the partly melted grains that
        etch so belong to the plate.
    fusion_soft_mm
        Width over which the greys of weld and HAZ run into each other.
    ragged_mm, ragged_grain_mm
        How far single grains reach over the fusion line either way, and how
        wide they are; the truth is the line through their middle.
    reheated
        How much of its grain a bead loses in a later bead's HAZ.
    bead_spread
        Change of the weld's grey from bead to bead.
    pores
        Chance of gas pores in a bead.
    etch_drift, etch_gone
        Change of the etch's strength along the coupon, and the part not etched.
    grain_grey, grain_mm
        Speckle of the plate's own grain.
    tint, haz_tint, weld_tint
        Colour casts (multipliers around 1).
    """

    family: str
    base_grey: float = 0.62
    haz_grey: float = -0.16
    haz_inner: float = 0.5
    haz_delay: float = 0.0
    haz_rise: float = 0.8
    haz_edge_mm: float = 0.05
    haz_line: float = 0.0
    coarse_mm: float = 0.0
    coarse_grey: float = 0.6
    coarse_grain_mm: float = 0.28
    coarse_fade: float = 0.3
    weld_grey: float = -0.06
    streak_grey: float = 0.06
    streak_mm: float = 0.25
    streak_sharp: float = 1.0
    fan: float = 0.4
    mottle_grey: float = 0.02
    bands_grey: float = 0.0
    fusion_line: float = 0.0
    fusion_line_out: float = 0.8
    fusion_soft_mm: float = 0.15
    ragged_mm: float = 0.0
    ragged_grain_mm: float = 0.2
    reheated: float = 0.7
    bead_spread: float = 0.0
    pores: float = 0.0
    etch_drift: float = 0.1
    etch_gone: float = 0.0
    grain_grey: float = 0.02
    grain_mm: float = 0.12
    tint: Colour = (1.0, 1.0, 1.0)
    haz_tint: Colour = (1.0, 1.0, 1.0)
    weld_tint: Colour = (1.0, 1.0, 1.0)


@dataclass(frozen=True, slots=True)
class SurfaceStyle:
    """
    What grinding, handling and time did to the face; contrasts in 0..1.

    Angles are in degrees against the plate surface, counts per picture.
    """

    grind_grey: float = 0.03
    grind_angle_deg: float = 0.0
    grind_mm: float = 8.0
    cross_grey: float = 0.0
    scratches: int = 10
    rolling_grey: float = 0.015
    segregation_grey: float = 0.0
    clouds_grey: float = 0.03
    indents: int = 0
    stains: int = 0
    drips: int = 0
    fingerprints: int = 0
    rust: float = 0.0
    rust_points: int = 0
    writing: int = 0
    punches: int = 0
    oil: float = 0.0
    rim_mm: float = 0.25
    rim_grey: float = 0.08
    rim_blur_mm: float = 0.0
    resin: bool = False


FAMILIES = {
    "dark-haz": 5.0,
    "light-haz": 2.0,
    "faint-haz": 2.5,
    "grain-only": 2.0,
    "dark-weld": 2.0,
    "bright-weld": 2.0,
    "line-etch": 1.2,
    "coarse-strip": 1.5,
    "over-etched": 1.5,
    "mottled": 1.2,
    "same-haz-weld": 1.5,
    "pale": 1.0,
}
# Never drawn for training: looked at only to see how the rest generalises.
HELD_OUT_FAMILIES = ("two-tone-weld", "tinted-etch", "ghost-haz")


def random_etch(rng: Rng, family: str | None = None) -> EtchStyle:
    """An etch drawn by lot, of one family if named."""
    names, weights = list(FAMILIES), np.array(list(FAMILIES.values()))
    if family is None:
        family = str(rng.choice(names, p=weights / weights.sum()))
    style = _of_family(rng, _ordinary(rng, family))
    if rng.random() < 0.12:
        style = replace(style, etch_gone=float(rng.uniform(0.15, 0.5)))
    return style


def _ordinary(rng: Rng, family: str) -> EtchStyle:
    """
    The family most macrographs belong to: darker HAZ, streaked weld between.

    In many there is no step in grey at the fusion line, and the inner HAZ
    looks like the weld for a good part of its thickness.
    """
    haz = -rng.uniform(0.07, 0.26)
    inner = rng.uniform(-0.1, 0.6) if rng.random() < 0.65 else rng.uniform(0.3, 1.6)
    weld = haz * rng.uniform(0.1, 0.9)
    if rng.random() < 0.45:
        weld = haz * inner + rng.normal(0, 0.015)
    return EtchStyle(
        family=family,
        base_grey=rng.uniform(0.42, 0.8),
        haz_grey=haz,
        haz_inner=inner,
        haz_delay=rng.uniform(0.0, 0.5) if rng.random() < 0.6 else 0.0,
        haz_rise=rng.uniform(0.1, 1.0),
        haz_edge_mm=rng.uniform(0.01, 0.15),
        haz_line=rng.uniform(0.02, 0.15) if rng.random() < 0.25 else 0.0,
        coarse_mm=rng.uniform(0.15, 0.9) if rng.random() < 0.5 else 0.0,
        coarse_grey=rng.uniform(0.0, 1.0),
        coarse_grain_mm=rng.uniform(0.06, 0.35),
        coarse_fade=rng.uniform(0.2, 1.0),
        weld_grey=weld,
        streak_grey=rng.uniform(0.03, 0.14),
        streak_mm=float(np.exp(rng.uniform(np.log(0.06), np.log(0.8)))),
        streak_sharp=float(np.exp(rng.uniform(np.log(0.4), np.log(5.0)))),
        fan=rng.beta(0.8, 0.8),
        mottle_grey=rng.uniform(0.0, 0.05),
        bands_grey=rng.uniform(0.01, 0.05) if rng.random() < 0.3 else 0.0,
        fusion_line=rng.uniform(0.02, 0.2) if rng.random() < 0.4 else 0.0,
        fusion_line_out=rng.uniform(0.2, 1.3),
        fusion_soft_mm=rng.uniform(0.01, 0.1)
        if rng.random() < 0.6
        else rng.uniform(0.05, 0.35),
        ragged_mm=rng.uniform(0.0, 0.05) if rng.random() < 0.6 else 0.0,
        ragged_grain_mm=rng.uniform(0.06, 0.4),
        reheated=rng.uniform(0.3, 1.0),
        bead_spread=rng.uniform(0.0, 0.035),
        pores=rng.choice([0.0, 0.3], p=[0.75, 0.25]),
        etch_drift=rng.uniform(0.0, 0.4),
        grain_grey=0.004 + 0.035 * rng.beta(1, 2.5),
        grain_mm=rng.uniform(0.05, 0.25),
        tint=_tint(rng, 0.02),
        haz_tint=_tint(rng, 0.018),
        weld_tint=_tint(rng, 0.018),
    )


def _of_family(rng: Rng, style: EtchStyle) -> EtchStyle:
    """Bend the ordinary etch towards its family."""
    haz, streak = style.haz_grey, style.streak_grey
    changes: dict[str, dict[str, object]] = {
        "light-haz": {
            "haz_grey": rng.uniform(0.06, 0.2),
            "weld_grey": rng.uniform(-0.15, 0.12),
            "base_grey": rng.uniform(0.35, 0.62),
        },
        "faint-haz": {
            "haz_grey": rng.choice([-1, 1]) * rng.uniform(0.01, 0.045),
            "haz_edge_mm": rng.uniform(0.05, 0.4),
            "weld_grey": rng.uniform(-0.08, 0.08),
        },
        "grain-only": {
            "haz_grey": rng.normal(0, 0.006),
            "haz_line": 0.0,
            "weld_grey": rng.normal(0, 0.012),
            "streak_grey": rng.uniform(0.02, 0.09),
            "fusion_line": rng.choice([0.0, 0.05]),
        },
        "dark-weld": {
            "weld_grey": -rng.uniform(0.14, 0.32),
            "haz_grey": -rng.uniform(0.02, 0.14),
        },
        "bright-weld": {
            "weld_grey": rng.uniform(0.06, 0.24),
            "base_grey": rng.uniform(0.35, 0.65),
            "haz_grey": -rng.uniform(0.03, 0.16),
        },
        "line-etch": {
            "haz_grey": rng.normal(0, 0.015),
            "haz_line": rng.uniform(0.06, 0.22),
            "fusion_line": rng.uniform(0.08, 0.3),
            "weld_grey": rng.normal(0, 0.03),
        },
        "coarse-strip": {
            "coarse_mm": rng.uniform(0.3, 1.1),
            "coarse_grey": rng.uniform(0.8, 1.1),
        },
        "over-etched": {
            "base_grey": rng.uniform(0.3, 0.5),
            "haz_grey": haz * 0.8,
            "weld_grey": -rng.uniform(0.0, 0.12),
            "mottle_grey": rng.uniform(0.03, 0.08),
            "grain_grey": rng.uniform(0.02, 0.06),
            "tint": _tint(rng, 0.06),
        },
        "mottled": {
            "mottle_grey": rng.uniform(0.05, 0.11),
            "streak_grey": streak * rng.uniform(0.1, 0.5),
        },
        "same-haz-weld": {
            "weld_grey": haz * rng.uniform(0.9, 1.1),
            "haz_inner": rng.uniform(0.9, 1.1),
        },
        "pale": {
            "base_grey": rng.uniform(0.66, 0.85),
            "haz_grey": rng.normal(0, 0.012),
            "haz_line": 0.0,
            "weld_grey": rng.normal(0, 0.015),
            "streak_grey": rng.uniform(0.012, 0.04),
            "mottle_grey": rng.uniform(0.0, 0.02),
            "fusion_line": rng.choice([0.0, 0.03]),
            "bead_spread": 0.0,
        },
        "two-tone-weld": {
            "bands_grey": 0.12,
            "weld_grey": rng.uniform(-0.12, 0.1),
        },
        "tinted-etch": {
            "haz_tint": (0.8, 0.95, 1.2),
            "weld_tint": (1.2, 1.0, 0.75),
            "tint": (1.06, 1.0, 0.9),
        },
        "ghost-haz": {
            "haz_grey": 0.05,
            "haz_line": 0.12,
            "haz_inner": -0.6,
            "coarse_mm": 0.5,
        },
    }
    return replace(style, **changes.get(style.family, {}))  # type: ignore[arg-type]


def random_surface(rng: Rng, wear: float = 0.4) -> SurfaceStyle:
    """
    Grinding marks, stains and rust drawn by lot.

    ``wear`` 0 is a fresh fine-ground face, 1 a rough and rusty one.
    """

    def sometimes(chance: float) -> bool:
        return bool(rng.random() < chance * (0.3 + 1.4 * wear))

    along = rng.choice([0.0, 90.0, rng.uniform(0, 180)], p=[0.45, 0.2, 0.35])
    return SurfaceStyle(
        grind_grey=rng.uniform(0.005, 0.03 + 0.07 * wear),
        grind_angle_deg=float(along + rng.normal(0, 4)),
        grind_mm=rng.uniform(1.5, 25),
        cross_grey=rng.uniform(0.01, 0.06) if sometimes(0.35) else 0.0,
        scratches=int(rng.poisson(4 + 40 * wear)),
        rolling_grey=rng.uniform(0.0, 0.03),
        segregation_grey=rng.uniform(0.03, 0.15) if sometimes(0.2) else 0.0,
        clouds_grey=rng.uniform(0.005, 0.02 + 0.06 * wear),
        indents=int(rng.integers(1, 4)) if sometimes(0.12) else 0,
        stains=int(rng.poisson(1.5)) if sometimes(0.4) else 0,
        drips=int(rng.poisson(1.2)) if sometimes(0.25) else 0,
        fingerprints=int(sometimes(0.15)),
        rust=rng.uniform(0.1, 0.8) if sometimes(0.18) else 0.0,
        rust_points=int(rng.poisson(15)) if sometimes(0.2) else 0,
        writing=int(sometimes(0.18)),
        punches=int(rng.integers(1, 5)) if sometimes(0.06) else 0,
        oil=rng.uniform(0.03, 0.12) if sometimes(0.12) else 0.0,
        rim_mm=rng.uniform(0.05, 0.5),
        rim_grey=float(rng.normal(0.02, 0.1)),
        rim_blur_mm=rng.uniform(0.05, 0.3) if sometimes(0.3) else 0.0,
        resin=bool(rng.random() < 0.05),
    )


def _tint(rng: Rng, spread: float) -> Colour:
    """A faint colour cast (red, green, blue multipliers)."""
    warm, green = rng.normal(0, spread), rng.normal(0, spread / 2)
    return 1 + warm, 1 + green, 1 - warm
