"""Levels that count from two zeros are told where the ground tells, and nothing else is."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from lateralline.simulate.survey import Row
from lateralline.stages import SiteResult
from tests.support.planted import codes, told
from tests.trust.sites import SITES, build, faultless, made

STOPS = ("tape-ties", "gnss-bend-branch", "slope-levels")


def built(name: str, seed: int, raised: Callable[[Row], float]) -> SiteResult:
    """A practice site with the levels of its marks raised, in the unit of levels."""
    site = made(name, seed).given.copy()
    for row in site.marks:
        row["z"] = f"{float(row['z']) + raised(row):.3f}"
    result = build(site).result
    assert result is not None
    return result


@pytest.mark.parametrize("name", STOPS)
def test_levels_from_another_bench_mark_lead_where_they_begin(name: str) -> None:
    """A metre, from stop 5 of run R1 on: one error, and none on single stops."""
    metre = 1.0 / 0.3048 if name == "tape-ties" else 1.0
    late = built(name, 3, lambda r: metre * (r["run"] == "R1" and int(r["stop"]) >= 5))
    [found] = told(late, "levels-mixed")
    assert found == next(f for f in late.findings if f.severity == "error")
    assert found.about == ("stop R1/4", "stop R1/5")
    assert found.values["apart_m"] == pytest.approx(1.0, abs=0.15)
    assert not codes(late, "error") - {"levels-mixed", "junction-doubtful"}


@pytest.mark.parametrize("size", [0.1, 0.2])
def test_what_kerbs_and_swells_do_is_no_other_zero(size: float) -> None:
    late = built("slope-levels", 3, lambda r: size * (int(r["stop"]) >= 5))
    assert not told(late, "levels-mixed")


def test_a_terrace_leaves_the_pipe_as_it_was() -> None:
    """Ground a metre higher from stop 5 on, and the depths with it: no other zero of levels."""
    site = made("slope-levels", 3).given.copy()
    for row in site.stops:
        row["depth_reading"] = f"{float(row['depth_reading']) + (int(row['stop']) >= 5):.2f}"
    for row in site.marks:
        row["z"] = f"{float(row['z']) + (int(row['stop']) >= 5):.2f}"
    # nulls lie as far apart as the depth tells: without end nulls depth is the reading alone
    site.tables["marks"] = [r for r in site.marks if r["kind"] != "end_null" or r["stop"] < "5"]
    result = build(site).result
    assert result is not None
    assert not told(result, "levels-mixed")


@pytest.mark.parametrize("apart_m", [1.8, -0.6])
def test_gnss_without_the_height_of_the_antenna_is_told_once(apart_m: float) -> None:
    mixed = built("mixed", 3, lambda r: apart_m * (r["method"] == "gnss"))
    [found] = told(mixed, "levels-mixed")
    assert found.values["apart_m"] == pytest.approx(apart_m, abs=0.1)
    assert codes(mixed, "error") == {"levels-mixed"}


@pytest.mark.parametrize("name", SITES)
def test_levels_of_one_zero_are_left_alone(name: str) -> None:
    for seed in np.arange(3).tolist():
        result = faultless(name, seed).result
        assert result is not None
        assert not told(result, "levels-mixed")
