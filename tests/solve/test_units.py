"""Which units were mistaken for one another: by what was found, at both sides of each limit."""

from __future__ import annotations

from math import nan
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest

from lateralline.records import StopRows
from lateralline.solve.gather import Gathered
from lateralline.solve.units import Agreement, _counted, _of_stop, explanations, unit_written

METRIC = {"tape": "m", "depth": "m", "counter": "m"}
FEET = dict.fromkeys(METRIC, "ft")
SURVEY_FEET = dict.fromkeys(METRIC, "us-ft")
FT = 0.3048


@pytest.mark.parametrize(
    ("depths", "counters", "unplaced", "units", "fits"),
    [
        (1.0, 1.0, nan, METRIC, [{}]),
        (1.24, 0.81, nan, METRIC, [{}]),  # within a quarter
        (1.26, 1.0, nan, METRIC, []),
        (1 / FT, 1.0, nan, METRIC, [{"depth": "ft"}]),
        (1.0, 1 / FT, nan, METRIC, [{"counter": "ft"}]),
        (FT, FT, nan, METRIC, [{"tape": "ft"}]),  # both are small against a tape too large
        (FT, FT, 1.0, METRIC, [{"tape": "ft"}]),  # and what was not taped agrees
        (1 / FT, 1 / 0.0254, nan, METRIC, [{"depth": "ft", "counter": "in"}]),
        (FT, 1.0, nan, FEET, [{"depth": "m"}]),
        (12.0, 1.0, nan, FEET, [{"depth": "in"}]),
        (1.0, 1.0, nan, SURVEY_FEET, [{}]),
        (FT, 1.0, nan, SURVEY_FEET, [{"depth": "m"}]),
        (5.0, 5.0, nan, METRIC, []),  # no unit makes this
        (1 / FT, nan, nan, METRIC, []),  # too little is known
    ],
)
def test_the_fewest_wrong_units_that_explain_what_was_found(
    depths: float, counters: float, unplaced: float, units: dict[str, str],
    fits: list[dict[str, str]],
) -> None:  # fmt: skip
    assert explanations(Agreement(depths, counters, unplaced), units) == fits


@pytest.mark.parametrize(
    ("times", "variant", "written", "right"),
    [
        (3.281, "unit", "ft", 1.0),
        (39.37, "unit", "in", 1.0),
        (100.0, "unit", "cm", 1.0),
        (10.0, "digit", None, None),
        (0.1, "digit", None, None),
        (5.0, "odd", None, None),
        (8.1, "digit", None, None),  # within a quarter of a digit
        (7.9, "odd", None, None),
    ],
)
def test_a_reading_its_marks_deny_is_told_with_what_it_would_be(
    times: float, variant: str, written: str | None, right: float | None
) -> None:
    stops = SimpleNamespace(
        depth_reading_m=np.array([1.0, times]), run=np.array(["R1"] * 2),
        stop=np.array(["1", "2"]), file="stops.csv", row=np.array([2, 3]),
    )  # fmt: skip
    found = _of_stop(cast(StopRows, stops), 1, times, "m")
    assert (found.variant, found.subject, found.where) == (variant, "stop R1/2", "stops.csv:3")
    assert found.values["by_marks"] == pytest.approx(1.0)
    assert found.values.get("written") == written
    if right is not None:
        assert found.values["right"] == pytest.approx(right, rel=1e-3)
    foot = _of_stop(cast(StopRows, stops), 1, times, "ft")
    assert foot.values["read"] == pytest.approx(times / FT)


def test_a_unit_is_written_when_it_is_within_a_quarter() -> None:
    assert unit_written("m", 3.28 * 1.24) == "ft"
    assert unit_written("m", 3.28 * 1.26) == ""
    assert unit_written("m", 3.28 / 1.24) == "ft"


def test_counted_over_distance_is_of_neighbours_of_one_run_that_stand_apart() -> None:
    """Stops less than a quarter of the usual distance from each other tell none."""
    east = np.array([0.0, 4.0, 4.9, 8.9, 100.0, 104.2])
    counter = np.array([0.0, 8.0, 9.8, 17.8, 0.0, 8.4])
    problem = SimpleNamespace(
        of_stop=np.repeat(np.arange(6), 2), count=np.full(6, 2),
        marks=SimpleNamespace(xyz_m=np.stack([np.repeat(east, 2), np.tile([1.0, -1.0], 6)])),
    )  # fmt: skip
    gathered = cast(Gathered, SimpleNamespace(problem=problem, stop=np.arange(6)))
    rows = SimpleNamespace(run=np.array(["R1"] * 4 + ["R2"] * 2), counter_m=counter)
    everywhere = np.ones(6, dtype=bool)
    got = _counted(gathered, cast(StopRows, rows), everywhere)
    assert got == pytest.approx([2.0, 2.0, 2.0])  # 0.9 m is under a quarter of 4 m
    near = SimpleNamespace(run=rows.run, counter_m=counter)
    problem.marks.xyz_m[0] = np.repeat(np.array([0.0, 4.0, 5.1, 9.1, 100.0, 104.2]), 2)
    assert len(_counted(gathered, cast(StopRows, near), everywhere)) == 4
    taped = np.array([True, False, True, True, True, True])
    assert len(_counted(gathered, cast(StopRows, near), taped)) == 3
