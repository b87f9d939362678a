"""The trained networks and how they are run: by OpenCV, on the processor."""

from __future__ import annotations

from concurrent.futures import Future
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt

from weldsection.beside import begun
from weldsection.records import ByteArray

MODELS = Path(__file__).parent / "models"
IN_ORDER = ("view", "strip", "line", "toe", "cap")  # of need
MULTIPLE = 64  # sides of zone pictures and lengths of bands: halved six times
TRIAL = (1, 3, 3 * MULTIPLE, 2 * MULTIPLE)  # the shape of a picture that suits all


def load_ahead() -> None:
    """Begin to load all networks, beside the reading of a photo for instance."""
    for name in IN_ORDER:
        _coming(name)


def run_network(name: str, pictures: ByteArray) -> npt.NDArray[np.float32]:
    """
    Run one of the networks on pictures of the same size.

    Parameters
    ----------
    name
        Of a file in ``models/``, without its ending.
    pictures
        ``(n, rows, columns, 3)``, channels blue-green-red, 0..255.

    Returns
    -------
    scores
        ``(n, channels, rows, columns)``, not normalised, and folded: several
        channels are neighbouring points of one picture, see `unfolded`.
    """
    network = _coming(name).result()
    network.setInput(cv2.dnn.blobFromImages(list(pictures), 1 / 255.0, swapRB=True))
    return np.asarray(network.forward(), dtype=np.float32)


def unfolded(scores: npt.NDArray[np.float32], fold: int) -> npt.NDArray[np.float32]:
    """
    Lay out what a network gives for blocks of ``fold`` by ``fold`` points.

    The networks leave it to us, who need not do it for every channel: moving
    numbers about takes as long as multiplying them.

    Examples
    --------
    >>> folded = np.arange(8, dtype=np.float32).reshape(1, 4, 1, 2)
    >>> unfolded(folded, 2)[0, 0].astype(int).tolist()
    [[0, 2, 1, 3], [4, 6, 5, 7]]
    """
    n, channels, rows, columns = scores.shape
    blocks = scores.reshape(n, -1, fold, fold, rows, columns)
    laid = blocks.transpose(0, 1, 4, 2, 5, 3)
    return laid.reshape(n, channels // fold**2, fold * rows, fold * columns)


@cache
def _coming(name: str) -> Future[cv2.dnn.Net]:
    return begun(_loaded, name)


def _loaded(name: str) -> cv2.dnn.Net:
    """Load a network and try it once, which lays out its weights."""
    network = cv2.dnn.readNetFromONNX(str(MODELS / f"{name}.onnx"), *chosen_engine())
    network.setInput(np.zeros(TRIAL, np.float32))
    network.forward()
    return network


def chosen_engine() -> tuple[int, ...]:
    """
    What OpenCV is told besides the file: which of its engines to use.

    OpenCV 5 has several, and the older takes two thirds of the time of the one that
    it would choose for these networks. OpenCV 4 has no other, and takes no choice.
    """
    engine = getattr(cv2.dnn, "ENGINE_CLASSIC", None)
    return () if engine is None else (int(engine),)
