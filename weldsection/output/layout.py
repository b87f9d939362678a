"""Where the labels of an annotated picture go.

Labels stand in one or two rows above the picture, each as near to its bead as
its neighbours allow, and never on top of each other.
"""

from __future__ import annotations

import numpy as np

from weldsection.records import FloatArray


def rows_needed(count: int, label_width: float, room: float) -> int:
    """Rows of labels needed: one, or two staggered ones.

    Examples
    --------
    >>> rows_needed(5, 160, 1200), rows_needed(12, 160, 1200)
    (1, 2)
    """
    return 1 if count * label_width <= room else 2


def spread(
    wanted: FloatArray, apart: float, lowest: float, highest: float
) -> FloatArray:
    """Move positions, in rising order, until neighbours are far enough apart.

    Least squares: together they stay as near to where they were wanted as the
    distance allows. Where even the whole room is too small they stand evenly.

    Examples
    --------
    >>> spread(np.array([10.0, 11.0, 50.0]), 6.0, 0.0, 100.0).tolist()
    [7.5, 13.5, 50.0]
    """
    count = len(wanted)
    if count > 1 and (count - 1) * apart > highest - lowest:
        return np.linspace(lowest, highest, count)
    # without the distances the task is to make a sequence rise: pool neighbours
    steps = apart * np.arange(count)
    pools: list[tuple[float, int]] = []
    for value in wanted - steps:
        mean, size = float(value), 1
        while pools and pools[-1][0] > mean:
            before, others = pools.pop()
            mean = (mean * size + before * others) / (size + others)
            size += others
        pools.append((mean, size))
    rising = np.concatenate([np.full(size, mean) for mean, size in pools])
    return np.asarray(np.clip(rising, lowest, highest - steps[-1]) + steps)
