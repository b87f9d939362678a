"""How right the scale of a plate or of two points can be at all.

Run from the top of the project::

    python tests/benchmarks/scale_floor.py --cases 200

The photos are those of ``scale.py``: caliper, clicks and edges are off at random,
and the lens bends. Two imagined methods read them beside ours. One knows the tilt
exactly, so that only those errors are left. The other knows how the photos were
drawn and weighs every tilt by what the plate's edges and ends show of it: no method
that looks at edges and ends can do better, however it works.
"""

from __future__ import annotations

import argparse
import json
import math
from collections.abc import Callable

import numpy as np
import scale as drawn
from numpy.typing import NDArray

from weldsection.errors import ScaleError
from weldsection.records import mm_per_px_at
from weldsection.scale.edges import CouponEdges, coupon_edges
from weldsection.scale.points import sized_by_points
from weldsection.scale.request import parse_reference
from weldsection.scale.thickness import sized_by_gap
from weldsection.scale.tilt import (
    Camera,
    log_scale_field,
    plane_homographies,
    project_all,
)

# how the photos are drawn: sample_images/drawing/scene.py, random_pose
TILT_DEG = {"phone": 4.0, "hard": 6.5}
FOCAL_PER_WIDTH = (0.8, 1.5)
# scale.py, face_of: an edge of some hundred points turns by this much at its ends
SAW_RAD = math.radians(2.0)
EDGE_PX = 0.15
CORNER_PX = 1.0

TRIES = 60_000
Points = NDArray[np.float64]
Sized = Callable[[Points], Points]


def floors(kind: str, tier: str, seed: int) -> dict[str, float] | None:
    """Errors of the imagined methods and of ours; None where ours refuses."""
    case = drawn.draw_case(kind, seed, tier)
    ours = drawn.run_case(case, tier)
    try:
        edges = coupon_edges(case.face)
    except ScaleError:
        return None
    request = parse_reference(case.reference)
    points = np.array(request.points_xy_px)

    def sized(homographies: Points) -> Points:
        if kind == "thickness":
            return sized_by_gap(homographies, edges, request.length_mm)
        return sized_by_points(homographies, points, request.length_mm)

    at = case.face.centre_xy_px
    known = sized(np.linalg.inv(case.shot.pose.to_pixels)[None])[0]
    weighed = _weighed(sized, edges, case.photo.shape, tier, at)
    return {
        "tilt known": mm_per_px_at(known, at) / case.mm_per_px - 1,
        "best with edges": weighed / case.mm_per_px - 1,
        "ours": ours.error,
    }


def _weighed(
    sized: Sized, edges: CouponEdges, shape: tuple[int, int], tier: str, at: Points
) -> float:
    """Scale in the middle of all tilts, each weighed by what the edges show."""
    rng = np.random.default_rng(5)
    tilt = np.clip(rng.normal(0, TILT_DEG[tier], (TRIES, 2)), -15, 15)
    focal = rng.uniform(*FOCAL_PER_WIDTH, TRIES)
    camera = Camera((np.array(shape[::-1]) - 1) / 2, float(shape[1]), 0.0)
    views = np.column_stack([np.tan(np.radians(tilt)), np.log(focal)])
    homographies = sized(plane_homographies(views, camera))
    badness = _badness(homographies, edges)
    weight = np.exp(-(badness - badness.min()) / 2)
    log_scale = log_scale_field(homographies, at)[:, 0]
    order = np.argsort(log_scale)
    share = np.cumsum(weight[order]) / weight.sum()
    return math.exp(float(log_scale[order][np.searchsorted(share, 0.5)]))


def _badness(homographies: Points, edges: CouponEdges) -> Points:
    """Squared deviations of edges from parallel and of ends from square."""
    lines = np.stack(
        [edges.top_xy_px, edges.bottom_xy_px, edges.left_xy_px, edges.right_xy_px]
    )
    ends = project_all(homographies, lines.reshape(-1, 2)).reshape(-1, 4, 2, 2)
    run = ends[:, :, 1] - ends[:, :, 0]
    angle = np.arctan2(run[..., 1], run[..., 0])
    middle = (angle[:, 0] + angle[:, 1]) / 2
    length, gap = (float(np.hypot(*(lines[k, 1] - lines[k, 0]))) for k in (0, 2))
    # two edges, each turned by the scatter of its some hundred points
    parallel = (angle[:, 0] - angle[:, 1]) / (EDGE_PX * math.sqrt(2) / length)
    end_u = math.hypot(SAW_RAD, math.sqrt(2) * CORNER_PX / gap)
    square = [
        (angle[:, 2 + k] - middle - np.pi / 2) / end_u * edges.ends_seen[k]
        for k in range(2)
    ]
    return np.asarray(parallel**2 + square[0] ** 2 + square[1] ** 2)


def main() -> None:
    """Print one row for each kind, tier and method."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=200)
    parser.add_argument("--first", type=int, default=0)
    given = parser.parse_args()
    for kind in ("thickness", "points"):
        for tier in TILT_DEG:
            seeds = range(given.first, given.first + given.cases // 2)
            rows = [row for s in seeds if (row := floors(kind, tier, s)) is not None]
            for method in rows[0]:
                error = 100 * np.abs([row[method] for row in rows])
                print(
                    json.dumps(
                        {
                            "kind": kind,
                            "tier": tier,
                            "method": method,
                            "cases": len(rows),
                            "median_pct": round(float(np.nanmedian(error)), 2),
                            "p95_pct": round(float(np.nanquantile(error, 0.95)), 2),
                        }
                    ),
                    flush=True,
                )


if __name__ == "__main__":
    main()
