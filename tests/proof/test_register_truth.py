"""The false-alarm rate of matching is what is claimed, and can fail."""

from __future__ import annotations

import pytest

from lateralline.matching import pairing
from lateralline.proof.lines import misses
from lateralline.proof.register_truth import prove_register


def test_one_pipe_is_called_moved_as_seldom_as_claimed_and_a_shift_is_seen() -> None:
    rows = prove_register(120, 3)
    assert misses(rows) == []
    assert sum(row.bounded for row in rows) == 11


def test_a_limit_for_one_place_alone_is_caught(monkeypatch: pytest.MonkeyPatch) -> None:
    """2.58 σ at each of many places, which is what 1 % of one place would be."""
    real = pairing.limit_sigmas
    monkeypatch.setattr(pairing, "limit_sigmas", lambda places: real(places * 0 + 1))
    assert any("called moved" in miss for miss in misses(prove_register(120, 3)))
