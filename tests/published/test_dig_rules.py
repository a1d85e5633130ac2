"""Dig rules against the published widths, and every rule against its flag."""

from __future__ import annotations

from dataclasses import replace
from math import nan

import pytest
import shapely

from lateralline.derive.dig import around, tolerance, zone_width_m
from lateralline.published import citation, dig_rules
from lateralline.settings import Settings, bare_settings
from tests.support.finding_names import called

INCH = 0.0254

#: Inches each side of the outside edge. Read: CGA Best Practices; laws of FL, MS, MA, NH, ME.
READ_INCHES = {"cga": 18, "us-fl": 24, "us-ms": 18, "us-ma": 18, "us-nh": 18, "us-me": 18}


def site(rule: str, own_m: float = nan) -> Settings:
    return replace(
        bare_settings(),
        id="S",
        dig_rule=rule,
        dig_tolerance_m=own_m,
    )


@pytest.mark.parametrize(("key", "inches"), READ_INCHES.items())
def test_a_rule_that_was_read_holds_its_published_inches(key: str, inches: float) -> None:
    rule = dig_rules()[key]
    assert rule.read
    assert rule.tolerance_m == pytest.approx(inches * INCH, abs=1e-12)


def test_hsg47_is_from_memory_and_says_so() -> None:
    rule = dig_rules()["hsg47"]  # about 0.5 m: from memory
    assert rule.tolerance_m == 0.5
    assert not rule.read
    assert "from memory" in citation(rule.source, read=rule.read)
    assert tolerance(site("hsg47"))[0].from_memory


def test_no_rule_claims_to_have_been_read_that_was_not() -> None:
    assert {key for key, rule in dig_rules().items() if rule.read} == set(READ_INCHES)


@pytest.mark.parametrize(("pipe_in", "each_side_in", "width_in"), [(2, 18, 38), (24, 24, 72)])
def test_worked_widths(pipe_in: float, each_side_in: float, width_in: float) -> None:
    """2 in pipe + 18 in → 38 in; 24 in pipe + 24 in → 72 in (read, worked examples)."""
    width_m = zone_width_m(pipe_in * INCH, each_side_in * INCH)
    assert width_m / INCH == pytest.approx(width_in)
    path = shapely.LineString([(0, 0), (10, 0)])
    across = shapely.LineString([(5, -9), (5, 9)])
    drawn_in = around(path, width_m / 2).intersection(across).length / INCH
    assert width_in <= drawn_in <= 1.002 * width_in


def test_the_site_s_own_tolerance_prevails_and_a_narrow_one_is_told() -> None:
    wide, findings = tolerance(site("cga", 0.75))
    assert (wide.rule, wide.distance_m, findings) == ("site", 0.75, ())
    narrow, findings = tolerance(site("cga", 0.20))
    assert narrow.distance_m == 0.20
    assert [called(f) for f in findings] == ["tolerance-rule/narrow"]


def test_an_unknown_rule_draws_the_widest_and_is_an_error() -> None:
    found, findings = tolerance(site("nowhere"))
    assert found.distance_m == max(rule.tolerance_m for rule in dig_rules().values())
    assert [(f.severity, called(f)) for f in findings] == [("error", "tolerance-rule/unknown")]
