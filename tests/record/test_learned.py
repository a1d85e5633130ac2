"""Accuracies learned from records: sums that add up, estimates that hold, a file sites read."""

from __future__ import annotations

import sqlite3
from dataclasses import astuple, replace
from functools import cache
from math import degrees
from pathlib import Path

import pytest

from lateralline.api.learning import calibrate
from lateralline.ingest import read_site
from lateralline.proof.scenarios import WRONG, simulate
from lateralline.record.learned import KEYS, VarianceSums, as_toml, calibrated
from lateralline.records import AccuracyEvidence
from lateralline.settings import standard_accuracy
from lateralline.solve import solve
from tests.support.made_files import base, faults_of, write

COLUMNS = (
    "receiver", "surveyor", "accuracy", "beside", "reckoned_with", "beside_with", "squares",
    "spare", "overlap",
)  # fmt: skip


def record(path: Path, sites: dict[str, list[AccuracyEvidence]]) -> Path:
    """A built record as far as its evidence goes."""
    with sqlite3.connect(path) as database:
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
    assert as_toml(found) == out.read_text()


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
