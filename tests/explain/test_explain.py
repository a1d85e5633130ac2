"""What `explain` says of a record, held against arithmetic done by hand and against the record."""

from __future__ import annotations

import csv
import json
import re
import shutil
import sqlite3
import textwrap
from math import acos, degrees, isfinite, sqrt
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.stats import chi2
from typer.testing import CliRunner

from lateralline.api.explanations import explain_to
from lateralline.cautions import CAUTION, CHANGED
from lateralline.cli import app
from lateralline.errors import UnknownSpotError
from lateralline.explain import Explanation, explain
from lateralline.explain.content import lines_of
from lateralline.explain.found import found_by
from lateralline.record.rows import FindingRow, MarkRow, NodeRow, SegmentRow
from lateralline.record.view import read_record
from tests.support.places import SAMPLES


def _figure(told: Explanation, begins: str) -> Any:
    [found] = [f for f in told.figures if f.what.startswith(begins)]
    return found


def _shown_first(told: Explanation) -> list[str]:
    """The rows of a terminal of 80 columns before the figures."""
    rows: list[str] = []
    for line in lines_of(told, 80):
        if line.startswith("That is all in short"):
            return rows
        rows += textwrap.wrap(line, 80) or [""]
    return rows


def test_a_stop_leads_with_what_is_claimed_on_what_it_rests_and_what_is_in_doubt(
    sample: Path,
) -> None:
    """On one screen, by the record's own figures; a doubt is said where the record has one."""
    view = read_record(sample / "asbuilt.gpkg", "")
    doubtful = {f"{m.run_id}/{m.stop_id}" for m in view.rows(MarkRow) if abs(m.std_residual) > 3.29}
    doubtful |= {r.subject.split()[-1] for r in view.rows(FindingRow)
                 if r.subject.startswith("stop") and r.severity != "info"}  # fmt: skip
    doubtful |= {f"{r.run_id}/{r.stop_id}" for r in view.rows(FindingRow)
                 if r.stop_id and r.severity != "info"}  # fmt: skip
    assert doubtful
    for fix in view.fixes:
        told = explain(sample / "asbuilt.gpkg", fix.name)
        rows = _shown_first(told)
        assert 8 <= len(rows) <= 40
        said = " ".join(" ".join(rows).split())
        marks = [m for m in view.rows(MarkRow) if f"{m.run_id}/{m.stop_id}" == fix.name]
        assert f"Rests on {sum(m.used for m in marks)} of {len(marks)} marks" in said
        assert f"Claimed: the transmitter lay {view.taped_both(fix.transmitter_depth_m)}" in said
        misfit = fix.dof > 0 and fix.chi2 > chi2.isf(0.05, fix.dof)
        left = any(not m.used for m in marks if m.kind != "ground")
        unsure = fix.name in doubtful or misfit or left or bool(fix.reason)
        assert ("In doubt: nothing that the record shows" in said) != unsure, fix.name
        assert len(list(lines_of(told, 80))) > 3 * len(rows)  # all of it is behind


def test_a_line_leads_with_its_bounds_its_stops_and_its_findings(sample: Path) -> None:
    view = read_record(sample / "asbuilt.gpkg", "")
    for line in view.centrelines:
        told = explain(sample / "asbuilt.gpkg", f"line {line.line_id}")
        rows = _shown_first(told)
        assert len(rows) <= 40
        said = " ".join(" ".join(rows).split())
        assert f"located over {view.length_both(line.length_m)}" in said
        assert f"position ± at most {view.off_both(line.position_95_max_m)}" in said
        stops = [fix for fix in view.fixes if fix.line_id == line.line_id]
        located = sum(fix.geometry is not None for fix in stops)
        assert f"Rests on {located} of {len(stops)} stops" in said
        doubted = [
            r for r in view.rows(FindingRow)
            if r.line_id == line.line_id and not r.stop_id and r.severity != "info"
        ]  # fmt: skip
        undecided = any(s.shape == "undecided" for s in view.rows(SegmentRow, line.line_id))
        unsure = bool(doubted) or undecided or located < len(stops)
        assert ("In doubt: nothing that the record shows" in said) != unsure
        assert len(list(lines_of(told, 80))) > 3 * len(rows)


def test_a_finding_leads_with_its_claim_and_the_figures_it_rests_on(sample: Path) -> None:
    view = read_record(sample / "asbuilt.gpkg", "")
    for row in view.rows(FindingRow):
        told = explain(sample / "asbuilt.gpkg", row.cause)
        claim, grounds, doubt = told.said[:3]
        assert claim.startswith("Claimed: ")
        assert view.prose(row.what) in claim
        numbers = [name for name in found_by(row).values if isfinite(found_by(row).number(name))]
        assert grounds.startswith(f"Rests on {len(numbers) or 'no'} figure")
        assert doubt.startswith("In doubt: ")
        rows = _shown_first(told)
        assert len(rows) <= 40, row.cause
        begins = [text[0] for text in told.said]
        assert not [letter for letter in begins if letter.islower()], row.cause


def test_an_error_of_the_whole_site_is_in_doubt_of_every_stop(tmp_path: Path) -> None:
    out = tmp_path / "out"
    CliRunner().invoke(app, ["build", str(SAMPLES / "frames-swapped"), "-o", str(out)])
    for fix in read_record(out / "asbuilt.gpkg", "").fixes:
        said = explain(out / "asbuilt.gpkg", fix.name).said
        (doubt,) = [text for text in said if "x and y are exchanged" in text.lower()]
        assert "error: " in doubt.lower()


def test_a_stop_worked_by_hand(hand: Path) -> None:
    """Every number here is worked with a pencil from marks at 8.00, 9.00 and 10.00 m."""
    told = explain(hand / "asbuilt.gpkg", "R1/2")
    # Midway between both end nulls: (8.00 + 10.00) / 2 = 9.00 along, 0 across. The view counts
    # from a corner of its own; differences do not.
    marks = next(t for t in told.tables if t.title == "Marks")
    at = {head: n for n, head in enumerate(marks.heads)}
    east = {row[0]: float(row[at["east"]]) for row in marks.rows}
    assert east["2B"] - east["2A"] == pytest.approx(2.00, abs=1e-3)
    middle = _figure(told, "east by hand")
    assert middle.value - east["2A"] == pytest.approx(1.00, abs=1e-3)
    assert abs(middle.differs) < 0.005  # the solution is there too
    # Depth: 2.00 / √2 = 1.4142 from the aerial, held 0.10 up: 1.3142.
    depth = _figure(told, "depth by hand")
    assert depth.value == pytest.approx(1.3142, abs=5e-5)
    assert depth.worked.endswith("= 2.000000 / 1.414214 − 0.100000")
    assert depth.in_record == pytest.approx(1.3142, abs=0.01)  # tilts of 5° averaged over
    assert _figure(told, "depth by the reading").value == pytest.approx(1.41 - 0.10)
    # Level of the transmitter: 100.00 − 1.3142 = 98.6858.
    assert _figure(told, "level of the transmitter").value == pytest.approx(98.6858, abs=0.02)
    # Weight of the mid null: 1 m along turns the field by 3 / 1.4142 = 2.1213 rad, so 2° = 0.0349
    # rad of the receiver is 0.0349 / 2.1213 = 0.0165 m. The mark's own: placing 0.0300, tape
    # 0.0100 + 0.0005 × 9.00 = 0.0145. √(0.0165² + 0.0300² + 0.0145²) = 0.0372.
    along = {row[0]: float(row[at["σ along"]]) for row in marks.rows}
    assert along["2M"] == pytest.approx(0.0372, abs=2e-4)
    weight = {row[0]: float(row[at["weight along (1/σ²)"]]) for row in marks.rows}
    assert weight["2M"] == pytest.approx(723.0, abs=8.0)  # 1 / 0.0372² = 723
    # Of an end null: 4 / (3 × 1.4142) = 0.9428 rad a metre, 0.0349 / 0.9428 = 0.0370 m; tape 0.0100
    # + 0.0005 × 8.00 = 0.0140; its level, 0.0100, counts 0.7071 as much:
    # √(0.0370² + 0.0300² + 0.0140² + 0.0071²) = 0.0502.
    assert along["2A"] == pytest.approx(0.0502, abs=2e-4)
    # Nothing was off when the numbers were made up: the misfit is next to nothing.
    assert _figure(told, "misfit that the marks").value < 0.05
    # What was booked stands beside: 8 m along the line from A to B, on it, at level 100.
    booked = {row[0]: row[at["as booked"]] for row in marks.rows}
    assert booked["2A"] == "8 m along A–B, on the line, z 100 m"


def test_how_far_a_pencil_may_be_off_by_hand(hand: Path) -> None:
    """The size of difference to be expected, worked anew from σ of the marks and the tilt."""
    told = explain(hand / "asbuilt.gpkg", "R1/2")
    # Both end nulls: 0.0502 along (above; the other, at 10.00 m of tape, 0.0508), half of
    # √(0.0502² + 0.0508²) = 0.0357; 1.960 × 0.0357 = 0.0700. A tilt of 1.960 × 5° = 9.8° moves the
    # middle by 0.75 × 1.3142 × tan 9.8° = 0.1702. √(0.0700² + 0.1702²) = 0.184.
    assert _figure(told, "east by hand").expected_95 == pytest.approx(0.184, abs=2e-3)
    # Depth: 1.960 × √(0.0502² + 0.0508²) / 1.4142 = 0.0990; 1.3142 × 9/16 × tan² 9.8° = 0.0221.
    assert _figure(told, "depth by hand").expected_95 == pytest.approx(0.1014, abs=2e-3)
    # The reading, 1.41: 7 % of itself and 5 % of its scale: 1.960 × 1.41 × √(0.07² + 0.05²).
    assert _figure(told, "depth by the reading").expected_95 == pytest.approx(0.2377, abs=2e-3)
    text = " ".join(" ".join(lines_of(told)).split())
    assert "95 of 100 differ by less than" in text
    assert "a pencil takes two marks as exact" in text


def test_every_figure_and_table_cites_what_is_listed(sample: Path, tmp_path: Path) -> None:
    gpkg = sample / "asbuilt.gpkg"
    hashes = json.loads((sample / "manifest.json").read_text(encoding="utf-8"))
    digest = next(f["sha256"] for f in hashes["sites"][0]["inputs"] if f["name"] == "marks.csv")
    for ref in ("R1/4", "L1/bend-1", "L1@12.4ft", "R1/O1", "advice-next"):
        told = explain(gpkg, ref)
        text = list(lines_of(told))
        listed = {line.split("]")[0] for line in text if line.startswith("  [")}
        for part in (*told.figures, *told.tables):
            assert part.sources, part
        cites = [line for line in text if line.startswith(("    from ", "  from "))]
        assert len(cites) == len(told.figures) + len(told.tables)
        used = {f"  [{n}" for line in cites for n in re.findall(r"\[(\d+)\]", line)}
        assert used == listed
    told = explain(gpkg, "R1/4")
    depth = _figure(told, "depth by hand")
    assert [s.at for s in depth.sources][1] == "marks.csv:12, marks.csv:13"
    assert depth.sources[1].text == f"marks.csv, SHA-256 {digest}"
    shown = CliRunner().invoke(app, ["explain", str(sample), "R1/4", "--json"])
    document = json.loads(shown.output)
    by_number = {s["number"]: s["text"] for s in document["sources"]}
    [found] = [f for f in document["figures"] if f["what"].startswith("depth by hand")]
    assert by_number[found["sources"][1]["number"]] == f"marks.csv, SHA-256 {digest}"


def test_a_negative_number_stands_in_brackets_and_a_turn_keeps_its_sign(sample: Path) -> None:
    """The arithmetic as printed gives the figure that stands above it."""
    gpkg = sample / "asbuilt.gpkg"
    seen = 0
    for ref in ("R1/4", "R1/2", "L1/bend-1", "L1@12.4ft", "R1/O1"):
        for figure in explain(gpkg, ref).figures:
            worked = figure.worked.split(" = ")[0].split(" with ")[0]
            if not worked or "no single numbers" in worked:
                continue
            assert not re.search(r"(^|[^(])[-−]\d", worked.replace(" − ", " + ")), figure
            asked = re.sub(r"\|(.*)\|", r"abs(\1)", worked.replace("²", "**2").replace("√", "sqrt"))
            value = eval(
                asked.replace("×", "*").replace("−", "-"),
                {"sqrt": sqrt, "acos": lambda x: degrees(acos(x)), "abs": abs},
            )
            assert value == pytest.approx(figure.value, abs=1e-4), figure  # as printed
            seen += 1
    assert seen > 40


def test_what_is_at_most_and_at_least_has_its_formula(sample: Path) -> None:
    gpkg = sample / "asbuilt.gpkg"
    told = explain(gpkg, "L1@12.4ft")
    cover = [f for f in told.figures if f.what.startswith("cover at least")]
    assert all(f.agrees and f.in_record == f.in_record for f in cover)
    assert len(cover) == 2
    assert cover[0].value <= cover[1].value
    aside = _figure(told, "aside in plan at most")
    segment = next(s for s in read_record(gpkg).rows(SegmentRow) if s.segment_id in aside.what)
    assert aside.value == segment.position_95_max_m


def test_where_marks_are_counted_from_is_told(sample: Path) -> None:
    """The corner of the marks, from the frame's origin; and coordinates as the file has them."""
    view = read_record(sample / "asbuilt.gpkg")
    [marks] = [t for t in explain(sample / "asbuilt.gpkg", "R1/4").tables if t.title == "Marks"]
    found = re.search(r"origin \(x (\d+), y (\d+) .*lies ([\d.]+) m east and ([\d.]+) m north",
                      marks.note)  # fmt: skip
    assert found is not None
    x, y, east, north = map(float, found.groups())
    per = 1200 / 3937 / 1.00010173772  # the foot of the grid on the ground, as lineage has it
    assert east == pytest.approx((x - view.ground.origin[0]) * per, abs=0.006)
    assert north == pytest.approx((y - view.ground.origin[1]) * per, abs=0.006)
    at = {head: n for n, head in enumerate(marks.heads)}
    row = marks.rows[0]
    [[e, n]] = view.coordinates(np.array([[float(row[at["east"]]), float(row[at["north"]])]]))
    assert float(row[at["east in the file, us-ft"]]) == pytest.approx(e, abs=0.02)
    assert float(row[at["north in the file"]]) == pytest.approx(n, abs=0.02)
    assert row[at["as booked"]] == "HOUSE-SW 47.1 ft, HOUSE-SE 32.7 ft, right, z 99.82 ft"


def test_a_line_tells_what_was_found_of_its_runs(sample: Path) -> None:
    told = "\n".join(explain(sample / "asbuilt.gpkg", "L1").findings)
    assert "warning: run R1: pipe from CO1" in told


def test_a_name_of_several_findings_says_what_to_type(tmp_path: Path) -> None:
    out = tmp_path / "out"
    made = CliRunner().invoke(app, ["build", str(SAMPLES / "gnss-bend-branch"), "-o", str(out)])
    assert made.exit_code == 0, made.output
    with pytest.raises(UnknownSpotError, match="In its place, say the one you mean: ") as told:
        explain(out / "asbuilt.gpkg", "advice-next")
    each = re.findall(r"\b([0-9a-f]{8}) \((line L\d)", str(told.value))
    assert len(each) >= 2
    for cause, line in each:
        assert explain(out / "asbuilt.gpkg", cause).ref == f"advice-next {line}"
    # What GNSS gave stands in the record as it stands in the file, to the last digit.
    with (SAMPLES / "gnss-bend-branch" / "marks.csv").open(encoding="utf-8") as file:
        rows = {row["mark"]: row for row in csv.DictReader(file)}
    for mark in read_record(out / "asbuilt.gpkg").rows(MarkRow):
        row = rows[mark.mark_id]
        said = [float(n) for n in re.findall(r"[xyz] (-?[\d.]+)", mark.booked)]
        assert said == [float(row[axis]) for axis in "xyz"], mark.booked


def test_cover_and_gradient_by_hand(hand: Path) -> None:
    told = explain(hand / "asbuilt.gpkg", "R1/2")
    cover = next(f for f in told.figures if f.what == "cover")
    # Invert 98.6858 − 0.03 = 98.6558; DN110 of EN 1401: top at 0.1100 − 0.0032 = 0.1068 above:
    # 100.00 − (98.6558 + 0.1068) = 1.2374.
    assert cover.value == pytest.approx(1.2374, abs=0.02)
    assert cover.agrees
    assert abs(_figure(told, "gradient of L1/segment-1, + falls").value) < 0.5
    # Counters 9.35 and 14.35: 5.00 m, at a scale next to 1.
    assert _figure(told, "length of L1/segment-1 by the counter").value == pytest.approx(
        5.0, abs=0.05
    )


def test_the_record_holds_what_its_own_figures_give(sample: Path) -> None:
    """Of every stop, node, segment, observation and finding; and each says what it must."""
    gpkg = sample / "asbuilt.gpkg"
    view = read_record(gpkg)
    refs = [
        "R1/4", "R1/1", *[n.node_id for n in view.rows(NodeRow) if n.kind != "point"],
        view.rows(SegmentRow)[4].segment_id, view.observations[0].observation_id,
        view.rows(FindingRow)[0].cause, "L1@12.4ft", "L1@0m",
    ]  # fmt: skip
    for ref in refs:
        told = explain(gpkg, ref)
        assert told.disagreeing == (), ref
        text = "\n".join(lines_of(told))
        for word in ("SHA-256 of what its tables hold", "Assumed", "marks.csv", "EPSG:3734"):
            assert word in text, (ref, word)
        assert text.endswith(CAUTION)
        assert told.said, ref
    compared = [f for r in refs[:2] for f in explain(gpkg, r).figures if not f.by_hand]
    assert sum(f.in_record == f.in_record for f in compared) >= 8  # compared at all


def test_shapes_are_weighed_and_the_one_drawn_is_named(sample: Path) -> None:
    gpkg = sample / "asbuilt.gpkg"
    bent = next(s for s in read_record(gpkg).rows(SegmentRow) if s.shape == "bend")
    [weighed] = [t for t in explain(gpkg, bent.segment_id).tables if t.title == "Shapes weighed"]
    drawn = {row[1]: row[6] for row in weighed.rows}
    assert drawn == {"straight": "", "one bend": "drawn", "two bends": ""}
    chi2 = {row[1]: float(row[2]) for row in weighed.rows}
    assert chi2["straight"] > 20.5 > chi2["one bend"]  # 0.1 % limit of χ² with 5 spare: 20.52
    # 95 % limit of χ² of 5 spare 11.07, of the 3 that a bend leaves 7.81 (from memory)
    assert [row[4] for row in weighed.rows[:2]] == ["11.07", "7.81"]
    shares = [float(row[5].rstrip("%")) for row in weighed.rows]
    assert sum(shares) == pytest.approx(100.0, abs=0.2)
    assert shares[1] > 50.0


def test_an_edited_record_is_told(sample: Path, tmp_path: Path) -> None:
    shutil.copytree(sample, tmp_path / "out")
    gpkg = tmp_path / "out" / "asbuilt.gpkg"
    assert dict(explain(gpkg, "R1/4").record)["state"] == "as it was written"
    with sqlite3.connect(gpkg) as db:
        db.create_function("ST_IsEmpty", 1, lambda g: g is None)
        db.create_function("ST_MinX", 1, lambda g: 0.0)
        names = [n for (n,) in db.execute("SELECT name FROM sqlite_master WHERE type='trigger'")]
        for name in names:
            db.execute(f'DROP TRIGGER "{name}"')
        db.execute("UPDATE pipe_nodes SET cover_m = cover_m + 0.5 WHERE ref = 'R1/4'")
    db.close()
    told = explain(gpkg, "R1/4")
    assert [f.what for f in told.disagreeing] == ["cover"]
    # all that is made of it says so where the caution stands, and the caution is whole
    assert told.caution == f"{CHANGED} {CAUTION}"
    page = tmp_path / "page.html"
    made = CliRunner().invoke(app, ["page", str(tmp_path / "out"), "-o", str(page)])
    assert made.exit_code == 0, made.output
    assert CHANGED in page.read_text(encoding="utf-8")
    assert CHANGED not in explain(sample / "asbuilt.gpkg", "R1/4").caution
    assert dict(told.record)["state"] == "CHANGED since it was written"
    shown = CliRunner().invoke(app, ["explain", str(tmp_path / "out"), "R1/4"])
    assert shown.exit_code == 1
    assert "someone edited it" in shown.output
    lines = shown.output.splitlines()
    assert "was changed since lateralline wrote it" in lines[0]
    assert "CHANGED" in lines[2]


def test_the_command_prints_writes_and_documents(sample: Path, tmp_path: Path) -> None:
    shown = CliRunner().invoke(app, ["explain", str(sample), "R1/4"])
    assert shown.exit_code == 0, shown.output
    assert " ".join(shown.output.split()).endswith(CAUTION)
    document = json.loads(
        CliRunner().invoke(app, ["explain", str(sample), "L1/bend-1", "--json"]).output
    )
    assert document["caution"] == CAUTION
    assert document["record"]["site"] == "QH-014 Quarry Hill 14"
    assert all(f["agrees"] for f in document["figures"])
    for name in ("a.pdf", "b.pdf"):
        made = CliRunner().invoke(app, ["explain", str(sample), "R1/4", "-o", str(tmp_path / name)])
        assert made.exit_code == 0, made.output
    assert (tmp_path / "a.pdf").read_bytes() == (tmp_path / "b.pdf").read_bytes()
    bend = explain(sample / "asbuilt.gpkg", "L1/bend-1")
    out = tmp_path / "bend.pdf"
    pages = explain_to(bend, sample / "asbuilt.gpkg", out, paper="A4", replace=False)
    assert pages <= 3


@pytest.mark.parametrize(
    ("ref", "says"),
    [
        ("R9/9", "a place as L1@12.4m"),
        ("L1@12.4", "must carry its unit, as L1@12.4ft"),
        ("L1@900m", "is located from 0 to"),
        ("L1@x1", "must carry its unit"),
        ("l1@-1m", "is located from 0 to"),
    ],
)
def test_what_is_not_there_is_told_with_what_would_be_right(
    ref: str, says: str, sample: Path
) -> None:
    with pytest.raises(UnknownSpotError, match=says):
        explain(sample / "asbuilt.gpkg", ref)
