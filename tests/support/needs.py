"""What a test needs that a machine may not have: it skips, or fails where it was promised."""

from __future__ import annotations

import os
from typing import NoReturn

import pytest


def lacks(need: str, words: str) -> NoReturn:
    """Skip a test and say what is missing; fail where LATERALLINE_NEEDS names the need."""
    if need in os.environ.get("LATERALLINE_NEEDS", "").split(","):
        pytest.fail(f"LATERALLINE_NEEDS has {need}: {words}")
    pytest.skip(words)
