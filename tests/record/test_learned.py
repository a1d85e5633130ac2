"""Accuracies learned from records: sums that add up, estimates that hold, a file sites read."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from dataclasses import astuple, replace
from functools import cache
from math import degrees
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import chi2

from lateralline.api.records import NotARecordError, calibrate, load
from lateralline.errors import OutputExistsError
from lateralline.ingest import read_site
from lateralline.link.learning import bend_evidence
from lateralline.proof.scenarios import WRONG, simulate
from lateralline.record.learned import KEYS, Learned, VarianceSums, as_toml, calibrated
from lateralline.records import AccuracyEvidence, Floats, SampledPaths
from lateralline.settings import standard_accuracy
from lateralline.solve import solve
from tests.support.made_files import base, faults_of, write

COLUMNS = (
    "receiver", "surveyor", "accuracy", "beside", "reckoned_with", "beside_with", "squares",
    "spare", "overlap",
)  # fmt: skip


def record(
    path: Path,
    sites: dict[str, list[AccuracyEvidence]],
    *,
    version: int = 1,
    counters: Sequence[float] = (1.0, 2.0, 3.0),
) -> Path:
    """A built record as far as its evidence goes, and its stops."""
    with sqlite3.connect(path) as database:
        stops = "site_id, record_version, run_id, stop_id, counter_m"
        database.execute(f"CREATE TABLE transmitter_fixes ({stops})")
        of_site = [
            (site, version, "R1", str(i), c) for site in sites for i, c in enumerate(counters)
        ]
        database.executemany("INSERT INTO transmitter_fixes VALUES (?, ?, ?, ?, ?)", of_site)
        database.execute(f"CREATE TABLE accuracy_evidence (site_id, {', '.join(COLUMNS)})")
        rows = [(site, *astuple(one)) for site, found in sites.items() for one in found]
        marks = ", ".join("?" * (len(COLUMNS) + 1))
        database.executemany(f"INSERT INTO accuracy_evidence VALUES ({marks})", rows)
    database.close()
    return path


@cache
def survey(seed: int, receiver: str) -> list[AccuracyEvidence]:
    """Evidence of 100 stops by one receiver, three times worse than told; its scale is true."""
    s = simulate(replace(WRONG[1], true=WRONG[1].true | {"depth_scale_ratio": 1e-6}), 100, seed)
    runs = tuple(replace(r, receiver=receiver, surveyor="crew 1") for r in s.settings.runs)
    return list(solve(s.marks, s.stops, replace(s.settings, runs=runs)).evidence)


def test_a_receiver_three_times_worse_is_learned_within_its_interval(tmp_path: Path) -> None:
    """One record or several: sums add up."""
    sites = {"A": survey(3, "RX"), "B": survey(4, "RX")}
    one = record(tmp_path / "one.gpkg", sites)
    two = [record(tmp_path / f"{k}.gpkg", {k: found}) for k, found in sites.items()]
    found = calibrated([one])
    assert found.sites == 2
    assert calibrated(two) == found
    assert list(found.crews) == [("RX", "crew 1")]
    learned = {x.key: x for x in found.together}
    for key, true in (
        ("receiver_angle_deg", 3.0),
        ("mark_placing_m", 0.03),
        ("depth_reading_ratio", 0.07),
    ):
        assert learned[key].sure or key == "mark_placing_m"
        assert learned[key].lower_95 < true < learned[key].upper_95, key
        assert learned[key].lower_95 < learned[key].value < learned[key].upper_95
    assert learned["receiver_angle_deg"].lower_95 > 2.0


def told(squares: float) -> AccuracyEvidence:
    """Evidence on one accuracy."""
    return AccuracyEvidence("", "", "counter_m", "counter_m", 1.0, 1.0, squares, 100.0, 100.0)


def test_a_site_of_several_records_counts_once_by_its_newest_version(tmp_path: Path) -> None:
    """Its second version has a stop more; another site has the same id and other counters."""
    old = record(tmp_path / "1.gpkg", {"A": [told(900.0)]})
    new = record(tmp_path / "2.gpkg", {"A": [told(400.0)]}, version=2, counters=(1, 2, 3, 4))
    other = record(tmp_path / "3.gpkg", {"A": [told(600.0)]}, counters=(1.1, 2.2, 3.3))
    found = calibrated([old, new])
    assert found.sites == 1
    assert [x.value for x in found.together] == [pytest.approx(2.0)]
    ((once),) = found.once
    assert (once.site, once.counted, once.left) == ("A", new, (old,))
    both = calibrated([new, other])
    assert (both.sites, both.once) == (2, ())
    assert [x.degrees for x in both.together] == [pytest.approx(100.0 * 2 * 2 / 2)]


def test_a_folder_of_several_crs_is_taken_whole(tmp_path: Path) -> None:
    """What --per-crs wrote is a folder of records: each is read, and `load` names them."""
    for name, squares in (("EPSG-26917", 300.0), ("local", 500.0)):
        (tmp_path / name).mkdir()
        record(tmp_path / name / "asbuilt.gpkg", {name: [told(squares)]})
    found = calibrated([tmp_path])
    assert (found.sites, found.together[0].value) == (2, pytest.approx(2.0))
    with pytest.raises(NotARecordError, match="of each CRS, in EPSG-26917, local; wanted is one"):
        load(tmp_path)


def bent(share: Floats, stretch_m: float) -> SampledPaths:
    """Paths of a line whose stretches bend in these shares (k,) of them, or of k lines of one."""
    k = len(share)
    shapes = np.column_stack([1.0 - share, share, 0.0 * share, 0.0 * share])
    none, length = np.zeros((0, 0, 3)), np.full(k, stretch_m)
    return SampledPaths(
        subjects=(), xyz_m=none, place=none, corner_m=none,
        corner_interval=np.zeros((0, 0), np.int64), shape_share=shapes, wrong_share=none,
        stretch_m=length, bend_radius_m=none, stands=none,
    )  # fmt: skip


def bends_learned(paths: list[SampledPaths], reckoned: float) -> Learned:
    """Bends per metre as such lines show them."""
    sums, i = VarianceSums(), KEYS.index("bends_per_m")
    (one,) = bend_evidence(paths, standard_accuracy(bends_per_m=reckoned))
    sums.add(i, i, astuple(one)[4:])
    (found,) = sums.learned()
    return found


@pytest.mark.parametrize("reckoned", [0.02, 0.05])
def test_bends_that_are_plain_are_counted_over_the_length(reckoned: float) -> None:
    """12 of 400 stretches of 1 m, each a line; a count of 12 lies within 6.2 and 21.0 (95 %).

    The interval of a Poisson count: χ² of 24 degrees of freedom, which has 12 exactly.
    """
    share = np.zeros(400)
    share[:12] = 1.0
    found = bends_learned([bent(np.array([one]), 1.0) for one in share], reckoned)
    assert found.value == pytest.approx(12 / 400, rel=0.05)
    assert found.lower_95 * 400 == pytest.approx(chi2.isf(0.975, 24) / 2, rel=0.1)
    assert found.sure


def test_bends_that_are_in_doubt_are_learned_though_twice_as_many_as_reckoned() -> None:
    """Of 3000 stretches each is seen by one reading, as far off as 2.5 σ where the pipe bends.

    Half of the shares follow the prior; counted alone they would drag the number to it.
    """
    rng = np.random.default_rng(7)
    reckoned, true, stretch_m, off = 0.05, 0.10, 2.0, 2.5
    there = rng.random(3000) < -np.expm1(-true * stretch_m)
    seen = rng.normal(size=3000) + off * there
    prior = -np.expm1(-reckoned * stretch_m)
    odds = prior / (1 - prior) * np.exp(off * seen - off**2 / 2)
    lines = [bent(np.array([one]), stretch_m) for one in odds / (1 + odds)]
    found = bends_learned(lines, reckoned)
    assert found.lower_95 < true < found.upper_95
    assert found.sigma < 0.01
    nothing = [bent(np.array([prior]), stretch_m)] * 100
    assert bends_learned([*lines, *nothing], reckoned).value == pytest.approx(found.value, rel=0.02)


def test_bends_are_of_the_pipe_whoever_surveyed_it(tmp_path: Path) -> None:
    """And a site reads the number back from the file."""
    plain = bend_evidence([bent(np.array([1.0, 0.0, 0.0, 0.0] * 20), 5.0)], standard_accuracy())
    found = calibrated([record(tmp_path / "a.gpkg", {"A": [*plain, told(400.0)]})])
    assert [x.key for x in found.together] == ["counter_m", "bends_per_m"]
    assert [x.key for x in found.crews["", ""]] == ["counter_m"]
    files = base() | {"accuracies.toml": as_toml(found)}
    files["site.toml"] += '[accuracy]\nfrom = "accuracies.toml"\n'
    accuracy = read_site(write(tmp_path / "site", files)).settings.accuracy
    assert found.together[1].sure
    assert accuracy.bends_per_m == pytest.approx(found.together[1].value, rel=1e-3)


def test_records_reckoned_with_other_accuracies_add_up() -> None:
    """The same squares, told with σ 1 and with σ 2, are one variance: 4 of 100 each."""
    sums, i = VarianceSums(), KEYS.index("counter_m")
    sums.add(i, i, (1.0, 1.0, 400.0, 100.0, 100.0))
    sums.add(i, i, (2.0, 2.0, 100.0, 100.0, 100.0))
    (one,) = sums.learned()
    assert (one.key, one.value) == ("counter_m", pytest.approx(2.0))


def test_a_site_reads_what_was_learned_and_its_own_goes_before(tmp_path: Path) -> None:
    made = record(tmp_path / "a.gpkg", {"A": survey(5, ""), "B": survey(3, "RX")})
    out = tmp_path / "site" / "accuracies.toml"
    found = calibrate([made], tmp_path / "accuracies.toml")
    files = base()
    files["site.toml"] += '[accuracy]\nfrom = "accuracies.toml"\nmark_placing_m = 0.05\n'
    folder = write(tmp_path / "site", files)
    (tmp_path / "accuracies.toml").replace(out)
    accuracy = read_site(folder).settings.accuracy
    value = {x.key: x.value for x in found.together}
    assert degrees(accuracy.receiver_angle_rad) == pytest.approx(
        value["receiver_angle_deg"], rel=1e-3
    )
    assert accuracy.mark_placing_m == 0.05
    assert accuracy.level_m == standard_accuracy().level_m
    named = 'ride_height = 0.03\nreceiver = "RX"\nsurveyor = "crew 1"\n'
    text = files["site.toml"].replace("ride_height = 0.03\n", named)
    of_crew = {x.key: x.value for x in found.crews["RX", "crew 1"]}
    (folder / "site.toml").write_text(text)
    accuracy = read_site(folder).settings.accuracy
    assert degrees(accuracy.receiver_angle_rad) == pytest.approx(
        of_crew["receiver_angle_deg"], rel=1e-3
    )
    assert out.read_text().startswith(as_toml(found))
    out.write_text(out.read_text().replace("[accuracy]", "[accuracy] # as agreed", 1))
    calibrate([made], out, replace=True)
    assert out.read_text().startswith(as_toml(found))
    assert "# as agreed" in out.with_name("accuracies.kept-1.toml").read_text()
    out.write_text("[accuracy]\nmark_placing_m = 0.05\n")
    with pytest.raises(OutputExistsError, match="was not written by `lateralline calibrate`"):
        calibrate([made], out, replace=True)


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        (None, "site.toml:53: from must be a file that lateralline calibrate wrote"),
        ("[accuracy]\nlevel = 1\n", "accuracies.toml:2: level must be a key of [accuracy]"),
        ("[accuracy]\nlevel_m = 0\n", "accuracies.toml:2: level_m must be a number"),
        ("[acuracy]\nlevel_m = 1\n", "accuracies.toml:1: acuracy must be [accuracy] or [[crew]]"),
        ('[accuracy]\nfrom = "x"\n', "accuracies.toml:2: from must not stand in a file"),
    ],
)
def test_what_is_wrong_in_the_file_is_told(tmp_path: Path, text: str | None, fault: str) -> None:
    files = base()
    files["site.toml"] += '\n[accuracy]\nfrom = "accuracies.toml"\n'
    folder = write(tmp_path, files)
    if text is not None:
        (folder / "accuracies.toml").write_text(text)
    (told,) = faults_of(folder)
    assert told.startswith(fault)
