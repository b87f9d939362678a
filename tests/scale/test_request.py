"""What may be typed after --reference."""

from __future__ import annotations

import subprocess
import sys

import pytest

from weldsection.errors import UsageError
from weldsection.scale import parse_reference


@pytest.mark.parametrize(
    ("text", "kind", "length"),
    [
        ("thickness=10.02", "thickness", 10.02),
        (" disc=23.25 ", "disc", 23.25),
        ("DISC=24.26", "disc", 24.26),
        ("points=1,2,300.5,4,72.26", "points", 72.26),
    ],
)
def test_lengths_are_read_as_typed(text: str, kind: str, length: float) -> None:
    """Spaces and capitals do not matter, the number does."""
    request = parse_reference(text)

    assert (request.kind, request.length_mm) == (kind, length)


@pytest.mark.parametrize(
    "text",
    [
        "", "coin", "thickness", "thickness=", "thickness=ten", "thickness=0",
        "thickness=-3", "thickness=nan", "thickness=inf", "thickness=1e9", "disc=0.1",
        "disc=9999", "ruler=cm", "card=3", "auto=1", "idcard=85.6", "points=1,2,3,4",
        "points=1,2,3,4,5,6", "points=a,2,300,4,50", "points=5,5,6,6,50",
        "points=1,2,300,4,0", "points=1,2,300,4,-5",
    ],
)  # fmt: skip
def test_anything_else_is_refused_in_one_sentence(text: str) -> None:
    """A wrong reference stops the program before any photo is read."""
    with pytest.raises(UsageError) as refused:
        parse_reference(text)

    sentence = str(refused.value)
    assert sentence.endswith(".")
    assert "\n" not in sentence
    assert any(word in sentence for word in ("pass", "choose", "leave", "give"))


@pytest.mark.parametrize(
    ("text", "coarse"),
    [
        ("thickness=10", True),
        ("thickness=10.0", True),
        ("thickness=10.00", False),
        ("thickness=10.2", False),
    ],
)
def test_a_thickness_to_a_tenth_may_be_an_ordered_one(text: str, coarse: bool) -> None:
    """A caliper shows hundredths, an order does not (common practice, no source)."""
    assert parse_reference(text).typed_coarse is coarse


def test_reading_a_reference_loads_no_picture_library() -> None:
    """Wrong usage must be answered at once."""
    code = (
        "import sys; from weldsection.scale import parse_reference;"
        "parse_reference('disc=23.25'); print('numpy' in sys.modules)"
    )
    ran = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    )

    assert ran.stdout.strip() == "False"
