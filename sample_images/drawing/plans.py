"""Random coupons: plates, beads of every kind, spatter and burr."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from sample_images.drawing import shapes
from sample_images.drawing.section import (
    BeadPlan,
    PlatePlan,
    Section,
    bend,
    make_section,
)

Rng = np.random.Generator

MOST_BEADS = 20

# How often each kind of bead is drawn, by difficulty.
EASY_KINDS = {"normal": 10, "wide": 2, "finger": 2, "cold": 2, "humped": 1}
ALL_KINDS = {
    "normal": 9,
    "wide": 3,
    "finger": 2.5,
    "cold": 5,
    "humped": 1.5,
    "overlap": 1.2,
    "undercut": 1.2,
    "off-centre": 1.5,
    "crater": 0.8,
    "flush": 1.2,
    "unfused": 0.5,
    "deep": 1.2,
}


def random_section(
    rng: Rng,
    *,
    kinds: Mapping[str, float] = ALL_KINDS,
    length_mm: tuple[float, float] = (45.0, 150.0),
    crowding: float | None = None,
    least_gap_mm: float = 0.0,
) -> Section:
    """
    A coupon drawn by lot.

    Parameters
    ----------
    kinds
        Weights of the kinds of bead.
    length_mm
        Limits of the coupon's length.
    crowding
        0 far apart .. 1 toes touching; by lot when not given.
    least_gap_mm
        Bare plate between neighbouring toes at least.
    """
    plate = _random_plate(rng, length_mm)
    tight = rng.beta(1.2, 1.6) if crowding is None else crowding
    plans = _place_beads(rng, plate, kinds, (tight, least_gap_mm))
    section = make_section(plate, plans)
    return replace(
        section,
        spatter_xy_mm=random_spatter(rng, section),
        burr_xy_mm=random_burr(rng, section),
    )


def _random_plate(rng: Rng, length_mm: tuple[float, float]) -> PlatePlan:
    """A plate 3-25 mm thick, mostly of the stocked thicknesses."""
    stock = rng.choice([3, 4, 5, 6, 8, 10, 12, 15, 20, 25])
    thick = (
        float(stock) * rng.normal(1.0, 0.012)
        if rng.random() < 0.7
        else float(np.exp(rng.uniform(np.log(3), np.log(25))))
    )
    length = rng.uniform(*length_mm)
    bow = rng.choice([0.0, 1.0], p=[0.4, 0.6]) * rng.normal(0, 0.5)
    limit = (length / 150) ** 1.5
    broken = np.where(rng.random(4) < 0.25, rng.uniform(0.2, 1.3, 4), 0.0)
    return PlatePlan(
        thickness_mm=max(2.9, thick),
        length_mm=length,
        bow_mm=float(np.clip(bow, -1, 1) * limit),
        end_tilt=tuple(rng.normal(0, 0.012, 2)),
        chamfer_mm=tuple(np.minimum(broken, 0.2 * thick)),
    )


def _place_beads(
    rng: Rng,
    plate: PlatePlan,
    kinds: Mapping[str, float],
    spacing: tuple[float, float],
) -> tuple[BeadPlan, ...]:
    """Beads from left to right until the plate is full; spacing is crowding, gap."""
    tight, least_gap_mm = spacing
    names = list(kinds)
    weights = np.array([kinds[name] for name in names], float)
    heat = rng.uniform(0.4, 1.25)
    plans: list[BeadPlan] = []
    reached = rng.uniform(1.0, 3.0 + 12 * (1 - tight))
    if rng.random() < 0.06:
        reached = -rng.uniform(0.5, 4.0)
    while len(plans) < MOST_BEADS:
        kind = str(rng.choice(names, p=weights / weights.sum()))
        plan = random_bead(rng, kind, plate.thickness_mm, heat)
        reached = max(reached, -0.6 * plan.width_mm)  # some of it is on the plate
        free = plate.length_mm - reached - plan.width_mm
        if free < 1.0 and not (free > -0.4 * plan.width_mm and rng.random() < 0.06):
            break
        plans.append(replace(plan, at_mm=reached + plan.width_mm / 2))
        gap = rng.exponential(0.5 + 9 * (1 - tight) ** 2)
        touching = rng.random() < 0.06 + 0.12 * tight
        if least_gap_mm <= 0 and touching:
            gap = 0.0
        reached += plan.width_mm + (0 if gap == 0 else 0.15)
        reached += float(np.clip(gap, least_gap_mm, 30.0))
    return tuple(plans)


def random_bead(rng: Rng, kind: str, thick_mm: float, heat: float = 1.0) -> BeadPlan:
    """One bead of a kind, not placed yet; hotter beads are wider and deeper."""
    size = heat * rng.lognormal(0, 0.28)
    width = float(np.clip(8.5 * size, 3.0, 20.0))
    plan = BeadPlan(
        at_mm=0.0,
        width_mm=width,
        penetration_mm=float(width * rng.uniform(0.1, 0.36)),
        reinforcement_mm=float(width * rng.uniform(0.13, 0.34)),
        root=str(rng.choice(shapes.ROOTS, p=[0.25, 0.2, 0.15, 0.12, 0.1, 0.08, 0.1])),
        cap=str(rng.choice(shapes.CAPS, p=[0.3, 0.4, 0.1, 0.1, 0.06, 0.04])),
        kind=kind,
        skew=float(rng.normal(0, 0.12)),
        lean=float(rng.normal(0, 0.06)),
        haz_mm=float(np.clip(0.17 * width * rng.lognormal(0, 0.35), 0.35, 4.0)),
        haz_waviness=float(rng.uniform(0.0, 0.1)),
        waviness_mm=float(width * rng.uniform(0.0, 0.006)),
        seed=int(rng.integers(2**31)),
    )
    plan = _of_kind(rng, plan)
    deepest = 0.85 * thick_mm
    return replace(plan, penetration_mm=min(plan.penetration_mm, deepest))


def _of_kind(rng: Rng, plan: BeadPlan) -> BeadPlan:
    """Change an ordinary bead into one of the special kinds."""
    width = plan.width_mm
    changes: dict[str, dict[str, object]] = {
        "wide": {
            "width_mm": min(20.0, width * 1.35),
            "reinforcement_mm": width * rng.uniform(0.06, 0.16),
            "root": str(rng.choice(["segment", "flat", "broad", "parabola"])),
        },
        "finger": {
            "penetration_mm": width * rng.uniform(0.3, 0.55),
            "root": "finger",
            "skew": rng.normal(0, 0.15),
        },
        "cold": {
            "width_mm": width * 0.75,
            "penetration_mm": rng.uniform(0.08, 0.45),
            "reinforcement_mm": width * rng.uniform(0.3, 0.5),
            "cap": str(rng.choice(["segment", "ellipse", "segment"])),
            "haz_mm": plan.haz_mm * rng.uniform(0.5, 1.0),
        },
        "humped": {
            "reinforcement_mm": width * rng.uniform(0.4, 0.62),
            "cap": "segment",
            "penetration_mm": width * rng.uniform(0.05, 0.2),
        },
        "overlap": {
            "rolled_mm": tuple(
                rng.uniform(0.3, 1.6, 2) * rng.permutation([1.0, rng.integers(2)])
            ),
            "reinforcement_mm": width * rng.uniform(0.4, 0.56),
            "cap": "segment",
            "penetration_mm": width * rng.uniform(0.03, 0.2),
        },
        "undercut": {
            "undercut_mm": tuple(
                rng.uniform(0.15, 0.7, 2) * rng.permutation([1.0, rng.integers(2)])
            ),
            "penetration_mm": width * rng.uniform(0.2, 0.36),
        },
        "off-centre": {"skew": rng.uniform(0.25, 0.55) * rng.choice([-1, 1])},
        "crater": {
            "crater": rng.uniform(0.3, 0.95),
            "reinforcement_mm": width * rng.uniform(0.1, 0.2),
            "cap": "parabola",
        },
        "flush": {
            "reinforcement_mm": float(rng.uniform(0.005, 0.06)),
            "cap": "table",
            "lean": 0.0,
            "waviness_mm": 0.0,
        },
        "unfused": {
            "penetration_mm": 0.05,
            "reinforcement_mm": width * rng.uniform(0.35, 0.55),
            "cap": "segment",
            "haz_mm": plan.haz_mm * rng.uniform(0.3, 0.8),
        },
        "deep": {
            "penetration_mm": width * rng.uniform(0.4, 0.75),
            "root": str(rng.choice(["parabola", "ellipse", "finger", "vee"])),
        },
    }
    return replace(plan, **changes.get(plan.kind, {}))  # type: ignore[arg-type]


def random_spatter(rng: Rng, section: Section) -> tuple[NDArray[np.float64], ...]:
    """Drops of metal standing on the plate or on a weld face, cut or behind it."""
    if rng.random() < 0.35:
        return ()
    drops = []
    for _ in range(rng.poisson(rng.choice([1.5, 6.0]))):
        radius = float(np.clip(rng.lognormal(np.log(0.35), 0.5), 0.12, 1.4))
        s = rng.uniform(0, section.plate.length_mm)
        base = _height_under(section, s, radius, rng)
        if np.isnan(base):
            continue
        angle = np.linspace(0, 2 * np.pi, 33)[:-1]
        flat = rng.uniform(0.6, 1.1)
        rim = radius * (1 + shapes.wave(32, rng, 0.06, 2))
        sunk = rng.uniform(0.1, 0.95)
        drop = np.column_stack(
            [
                s + rim * np.cos(angle),
                base - radius * flat * sunk + flat * rim * np.sin(angle),
            ]
        )
        drop[:, 1] = np.minimum(drop[:, 1], base + 0.02)
        drops.append(bend(drop, section.plate))
    return tuple(drops)


def _height_under(section: Section, s: float, radius: float, rng: Rng) -> float:
    """What a drop at s would stand on: plate, the top of a bead, or NaN for nothing."""
    for bead in section.beads:
        start, end = bead.span_mm
        if not start - radius < s < end + radius:
            continue
        on_top = abs(s - (start + end) / 2) < 0.3 * (end - start)
        if not on_top or rng.random() < 0.5:
            return float("nan")
        cap = bead.cap_xy_mm
        order = np.argsort(cap[:, 0])
        surface = bend(np.array([[s, 0.0]]), section.plate)[0, 1]
        return float(np.interp(s, cap[order, 0], cap[order, 1]) - surface)
    return 0.0


def random_burr(rng: Rng, section: Section) -> tuple[NDArray[np.float64], ...]:
    """Saw burr: ragged slivers along the back, sometimes along the top or an end."""
    length, thick = section.plate.length_mm, section.plate.thickness_mm
    strips = []
    for level, out, chance in ((thick, 1.0, 0.35), (0.0, -1.0, 0.06)):
        if rng.random() > chance:
            continue
        start, end = np.sort(rng.uniform(-0.1, 1.1, 2)).clip(0, 1) * length
        if end - start < 4:
            continue
        count = int((end - start) * 6) + 8
        height = rng.uniform(0.1, 0.45)
        ragged = height * np.abs(shapes.wave(count, rng, 0.7, (end - start) / 2))
        ragged += height * np.abs(shapes.wave(count, rng, 0.3, (end - start) * 1.5))
        s = np.linspace(start, end, count)
        free = np.ones(count, bool)
        if out < 0:
            for bead in section.beads:
                free &= (s < bead.span_mm[0]) | (s > bead.span_mm[1])
        edge = np.column_stack([s, level + out * ragged * free])
        back = np.column_stack([s[::-1], np.full(count, level - out * 0.05)])
        strips.append(bend(np.vstack([edge, back]), section.plate))
    return tuple(strips)
