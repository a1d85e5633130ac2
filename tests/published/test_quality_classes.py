"""Accuracy bands against PAS 128 and AS 5488; ASCE 38-22 is never stated."""

from __future__ import annotations

import numpy as np
import pytest

from lateralline.derive.quality import (
    ASCE_38,
    band_columns,
    bands_met,
    line_evidence,
    worst,
)
from lateralline.published import bands

TO_SIGMA = 1 / 1.959964  # half-width of a 95 % interval → σ


def pas(plan_m: float, level_m: float, depth_m: float, *, seen: bool = False) -> str:
    return _met("PAS 128", plan_m, level_m, depth_m, seen=seen)


def _met(standard: str, plan_m: float, level_m: float, depth_m: float, *, seen: bool) -> str:
    assert standard in ("PAS 128", "AS 5488")
    found = bands_met(
        "PAS 128" if standard == "PAS 128" else "AS 5488",
        np.array([plan_m]),
        np.array([level_m * TO_SIGMA]),
        np.array([depth_m]),
        np.array([seen]),
    )
    return str(found[0])


@pytest.mark.parametrize(
    ("plan_m", "depth_m", "band"),
    [
        # read, PAS 128 summary page: B1 150 mm or 15 % of depth, B2 250 mm or 40 %, B3 500 mm
        (0.149, 0.5, "B1"),
        (0.151, 0.5, "B2"),
        (0.290, 2.0, "B1"),  # 15 % of 2 m is more than 150 mm
        (0.310, 2.0, "B2"),
        (0.249, 0.5, "B2"),
        (0.251, 0.5, "B3"),
        (0.790, 2.0, "B2"),  # 40 % of 2 m
        (0.499, 0.5, "B3"),
        (0.501, 0.5, "outside"),
    ],
)
def test_pas_128_plan(plan_m: float, depth_m: float, band: str) -> None:
    assert pas(plan_m, 0.01, depth_m) == band


@pytest.mark.parametrize(
    ("level_m", "band"),
    [(0.149, "B1"), (0.151, "B2"), (0.399, "B2"), (0.401, "B3")],
)
def test_pas_128_level_from_memory(level_m: float, band: str) -> None:
    """15 % and 40 % of the detected depth for the level too: from memory, and flagged so."""
    assert pas(0.1, level_m, 1.0) == band
    assert not any(b.level_read for b in bands("PAS 128") if b.key in ("A", "B1", "B2"))


def test_pas_128_a_from_memory_needs_to_be_seen() -> None:
    """A ±50 mm plan, ±25 mm level: from memory."""
    assert pas(0.049, 0.024, 1.0, seen=True) == "A"
    assert pas(0.049, 0.026, 1.0, seen=True) == "B1"
    assert pas(0.049, 0.024, 1.0) == "B1"
    assert not bands("PAS 128")[0].plan_read


@pytest.mark.parametrize(
    ("plan_m", "level_m", "seen", "band"),
    [
        (0.299, 0.4, False, "B"),  # B ±300 mm plan: read
        (0.301, 0.4, False, "outside"),
        (0.1, 0.501, False, "outside"),  # B ±500 mm level: from memory
        (0.049, 0.049, True, "A"),  # A ±50 mm: from memory
        (0.051, 0.049, True, "B"),
    ],
)
def test_as_5488(plan_m: float, level_m: float, seen: bool, band: str) -> None:
    assert _met("AS 5488", plan_m, level_m, 1.0, seen=seen) == band


def test_flags_tell_what_was_read() -> None:
    assert {b.key: (b.plan_read, b.level_read) for b in bands("AS 5488")} == {
        "A": (False, False),
        "B": (True, False),
    }
    assert {b.key: b.plan_read for b in bands("PAS 128")} == {
        "A": False,
        "B1": True,
        "B2": True,
        "B3": True,
    }


def test_without_depth_only_a_band_without_level_can_be_met() -> None:
    assert pas(0.1, np.nan, np.nan) == "B3"
    assert pas(np.nan, 0.1, 1.0) == "unknown"
    assert _met("AS 5488", 0.1, np.nan, np.nan, seen=False) == "outside"


def test_a_feature_is_as_good_as_its_worst_point() -> None:
    assert worst("PAS 128", np.array(["B1", "B3", "B2"])) == "B3"
    assert worst("PAS 128", np.array(["B1", "unknown"])) == "unknown"


def test_asce_38_is_judged_by_a_professional_however_good_the_fix() -> None:
    """ASCE 38-22 sets no numeric tolerance (read): none is encoded."""
    evidence = line_evidence(np.array([0.001]), np.array([0.001]), np.array([1.0]))
    columns = band_columns([evidence])
    assert columns["asce38_level"] == [ASCE_38]
    assert ASCE_38 == "judged by a licensed professional"


def test_no_band_is_better_than_the_shift_of_datum() -> None:
    """0.10 m at 1 m is B1 in the survey's CRS; after a shift good to 0.4 m or to who knows what."""
    evidence = line_evidence(np.array([0.05, 0.10]), np.full(2, 0.02), np.ones(2))
    for shift_95_m, band, number in ((0.0, "B1", "0.100"), (0.4, "B3", "0.412")):
        columns = band_columns([evidence], shift_95_m)
        assert columns["pas128_band"] == [band]
        assert f"plan {number} m" in str(columns["pas128_rule"])
    assert band_columns([evidence], np.nan)["pas128_band"] == ["unknown"]
