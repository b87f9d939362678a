"""Work that goes on beside other work, in another thread of this process.

OpenCV and numpy let other threads run while they count. The numbers are the same
as one after the other; only the time is shorter where a processor is free.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from typing import ParamSpec, TypeVar

import cv2

P = ParamSpec("P")
T = TypeVar("T")

_POOL = ThreadPoolExecutor(2)


def begun(work: Callable[P, T], *args: P.args, **kwargs: P.kwargs) -> Future[T]:
    """
    Begin some work; ask for its ``result()`` when it is needed.

    What it raises is raised there. Where OpenCV may use one thread only, as in one
    of several workers, no processor is free and the work is done, and raises, at
    once. Work may wait for other work only if that was begun before it: threads are
    few.

    Examples
    --------
    >>> begun(divmod, 7, 2).result()
    (3, 1)
    """
    if cv2.getNumThreads() > 1:
        return _POOL.submit(work, *args, **kwargs)
    done: Future[T] = Future()
    done.set_result(work(*args, **kwargs))
    return done
