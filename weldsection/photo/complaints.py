"""What the JPEG decoder says of damaged data while it makes the best of them.

The decoder inside OpenCV fills what it cannot decode with grey, or with what a
scrambled code happens to mean, and writes one line to the process's standard
error. That line is the only sign, so it is caught there. A copy that broke off
always shows, a lost block nearly always; after a few wrong bytes the code may fall
into step again, and then nobody can tell.
"""

from __future__ import annotations

import os
import re
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress

_STANDARD_ERROR = 2
_CAN_CATCH = os.name == "posix"  # elsewhere each library may have one of its own
_MOST_BYTES = 65536  # what a pipe holds; the decoder writes one line
# Words of libjpeg (jerror.h).
_LOST_DATA = re.compile(rb"premature end|bad Huffman code|instead of RST")
_LEFT_OVER = re.compile(rb"(\d+) extraneous bytes before marker 0x(..)")
# Some cameras fill up whole photos with a few bytes before the end marker; many
# bytes there, and any elsewhere, are data that were not understood.
_END_MARKER, _MOST_FILLING_BYTES = b"d9", 64
_one_at_a_time = threading.Lock()


class Complaints:
    """What was written to standard error, known when `caught` is left."""

    def __init__(self) -> None:
        self.text = b""

    @property
    def data_lost(self) -> bool:
        """Whether the decoder said that it could not decode all of the picture.

        Examples
        --------
        >>> said = Complaints()
        >>> said.text = b"Corrupt JPEG data: 2 extraneous bytes before marker 0xd9"
        >>> said.data_lost
        False
        """
        left_over = _LEFT_OVER.search(self.text)
        if left_over is None:
            return bool(_LOST_DATA.search(self.text))
        count, marker = left_over.groups()
        return marker != _END_MARKER or int(count) > _MOST_FILLING_BYTES


@contextmanager
def caught() -> Iterator[Complaints]:
    """Catch what libraries write to standard error; pass on what is no JPEG's.

    Where there is no standard error, nothing is caught.
    """
    complaints = Complaints()
    with _one_at_a_time:
        before = _copy_of_standard_error()
        if before is None:
            yield complaints
            return
        reading, writing = os.pipe()
        # a full or an empty pipe must not make anyone wait
        os.set_blocking(reading, False)
        os.set_blocking(writing, False)
        os.dup2(writing, _STANDARD_ERROR)
        try:
            yield complaints
        finally:
            os.dup2(before, _STANDARD_ERROR)
            with suppress(BlockingIOError):
                complaints.text = os.read(reading, _MOST_BYTES)
            for done in (reading, writing, before):
                os.close(done)
            _pass_on(complaints.text)


def _copy_of_standard_error() -> int | None:
    """Give a second handle to standard error; None where it cannot be caught."""
    try:
        return os.dup(_STANDARD_ERROR) if _CAN_CATCH else None
    except OSError:  # closed, as for a program without a terminal
        return None


def _pass_on(text: bytes) -> None:
    """Write what others said meanwhile to where it belongs."""
    lines = text.splitlines(keepends=True)
    others = b"".join(line for line in lines if b"JPEG" not in line)
    if others:
        os.write(_STANDARD_ERROR, others)
