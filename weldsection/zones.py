"""Name the zones of an etched section: background, base metal, HAZ, weld.

Two small networks, trained on drawn sections only (`sample_images/training`),
give each pixel's log-probabilities. One looks at a whole reduced photo to find
the etched face; the other looks at the face on its mm grid. Nothing after this
module knows where the probabilities come from.
"""

from __future__ import annotations

from enum import IntEnum

import cv2
import numpy as np
import numpy.typing as npt

from weldsection.networks import MULTIPLE, run_network, unfolded
from weldsection.records import ByteArray

ZoneArray = npt.NDArray[np.float32]
"""``(4, rows, columns)`` log-probabilities in the order of `Zone`."""

FOLD = 2  # they give logits at half the picture's resolution, folded by this
TRAINED_CLASSES = 5  # the fifth, other metal, is no part of the face


class Zone(IntEnum):
    """What a point of the picture is, in the order of the zone arrays."""

    BACKGROUND = 0
    BASE = 1
    HAZ = 2
    WELD = 3


def view_zones(bgr: ByteArray) -> ZoneArray:
    """Zones of a whole photo reduced to about 640 pixels."""
    return _run("view", bgr)


def strip_zones(bgr: ByteArray) -> ZoneArray:
    """Zones of an etched face on a grid of 0.05 mm."""
    return _run("strip", bgr)


def _run(name: str, bgr: ByteArray) -> ZoneArray:
    rows, columns = bgr.shape[:2]
    padded = cv2.copyMakeBorder(
        bgr,
        0,
        -rows % MULTIPLE,
        0,
        -columns % MULTIPLE,
        cv2.BORDER_CONSTANT,
    )
    half = unfolded(run_network(name, padded[None]), FOLD)[0]
    logits = np.empty((len(half), *padded.shape[:2]), np.float32)
    for whole, logit in zip(logits, half, strict=True):
        cv2.resize(logit, whole.shape[::-1], dst=whole)
    return _log_probabilities(logits[:, :rows, :columns])


def _log_probabilities(logits: npt.NDArray[np.float32]) -> ZoneArray:
    """Normalise logits and fold other metal into the background.

    In place as far as it goes: for arrays of this size fresh memory costs more
    than the arithmetic.
    """
    chances = np.subtract(logits, logits.max(axis=0))
    np.exp(chances, out=chances)
    chances[Zone.BACKGROUND] += chances[TRAINED_CLASSES - 1]
    zones = chances[: TRAINED_CLASSES - 1]
    zones /= zones.sum(axis=0)
    np.maximum(zones, np.float32(1e-6), out=zones)
    return np.asarray(np.log(zones, out=zones))


def log_odds(zones: ZoneArray, wanted: tuple[Zone, ...]) -> npt.NDArray[np.float32]:
    """Log-odds ``(rows, columns)`` of some zones against all the others."""
    inside = np.exp(zones[wanted[0]])
    for zone in wanted[1:]:
        inside += np.exp(zones[zone])
    np.clip(inside, 1e-6, 1 - 1e-6, out=inside)
    inside /= 1 - inside
    return np.asarray(np.log(inside, out=inside), dtype=np.float32)


FACE = (Zone.BASE, Zone.HAZ, Zone.WELD)
