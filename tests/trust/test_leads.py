"""Where the findings lead that once led elsewhere: one mistake each, from the catalogue."""

from __future__ import annotations

import numpy as np
import pytest

from lateralline.findings import Finding
from tests.trust.mistakes import CATALOGUE
from tests.trust.sites import build, made


def told(mistake: str, site: str, seed: int = 1) -> list[Finding]:
    """The errors told of a mistake, in the order they are shown."""
    spoilt = made(site, seed).given.copy()
    assert CATALOGUE[mistake].change(spoilt, np.random.default_rng([seed, *mistake.encode()]))
    result = build(spoilt).result
    assert result is not None
    return [f for f in result.findings if f.severity == "error"]


@pytest.mark.parametrize(
    "unit", ["feet-as-metres", "metres-as-feet", "inches-as-feet", "centimetres-as-metres"]
)
def test_a_tape_in_another_unit_is_one_cause(unit: str) -> None:
    """Not tapes that do not meet, nor marks far from their stops, which only follow."""
    assert [f.code for f in told(f"tape-{unit}", "tape-ties")] == ["unit-wrong"]


def test_levels_no_ground_has_are_one_cause() -> None:
    """Levels in centimetres read as metres: 19 km."""
    assert [f.name for f in told("level-centimetres-as-metres", "slope-levels")] == [
        "level-far/all"
    ]


def test_a_coordinate_without_its_point_is_the_marks_and_not_the_sites() -> None:
    """Beyond what the projection reaches, it stopped the whole site and named another mark."""
    [found] = told("easting-point", "gnss-bend-branch", 2)
    assert found.name == "coordinates-outside/far"
    assert found.subject.startswith("mark ")


@pytest.mark.parametrize("site", ["tape-ties", "slope-levels", "local-sketch"])
def test_a_baseline_whose_every_offset_is_mirrored_is_told_as_one(site: str) -> None:
    """Half of the stops lie over there: no chain of counters holds for most of them."""
    [found] = told("offset-side-all", site)
    assert found.name == "mark-mirrored/baseline"


def test_swapped_control_comes_before_what_follows_from_swapped_control() -> None:
    """No unit and no tape is blamed first."""
    assert told("xy-swapped", "slope-levels")[0].code == "coordinates-swapped"


def test_a_run_that_went_the_other_way_is_no_unit() -> None:
    """Tilts contradict levels then, and agree with the sign turned."""
    assert "unit-wrong" not in {f.code for f in told("counter-down", "slope-levels")}


def test_a_misread_counter_leads_and_not_the_neighbour_the_cable_did_not_reach() -> None:
    """The stretch beyond R1/6 is longer than was counted only since R1/6 was read too far."""
    [found] = told("counter-transposed", "slope-levels", 2)
    assert (found.name, found.subject) == ("blunder/counter-or-plan", "stop R1/6")
