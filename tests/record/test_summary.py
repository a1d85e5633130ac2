"""The summary says what the record says, and puts errors first."""

from __future__ import annotations

from dataclasses import replace
from math import isnan, nan
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.stats import norm

from lateralline.findings import Finding
from lateralline.record import CAUTION, summary
from lateralline.records import Product
from lateralline.settings import bare_settings


class Record:
    """As much of a FieldRecord as a summary asks for."""

    settings = replace(
        bare_settings(),
        id="EX-001",
        name="Example Yard",
        horizontal="EPSG:32617",
        units={"tape": "ft", "level": "ft", "depth": "in", "counter": "ft"},
    )
    exposures = SimpleNamespace(
        spots=SimpleNamespace(name=np.array([], str)), surveyed=np.array([], str)
    )


def product(layer: str, **columns: list[object] | np.ndarray) -> Product:
    return Product(layer, columns, None)


FIXES = product(
    "transmitter_fixes",
    line_id=["L1", "L1", "L1", "L2"],
    run_id=np.array(["R1", "R1", "R1", "R2"]),
    stop_id=np.array(["1", "2", "3", "1"]),
    status=np.array(["located", "weak", "not_located", "located"]),
    reason=np.array(["", "soft", "one mid null only", ""]),
    transmitter_depth_m=np.array([1.2, 0.8, nan, 3.0]),
)
SEGMENTS = product(
    "pipe_segments",
    line_id=["L1", "L1", "L1", "L2"],
    from_ref=["CO1", "R1/1", "R1/2", "R2/1"],
    to_ref=["R1/1", "R1/2", "R1/3", "L1"],
    position_95_max_m=[0.1, 0.4, 0.2, 9.0],
)
LINES = product(
    "pipe_centreline",
    line_id=["L1", "L2"],
    material=["PVC", ""],
    nominal=["DN110", None],
    length_m=[12.5, 0.0],
    cover_min_m=[0.7, None],
    position_95_max_m=[0.4, nan],
    invert_sigma_max_m=[0.03, nan],
    stops=[2, 0],
    undecided_segments=[1, 0],
)
NODES = product(
    "pipe_nodes",
    node_id=["L1/junction-1", "L1/bend-1", "L1/entry-1", "L2/end-1"],
    line_id=["L1", "L1", "L1", "L2"],
    kind=["junction", "bend", "entry", "end_located"],
    ref=["L2", "", "CO1", "R2/1"],
    placed_by=["adjustment", "adjustment", "carried_on", "adjustment"],
    chainage_m=[3.0, 7.5, 13.0, 0.0],
    bend_deg=[nan, 45.5, nan, nan],
)
NODE_LINES = product(
    "node_lines",
    line_id=["L1", "L1", "L1", "L2", "L2"],
    node_id=["L1/junction-1", "L1/bend-1", "L1/entry-1", "L1/junction-1", "L2/end-1"],
    chainage_m=[3.0, 7.5, 13.0, 0.0, 4.0],
)
BAND = product(
    "level_band",
    line_id=["L1", "L1", "L1", "L2"],
    cover_m=[0.9, 0.7, 0.8, nan],
    cover_lower_95_m=[0.8, 0.6, 0.4, nan],
)
FINDINGS = tuple(
    Finding(severity, "solve", "test", "site", "something", "", "")
    for severity in ("info", "error", "warning")
)


@pytest.fixture
def summed() -> summary.SiteSummary:
    return summary.summarise(Record(), (FIXES, SEGMENTS, LINES, NODES, NODE_LINES, BAND), FINDINGS)


def test_a_line_in_the_records_own_numbers(summed: summary.SiteSummary) -> None:
    told = summed.lines[0]
    assert (told.line, told.pipe) == ("L1", "PVC DN110")
    assert (told.length_m, told.cover_min_m) == (12.5, 0.7)
    assert (told.shallowest_m, told.deepest_m) == (0.8, 1.2)
    assert (told.stops_used, told.stops) == (2, 3)
    assert told.undecided == 1


def test_the_largest_uncertainty_is_named_by_the_stops_around_it(
    summed: summary.SiteSummary,
) -> None:
    told = summed.lines[0]
    assert told.sideways_95_m == 0.4
    assert told.sideways_95_at == "between R1/1 and R1/2"


def test_bends_junctions_and_what_was_carried_on_are_named(summed: summary.SiteSummary) -> None:
    junction, bend = summed.lines[0].nodes
    assert (junction.kind, junction.other, junction.chainage_m) == ("junction", "L2", 3.0)
    assert (bend.kind, bend.bend_deg, bend.chainage_m) == ("bend", 45.5, 7.5)
    assert summed.lines[0].carried_on == ("CO1",)
    assert summed.lines[1].carried_on == ()


def test_where_nothing_bounds_the_pipe_is_named_before_the_widest_bound() -> None:
    segments = replace(SEGMENTS, columns={**SEGMENTS.columns})
    segments.columns["position_95_max_m"] = [0.1, 0.4, nan, 9.0]
    told = summary.summarise(Record(), (FIXES, segments, LINES, NODES, NODE_LINES, BAND), FINDINGS)
    assert told.lines[0].sideways_95_at == "between R1/2 and R1/3"


def test_a_level_is_given_at_95_percent(summed: summary.SiteSummary) -> None:
    assert summed.lines[0].level_95_m == pytest.approx(norm.ppf(0.975) * 0.03, rel=1e-12)


def test_the_bound_of_the_cover_is_the_least_of_the_band_wherever_that_is(
    summed: summary.SiteSummary,
) -> None:
    """Not the bound beside the least estimate: elsewhere the pipe may be shallower."""
    assert summed.lines[0].cover_lower_95_m == 0.4


def test_where_a_place_has_no_bound_the_cover_of_the_line_has_none() -> None:
    band = replace(BAND, columns=BAND.columns | {"cover_lower_95_m": [0.8, nan, 0.4, nan]})
    told = summary.summarise(Record(), (FIXES, SEGMENTS, LINES, NODES, NODE_LINES, band), FINDINGS)
    assert isnan(told.lines[0].cover_lower_95_m)


def test_what_is_not_known_is_nan(summed: summary.SiteSummary) -> None:
    told = summed.lines[1]
    assert told.pipe == ""
    assert isnan(told.cover_min_m)
    assert isnan(told.cover_lower_95_m)
    assert isnan(told.sideways_95_m)
    assert isnan(told.level_95_m)


def test_a_site_in_words(summed: summary.SiteSummary) -> None:
    assert summed.relative_levels
    assert not summed.sketch
    assert (summed.length_unit, summed.depth_unit) == ("ft", "in")
    assert summed.unlocated_stops == ("R1/3: one mid null only",)
    assert [f.severity for f in summed.findings] == ["error", "warning", "info"]
    assert [summed.count(s) for s in ("error", "warning", "info")] == [1, 1, 1]


def test_the_caution_says_what_it_must() -> None:
    said = CAUTION.lower()
    for part in ("no clearance to dig", "one-call", "local codes", "by hand or vacuum", "licensed"):
        assert part in said
