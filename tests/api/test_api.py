"""What people import: read, check, build, load, and what they are told when something is wrong."""

from __future__ import annotations

import filecmp
import pickle
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import pytest

import lateralline
from lateralline import api, contract
from lateralline.errors import (
    OutputExistsError,
    SiteFaultsError,
    UnknownSiteError,
    UnreadableError,
)
from tests.support.made_record import make_record
from tests.support.places import ROOT, SAMPLES

BEND = SAMPLES / "gnss-bend-branch"


@pytest.fixture(scope="module")
def record() -> api.Record:
    return api.build(api.read(BEND))


def test_a_site_is_read_as_it_stands() -> None:
    site = api.read(BEND)
    assert site.source == BEND
    assert site.id == "QH-022"
    assert len(site.record.stops.stop) == 14
    assert "14 stops" in repr(site)


def test_a_site_with_faults_tells_every_one_of_them() -> None:
    with pytest.raises(SiteFaultsError) as told:
        api.read(SAMPLES / "faulty")
    assert len(told.value.faults) > 10
    with pytest.raises(SiteFaultsError) as again:
        api.check(SAMPLES / "faulty")
    assert again.value.faults == told.value.faults


def test_a_path_that_is_no_site_or_many_is_refused(tmp_path: Path) -> None:
    with pytest.raises(UnknownSiteError, match="no site in"):
        api.read(tmp_path)
    with pytest.raises(UnknownSiteError, match="name one"):
        api.read(SAMPLES)


def test_findings_are_a_sequence_and_a_table() -> None:
    findings = api.check(BEND)
    severities = [f.severity for f in findings]
    assert severities == sorted(severities, key=["error", "warning", "info"].index)
    assert [f.severity for f in findings.warnings] == ["warning"] * len(findings.warnings) != []
    assert not findings.errors
    assert list(findings[:2]) == [findings[0], findings[1]]
    table = findings.to_frame()
    assert isinstance(table, pd.DataFrame)
    assert table["code"].tolist() == [f.code for f in findings]


def test_checking_several_goes_on_past_a_bad_one() -> None:
    seen: list[str] = []
    both = [SAMPLES / "faulty", api.read(BEND)]
    findings = api.check(both, on_site=lambda result: seen.append(type(result).__name__))
    assert seen == ["SiteFailure", "SiteResult"]
    assert [failure.source.name for failure in findings.failures] == ["faulty"]
    assert len(findings) == len(api.check(BEND))


def test_a_record_has_every_layer_of_the_dictionary(record: api.Record) -> None:
    assert tuple(record.layers) == contract.LAYERS
    fixes = record.layers["transmitter_fixes"]
    assert isinstance(fixes, gpd.GeoDataFrame)
    declared = contract.load("transmitter_fixes").field
    assert list(fixes.columns[:-1]) == [c.name for c in declared]
    assert fixes.crs == record.crs
    assert not isinstance(record.layers["lineage"], gpd.GeoDataFrame)
    with pytest.raises(KeyError, match="no layer 'fixes'; there are control_points"):
        record.layers["fixes"]


def test_a_record_tells_what_check_tells(record: api.Record) -> None:
    def told(findings: api.Findings) -> list[tuple[str, str, str]]:
        return sorted((f.code, f.subject, f.what) for f in findings)

    assert told(record.findings) == told(api.check(BEND))


def test_a_record_is_written_as_the_command_writes_it(
    record: api.Record, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1790000000")
    kept = api.build(BEND).write(tmp_path / "kept")
    there = api.build(BEND, tmp_path / "there")
    names = sorted(
        p.relative_to(tmp_path / "kept").as_posix()
        for p in (tmp_path / "kept").rglob("*")
        if p.is_file()
    )
    _, differ, missing = filecmp.cmpfiles(
        tmp_path / "kept", tmp_path / "there", names, shallow=False
    )
    assert (differ, missing) == ([], [])
    assert kept.sites == there.sites == record.sites == ("QH-022",)
    with pytest.raises(OutputExistsError, match=r"there already; .* ask for replace=True$") as told:
        record.write(tmp_path / "kept")
    assert str(pickle.loads(pickle.dumps(told.value))) == str(told.value)  # as a worker sends one
    assert record.write(tmp_path / "kept", replace=True).sites == ("QH-022",)


def test_what_stands_beside_a_record_is_not_written_with_it(tmp_path: Path) -> None:
    there = api.build(SAMPLES / "tape-ties", tmp_path / "there")
    (tmp_path / "there" / "notes.txt").write_text("mine", encoding="utf-8")
    there.write(tmp_path / "copy")
    assert not (tmp_path / "copy" / "notes.txt").exists()
    assert (tmp_path / "copy" / "manifest.json").is_file()


def test_several_sites_make_one_record_without_the_bad_ones(tmp_path: Path) -> None:
    record = api.build([SAMPLES / "faulty", BEND, SAMPLES / "slope-levels"])
    assert len(record.sites) == 2
    assert [failure.source.name for failure in record.failures] == ["faulty"]
    first = str(record.failures[0].faults[0])
    assert f"; 1 site FAILED, first faulty: {first}>" in repr(record)
    assert "FAILED" not in repr(api.check(BEND))
    of_sites = [line for line in map(repr, record.summary()) if line.startswith("<QH-")]
    assert len(of_sites) == 2
    assert "QH-099:" in set(record.layers["unlocated"]["what"].str.split().explode()) | set(
        record.layers["unlocated"]["site_id"]
    )
    with pytest.raises(api.NothingBuiltError) as told:
        api.build([SAMPLES / "faulty"], tmp_path / "out")
    assert [failure.source.name for failure in told.value.failures] == ["faulty"]
    assert not (tmp_path / "out").exists()


def test_two_sites_of_one_id_are_not_built_over_each_other() -> None:
    record = api.build([api.read(BEND), api.Site(Path("elsewhere"), api.read(BEND).record)])
    assert record.sites == ("QH-022",)
    assert len(record.failures) == 1


def test_a_built_record_is_opened_by_folder_or_file(tmp_path: Path) -> None:
    api.build(BEND, tmp_path / "out")
    by_folder, by_file = api.load(tmp_path / "out"), api.load(tmp_path / "out" / "asbuilt.gpkg")
    assert by_folder.sites == by_file.sites == ("QH-022",)
    assert len(by_folder.findings) == len(api.check(BEND))
    with pytest.raises(api.NotARecordError, match="no output of lateralline build"):
        api.load(BEND)
    with pytest.raises(UnreadableError):
        api.load(BEND / "site.toml")


def test_a_path_that_is_not_there_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Not the folder about it, though it holds what looks like records."""
    (tmp_path / "local").mkdir()
    (tmp_path / "local" / "asbuilt.gpkg").touch()
    monkeypatch.chdir(tmp_path)
    for opened in (api.load, api.load_all):
        with pytest.raises(api.RecordNotThereError, match=r"^nowhere is not there; wanted is a"):
            opened("nowhere")
    with pytest.raises(FileNotFoundError):
        api.load(tmp_path / "no.gpkg")


def test_findings_of_a_line_stand_apart_from_those_of_the_site(record: api.Record) -> None:
    found = record.findings
    one, two, site = found.of_line("L1"), found.of_line("L2"), found.of_site
    assert {f.line_id for f in one} == {"L1"}
    assert {f.line_id for f in two} == {"L2"}
    assert {f.line_id for f in site} == {""}
    assert len(one) + len(two) + len(site) == len(found)
    assert not found.of_line("")


def test_a_summary_is_read_in_a_line(record: api.Record) -> None:
    (site,) = record.summary()
    line = site.lines[0]
    said = repr(site)
    assert said.startswith(f"<QH-022, surveyed {site.surveyed}: L1 {line.length_m:.2f} m, ")
    low = re.search(r"L1 .*?cover at least ([\d.]+) m", said)
    assert low is not None
    assert line.cover_lower_95_m - 0.01 < float(low[1]) <= line.cover_lower_95_m
    assert said.endswith(f"{site.count('info')} notes>")


def test_a_file_given_to_plot_is_told_what_plot_takes(record: api.Record) -> None:
    with pytest.raises(UnknownSiteError, match=r"takes a site .*QH-022; got 'p.png'.*savefig") as e:
        record.plot("p.png")
    assert "/" not in str(e.value)


def test_only_public_names_are_listed() -> None:
    listed = [name for name in dir(lateralline) if not name.startswith("__")]
    assert listed == sorted(lateralline.__all__)


def test_a_finding_about_one_place_gives_its_chainage_as_a_number(record: api.Record) -> None:
    named = {f: re.search(r"near chainage (-?[\d.]+)\sm", f.what) for f in record.findings}
    assert any(named.values())
    for finding, words in named.items():
        assert (finding.chainage_m is None) == (words is None)
        if words is not None and finding.chainage_m is not None:
            assert finding.chainage_m == pytest.approx(float(words[1]), abs=0.00501)
    in_layer = record.layers["findings"]["chainage_m"].dropna().tolist()
    assert in_layer == [f.chainage_m for f in named if f.chainage_m is not None]


def test_a_layer_that_an_older_record_lacks_is_empty_and_typed(tmp_path: Path) -> None:
    """A layer with geometry and a table; what the record holds is read as ever."""
    record = api.load(make_record(tmp_path / "old.gpkg"))
    area, table = record.layers["unlocated"], record.layers["adjusted_parameters"]
    assert isinstance(area, gpd.GeoDataFrame)
    assert len(area) == len(table) == 0
    declared = contract.load("adjusted_parameters")
    assert list(table.columns) == ["uid", *declared.names]
    reals = {str(table[c.name].dtype) for c in declared.field if c.type == "real"}
    assert reals == {"float64"}
    assert len(record.layers["pipe_centreline"]) == 1
    assert len(record.findings) == 0


def test_importing_the_package_loads_nothing_heavy() -> None:
    heavy = ("geopandas", "pandas", "matplotlib", "scipy", "shapely", "pyproj", "numpy")
    script = (
        f"import sys, lateralline; lateralline.__version__; "
        f"print(*(m for m in {heavy!r} if m in sys.modules))"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True
    )
    assert done.stdout.split() == []


def test_the_readmes_lines_of_python_run_as_they_stand(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """README, "In Python": typed at a prompt, every line says something."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    [code] = re.findall(r"^```python\n(.*?)^```", text, re.M | re.S)
    assert len(code.splitlines()) <= 10
    (tmp_path / "sample_sites").symlink_to(SAMPLES)
    monkeypatch.chdir(tmp_path)
    names: dict[str, Any] = {}
    exec(compile(code, "README.md", "exec"), names)
    assert len(names["fixes"]) == 14
    assert names["record"].sites == names["lateralline"].load("out-python").sites
