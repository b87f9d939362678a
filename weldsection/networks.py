"""The trained networks and how they are run: by OpenCV, on the processor."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt

from weldsection.records import ByteArray

MODELS = Path(__file__).parent / "models"


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
        ``(n, channels, rows, columns)``, not normalised.
    """
    network = _loaded(name)
    network.setInput(cv2.dnn.blobFromImages(list(pictures), 1 / 255.0, swapRB=True))
    return np.asarray(network.forward(), dtype=np.float32)


@cache
def _loaded(name: str) -> cv2.dnn.Net:
    return cv2.dnn.readNetFromONNX(str(MODELS / f"{name}.onnx"))
