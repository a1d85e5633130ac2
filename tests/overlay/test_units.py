"""Zones and clearance speak the site's unit, as its build does; columns stay in metres."""

from __future__ import annotations

import csv
import re
from html import unescape
from math import ceil, floor
from pathlib import Path

import geopandas as gpd
import pyogrio
import pytest
import shapely

from lateralline.overlay.as_built import open_as_built
from tests.support.command import run
from tests.support.places import SAMPLES

FT = 0.3048  # exact


def up(value: float) -> str:
    """A width as it is said, never too small."""
    return f"{ceil(value * 100.0 - 1e-6) / 100.0:.2f}"


def words_of(svg: Path) -> str:
    """The text of an SVG: matplotlib keeps it in a comment beside its outlines."""
    comments = re.findall(r"<!--\s*(.*?)\s*-->", svg.read_text(encoding="utf-8"), re.DOTALL)
    return " ".join(unescape(" ".join(comments)).split())


@pytest.fixture(scope="module")
def in_feet(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("feet") / "out"
    assert run("build", SAMPLES / "tape-ties", "-o", out, "-q").exit_code == 0
    return out


@pytest.fixture(scope="module")
def plan(in_feet: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A post 3 ft beside the pipe, whose name looks like a length."""
    lines = pyogrio.read_dataframe(in_feet / "asbuilt.gpkg", layer="pipe_centreline")
    at = shapely.force_2d(lines.geometry.iloc[0]).interpolate(0.4, normalized=True)
    path = tmp_path_factory.mktemp("plan") / "plan.gpkg"
    gpd.GeoDataFrame(
        {"name": ["post 5 m"], "kind": ["post"], "depth_m": [1.0], "diameter_m": [0.1]},
        geometry=[shapely.Point(at.x + 3.0, at.y)],
        crs=lines.crs.to_2d(),
    ).to_file(path)
    return path


def test_zones_of_a_site_in_feet_are_said_in_feet(in_feet: Path, tmp_path: Path) -> None:
    """18 in are a foot and a half: each unit rounded once, not metres turned into feet."""
    told = run("zones", in_feet, "--rule", "cga", "-o", tmp_path / "z", "--picture",
               tmp_path / "z.svg")  # fmt: skip
    assert told.exit_code == 0, told.output
    assert "18 in (0.46 m) each side" in " ".join(told.output.split())
    drawn = words_of(tmp_path / "z.svg")
    zone = pyogrio.read_dataframe(
        tmp_path / "z" / "hand_dig_zones.gpkg", layer="tolerance_zone"
    ).iloc[0]
    for part in (
        "18 in (0.46 m) each side",
        "18 in tolerance",
        "Depth of line L1 by station",
        f"{up(zone.width_m / FT)} ft as located",
        f"zone {up(zone.width_m / FT)} ft ({up(zone.width_m)} m) wide",
    ):
        assert part in drawn
    assert re.search(r"\b\d+ ft\b", drawn)  # the scale bar
    assert zone.tolerance_m == pytest.approx(0.4572)


def test_what_is_not_located_is_in_the_region_of_its_line(in_feet: Path) -> None:
    """An edge between regions lies across this site: its fan was lost from pictures."""
    as_built = open_as_built(in_feet)
    [region] = as_built.regions()
    assert [area.row.line_id for area in region.unlocated] == region.lines.line.tolist() == ["L1"]
    assert as_built.placeless == []  # it is there, and not just anywhere


def test_clearance_of_a_site_in_feet_is_said_in_feet_and_written_in_metres(
    in_feet: Path, plan: Path, tmp_path: Path
) -> None:
    told = run("clearance", in_feet, plan, "--required", "12in", "-o", tmp_path / "near",
               "--picture", tmp_path / "near.svg")  # fmt: skip
    assert told.exit_code in (0, 1), told.output
    said = " ".join(told.output.split())
    with (tmp_path / "near" / "clearance.csv").open(encoding="utf-8") as file:
        (row,) = csv.DictReader(file)
    apart, least = float(row["separation_m"]), float(row["separation_lower_95_m"])
    assert float(row["required_m"]) == pytest.approx(0.3048)
    at_least = floor(least / FT * 100) / 100  # what is at least is never said greater
    assert f"{apart / FT:.2f} {at_least:.2f} 1.00" in said  # the table
    assert (
        "apart at least needed station line planned verdict ft ft ft P below P touch ft by" in said
    )
    assert " 1 QH-014 L1 post 5 m " in said
    assert f"post 5 m: {apart / FT:.2f} ft ({apart:.2f} m) between surfaces" in said
    assert f"{at_least:.2f} ft ({floor(least * 100) / 100:.2f} m) at the least" in said
    assert "1.00 ft (0.30 m) required" in said
    assert row["what"].startswith(f"{apart / FT:.2f} ft ({apart:.2f} m) between surfaces")
    asked = run("clearance", in_feet, plan, "--required", "12in", "--units", "in").output
    assert f"{apart / 0.0254:.1f}" in asked
    assert " verdict in in in P below P touch in by 1 QH-014 " in " ".join(asked.split())
    drawn = words_of(tmp_path / "near.svg")
    assert "apart at least needed chance by ft ft ft" in drawn
    assert f"{apart / FT:.2f}" in drawn


def test_sites_of_several_units_are_held_in_metres(tmp_path: Path) -> None:
    out = tmp_path / "out"
    sites = (SAMPLES / "tape-ties", SAMPLES / "gnss-bend-branch")
    assert run("build", *sites, "--crs", "EPSG:32617", "-o", out, "-q").exit_code == 0
    assert open_as_built(out).unit == "m"
    told = run("zones", out, "--tolerance", "2ft", "-o", tmp_path / "z")
    assert "0.61 m each side" in " ".join(told.output.split())
