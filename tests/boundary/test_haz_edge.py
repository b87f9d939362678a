"""Which part of a HAZ edge is a bead's own."""

from __future__ import annotations

import numpy as np
import pytest

from weldsection.boundary.trace import CUSP_MM, _before_cusps

ACROSS = np.linspace(-1, 1, 81)


def test_a_lone_bead_keeps_its_whole_edge() -> None:
    """It rises to both sides, with some roughness."""
    rough = 0.3 * CUSP_MM * np.sin(40 * ACROSS)

    assert _before_cusps(3 - 2 * ACROSS**2 + rough).all()


@pytest.mark.parametrize("mirrored", [False, True])
def test_a_neighbours_deeper_edge_is_left_out(mirrored: bool) -> None:
    """A cold bead beside a hot one does not get the hot one's depth."""
    depth = 1.5 - 0.8 * ACROSS**2
    neighbour = 3 - 12 * (ACROSS + 1.05) ** 2
    edge = np.maximum(depth, neighbour)
    edge = edge[::-1] if mirrored else edge

    own = _before_cusps(edge)

    assert edge[own].max() == pytest.approx(1.5, abs=0.02)
    assert own.sum() > 50
    assert not own[-1 if mirrored else 0]
