"""Which CRS the layers of several sites go into, decided before anything is solved."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
import typer

from lateralline import api
from lateralline.cli.options import one_site, sites_of
from lateralline.frames.systems import plan_of
from tests.support.finding_names import called
from tests.support.places import SAMPLES

#: A grid on an ellipsoid with no datum: nothing published leads from it to any other.
NO_DATUM = "+proj=utm +zone=17 +ellps=bessel +units=m +type=crs"

MakeSites = Callable[..., Path]


@pytest.fixture
def sites(tmp_path: Path) -> MakeSites:
    """A maker of a folder of sites, one for each CRS named: one sample's files, in other hands."""

    def make(*systems: str) -> Path:
        for n, crs in enumerate(systems):
            made = shutil.copytree(SAMPLES / "gnss-bend-branch", tmp_path / "sites" / f"s{n}")
            toml = (made / "site.toml").read_text(encoding="utf-8")
            toml = re.sub(r"^id = .*$", f'id = "S{n}"', toml, count=1, flags=re.M)
            toml = re.sub(r"^horizontal = .*$", f'horizontal = "{crs}"', toml, flags=re.M)
            (made / "site.toml").write_text(toml, encoding="utf-8")
        return tmp_path / "sites"

    return make


def written_in(record: api.Record) -> str:
    return plan_of(record.layers["pipe_nodes"].crs).to_string()


def test_the_crs_most_sites_share_carries_the_rest(sites: MakeSites) -> None:
    record = api.build(sites("EPSG:26917", "EPSG:32617", "EPSG:32617"))
    assert written_in(record) == "EPSG:32617"
    assert record.sites == ("S0", "S1", "S2")
    moved = {called(f) for f in record.findings if called(f) == "datum-shift-error/other-crs"}
    assert moved == {"datum-shift-error/other-crs"}


def test_a_site_that_leads_nowhere_leaves_itself_out_and_no_other(sites: MakeSites) -> None:
    """A first site without a datum once took a batch of 190 down to four."""
    record = api.build(sites(NO_DATUM, NO_DATUM, "EPSG:32617", "EPSG:32617", "EPSG:26917"))
    assert written_in(record) == "EPSG:32617"
    assert record.sites == ("S2", "S3", "S4")
    assert [f.source.name for f in record.failures] == ["s0", "s1"]
    assert all("only a ballpark one" in f.message for f in record.failures)
    assert all("--per-crs" in f.message for f in record.failures)


def test_the_crs_asked_for_stands_over_the_one_that_is_shared(sites: MakeSites) -> None:
    record = api.build(sites("EPSG:32617", "EPSG:32617", "EPSG:26917"), crs="EPSG:26917")
    assert written_in(record) == "EPSG:26917"


def test_a_sketch_beside_two_systems_is_not_sent_to_an_option_nobody_used(sites: MakeSites) -> None:
    folder = sites("EPSG:32617", "EPSG:26917")
    shutil.copytree(SAMPLES / "local-sketch", folder / "sketch")
    for crs, advice in ((None, "into another folder"), ("EPSG:32617", "folder, without --crs")):
        (failure,) = api.build(folder, crs=crs).failures
        assert failure.message.endswith(advice)


def test_per_crs_nothing_is_shifted(sites: MakeSites, tmp_path: Path) -> None:
    folder = sites("EPSG:26917", "EPSG:32617", NO_DATUM, "EPSG:32617")
    shutil.copytree(SAMPLES / "local-sketch", folder / "sketch")
    records = api.build_per_crs(folder, tmp_path / "city")
    assert sorted(records) == sorted(p.name for p in (tmp_path / "city").iterdir())
    assert records["EPSG-26917"].sites == ("S0",)
    assert records["EPSG-32617"].sites == ("S1", "S3")
    assert written_in(records["EPSG-32617"]) == "EPSG:32617"
    assert records["local"].layers["pipe_nodes"].crs.is_engineering
    assert len(records) == 4
    for record in records.values():
        assert not [f for f in record.findings if called(f) == "datum-shift-error/other-crs"]


def test_one_id_stands_for_one_site_whatever_its_crs(sites: MakeSites, tmp_path: Path) -> None:
    folder = sites("EPSG:32617", "EPSG:26917")
    toml = folder / "s1" / "site.toml"
    toml.write_text(toml.read_text(encoding="utf-8").replace('"S1"', '"S0"'), encoding="utf-8")
    records = api.build_per_crs(folder, tmp_path / "city")
    assert list(records) == ["EPSG-32617"]


def test_a_folder_of_several_crs_serves_where_a_record_does(
    sites: MakeSites, tmp_path: Path
) -> None:
    """Pages take all its sites; a drawing takes the one that is asked for."""
    api.build_per_crs(sites("EPSG:26917", "EPSG:32617"), tmp_path / "city")
    there = sites_of(tmp_path / "city")
    assert [(gpkg.parent.name, site) for gpkg, site in there] == [
        ("EPSG-26917", "S0"),
        ("EPSG-32617", "S1"),
    ]
    assert one_site(tmp_path / "city", "S1") == there[1]
    with pytest.raises(typer.BadParameter, match="city holds 2 sites; choose one of: S0, S1"):
        one_site(tmp_path / "city", "")
