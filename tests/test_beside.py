"""Work beside other work gives what it would give alone."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager

import cv2
import numpy as np
import pytest

from weldsection import networks
from weldsection.beside import begun


@contextmanager
def threads(count: int) -> Iterator[None]:
    """Let OpenCV use so many threads: one in each of several workers, else more."""
    before = cv2.getNumThreads()
    cv2.setNumThreads(count)
    yield
    cv2.setNumThreads(before)


def fail() -> None:
    """Raise what `measure` would report."""
    raise ValueError("no")


def test_work_is_done_by_another_thread_and_its_errors_come_with_the_result() -> None:
    """What was begun cannot fail unseen."""
    with threads(2):
        assert begun(threading.get_ident).result() != threading.get_ident()
        failing = begun(fail)
        with pytest.raises(ValueError, match="no"):
            failing.result()


def test_a_worker_of_several_does_everything_itself() -> None:
    """No further thread where the processors are taken."""
    with threads(1):
        assert begun(threading.get_ident).result() == threading.get_ident()
        with pytest.raises(ValueError, match="no"):
            begun(fail)


def test_networks_loaded_ahead_give_the_same_scores() -> None:
    """The trial that lays out the weights changes no digit."""
    rng = np.random.default_rng(5)
    band = rng.integers(0, 255, (2, 96, 192, 3), np.uint8)
    plain = cv2.dnn.readNetFromONNX(
        str(networks.MODELS / "line.onnx"), *networks.chosen_engine()
    )
    plain.setInput(cv2.dnn.blobFromImages(list(band), 1 / 255.0, swapRB=True))

    networks.load_ahead()

    np.testing.assert_array_equal(
        networks.run_network("line", band), np.asarray(plain.forward())
    )


def test_two_networks_at_the_same_time_do_not_disturb_each_other() -> None:
    """Fusion lines and weld faces are looked along at the same time."""
    rng = np.random.default_rng(6)
    band = rng.integers(0, 255, (4, 96, 256, 3), np.uint8)
    alone = networks.run_network("cap", band), networks.run_network("line", band)

    with threads(2):
        for _ in range(5):
            beside = begun(networks.run_network, "cap", band)
            line = networks.run_network("line", band)
            np.testing.assert_array_equal(beside.result(), alone[0])
            np.testing.assert_array_equal(line, alone[1])
