"""`lateralline zones`: widths on the ground in any CRS, holes, merging, thousands, the command."""

from __future__ import annotations

import json
from math import pi
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import pyproj
import pytest
import shapely
import shapely.affinity
from geographiclib.geodesic import Geodesic
from typer.testing import CliRunner

from lateralline.cli import app
from lateralline.derive.axis import DRAWN_WITHIN_M
from lateralline.errors import UnreadableError
from lateralline.overlay.as_built import NotBuiltError, open_as_built
from lateralline.overlay.files import overlay_folder
from lateralline.overlay.zones import (
    SMOOTHED_WITHIN_M,
    add_zones,
    filled,
    given_distance,
    zones_of,
)
from lateralline.published import dig_rules
from tests.support.places import SAMPLES

HALF_M = given_distance(0.5, "0.5m")

NAME = "hand_dig_zones"
FILE = f"{NAME}.gpkg"


def run(*arguments: object):
    return CliRunner().invoke(app, ["zones", *map(str, arguments)])


def zones_in(path: Path, rule=HALF_M):
    (lines,) = (region.lines for region in open_as_built(path).regions())
    return zones_of(lines, rule)


def test_a_straight_pipes_zone_is_a_band_with_round_ends(make_record, tmp_path: Path) -> None:
    """Area of a stadium: 20 m long, as wide as pipe and twice the tolerance."""
    made = zones_in(make_record(tmp_path / "a.gpkg"))
    r = 0.08 + 0.5 + DRAWN_WITHIN_M + SMOOTHED_WITHIN_M
    assert made.near_m[0].area == pytest.approx(2 * r * 20 + pi * r * r, rel=2e-3)
    r = 0.08 + 0.5 + 2.447747 * 0.05 + SMOOTHED_WITHIN_M
    assert made.wide_m[0].area == pytest.approx(2 * r * 20 + pi * r * r, rel=3e-3)
    assert made.wide_m[0].contains(made.near_m[0])


def to_degrees(lon: float, lat: float):
    aeqd = pyproj.Transformer.from_crs(
        f"+proj=tmerc +lon_0={lon} +lat_0={lat} +ellps=WGS84 +k=1", "EPSG:4326", always_xy=True
    )
    return lambda xy: np.column_stack(aeqd.transform(xy[:, 0], xy[:, 1]))


def test_in_degrees_a_zone_is_as_wide_on_the_ground(make_record, tmp_path: Path) -> None:
    """Geodesics (geographiclib, Karney) across the middle of the zone, at 63° north."""
    record = make_record(tmp_path / "a.gpkg", crs="EPSG:4326", per_metre=to_degrees(18.31, 63.42))
    made = tmp_path / "zones"
    assert run(record, "--tolerance", "0.5m", "-o", made).exit_code == 0
    zones = gpd.read_file(made / FILE, layer="tolerance_zone").set_index("zone").geometry
    south, north = zones["as_located"].bounds[1::2]
    across = Geodesic.WGS84.Inverse(south, 18.31, north, 18.31)["s12"]
    assert across == pytest.approx(2 * (0.58 + DRAWN_WITHIN_M + SMOOTHED_WITHIN_M), abs=2e-3)
    west, east = zones["as_located"].bounds[::2]
    along = Geodesic.WGS84.Inverse(63.42, west, 63.42, east)["s12"]
    assert along == pytest.approx(20 + 2 * (0.58 + DRAWN_WITHIN_M + SMOOTHED_WITHIN_M), abs=3e-3)


def test_in_feet_and_in_web_mercator_it_is_the_same_on_the_ground(
    make_record, tmp_path: Path
) -> None:
    foot = 1200 / 3937
    feet = make_record(
        tmp_path / "ft.gpkg",
        crs="EPSG:3734",
        per_metre=lambda xy: xy / foot + (2_200_000.0, 700_000.0),
    )
    web = make_record(tmp_path / "web.gpkg", crs="EPSG:3857", middle=(-9_000_000.0, 5_000_000.0))
    in_feet = zones_in(feet).near_m[0]
    assert in_feet.area == pytest.approx(2 * 0.591 * 20 + pi * 0.591**2, rel=2e-3)
    # A "metre" of Web Mercator here is 0.76 m on the ground: the line is shorter, the zone not.
    degrees = pyproj.Transformer.from_crs(3857, 4326, always_xy=True)
    west, east = (degrees.transform(-9_000_000.0 + x, 5_000_000.0) for x in (-10.0, 10.0))
    length = Geodesic.WGS84.Inverse(west[1], west[0], east[1], east[0])["s12"]
    assert length == pytest.approx(20.0 * 0.757, rel=2e-3)
    in_web = zones_in(web).near_m[0]
    assert in_web.area == pytest.approx(2 * 0.591 * length + pi * 0.591**2, rel=2e-3)
    # East on the map is up to 0.02° from east in the plane, so the width is taken across the zone.
    sides = shapely.minimum_rotated_rectangle(in_web).exterior
    corners = shapely.get_coordinates(sides)
    assert min(np.hypot(*np.diff(corners[:3], axis=0).T)) == pytest.approx(2 * 0.591, abs=2e-3)


def test_the_same_rule_gives_the_dig_zones_of_the_build(tmp_path: Path) -> None:
    site = SAMPLES / "gnss-bend-branch"
    built = tmp_path / "out"
    assert CliRunner().invoke(app, ["build", str(site), "-o", str(built), "-q"]).exit_code == 0
    made = tmp_path / "zones"
    assert run(built, "--rule", "cga", "-o", made).exit_code == 0
    keys = ["line_id", "zone"]
    ours = gpd.read_file(made / FILE, layer="tolerance_zone").set_index(keys)
    theirs = gpd.read_file(built / "asbuilt.gpkg", layer="tolerance_zone").set_index(keys)
    assert set(ours.index) == set(theirs.index)
    for key in theirs.index:
        a, b = ours.geometry[key], theirs.geometry[key]
        assert a.buffer(0.003).contains(b), "never narrower than what build draws"
        assert shapely.hausdorff_distance(a, b) < 2.5 * DRAWN_WITHIN_M
    with (made / "geojson" / "tolerance_zone.geojson").open() as file:
        assert json.load(file)["caution"].startswith("No clearance to dig")


def test_an_unknown_diameter_is_a_wide_one_and_said(make_record, tmp_path: Path) -> None:
    record = make_record(tmp_path / "a.gpkg", inside=float("nan"), outside=float("nan"))
    result = run(record, "--tolerance", "0.5m", "-o", tmp_path / "z")
    assert "1 line of unknown outside diameter" in result.output
    zones = gpd.read_file(tmp_path / "z" / FILE, layer="tolerance_zone")
    assert zones["diameter_assumed"].all()
    assert zones["outside_diameter_m"].tolist() == [0.2, 0.2]


def test_a_line_without_corridor_has_one_zone_and_exit_code_1(make_record, tmp_path: Path) -> None:
    record = make_record(tmp_path / "a.gpkg", corridor=False)
    result = run(record, "--rule", "hsg47", "-o", tmp_path / "z")
    assert result.exit_code == 1
    assert "no corridor" in result.output
    assert len(gpd.read_file(tmp_path / "z" / FILE, layer="tolerance_zone")) == 1


def test_what_the_file_may_be_off_widens_the_zone_about_the_line(
    make_record, tmp_path: Path
) -> None:
    plain = zones_in(make_record(tmp_path / "a.gpkg")).near_m[0]
    shifted = zones_in(make_record(tmp_path / "b.gpkg", frame_shift=1.5)).near_m[0]
    assert shifted.bounds[3] - plain.bounds[3] == pytest.approx(1.5, abs=2e-3)


def test_holes_too_small_or_narrow_are_filled_and_roomy_ones_kept() -> None:
    outer = shapely.box(0, 0, 30, 30)
    roomy, narrow, small = (
        shapely.box(5, 5, 15, 15),
        shapely.box(20, 1, 20.8, 29),
        shapely.box(2, 2, 2.9, 2.9),
    )
    ring = outer - shapely.union_all([roomy, narrow, small])
    (made,) = filled(np.array([ring], dtype=object), 0.6)
    assert len(made.interiors) == 1
    assert shapely.Polygon(made.interiors[0]).equals(roomy)


def test_merged_zones_are_one_row_per_connected_area(make_record, tmp_path: Path) -> None:
    record = make_record(
        tmp_path / "a.gpkg",
        (
            {"line": "L1"},
            {"line": "L2", "path": ((0, 0, 98), (0, 9, 98))},
            {"line": "L3", "path": ((40, 0, 98), (50, 0, 98))},
        ),
    )
    result = run(record, "--tolerance", "2ft", "--dissolve", "all", "-o", tmp_path / "z")
    assert result.exit_code == 0
    zones = gpd.read_file(tmp_path / "z" / FILE, layer="tolerance_zone_merged")
    assert sorted(zones["lines"]) == [1, 1, 2, 2]
    assert set(zones["line_ids"]) == {"S1 L1, S1 L2", "S1 L3"}
    assert zones.geometry.is_valid.all()


def test_two_thousand_lines_of_a_town_in_one_go(make_record, tmp_path: Path) -> None:
    """Vectorised, a region at a time; no row lost, every polygon valid. Not timed."""
    record = make_record(
        tmp_path / "a.gpkg",
        ({"path": ((0, 0, 98), (4, 0.5, 98.1)), "line": "L1"},),
    )
    columns = pyogrio.read_dataframe(record, layer="pipe_centreline")
    many = gpd.GeoDataFrame(
        columns.loc[columns.index.repeat(2000)].reset_index(drop=True), crs=columns.crs
    )
    many["site_id"] = [f"S{n:04d}" for n in range(2000)]
    rows, cols = np.divmod(np.arange(2000), 60)
    many.geometry = [
        shapely.affinity.translate(g, 160.0 * c, 160.0 * r)
        for g, r, c in zip(many.geometry, rows, cols, strict=True)
    ]
    corridor = pyogrio.read_dataframe(record, layer="position_corridor")
    wide = gpd.GeoDataFrame(
        corridor.loc[corridor.index.repeat(2000)].reset_index(drop=True), crs=corridor.crs
    )
    wide["site_id"] = many["site_id"]
    wide.geometry = shapely.buffer(shapely.force_2d(many.geometry), 0.2)
    pyogrio.write_dataframe(many, record, layer="pipe_centreline", driver="GPKG")
    pyogrio.write_dataframe(wide, record, layer="position_corridor", driver="GPKG")
    as_built = open_as_built(record)
    regions = 0
    with overlay_folder(
        tmp_path / "z",
        "hand_dig_zones",
        as_built,
        ("tolerance_zone",),
        kind="dig-zones",
        replace=False,
    ) as overlay:
        for lines in (region.lines for region in as_built.regions()):
            regions += 1
            add_zones(overlay, lines, HALF_M)
        overlay.close("made in a test")
    zones = pyogrio.read_dataframe(tmp_path / "z" / FILE, layer="tolerance_zone")
    assert regions > 1
    assert len(zones) == 4000
    assert zones.geometry.is_valid.all()
    assert zones.groupby("zone")["area_m2"].max().max() < 8.5


def test_without_a_rule_the_rules_are_listed_and_nothing_is_done(
    make_record, tmp_path: Path
) -> None:
    record = make_record(tmp_path / "a.gpkg")
    for arguments in ((), ("--rule", "nobody"), ("--rule", "cga", "--tolerance", "1m")):
        result = run(record, "-o", tmp_path / "z", *arguments)
        assert result.exit_code == 2
        assert all(key in result.output for key in dig_rules())
        assert "from memory, not read" in result.output
        assert " ".join(result.output.split()).count("Holds in:") == len(dig_rules())
        assert not (tmp_path / "z").exists()
    document = json.loads(run(record, "--json").output)
    assert document["exit_code"] == 2
    assert [r["key"] for r in document["rules"]] == list(dig_rules())


@pytest.mark.parametrize("text", ["0.5", "-1m", "half a metre", "1e9m", "nan m", ""])
def test_a_tolerance_without_a_unit_is_refused(make_record, tmp_path: Path, text: str) -> None:
    record = make_record(tmp_path / "a.gpkg")
    result = run(record, f"--tolerance={text}", "-o", tmp_path / "z")
    assert result.exit_code == 2
    assert not (tmp_path / "z").exists()


def test_what_is_no_built_record_is_refused(tmp_path: Path) -> None:
    bad = tmp_path / "a.gpkg"
    bad.write_text("no database")
    for given in (bad, tmp_path):
        with pytest.raises((NotBuiltError, UnreadableError)):
            open_as_built(given)


def test_nothing_of_others_is_replaced(make_record, tmp_path: Path) -> None:
    record = make_record(tmp_path / "a.gpkg")
    other = tmp_path / "mine"
    other.mkdir()
    (other / "notes.txt").write_text("mine")
    assert run(record, "--rule", "cga", "-o", other, "--replace").exit_code == 2
    assert (other / "notes.txt").read_text() == "mine"
    made = tmp_path / "z"
    assert run(record, "--rule", "cga", "-o", made).exit_code == 0
    assert run(record, "--rule", "us-fl", "-o", made).exit_code == 2
    assert run(record, "--rule", "us-fl", "-o", made, "--replace").exit_code == 0
    assert set(gpd.read_file(made / FILE, layer="tolerance_zone")["rule"]) == {"us-fl"}


def test_a_sketch_has_zones_and_no_geojson(make_record, tmp_path: Path) -> None:
    record = make_record(tmp_path / "a.gpkg", crs=None, middle=(0.0, 0.0))
    assert run(record, "--rule", "cga", "-o", tmp_path / "z").exit_code == 0
    assert not (tmp_path / "z" / "geojson").exists()
    assert len(pyogrio.read_dataframe(tmp_path / "z" / FILE, layer="tolerance_zone")) == 2


def test_merging_takes_lines_without_corridor_along(make_record, tmp_path: Path) -> None:
    record = make_record(tmp_path / "a.gpkg", corridor=False)
    as_built = open_as_built(record)
    with overlay_folder(
        tmp_path / "z",
        "hand_dig_zones",
        as_built,
        ("tolerance_zone_merged",),
        kind="dig-zones",
        replace=False,
    ) as overlay:
        (lines,) = (region.lines for region in as_built.regions())
        assert add_zones(overlay, lines, HALF_M, merged=True).without_corridor == [("S1", "L1")]
        overlay.close("made in a test")
    assert len(pyogrio.read_dataframe(tmp_path / "z" / FILE, layer="tolerance_zone_merged")) == 1


def test_a_picture_marks_open_ends_and_says_whose_line_it_is(
    make_record, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A line of another site joins nothing; L2 of the first starts on L1."""
    from lateralline.draw import overlay_plans as drawing

    pipes = (
        {"site": "S1", "line": "L1"},
        {"site": "S1", "line": "L2", "path": ((0, 0, 98), (0, 9, 98)), "joins": "L1"},
        {"site": "S2", "line": "L1", "path": ((0, 15, 98), (9, 15, 98))},
    )
    told, draw = [], drawing.draw_zones
    monkeypatch.setattr(
        drawing, "draw_zones", lambda plan, *a, **k: (told.append(plan), draw(plan, *a, **k))
    )
    record, drawn = make_record(tmp_path / "a.gpkg", pipes), tmp_path / "z.svg"
    assert run(record, "--rule", "cga", "-o", tmp_path / "z", "--picture", drawn).exit_code == 0
    (plan,) = told
    assert set(plan.line_ids) == {"S1 line L1", "S1 line L2", "S2 line L1"}
    assert {fact.partition(":")[0] for fact in plan.facts} == set(plan.line_ids)
    at, ways = plan.open_ends.at, plan.open_ends.ways
    assert len(at) == 5
    assert np.hypot(*ways.T) == pytest.approx(1.0)
    assert drawn.read_text(encoding="utf-8").count('id="open end"') == 5


def test_a_picture_shows_the_first_lines_whatever_is_missing(make_record, tmp_path: Path) -> None:
    pipes = (
        {"line": "L1", "corridor": False},
        {"line": "L2", "path": ((0, 5, 98), (9, 5, 98)), "outside": float("nan")},
        {"line": "L3", "path": ((900, 5, 98), (909, 5, 98))},
    )
    record, drawn = make_record(tmp_path / "a.gpkg", pipes), tmp_path / "z.png"
    given = (record, "--rule", "cga", "-o", tmp_path / "z", "--picture")
    assert run(*given, drawn).exit_code == 1
    assert drawn.stat().st_size > 20_000
    assert run(*given, tmp_path / "z.gif", "--replace").exit_code == 2
    assert run(*given, drawn).exit_code == 2
