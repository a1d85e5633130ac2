"""Least grades against the plumbing codes as read."""

from __future__ import annotations

import pytest

from lateralline.derive.grades import least_gradients
from lateralline.published import grades

INCH = 0.0254


def of(code: str, inside_in: float) -> float | None:
    found = [g.grade for g in least_gradients(inside_in * INCH) if g.code == code]
    return found[0] if found else None


@pytest.mark.parametrize(
    ("inside_in", "inch_per_foot"),
    [
        (2.067, 1 / 4),
        (2.469, 1 / 4),
        (3.068, 1 / 8),
        (4.026, 1 / 8),
        (6.065, 1 / 8),
        (7.98, 1 / 16),
    ],
)
def test_ipc_table_704_1(inside_in: float, inch_per_foot: float) -> None:
    """IPC Table 704.1 (read): ≤ 2½ in ¼, 3–6 in ⅛, ≥ 8 in 1/16 in/ft; schedule 40 bores."""
    assert of("IPC", inside_in) == pytest.approx(inch_per_foot / 12)


def test_upc_708_is_two_percent() -> None:
    """UPC 708 (read for old text)."""
    assert of("UPC", 4.026) == 0.02


def test_approved_document_h_is_from_memory() -> None:
    """Table 6, 100 mm with a WC, 1:80: from memory, and flagged so."""
    assert of("ADH", 103.6 / 25.4) == pytest.approx(1 / 80)
    assert of("ADH", 6.065) is None
    assert {g.code for g in grades() if not g.read} == {"ADH"}


def test_a_pipe_of_unknown_size_gets_only_rows_without_a_size() -> None:
    assert {g.code for g in least_gradients(float("nan"))} == {"UPC"}
