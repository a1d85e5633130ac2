"""What `explain` says of findings, marks, lines, runs and points, held against arithmetic."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from lateralline.cli import app
from lateralline.errors import UnknownSpotError
from lateralline.explain import Explanation, explain
from lateralline.record.rows import FindingRow, MarkRow, NodeRow, SegmentRow
from lateralline.record.view import read_record
from tests.explain.conftest import written
from tests.support.places import SAMPLES


def _figures(told: Explanation, begins: str) -> Iterator[Any]:
    return (f for f in told.figures if f.what.startswith(begins))


@pytest.fixture(scope="module")
def slipped(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The site worked by hand with one mid null booked at 9.60 m in place of 9.00."""
    home = tmp_path_factory.mktemp("slipped")
    made = CliRunner().invoke(
        app, ["build", str(written(home / "site", 9.6)), "-o", str(home / "out")]
    )
    assert made.exit_code in (0, 1), made.output
    return home / "out" / "asbuilt.gpkg"


def test_a_finding_keeps_the_figures_it_was_found_by(slipped: Path) -> None:
    rows = read_record(slipped).rows(FindingRow)
    [row] = [r for r in rows if r.code == "mark-blunder" and r.variant.startswith("one")]
    found = json.loads(row.found_by)
    assert found["limit"] == {"value": 3.2905, "unit": "1"}
    assert found["off_m"]["unit"] == "m"
    assert found["w"]["value"] > 3.2905


def test_a_mark_that_does_not_fit_is_told_by_its_figures(slipped: Path) -> None:
    """w, its limit from χ² of one freedom, and how far beyond: each worked again here."""
    view = read_record(slipped)
    [row] = [r for r in view.rows(FindingRow)
             if r.code == "mark-blunder" and r.variant.startswith("one")]  # fmt: skip
    told = explain(slipped, row.cause)
    worst = max((m for m in view.rows(MarkRow) if m.used and m.stop_id == "2"),
                key=lambda m: m.std_residual)  # fmt: skip
    assert worst.mark_id == "2M"
    [w] = _figures(told, "w of the mark that fits worst")
    assert w.value == worst.std_residual
    assert w.agrees
    assert w.in_record == w.in_record
    # 3.2905 is what a normal error exceeds once in 1,000, either way; its square is χ² of one
    # freedom: 10.828.
    [limit] = _figures(told, "limit of |w|")
    assert limit.value**2 == pytest.approx(10.828, abs=1e-3)
    [beyond] = _figures(told, "by how much it is above the limit")
    assert beyond.value == pytest.approx(worst.std_residual - 3.2905)
    # what the stop rests on follows, with the package that gives the criterion
    assert any("docstrings of the package lateralline.solve" in text for text in told.said)
    assert any(t.title == "Marks" for t in told.tables)
    assert told.disagreeing == ()


def test_every_finding_of_a_record_is_told_and_holds(sample: Path) -> None:
    gpkg = sample / "asbuilt.gpkg"
    compared = 0
    for row in read_record(gpkg).rows(FindingRow):
        told = explain(gpkg, row.cause)
        assert told.disagreeing == (), row.code
        compared += sum(
            f.in_record == f.in_record and not f.by_hand
            for f in told.figures
            if any("found_by" in s.at for s in f.sources)
        )
        if row.found_by and any(v.get("unit") for v in json.loads(row.found_by).values()):
            [table] = [t for t in told.tables if t.title == "What it was found by"]
            names = {line[-1] for line in table.rows}
            known = {n for n, v in json.loads(row.found_by).items()
                     if "unit" in v and v["value"] is not None}  # fmt: skip
            assert names == known
    assert compared >= 7


def test_tapes_that_do_not_meet_lead_on_to_the_mark_and_its_stop(sample: Path) -> None:
    told = explain(sample / "asbuilt.gpkg", "tie-misfit")
    # one spare tape: chance alone exceeds 1.95996² = 3.8415 once in 20
    [limit] = _figures(told, "limit of χ² of so many spare tapes")
    assert limit.value == pytest.approx(1.95996**2, abs=1e-4)
    beside = [text for table in told.tables for row in table.rows for text in row]
    assert any("HOUSE-SW 65 ft" in text for text in beside)
    assert any("stop R1/6" in text for text in beside)


@pytest.mark.parametrize(
    ("ref", "kind", "named"),
    [
        ("R1", "run", "R1"),
        ("l1", "line", "L1"),
        ("run r1", "run", "R1"),
        ("CO1", "run", "R1"),
        ("6b", "mark", "6B"),
        ("R1/6B", "mark", "6B"),
        ("house-sw", "control point", "HOUSE-SW"),
        ("HOUSE-SW–HOUSE-SE", "baseline", "HOUSE-SW–HOUSE-SE"),
        ("site", "site", "site"),
        ("l1@3m", "place", "L1@3m"),
        ("r1/4", "stop", "R1/4"),
    ],
)
def test_what_a_record_prints_is_a_name(ref: str, kind: str, named: str, sample: Path) -> None:
    told = explain(sample / "asbuilt.gpkg", ref)
    assert (told.kind, told.ref) == (kind, named)
    assert told.disagreeing == ()
    assert told.said
    assert told.tables


def test_a_name_of_two_things_is_refused_with_both(sample: Path, tmp_path: Path) -> None:
    """A site whose line and run are called alike."""
    folder = written(tmp_path / "site")
    text = (folder / "site.toml").read_text(encoding="utf-8")
    (folder / "site.toml").write_text(text.replace('"L1"', '"R1"'), encoding="utf-8")
    made = CliRunner().invoke(app, ["build", str(folder), "-o", str(tmp_path / "out")])
    assert made.exit_code == 0, made.output
    gpkg = tmp_path / "out" / "asbuilt.gpkg"
    with pytest.raises(UnknownSpotError, match='say one: "line R1", "run R1"'):
        explain(gpkg, "R1")
    assert explain(gpkg, "line R1").kind == "line"


def test_a_line_is_told_as_the_screen_has_it(sample: Path) -> None:
    gpkg = sample / "asbuilt.gpkg"
    told = explain(gpkg, "L1")
    view = read_record(gpkg)
    segments = view.rows(SegmentRow, "L1")
    [length] = _figures(told, "length")
    assert length.value == pytest.approx(sum(s.to_chainage_m - s.from_chainage_m for s in segments))
    [worst] = _figures(told, "position ± (95 %), worst between R1/4 and R1/3")
    assert worst.value == max(s.position_95_max_m for s in segments)
    titles = [t.title for t in told.tables]
    assert titles[:3] == ["Nodes", "Segments", "Adjusted parameters"]


def test_an_exposure_is_told_with_its_chain_of_levels(tmp_path: Path) -> None:
    """CO3 of slope-levels: ground 188.40, 0.99 m down to the invert, σ of that 0.02 m."""
    made = CliRunner().invoke(
        app, ["build", str(SAMPLES / "slope-levels"), "-o", str(tmp_path / "out")]
    )
    assert made.exit_code == 0, made.output
    gpkg = tmp_path / "out" / "asbuilt.gpkg"
    told = explain(gpkg, "co3")
    assert (told.kind, told.ref) == ("exposure", "CO3")
    [level] = _figures(told, "level of the invert that was measured")
    assert level.value == pytest.approx(188.40 - 0.99)
    assert level.agrees
    [invert] = _figures(told, "level of the invert by the exposure alone")
    [node] = [n for n in read_record(gpkg).rows(NodeRow) if n.ref == "CO3"]
    [up] = _figures(told, "how far the adjusted line lies above the exposure")
    assert up.value == pytest.approx(node.invert_level_m - invert.value)
    [over] = _figures(told, "the same over its σ of level")
    assert abs(over.value) < 1.96  # nothing is wrong with the sample
    [table] = [t for t in told.tables if t.title == "As measured"]
    at = {head: n for n, head in enumerate(table.heads)}
    sigma = float(table.rows[0][at["σ level"]])
    assert sigma > 0.02  # that of the depth, and of the ground it was measured from
    assert float(table.rows[0][at["weight of level (1/σ²)"]]) == pytest.approx(sigma**-2, rel=5e-3)
