"""`update`: whole or not at all, faults where they were written, moves and regions by truth."""

from __future__ import annotations

import csv
import json
import shutil
import tomllib
from dataclasses import dataclass, replace
from datetime import date
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pyogrio
import pytest
import shapely

from lateralline import stages
from lateralline.cli.update import verdict
from lateralline.contract import LAYERS
from lateralline.derive.axis import Axis
from lateralline.errors import OutputExistsError
from lateralline.findings import Finding, title_of
from lateralline.ingest import read_site
from lateralline.output.proof import proof_of
from lateralline.record import CAUTION
from lateralline.record.layers import AnyFrame
from lateralline.record.reading import read_layers
from lateralline.record.view import read_record
from lateralline.records import Line, Stretch
from lateralline.revise import NewSite, RefusedError, SiteChanges, compare, new_site
from lateralline.revise.changes import (
    Containment,
    Departure,
    Noted,
    doubts,
    shared_receivers,
    warnings,
)
from lateralline.revise.containment import (
    OldLine,
    Side,
    axes,
    exposure_containment,
    layer,
    line_containment,
)
from lateralline.revise.files import write_layers
from lateralline.revise.merge import merged_files
from lateralline.settings import Pipe, Run, bare_settings
from lateralline.simulate import ADDITIONS, SCENARIOS, make_addition, make_site
from lateralline.stages import SiteResult
from lateralline.write.ids import ids_text
from tests.support.command import run
from tests.support.places import SAMPLES

SLOPE = SAMPLES / "slope-levels"


def bytes_of(folder: Path) -> dict[str, bytes]:
    return {
        p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*") if p.is_file()
    }


def added_folder(folder: Path, **files: str) -> Path:
    """A folder of what is added: `exposures="name,…"` becomes exposures.csv, `toml` added.toml."""
    folder.mkdir(exist_ok=True)
    for name, text in files.items():
        file = "added.toml" if name == "toml" else f"{name}.csv"
        (folder / file).write_text(text, encoding="utf-8", newline="")
    return folder


def true_axis(site: Path = SLOPE) -> np.ndarray:
    """(m, 3) of the site's only line, downstream first, in its CRS."""
    return np.array(
        json.loads((site / "truth.json").read_text(encoding="utf-8"))["lines"][0]["axis"]
    )


def seen(name: str, at: float, *, aside_m: float = 0.0, above_m: float = 0.0) -> str:
    """A row of exposures.csv: the transmitter seen on the upper leg, a fraction `at` along it."""
    low, high = true_axis()[1:3]
    way = (high - low)[:2] / np.hypot(*(high - low)[:2])
    x, y, z = low + at * (high - low) + np.array([way[1], -way[0], 0.0]) * aside_m
    return f"{name},L1,gnss,{x:.3f},{y:.3f},{z + above_m:.3f},0.01,0.01,transmitter,0.01\n"


SEEN = "name,line,method,x,y,z,sigma_h,sigma_v,measured_to,sigma\n"


@dataclass(frozen=True)
class Updated:
    old: SiteResult
    new: NewSite
    changes: SiteChanges


@cache
def before(site: Path = SLOPE) -> SiteResult:
    result = stages.run_site(site, until="derive")
    assert isinstance(result, SiteResult)
    return result


def kept_ids(site: Path = SLOPE) -> str:
    """The ids of a site's nodes and segments, as they are kept beside its files."""
    work = before(site).work
    return ids_text(work["record"].ids, work["ids"])


def updated(added: Path, out: Path, site: Path = SLOPE) -> Updated:
    with new_site(site, added, out, kept_ids(site)) as new:
        changes = compare(before(site), new.result, dict(new.added))
    return Updated(before(site), new, changes)


@pytest.fixture(scope="module")
def sample(tmp_path_factory: pytest.TempPathFactory) -> Updated:
    """The sample site with its second visit."""
    out = tmp_path_factory.mktemp("sample") / "new"
    return updated(SAMPLES / "added" / "gnss-bend-branch", out, SAMPLES / "gnss-bend-branch")


@pytest.fixture(scope="module")
def hole(tmp_path_factory: pytest.TempPathFactory) -> Updated:
    """A site of one line with a hole dug to its true pipe."""
    folder = tmp_path_factory.mktemp("hole")
    added = added_folder(folder / "a", exposures=SEEN + seen("TH", 0.55))
    return updated(added, folder / "new")


# ---- merging ------------------------------------------------------------------------------


def test_the_sample_is_what_its_seed_makes(tmp_path: Path) -> None:
    for name, addition in ADDITIONS.items():
        made = make_addition(addition, tmp_path / name)
        assert bytes_of(made) == bytes_of(SAMPLES / "added" / name)
        listed = (SAMPLES / "README.md").read_text(encoding="utf-8")
        assert f"--scenario {name} --added --seed {addition.seed}" in listed
    assert {p.name for p in (SAMPLES / "added").iterdir()} == set(ADDITIONS)


def test_the_new_site_holds_both_and_the_old_stays_as_it_was(tmp_path: Path) -> None:
    site, added = SAMPLES / "gnss-bend-branch", SAMPLES / "added" / "gnss-bend-branch"
    was = bytes_of(site), bytes_of(added)
    told = run("update", site, added, "-o", tmp_path / "new")
    assert told.exit_code == 0, told.output
    assert CAUTION in " ".join(told.output.split())
    assert (bytes_of(site), bytes_of(added)) == was
    old, new = read_site(site), read_site(tmp_path / "new")
    assert [r.id for r in new.settings.runs] == ["R1", "R2", "R3"]
    assert new.settings.runs[2].receiver == "second day"
    assert new.settings.accuracy == old.settings.accuracy
    assert new.marks.spots.name.tolist()[: len(old.marks.run)] == old.marks.spots.name.tolist()
    assert len(new.marks.run) == len(old.marks.run) + 27
    assert new.exposures.spots.name.tolist() == ["TH1"]
    assert (tmp_path / "new" / "truth.json").read_bytes() == was[0]["truth.json"]
    assert run("check", tmp_path / "new").exit_code == 0


def test_what_stood_there_is_kept_to_the_letter(tmp_path: Path) -> None:
    """Comments, blank lines, line ends, a mark of byte order, the order of columns, notes."""
    site = shutil.copytree(SLOPE, tmp_path / "site")
    stops = (SLOPE / "stops.csv").read_text(encoding="utf-8").splitlines()
    kept = "\ufeff# the day it rained\r\n" + "\r\n".join([stops[0], "", *stops[1:]])
    (site / "stops.csv").write_text(kept, encoding="utf-8", newline="")
    added = added_folder(tmp_path / "a", stops="depth_reading,stop,run,counter\n2.60,9,R1,20.1\n")
    text = merged_files(site, added, tmp_path / "new").texts["stops.csv"]
    assert text.startswith(kept + "\r\n")
    assert text.removeprefix(kept + "\r\n").splitlines() == [
        "# added by lateralline update from a/stops.csv",
        "R1,9,20.1,2.60,,",
    ]


def test_columns_the_site_lacks_are_added_and_comments_stay(tmp_path: Path) -> None:
    site = shutil.copytree(SLOPE, tmp_path / "site")
    held = (SLOPE / "control.csv").read_text(encoding="utf-8").replace("WALL", "# not in use\nWALL")
    (site / "control.csv").write_text(held, encoding="utf-8")
    added = added_folder(
        tmp_path / "a", control="point,x,y,sigma_v,found\nPEG,467500.0,4661160.0,0.01,lid\n"
    )
    rows = merged_files(site, added, tmp_path / "new").texts["control.csv"].splitlines()
    assert rows[0] == "point,x,y,z,sigma_h,sigma_v,found"
    assert rows[2] == "# not in use"
    assert rows[3] == "WALL,467500.973,4661165.968,190.08,0.020,,"
    assert rows[-1] == "PEG,467500.0,4661160.0,,,0.01,lid"


def test_known_control_is_taken_once(tmp_path: Path) -> None:
    known = "point,x,y,z\nGATE,467495.97,4661149.9950,188.09\nPEG,467500.0,4661160.0,189.0\n"
    merged = merged_files(SLOPE, added_folder(tmp_path / "a", control=known), tmp_path / "new")
    assert merged.faults == ()
    assert merged.added["control"] == 1
    assert merged.texts["control.csv"].count("GATE") == 1


def test_a_folder_of_grids_outside_the_site_is_still_found(tmp_path: Path) -> None:
    (tmp_path / "grids").mkdir()
    site = shutil.copytree(SLOPE, tmp_path / "site")
    toml = (site / "site.toml").read_text(encoding="utf-8")
    toml = toml.replace("[crs]\n", '[crs]\ngrids = "../grids"  # of the county\n')
    (site / "site.toml").write_text(toml, encoding="utf-8")
    added = added_folder(tmp_path / "a", exposures=SEEN + seen("TH", 0.5))
    out = tmp_path / "far" / "away" / "new"
    said = merged_files(site, added, out).texts["site.toml"]
    assert 'grids = "../../../grids"  # of the county\n' in said


# ---- faults -------------------------------------------------------------------------------


def test_every_conflict_is_told_at_once_where_it_was_written(tmp_path: Path) -> None:
    added = added_folder(
        tmp_path / "a",
        control="point,x,y\n# moved?\nWALL,467501.973,4661165.968\n",
        exposures="name,line,method,x,y,z,measured_to\n"
        "CO3,L1,gnss,467500.0,4661150.0,187.4,invert\n"
        "TH1,L7,gnss,467500.0,4661150.0,187.4,top\n",
        stops="run,stop,counter\nR1,3,7.0\nR9,1,2.0\nR1,20,x\n",
        marks="mark,run,stop,kind,method,z,base_from,base_to,base_distance,base_offset\n"
        "1A,R1,20,end_null,offset,188.5,GATE,WALL,1.0,3.0\n"
        "20A,R1,20,end_null,offset,188.5,GATE,POST,1.0,3.0\n"
        "20A,R1,20,mid_null,offset,188.5,GATE,WALL,1.0,3.0\n",
        toml='[[run]]\nid = "R1"\nline = "L1"\nentry = "CO3"\nflow = "against"\n\n'
        '[[pipe]]\nline = "L1"\n\n[accuracy]\ntape_m = 0.02\n',
    )
    with (
        pytest.raises(RefusedError) as caught,
        new_site(SLOPE, added, tmp_path / "new", kept_ids()),
    ):
        raise AssertionError("a site with conflicts was made")
    (failure,) = caught.value.failures
    assert failure.source == added
    at = {(f.file, f.row, f.column) for f in failure.faults}
    assert at == {
        ("control.csv", 3, "x"),
        ("exposures.csv", 2, "name"),
        ("exposures.csv", 3, "line"),
        ("exposures.csv", 3, "measured_to"),
        ("stops.csv", 2, "stop"),
        ("stops.csv", 3, "run"),
        ("stops.csv", 4, "counter"),
        ("marks.csv", 2, "mark"),
        ("marks.csv", 3, "base_to"),
        ("marks.csv", 4, "mark"),
        ("added.toml", 2, "id"),
        ("added.toml", 8, "line"),
        ("added.toml", 10, "accuracy"),
    }
    said = {(f.file, f.row): f.hint for f in failure.faults}
    assert said["exposures.csv", 2] == "exposures.csv:2 of the site has it already"
    assert said["marks.csv", 4] == "line 3 has it already"
    assert not (tmp_path / "new").exists()
    told = run("update", SLOPE, added, "-o", tmp_path / "new")
    assert told.exit_code == 2
    assert f"{added}/marks.csv:3: base_to" in told.output
    assert "nothing was written" in told.output
    assert [p.name for p in tmp_path.iterdir()] == ["a"]


def test_units_of_what_is_added_are_those_of_the_site(tmp_path: Path) -> None:
    added = added_folder(
        tmp_path / "a",
        stops="run,stop,counter [ft]\nR1,9,20.1\n",
        toml='id = "R1"\n[units]\ntape = "ft"\n',
    )
    faults = [str(f) for f in merged_files(SLOPE, added, tmp_path / "new").faults]
    assert len(faults) == 3
    assert any("stops.csv:1: counter must be in m" in f for f in faults)
    assert any(
        "added.toml:2: units must be [visit], [[run]], [[branch]] or [[pipe]]" in f for f in faults
    )
    assert any("added.toml:1: id must be [visit]" in f for f in faults)


@pytest.mark.parametrize("toml", ['run = [{id = "R2"}]\n', '[run]\nid = "R2"\n', "run = 3\n"])
def test_sections_are_written_as_the_site_could_take_them(tmp_path: Path, toml: str) -> None:
    """Appended as they stand, other forms of TOML would be read into the site's last section."""
    added = added_folder(tmp_path / "a", toml=toml)
    (fault,) = merged_files(SLOPE, added, tmp_path / "new").faults
    assert str(fault) == "added.toml:1: run must be a section — write [[run]]"


def test_a_file_that_would_be_passed_by_is_a_fault(tmp_path: Path) -> None:
    added = added_folder(tmp_path / "a", exposure=SEEN + seen("TH", 0.5))
    shutil.copy(SLOPE / "site.toml", added)
    faults = {f.file: f.hint for f in merged_files(SLOPE, added, tmp_path / "new").faults}
    assert faults.keys() >= {"exposure.csv", "site.toml"}
    assert faults["exposure.csv"] == 'did you mean "exposures.csv"?'
    empty = added_folder(tmp_path / "empty")
    (fault,) = merged_files(SLOPE, empty, tmp_path / "new").faults
    assert "must hold any of control.csv" in str(fault)


def test_a_row_that_would_become_a_comment_is_a_fault(tmp_path: Path) -> None:
    """marks.csv of the site begins with the name of the mark; what is added begins with the run."""
    added = added_folder(tmp_path / "a", stops="stop,run,counter\n#9,R1,20.1\n")
    site = shutil.copytree(SLOPE, tmp_path / "site")
    assert merged_files(site, added, tmp_path / "n").faults == ()  # there the stop comes second
    marks = "run,stop,kind,method,x,y,mark\nR1,1,peak,gnss,467500,4661160,#7\n"
    (fault,) = merged_files(site, added_folder(tmp_path / "b", marks=marks), tmp_path / "n").faults
    assert (fault.file, fault.row, fault.column, fault.value) == ("marks.csv", 2, "mark", "#7")


def test_a_site_at_fault_is_named_and_nothing_is_written(tmp_path: Path) -> None:
    told = run(
        "update", SAMPLES / "faulty", SAMPLES / "added" / "gnss-bend-branch", "-o", tmp_path / "n"
    )
    assert told.exit_code == 2
    assert f"{SAMPLES / 'faulty'}/marks.csv:2" in told.output
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("where", ["", "inside"])
def test_never_in_place(tmp_path: Path, where: str) -> None:
    site = shutil.copytree(SLOPE, tmp_path / "site")
    added = added_folder(tmp_path / "a", exposures=SEEN + seen("TH", 0.5))
    was = bytes_of(site)
    for out in (site / where, added / where):
        made = new_site(site, added, out, kept_ids(), replace=True)
        with pytest.raises(OutputExistsError, match="must lie apart"), made:
            raise AssertionError("made in place")
    assert bytes_of(site) == was


def test_what_was_changed_in_an_update_outlives_the_next(tmp_path: Path) -> None:
    added = added_folder(tmp_path / "a", exposures=SEEN + seen("TH", 0.5))
    out = tmp_path / "new"
    updated(added, out)
    with (
        pytest.raises(OutputExistsError, match="replace=True"),
        new_site(SLOPE, added, out, kept_ids()),
    ):
        pass
    with new_site(SLOPE, added, out, kept_ids(), replace=True):
        pass
    edited = (out / "stops.csv").read_text() + "# seen again\n"
    (out / "stops.csv").write_text(edited)
    with new_site(SLOPE, added, out, kept_ids(), replace=True):
        pass
    assert (out / "stops.kept-1.csv").read_text() == edited
    (out / "manifest.json").unlink()
    was = bytes_of(out)
    with (
        pytest.raises(OutputExistsError, match="not written by `lateralline import-points or"),
        new_site(SLOPE, added, out, kept_ids(), replace=True),
    ):
        pass
    assert bytes_of(out) == was


# ---- workbooks ----------------------------------------------------------------------------


def test_a_workbook_is_updated_into_text_files_that_mean_the_same(tmp_path: Path) -> None:
    book = tmp_path / "site.xlsx"
    assert run("new", book, "--from", SLOPE, "--id", "QH-031").exit_code == 0
    added = added_folder(tmp_path / "a", exposures=SEEN + seen("TH", 0.5))
    texts = merged_files(book, added, tmp_path / "new").texts
    (tmp_path / "new").mkdir()
    for name, text in texts.items():
        (tmp_path / "new" / name).write_text(text, encoding="utf-8", newline="")
    assert texts["site.toml"].startswith('[site]\nid = "QH-031"\nname = ')
    made, plain = read_site(tmp_path / "new"), read_site(SLOPE)
    assert repr(made.settings.runs) == repr(plain.settings.runs)  # a NaN equals nothing
    assert made.settings.accuracy == plain.settings.accuracy
    for table in ("marks", "exposures"):
        a, b = getattr(made, table).spots, getattr(plain, table).spots
        n = len(b.name)
        assert a.name.tolist()[:n] == b.name.tolist()
        assert a.ties[:n] == b.ties
        np.testing.assert_array_equal(a.station_m[:n], b.station_m)
    np.testing.assert_array_equal(made.stops.counter_m, plain.stops.counter_m)
    assert made.exposures.spots.name.tolist() == ["CO3", "TH"]


def test_faults_of_an_added_workbook_name_its_cells(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    sheet = book.worksheets[0]
    sheet.title = "exposures"
    for text in (SEEN, seen("CO3", 0.5), seen("TH", 0.6).replace("L1", "L8")):
        sheet.append(text.strip().split(","))
    (tmp_path / "a").mkdir()
    book.save(tmp_path / "a" / "june.xlsx")
    with (
        pytest.raises(RefusedError) as caught,
        new_site(SLOPE, tmp_path / "a", tmp_path / "n", kept_ids()),
    ):
        pass
    (failure,) = caught.value.failures
    told = {f.cell: f.file for f in failure.faults}
    assert told == {"A2": "june.xlsx exposures", "B3": "june.xlsx exposures"}


# ---- what moved ---------------------------------------------------------------------------


def test_moves_are_the_differences_of_both_records_in_the_sites_own_crs(sample: Updated) -> None:
    """Against both records' coordinates in the CRS, over the grid's metres per ground metre."""

    def there(result: SiteResult) -> dict[tuple[str, str], np.ndarray]:
        frame = result.work["placed"].frame
        out = {}
        for line in result.work["linked"].lines:
            xy = frame.to_site_crs(line.xyz_m)[:, :2] / frame.combined_scale
            for ref, at, up in zip(line.ref.tolist(), xy, line.xyz_m[:, 2], strict=True):
                if ref:
                    out[line.line, ref] = np.append(at, up)
        return out

    old, new = there(sample.old), there(sample.new.result)
    moved = [m for line in sample.changes.lines for m in line.moved if m.kind != "bend"]
    assert {(m.line, m.ref) for m in moved} == old.keys() & new.keys()
    for m in moved:
        by_hand = new[m.line, m.ref] - old[m.line, m.ref]
        # Both scales differ by what the frames' origins do: 1e-8 of 4,661 km is 5 cm, so only
        # differences of neighbours could be held tighter without one common scale.
        scale = sample.old.work["placed"].frame.combined_scale
        drift = sample.new.result.work["placed"].frame.combined_scale / scale - 1.0
        by_hand[:2] += new[m.line, m.ref][:2] * drift
        assert [m.east_m, m.north_m, m.up_m] == pytest.approx(by_hand, abs=2e-6)
        assert m.plan_m == pytest.approx(np.hypot(m.east_m, m.north_m))
    assert max(m.plan_m for m in moved) > 0.01  # the second visit did move something


def test_a_move_counts_in_the_old_ellipse(sample: Updated) -> None:
    """1 on the edge of the old 95 % ellipse: χ² of the move over 5.9915 (95 %, 2 dof, computed)."""
    lines = {line.line: line for line in sample.old.work["linked"].lines}
    for change in sample.changes.lines:
        line = lines[change.line]
        for m in (m for m in change.moved if m.kind != "bend"):
            at = line.ref.tolist().index(m.ref)
            d = np.array([m.east_m, m.north_m])
            chi2 = d @ np.linalg.solve(line.cov_m2[at, :2, :2], d)
            assert m.of_old_95 == pytest.approx(np.sqrt(chi2 / 5.9915), rel=1e-4)
            half = 1.95996 * np.sqrt(line.cov_m2[at, 2, 2])
            assert m.of_old_level_95 == pytest.approx(abs(m.up_m) / half, rel=1e-4)


def test_the_second_visit_makes_the_line_surer_and_is_told(sample: Updated) -> None:
    first, second = sample.changes.lines
    assert (first.line, second.line) == ("L1", "L2")
    assert sample.changes.added == {
        "run": 1,
        "stops": 7,
        "marks": 27,
        "exposures": 1,
        "observations": 1,
    }
    assert set(first.come) == {f"R3/{i}" for i in range(1, 8)} | {"TH1"}
    assert first.gone == second.come == second.gone == ()
    assert first.after is not None
    assert first.before is not None
    assert first.after.dof > first.before.dof
    assert first.verdicts == ("held", "held")
    assert first.plan.tested_m == pytest.approx(first.after.length_m, abs=0.3)
    assert sample.changes.held
    assert sample.changes.warnings == ()
    (hole,) = sample.changes.exposures
    assert (hole.name, hole.plan, hole.level) == ("TH1", "held", "held")


def test_a_line_nothing_was_added_to_stays_where_it_is(tmp_path: Path) -> None:
    """Without their junction, and each with a receiver of its own, two lines share nothing."""
    site = shutil.copytree(SAMPLES / "gnss-bend-branch", tmp_path / "site")
    toml = (site / "site.toml").read_text(encoding="utf-8").split("\n[[branch]]")[0]
    for one in ("R1", "R2"):
        toml = toml.replace(f'id = "{one}"\n', f'id = "{one}"\nreceiver = "of {one}"\n')
    (site / "site.toml").write_text(toml, encoding="utf-8")
    added = SAMPLES / "added" / "gnss-bend-branch"
    changes = updated(added, tmp_path / "new", site).changes
    first, second = changes.lines
    assert max(m.plan_m for m in first.moved) > 0.005
    assert len(second.moved) >= 5
    assert max(m.plan_m for m in second.moved) < 1e-4
    assert max(abs(m.up_m) for m in second.moved) < 1e-4
    assert second.verdicts == ("held", "held")


def test_findings_that_come_and_go(hole: Updated) -> None:
    def named(noted: Noted) -> str:
        return "/".join(filter(None, (noted.code, noted.variant)))

    come, gone = hole.changes.findings_come, hole.changes.findings_gone
    was = {(f.name, f.subject) for f in hole.old.findings}
    now = {(f.name, f.subject) for f in hole.new.result.findings}
    assert {(named(n), n.subject) for n in come} == now - was
    assert {(named(n), n.subject) for n in gone} == was - now


# ---- what held ----------------------------------------------------------------------------


def straight(
    length_m: float, aside_m: float = 0.0, sigma_m: float = 0.1, up_m: float = 0.0
) -> Axis:
    """A line along north from the origin, `aside_m` to the east, every vertex as sure."""
    n = 5
    north = np.linspace(0.0, length_m, n)
    cov = np.tile(np.eye(3) * sigma_m**2, (n, 1, 1))
    line = Line(
        line="L1",
        kind=np.full(n, "fix"),
        ref=np.array([f"R1/{i + 1}" for i in range(n)]),
        fix=np.arange(n),
        run=np.full(n, "R1"),
        counter_m=north,
        xyz_m=np.column_stack([np.full(n, aside_m), north, np.full(n, up_m)]),
        cov_m2=cov,
        cross_m2=cov[1:],  # wholly alike: as sure between vertices as at them
        stretches=tuple(Stretch(i, i + 1, "straight", 1.0, 1.0, 1.1, ()) for i in range(n - 1)),
        shift_m=np.zeros(n),
        chi2=1.0,
        dof=1,
    )
    pipe = Pipe("L1", "PVC", "DN110", "sanitary", 0.1, 0.003, "")
    zero = np.zeros(n)
    return Axis(line, pipe, north, zero, zero + 2.0, zero + 0.01, np.zeros((n, 2)))


def issued(axis: Axis, half_width_m: float) -> OldLine:
    path = shapely.LineString(axis.line.xyz_m[:, :2])
    return OldLine(axis, path.buffer(half_width_m, quad_segs=64))


@pytest.fixture(scope="module")
def side(make_site: Any) -> Side:
    frame = make_site("EX-1", horizontal="local").frame
    return Side(frame, frame)


@pytest.mark.parametrize(
    ("aside_m", "sigma_m", "verdict", "off_m"),
    [
        (0.20, 0.02, "held", 0.0),
        (0.55, 0.02, "failed", 0.30),  # known to ±0.04 m: 0.30 m outside is real
        (0.55, 0.20, "left", 0.30),  # known to ±0.39 m only
        (-0.55, 0.02, "failed", 0.30),
    ],
)
def test_a_line_beside_the_old_corridor(
    side: Side, aside_m: float, sigma_m: float, verdict: str, off_m: float
) -> None:
    old = issued(straight(10.0), 0.25)
    plan, level = line_containment(old, straight(10.0, aside_m, sigma_m), side, levels=True)
    assert (plan.verdict, level.verdict) == (verdict, "held")
    assert plan.tested_m == pytest.approx(10.0, abs=0.1)
    if off_m:
        (one,) = plan.departures
        assert one.off_m == pytest.approx(off_m, abs=1e-9)
        assert one.own_95_m == pytest.approx(1.95996 * sigma_m, rel=1e-4)
        assert (one.from_chainage_m, one.to_chainage_m) == (0.0, 10.0)
        assert plan.outside_m == pytest.approx(10.0, abs=0.1)


def test_a_line_off_the_old_levels(side: Side) -> None:
    """Band ± 1.96 × 0.1 m about the old invert; a new one 0.30 m higher is 0.104 m off it."""
    old = issued(straight(10.0), 0.25)
    plan, level = line_containment(old, straight(10.0, up_m=0.30, sigma_m=0.01), side, levels=True)
    assert (plan.verdict, level.verdict) == ("held", "failed")
    assert level.departures[0].off_m == pytest.approx(0.30 - 0.195996, abs=1e-5)
    plan, level = line_containment(old, straight(10.0, up_m=0.30), side, levels=False)
    assert level.verdict == "untested"


def test_only_what_the_old_record_located_is_judged(side: Side) -> None:
    """A new line twice as long: beyond the old end the old record claimed nothing."""
    old = issued(straight(5.0), 0.25)
    plan, _ = line_containment(old, straight(10.0, 0.1), side, levels=True)
    assert (plan.verdict, plan.outside_m) == ("held", 0.0)
    assert plan.tested_m == pytest.approx(5.0, abs=0.1)
    far = straight(3.0)
    far.line.xyz_m[:, 1] += 6.0
    assert line_containment(old, far, side, levels=True)[0].verdict == "untested"


def test_where_the_shape_is_undecided_located_points_are_judged_alone(side: Side) -> None:
    """What is drawn between them stands for no pipe; the points themselves do."""
    old, new = issued(straight(10.0), 0.25), straight(10.0, sigma_m=0.02)
    lost = tuple(replace(s, shape="undecided") for s in new.line.stretches)
    new = replace(new, line=replace(new.line, stretches=lost))
    plan, level = line_containment(old, new, side, levels=True)
    assert (plan.verdict, level.verdict) == ("held", "held")
    assert 0.0 < plan.tested_m < 0.5
    new.line.xyz_m[2, 0] = 0.75
    plan, _ = line_containment(old, replace(new), side, levels=True)
    (one,) = plan.departures
    assert one.from_chainage_m == one.to_chainage_m == one.worst_chainage_m
    assert one.off_m == pytest.approx(0.5, abs=0.01)


def test_an_exposure_beside_the_old_corridor() -> None:
    old = issued(straight(10.0), 0.25)
    cov = np.diag([0.02, 0.02, 0.01]) ** 2
    at = np.array([0.65, 4.0, 0.5])
    check = exposure_containment(old, "TH", at, cov, -0.1, levels=True)
    assert (check.plan, check.level) == ("failed", "failed")
    assert check.off_m == pytest.approx(0.40, abs=1e-9)
    assert check.own_95_m == pytest.approx(1.95996 * 0.02, rel=1e-4)
    assert check.from_line_m == pytest.approx(0.65)
    assert check.old_chainage_m == pytest.approx(4.0)
    assert check.level_from_line_m == pytest.approx(0.4)
    assert check.level_off_m == pytest.approx(0.4 - 0.195996, abs=1e-5)
    no_level = exposure_containment(old, "TH", at * (1, 1, np.nan), cov, -0.1, levels=True)
    assert (no_level.plan, no_level.level) == ("failed", "untested")
    beyond = exposure_containment(old, "TH", np.array([3.0, 12.0, 0.0]), cov, 0.0, levels=True)
    assert (beyond.plan, beyond.level) == ("untested", "untested")


def test_a_run_of_another_day_is_asked_for_its_receiver(sample: Updated) -> None:
    """The sample's third run names a receiver of its own; without the name it would share."""
    old, new = (r.work["record"].settings for r in (sample.old, sample.new.result))
    assert shared_receivers(old, new) == ()
    alike = replace(new, runs=tuple(replace(r, receiver="") for r in new.runs))
    (note,) = shared_receivers(old, alike)
    assert (note.severity, note.subject) == ("info", "run R3")
    assert "R1, R2" in note.what


def test_significance_outweighs_distance() -> None:
    def departure(off_m: float, own_95_m: float) -> Departure:
        return Departure(0.0, 1.0, 0.5, "R1/1 and R1/2", off_m, own_95_m, 0.0, 0.0)

    sure, far = departure(0.1, 0.05), departure(0.4, 0.5)
    assert Containment("failed", 5.0, 2.0, (far, sure)).worst is sure


def test_an_exposure_on_the_true_pipe_holds(hole: Updated) -> None:
    assert hole.changes.held
    (check,) = hole.changes.exposures
    assert (check.plan, check.level) == ("held", "held")
    (line,) = hole.changes.lines
    assert line.come == ("TH",)
    assert line.verdicts == ("held", "held")


def test_an_exposure_that_the_rest_rejects_is_no_proof_and_makes_no_node(tmp_path: Path) -> None:
    added = added_folder(tmp_path / "a", exposures=SEEN + seen("TH", 0.55, aside_m=1.5))
    told = run("update", SLOPE, added, "-o", tmp_path / "new", "--build", tmp_path / "out")
    assert told.exit_code == 1, told.output
    said = " ".join(told.output.split())
    assert f"{title_of('old-record-not-judged')}: exposure TH" in said
    assert "rely on neither record" in said
    assert "withdraw every dig overlay" not in said
    assert "not judged" in said
    assert said.count(CAUTION) >= 2  # with the finding, and as the last words
    assert "plan m of old ± up m of old ±" in said
    assert "of old ±: share of how far off the old record allowed at 95 %" in said
    whole = json.loads((tmp_path / "out" / "changes" / "changes.json").read_text(encoding="utf-8"))
    assert whole["held"] is False
    (check,) = whole["exposures"]
    assert check["plan"] == "withheld"
    assert 1.0 < check["off_m"] < 1.5 < check["from_line_m"] + 0.2
    codes = {f["code"] for f in whole["warnings"] if f["severity"] == "error"}
    assert codes == {"old-record-not-judged"}
    record = read_record(tmp_path / "out" / "asbuilt.gpkg").layers
    assert "TH" not in set(record["pipe_nodes"]["ref"])
    assert "TH" not in set(record["pipe_segments"]["from_ref"])
    (told_of,) = record["findings"].query("code == 'blunder'").itertuples()
    assert told_of.subject == "exposure TH"
    assert told_of.geometry is not None  # where it was measured


def test_a_pipe_seen_higher_than_claimed_is_off_the_levels(tmp_path: Path) -> None:
    added = added_folder(tmp_path / "a", exposures=SEEN + seen("TH", 0.55, above_m=0.6))
    changes = updated(added, tmp_path / "new").changes
    assert not changes.held
    (check,) = changes.exposures
    assert (check.plan, check.level) == ("held", "withheld")  # the stops' levels contradict it
    assert 0.0 < check.level_off_m < 0.6
    (said,) = warnings((), (check,))
    assert (said.code, said.severity) == ("old-record-not-judged", "error")
    (sure,) = warnings((), (replace(check, level="failed"),))
    assert (sure.code, sure.severity) == ("old-record-contradicted", "error")
    assert "withdraw every dig overlay" in sure.what_to_do


# ---- outputs ------------------------------------------------------------------------------


def test_a_build_holds_the_changes_and_the_manifest_knows_them(tmp_path: Path) -> None:
    added = added_folder(tmp_path / "a", exposures=SEEN + seen("TH", 0.55))
    out = tmp_path / "out"
    more = ("--also", "geoparquet")
    assert run("update", SLOPE, added, "-o", tmp_path / "new", *more).exit_code == 2
    told = run("update", SLOPE, added, "-o", tmp_path / "new", "--build", out, *more, "--json")
    assert told.exit_code == 0, told.output
    assert (out / "geoparquet" / "pipe_nodes.parquet").is_file()
    document = json.loads(told.output)
    whole = json.loads((out / "changes" / "changes.json").read_text(encoding="utf-8"))
    assert document["lines"] == whole["lines"]
    assert document["caution"] == whole["caution"] == CAUTION
    assert (document["out"], document["built"]) == (str(tmp_path / "new"), str(out))
    with (out / "changes" / "changes.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    moved = document["lines"][0]["moved"]
    assert [r["ref"] for r in rows] == [m["ref"] for m in moved]
    for row, m in zip(rows, moved, strict=True):
        assert float(row["moved_e_m"]) == pytest.approx(m["east_m"], abs=1e-4)
        assert float(row["x"]) == pytest.approx(m["x"], abs=1e-3)
        assert row["held"] == "true"
        assert row["caution"] == CAUTION
    features = json.loads((out / "changes" / "changes.geojson").read_text(encoding="utf-8"))
    nodes = json.loads((out / "geojson" / "pipe_nodes.geojson").read_text(encoding="utf-8"))
    (th,) = (f for f in nodes["features"] if f["properties"]["ref"] == "TH")
    assert len(features["features"]) == len(rows)
    near = shapely.Point(th["geometry"]["coordinates"][:2]).buffer(0.001)  # about a hundred metres
    assert all(near.contains(shapely.geometry.shape(f["geometry"])) for f in features["features"])
    manifest = json.loads((out / "manifest.json").read_text(encoding="utf-8"))
    names = ("changes.json", "changes.csv", "changes.geojson", "record_changes.gpkg")
    assert {f"changes/{name}" for name in names} <= {o["path"] for o in manifest["outputs"]}
    assert manifest["sites"][0]["inputs"]


def test_what_moved_is_a_geopackage_too(tmp_path: Path) -> None:
    added = added_folder(tmp_path / "a", exposures=SEEN + seen("TH", 0.55))
    out, moved = tmp_path / "out", tmp_path / "moved.gpkg"
    told = run("update", SLOPE, added, "-o", tmp_path / "new", "--build", out,
               "--changes", moved, "--json")  # fmt: skip
    assert told.exit_code == 0, told.output
    document = json.loads(told.output)
    meant = document["lines"][0]["moved"]
    for file in (moved, out / "changes" / "record_changes.gpkg"):
        rows = pyogrio.read_dataframe(file, layer="record_changes")
        assert list(rows["ref"]) == [*(m["ref"] for m in meant), "TH"]
        assert set(rows["verdict"]) == {"holds"}
        assert set(rows["caution"]) == {CAUTION}
        for row, m in zip(rows.itertuples(), meant, strict=False):
            ends = shapely.get_coordinates(row.geometry)
            assert ends.ravel() == pytest.approx([m["old_x"], m["old_y"], m["x"], m["y"]])
            assert row.moved_m == pytest.approx(m["plan_m"])
            assert row.moved_m == pytest.approx(row.geometry.length, rel=1e-3, abs=1e-6)
            for name in ("old_position_95_m", "new_position_95_m", "new_level_95_m"):
                assert getattr(row, name) == pytest.approx(m[name])
            # half an interval of the old level, counted another way
            assert abs(row.moved_up_m) / row.old_level_95_m == pytest.approx(m["of_old_level_95"])
            assert row.moved_of_old_95 == pytest.approx(m["of_old_95"])
        hole = rows.iloc[-1]
        (check,) = document["exposures"]
        assert hole["kind"] == "exposure_measured"
        assert hole["moved_m"] == pytest.approx(check["from_line_m"])
        assert hole.geometry.length == pytest.approx(check["from_line_m"], rel=1e-2)
        assert hole["new_position_95_m"] < hole["old_position_95_m"]
        assert not len(pyogrio.read_dataframe(file, layer="record_departures"))
    found = proof_of(moved)
    assert found is not None
    assert (found.kind, found.unchanged) == ("record-changes", True)
    again = ("update", SLOPE, added, "-o", tmp_path / "new-2", "--changes", moved)
    assert run(*again).exit_code == 2
    assert not (tmp_path / "new-2").exists()
    assert run(*again, "--replace").exit_code == 0
    shown = run("export", moved, "-o", tmp_path / "moved.dxf")
    assert shown.exit_code == 0, shown.output


def test_where_the_old_record_does_not_hold_is_a_line(
    hole: Updated, side: Side, tmp_path: Path
) -> None:
    old = issued(straight(10.0), 0.25)
    beside = straight(10.0, 0.55, 0.02)
    plan, level = line_containment(old, beside, side, levels=True)
    (line,) = hole.changes.lines
    moved = replace(line.moved[0], held=False)
    left = replace(line, plan=plan, level=level, moved=(moved,))
    changes = replace(hole.changes, lines=(left,), exposures=())
    write_layers(tmp_path / "moved.gpkg", changes, side.new)
    (row,) = pyogrio.read_dataframe(tmp_path / "moved.gpkg", layer="record_departures").itertuples()
    assert (row.region, row.verdict) == ("corridor", "contradicted")
    assert row.off_m == pytest.approx(0.30, abs=1e-9)
    assert row.new_95_m == pytest.approx(1.95996 * 0.02, rel=1e-4)
    assert (row.from_chainage_m, row.to_chainage_m) == (0.0, 10.0)
    drawn = shapely.LineString(side.new.to_site_crs(beside.line.xyz_m)[:, :2])
    assert shapely.hausdorff_distance(row.geometry, drawn) < 0.002
    (move,) = pyogrio.read_dataframe(tmp_path / "moved.gpkg", layer="record_changes").itertuples()
    assert move.verdict == "contradicted"  # what the line as a whole is


@pytest.mark.parametrize("name", ["moved.geojson", "new/moved.gpkg"])
def test_changes_are_a_geopackage_that_lies_apart(tmp_path: Path, name: str) -> None:
    added = added_folder(tmp_path / "a", exposures=SEEN + seen("TH", 0.5))
    told = run("update", SLOPE, added, "-o", tmp_path / "new", "--changes", tmp_path / name)
    assert told.exit_code == 2
    assert ("must end in .gpkg" in told.output) or ("must lie apart" in told.output)
    assert [p.name for p in tmp_path.iterdir()] == ["a"]


def test_an_output_lies_apart_too(tmp_path: Path) -> None:
    added = added_folder(tmp_path / "a", exposures=SEEN + seen("TH", 0.5))
    inside = tmp_path / "new" / "out"
    told = run("update", SLOPE, added, "-o", tmp_path / "new", "--build", inside)
    assert told.exit_code == 2
    assert "must lie apart" in told.output
    assert [p.name for p in tmp_path.iterdir()] == ["a"]


def test_refusals_are_documents_too(tmp_path: Path) -> None:
    added = added_folder(tmp_path / "a", exposures=SEEN + seen("CO3", 0.5))
    told = run("update", SLOPE, added, "-o", tmp_path / "new", "--json")
    assert told.exit_code == 2
    document = json.loads(told.output)
    (failure,) = document["failures"]
    assert failure["source"] == str(added)
    assert failure["faults"][0]["row"] == 2
    assert document["out"] is None


def test_when_the_build_cannot_be_nothing_is(tmp_path: Path) -> None:
    added = added_folder(tmp_path / "a", exposures=SEEN + seen("TH", 0.5))
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "mine.txt").write_text("keep")
    told = run("update", SLOPE, added, "-o", tmp_path / "new", "--build", tmp_path / "out")
    assert told.exit_code == 2
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a", "out"]


def test_practice_makes_a_second_visit(tmp_path: Path) -> None:
    name = "gnss-bend-branch"
    made = run("practice", tmp_path / "visit", "--scenario", name, "--added", "--seed", 5)
    assert made.exit_code == 0, made.output
    make_site(SCENARIOS[name], 5, tmp_path / "site")
    merged = merged_files(tmp_path / "site", tmp_path / "visit", tmp_path / "new")
    assert merged.faults == ()
    refused = run("practice", tmp_path / "no", "--scenario", "tape-ties", "--added")
    assert refused.exit_code == 2
    assert "no second visit to 'tape-ties'" in " ".join(refused.output.split())


def test_levels_of_another_datum_are_not_compared(tmp_path: Path) -> None:
    """A sketch without a level counts depths from 0; with the first level added it counts on."""
    site = SAMPLES / "local-sketch"
    added = added_folder(
        tmp_path / "a",
        exposures="name,line,method,base_from,base_to,base_distance,base_offset,z,measured_to\n"
        "TH,L1,offset,A,B,3.0,-7.0,20.3,invert\n",
    )
    changes = updated(added, tmp_path / "new", site).changes
    assert not changes.levels_compared
    assert all(line.level.verdict == "untested" for line in changes.lines)
    assert all(np.isnan(m.up_m) for line in changes.lines for m in line.moved)
    assert [e.level for e in changes.exposures] == ["untested"]


# ---- a new record in doubt ----------------------------------------------------------------


def shifted(folder: Path, east_m: float) -> Path:
    """The sample's second visit with every mark moved: a base station set up on another point."""
    shutil.copytree(SAMPLES / "added" / "gnss-bend-branch", folder)
    file = folder / "marks.csv"
    rows = list(csv.DictReader(file.read_text(encoding="utf-8").splitlines()))
    with file.open("w", encoding="utf-8", newline="") as out:
        writer = csv.DictWriter(out, list(rows[0]))
        writer.writeheader()
        writer.writerows(r | {"x": f"{float(r['x']) + east_m:.3f}"} for r in rows)
    return folder


def test_a_new_record_with_errors_does_not_say_the_old_one_was_wrong(tmp_path: Path) -> None:
    """By 0.25 m the new line leaves the old corridor; further off its stops are left out of it."""
    added = shifted(tmp_path / "a", 0.25)
    told = updated(added, tmp_path / "new", SAMPLES / "gnss-bend-branch").changes
    first, branch = told.lines
    assert (first.plan.verdict, branch.plan.verdict) == ("withheld", "held")
    assert first.doubts
    assert branch.doubts == first.doubts  # it hangs on the line that is in doubt
    assert not told.held
    withheld = [f for f in told.warnings if f.code == "old-record-not-judged"]
    assert [f.subject for f in withheld] == ["line L1"]
    for f in withheld:
        assert f.severity == "error"
        assert "not judged, because the new one has errors: stop R3/" in f.what
        assert "rely on neither record" in f.what_to_do
        assert CAUTION in " ".join(f.what_to_do.split())
    assert not any("was wrong" in f.what for f in told.warnings)
    assert "rely on neither record" in verdict(told)


@pytest.mark.parametrize(
    ("subject", "lines"),
    [
        ("stop R1/4", ["L1"]),
        ("run R2", ["L2"]),
        ("line L1", ["L1"]),
        ("lines L1, L2", ["L1", "L2"]),
        ("segment L2/3", ["L2"]),
        ("exposure TH1", ["L1"]),
        ("site", ["L1", "L2"]),
        ("mark R1-4A", []),
    ],
)
def test_what_puts_a_line_in_doubt(subject: str, lines: list[str]) -> None:
    settings = replace(
        bare_settings(),
        runs=tuple(Run(f"R{i}", f"L{i}", f"CO{i}", 0.0, "with", 0.35, 0.03) for i in (1, 2)),
    )
    error = Finding("error", "link", "any", subject, "", "", "")
    found = doubts([error], settings, {"TH1": "L1"})
    assert [line for line, of in found.items() if of] == lines
    harmless = [replace(error, severity="warning"), replace(error, stage="write")]
    assert not any(doubts(harmless, settings, {"TH1": "L1"}).values())


def test_a_second_visit_turns_no_leg_of_the_line_and_invents_no_grade(sample: Updated) -> None:
    """Stops of both runs lie centimetres apart here; the pipe falls at 2 % throughout."""
    for axis in axes(sample.new.result.work).values():
        legs = np.diff(axis.line.xyz_m, axis=0)
        assert (np.einsum("lc,lc->l", legs[1:], legs[:-1]) > 0.0).all()
    columns = layer(sample.new.result.work, "pipe_segments").columns
    assert "not_met" not in list(columns["ipc_gradient"])


# ---- the day of the visit --------------------------------------------------------------------


def frames_of(site: Path, tmp_path: Path) -> dict[str, AnyFrame]:
    out = tmp_path / f"out-{site.name}"
    told = run("build", site, "-o", out)
    assert told.exit_code in (0, 1), told.output
    return read_layers(out / "asbuilt.gpkg", LAYERS)


def test_a_visit_dates_what_it_adds_and_nothing_else(tmp_path: Path) -> None:
    """The sample's second visit: version 2, its own day on run, stops, marks and test hole."""
    site, visit = SAMPLES / "gnss-bend-branch", SAMPLES / "added" / "gnss-bend-branch"
    new = tmp_path / "new"
    assert run("update", site, visit, "-o", new).exit_code == 0
    settings = read_site(new).settings
    assert [r.surveyed for r in settings.runs] == [None, None, date(2026, 5, 13)]
    exposures = read_site(new).exposures
    assert (
        dict(zip(exposures.spots.name.tolist(), exposures.surveyed.tolist(), strict=True))["TH1"]
        == "2026-05-13"
    )
    assert settings.version == 2
    frames = frames_of(new, tmp_path)
    first, second = "2026-05-06", "2026-05-13"
    for name in ("transmitter_fixes", "field_marks", "pipe_observations"):
        of_run = frames[name].groupby("run_id")["surveyed_on"].unique()
        days = {run_id: [str(d)[:10] for d in of] for run_id, of in of_run.items() if run_id}
        assert days["R3"] == [second], name
        assert days["R1"] == [first], name
    lines = frames["pipe_centreline"].set_index("line_id")
    assert str(lines["surveyed_first_on"]["L1"])[:10] == first
    assert str(lines["surveyed_on"]["L1"])[:10] == second
    assert str(lines["surveyed_on"]["L2"])[:10] == first
    nodes = frames["pipe_nodes"]
    hole = nodes[nodes["ref"] == "TH1"]
    assert [str(d)[:10] for d in hole["surveyed_on"]] == [second]
    entry = nodes[(nodes["kind"] == "entry") & (nodes["ref"] == "CO1")]
    assert {str(d)[:10] for d in entry["surveyed_on"]} == {first}, "of the run that began there"
    for name in (
        "transmitter_fixes",
        "pipe_centreline",
        "pipe_segments",
        "pipe_nodes",
        "pipe_observations",
        "position_corridor",
        "tolerance_zone",
        "unlocated",
    ):
        frame = frames[name]
        assert set(frame["record_version"]) <= {2}, name
        assert {str(d)[:10] for d in frame["valid_from"]} <= {second}, name
    said = dict(zip(frames["lineage"]["item"], frames["lineage"]["value"], strict=True))
    assert said["record version"] == "2"
    assert said["valid from"] == second
    manifest = json.loads((tmp_path / "out-new" / "manifest.json").read_text(encoding="utf-8"))
    assert manifest["sites"][0]["record_version"] == 2
    assert manifest["sites"][0]["valid_from"] == second


def test_the_version_is_raised_where_it_stands_and_comments_stay(tmp_path: Path) -> None:
    site = tmp_path / "site"
    shutil.copytree(SLOPE, site)
    text = (site / "site.toml").read_text(encoding="utf-8")
    stated = "\n[record]  # of our register\nversion = 4  # since 2019\nvalid_from = 2026-07-01\n"
    (site / "site.toml").write_text(text + stated, encoding="utf-8")
    added = added_folder(
        tmp_path / "a",
        exposures=SEEN + seen("TH", 0.5),
        toml='[visit]\nsurveyed = 2026-08-02\nsurveyor = "Crew B"\nvalid_from = 2026-09-01\n',
    )
    merged = merged_files(site, added, tmp_path / "new")
    assert merged.faults == merged.site_faults == ()
    new = merged.texts["site.toml"]
    for line in (
        "[record]  # of our register\nversion = 5\nvalid_from = 2026-09-01\n",
        "# of version 4: version = 4  # since 2019\n# of version 4: valid_from = 2026-07-01\n",
    ):
        assert line in new
    assert tomllib.loads(new)["record"] == {"version": 5, "valid_from": date(2026, 9, 1)}
    assert "visit" not in tomllib.loads(new)
    assert merged.texts["exposures.csv"].splitlines()[-1].endswith(",2026-08-02")


def test_a_run_says_its_own_day_and_who_first(tmp_path: Path) -> None:
    visit = '[visit]\nsurveyed = 2026-08-02\nsurveyor = "Crew B"\nreceiver = "RX 7"\n'
    run_2 = '[[run]]\nid = "R2"\nline = "L1"\nentry = "MAIN"\nflow = "against"\n'
    added = added_folder(tmp_path / "a", toml=visit + run_2 + 'surveyor = "Crew C"\n')
    text = merged_files(SLOPE, added, tmp_path / "new").texts["site.toml"]
    mine = tomllib.loads(text)["run"][-1]
    assert (mine["surveyed"], mine["surveyor"], mine["receiver"]) == (
        date(2026, 8, 2),
        "Crew C",
        "RX 7",
    )


def test_faults_of_a_visit_name_key_and_line(tmp_path: Path) -> None:
    added = added_folder(
        tmp_path / "a", toml='[visit]\nsurveyed = "02.08.2026"\ncrew = "B"\nvalid_from = 7\n'
    )
    faults = [str(f) for f in merged_files(SLOPE, added, tmp_path / "new").faults]
    assert any(f.startswith("added.toml:2: surveyed must be a date") for f in faults)
    assert any(f.startswith("added.toml:3: crew must be a key of [visit]") for f in faults)
    assert any(f.startswith("added.toml:4: valid_from must be a date") for f in faults)


def test_a_visit_without_a_day_is_told(tmp_path: Path) -> None:
    added = added_folder(tmp_path / "a", exposures=SEEN + seen("TH", 0.5))
    told = run("update", SLOPE, added, "-o", tmp_path / "new")
    assert "names no day of the visit" in " ".join(told.output.split())
