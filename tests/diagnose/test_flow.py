"""A line whose flow nobody knows: taken as levels fall, or counted from its entry, and asked."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from lateralline.diagnose import unknown_flow
from lateralline.ingest import read_site
from lateralline.place import place
from lateralline.records import FieldRecord
from lateralline.settings import Flow, Run
from lateralline.solve import solve
from lateralline.stages import SiteResult, run_site

SAMPLES = Path(__file__).parents[2] / "sample_sites"


def flowing(record: FieldRecord, flow: Flow, only: str = "") -> FieldRecord:
    runs = [replace(r, flow=flow) if only in ("", r.id) else r for r in record.settings.runs]
    return replace(record, settings=replace(record.settings, runs=tuple(runs)))


def found_of(record: FieldRecord) -> tuple[dict[str, str], list[str]]:
    placed = place(record)
    solved = solve(placed.marks, record.stops, record.settings, placed.exposures)
    found = unknown_flow(record, placed, solved)
    return dict(found.ways), [f"{f.name} {f.what_to_do}" for f in found.findings]


def test_levels_tell_the_flow_that_nobody_knew() -> None:
    record = read_site(SAMPLES / "slope-levels")
    true = {run.id: run.flow for run in record.settings.runs}
    ways, said = found_of(flowing(record, "unknown"))
    assert ways == true
    assert said == ['flow-by-levels if that is so write flow = "against" for run R1 in site.toml']


def test_without_levels_nothing_tells_and_a_finding_asks() -> None:
    ways, [said] = found_of(flowing(read_site(SAMPLES / "local-sketch"), "unknown"))
    assert not ways
    assert said.startswith("flow-unknown look which way water runs at CO1, and give flow")
    assert found_of(read_site(SAMPLES / "local-sketch")) == ({}, [])


@pytest.mark.parametrize("first", ["with", "against"])
def test_another_run_of_the_line_tells(first: Flow) -> None:
    """The same stops, entered as a second run of unknown flow, go the way of the first."""
    record = flowing(read_site(SAMPLES / "slope-levels"), first)
    [run] = record.settings.runs
    placed = place(record)
    solved = solve(placed.marks, record.stops, record.settings, placed.exposures)
    fixes = solved.fixes
    again: Run = replace(run, id="R2", flow="unknown")
    half = fixes.run.copy()
    half[1::2] = "R2"
    record = replace(record, settings=replace(record.settings, runs=(run, again)))
    found = unknown_flow(record, placed, replace(solved, fixes=replace(fixes, run=half)))
    assert found.ways == {"R2": first}
    assert not found.findings


def test_no_fall_is_stated_where_nobody_knows_the_flow(tmp_path: Path) -> None:
    site = tmp_path / "site"
    site.mkdir()
    for file in (SAMPLES / "local-sketch").glob("*.*"):
        text = file.read_text(encoding="utf-8")
        text = text.replace('flow = "with"', 'flow = "unknown"')
        (site / file.name).write_text(
            text.replace('flow = "against"', 'flow = "unknown"'), encoding="utf-8"
        )
    result = run_site(site, until="derive")
    assert isinstance(result, SiteResult)
    layers = {p.layer: p for p in result.work["products"]}
    assert set(layers["pipe_segments"].columns["fall"]) <= {"not_shown", None}
    assert "flow-unknown" in {f.name for f in result.findings}
    assert not [f for f in result.findings if f.code in ("back-fall", "gradient-low")]
