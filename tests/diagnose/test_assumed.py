"""All defaults that stand in for what nobody gave are one finding, each with what it moves."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from lateralline.api.sites import crs_named
from lateralline.diagnose import with_assumed
from lateralline.errors import SiteFaultsError
from lateralline.ingest import read_site
from lateralline.place import place
from lateralline.records import Spots
from lateralline.settings import Assumed

SAMPLES = Path(__file__).parents[2] / "sample_sites"


def test_all_defaults_are_one_finding() -> None:
    record = read_site(SAMPLES / "gnss-bend-branch")
    placed = place(record)
    codes = [f.code for f in with_assumed(record, placed).findings]
    given = replace(
        record,
        settings=replace(record.settings, assumed=Assumed(("R1", "R2"), ("R2",), True, True)),
    )
    [told] = [f for f in with_assumed(given, placed).findings if f.code == "assumed"]
    assert told.severity == "warning"
    for said in (
        "transmitter_lag 0 of R1, R2, which moves places along the pipe",
        "ride_height 0 of R2, which moves levels of the invert",
        "a tolerance of 0.46 m by CGA Best Practices",
        "local rules may be wider",
        "a receiver",
    ):
        assert said in told.what
    assert "us-fl" in told.what_to_do
    assert "tolerance" in told.what_to_do
    assert codes.count("assumed") <= 1


def test_a_taped_site_without_a_crs_is_a_sketch_and_says_so(tmp_path: Path) -> None:
    """A grid's large coordinates, or a spot by GNSS, would lead to a map: the CRS is asked for."""
    site = shutil.copytree(SAMPLES / "local-sketch", tmp_path / "taped")
    settings = (site / "site.toml").read_text(encoding="utf-8")
    bare = settings.replace('horizontal = "local"\n', "")
    assert bare != settings
    (site / "site.toml").write_text(bare, encoding="utf-8")
    record = read_site(site)
    assert record.settings.horizontal == "local"
    [told] = [f for f in with_assumed(record, place(record)).findings if f.code == "assumed"]
    assert "x and y on axes of the sketch alone" in told.what
    assert crs_named(site) == "local"
    control = (site / "control.csv").read_text(encoding="utf-8")
    far = control.rstrip("\n").rsplit("\n", 1)[-1].split(",")
    far[:3] = ["FAR", "467200.0", "4660990.0"]
    (site / "control.csv").write_text(control + ",".join(far) + "\n", encoding="utf-8")
    with pytest.raises(SiteFaultsError, match="horizontal"):
        read_site(site)
    assert crs_named(site) == ""


def test_only_what_is_assumed_is_told() -> None:
    record = read_site(SAMPLES / "gnss-bend-branch")
    bare = replace(record, settings=replace(record.settings, assumed=Assumed(lag=("R1",))))
    [told] = [f for f in with_assumed(bare, place(record)).findings if f.code == "assumed"]
    assert "transmitter_lag 0 of R1" in told.what
    assert "ride_height" not in told.what
    assert "receiver" not in told.what + told.by_how_much
    assert "one of" not in told.what_to_do
    assert "steel that nobody saw turns the field" in told.what
    metal = np.ones(len(record.stops.row), dtype=np.bool_)
    seen = replace(bare, stops=replace(bare.stops, metal=metal))
    [told] = [f for f in with_assumed(seen, place(record)).findings if f.code == "assumed"]
    assert "steel that nobody saw" not in told.what


def test_sigma_of_control_is_nothing_to_a_site_that_taped_nothing() -> None:
    record = read_site(SAMPLES / "tape-ties")
    nothing = np.full(len(record.control.sigma_h_m), np.nan)
    bare = replace(
        record,
        settings=replace(record.settings, assumed=Assumed(lag=("R1",))),
        control=replace(record.control, sigma_h_m=nothing),
    )
    surveyed = replace(
        bare,
        marks=replace(bare.marks, spots=_by_gnss(bare.marks.spots)),
        exposures=replace(bare.exposures, spots=_by_gnss(bare.exposures.spots)),
    )
    for site, says in ((bare, True), (surveyed, False)):
        [told] = [f for f in with_assumed(site, place(record)).findings if f.code == "assumed"]
        assert ("of control, which every taped mark has a share in" in told.what) == says


def _by_gnss(spots: Spots) -> Spots:
    return replace(spots, method=np.full(len(spots.method), "gnss"))
