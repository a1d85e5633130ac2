"""How many of a hundred: none is said as a word, and a few tenths are not none."""

from __future__ import annotations

import pytest

from lateralline.wording import HUNDREDS, formatted


@pytest.mark.parametrize(
    ("value", "said"),
    [(0.0, "none"), (0.4, "fewer than one"), (0.6, "1"), (31.2, "31"), (100.0, "100")],
)
def test_of_a_hundred(value: float, said: str) -> None:
    assert formatted(value, HUNDREDS) == said
