"""`import-points` from end to end: the samples, the questions it asks, and what it refuses."""

from __future__ import annotations

import csv
import json
import tomllib
from pathlib import Path

import fiona
import geopandas as gpd
import numpy as np
import pyogrio
import pytest
import shapely
from pyproj import CRS
from typer.testing import CliRunner, Result

from lateralline.cli import app
from lateralline.findings import title_of
from lateralline.ingest import read_site
from lateralline.simulate.point_files import point_files
from tests.support.places import SAMPLES

SAMPLES = SAMPLES / "survey-files"
TEXT, GPX = SAMPLES / "quarry-pnezd.txt", SAMPLES / "quarry.gpx"
FEET = ("--crs", "EPSG:3734", "--units", "us-ft", "--surveyed", "2026-05-06")
METRES = ("--crs", "EPSG:32617", "--units", "m", "--surveyed", "2026-05-06")


def call(*arguments: object) -> Result:
    wide = {"COLUMNS": "160"}  # no cell of a table is folded
    result = CliRunner().invoke(app, ["import-points", *map(str, arguments)], env=wide)
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def points(folder: Path, text: str, name: str = "day1.txt") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


# ---- the samples ---------------------------------------------------------------------------


def test_committed_samples_are_what_their_seed_makes() -> None:
    kept = {f.name: f.read_text(encoding="utf-8") for f in SAMPLES.iterdir()}
    assert kept == point_files()


@pytest.mark.parametrize(
    ("file", "options", "run"),
    [
        (TEXT, (*FEET, "--order", "pnezd"), "R1:L1:CO1:with:1.15:0.10"),
        (GPX, METRES, "R1:L1:CO7:with:0.35:0.03"),
    ],
    ids=["pnezd", "gpx"],
)
def test_a_point_file_becomes_layers_that_hold_the_truth(
    file: Path, options: tuple[str, ...], run: str, tmp_path: Path
) -> None:
    """One import-points and one build; every fix within 4σ of where the transmitter was."""
    site, out = tmp_path / "site-1", tmp_path / "out"
    made = call(file, *options, "--run", run, "-o", site)
    assert made.exit_code == 0, made.output
    built = CliRunner().invoke(app, ["build", str(site), "-o", str(out)])
    assert built.exit_code == 0, built.output
    truth_name = f"{file.stem if file is TEXT else 'quarry-gpx'}.truth.json"
    truth = json.loads((SAMPLES / truth_name).read_text(encoding="utf-8"))
    true = {s["stop"]: s for s in truth["stops"]}
    unit_m = CRS(truth["horizontal"]).axis_info[0].unit_conversion_factor
    with fiona.open(out / "asbuilt.gpkg", layer="transmitter_fixes") as fixes:
        found = [(f.geometry.coordinates, f.properties) for f in fixes]
    assert {p["stop_id"].rpartition("/")[2] for _, p in found} == true.keys()
    for xyz, p in found:
        t = true[p["stop_id"].rpartition("/")[2]]
        d = (np.array(xyz[:2]) - (t["x"], t["y"])) * unit_m
        cov = np.array(
            [
                [p["east_sigma_m"] ** 2, p["east_north_covariance_m2"]],
                [0.0, p["north_sigma_m"] ** 2],
            ]
        )
        cov[1, 0] = cov[0, 1]
        assert d @ np.linalg.solve(cov, d) < 16.0, p["stop_id"]
        assert abs(p["transmitter_depth_m"] - t["depth_m"]) < 4 * p["transmitter_depth_sigma_m"]


def test_every_row_keeps_where_it_came_from(tmp_path: Path) -> None:
    site = tmp_path / "s"
    call(TEXT, *FEET, "--order", "pnezd", "--run", "R1:L1:CO1:with", "-o", site)
    lines = TEXT.read_text(encoding="utf-8").splitlines()
    for name in ("marks", "control", "exposures", "stops"):
        for row in rows(site / f"{name}.csv"):
            where, _, code = row["note"].partition(" ")
            file, _, line = where.partition(":")
            assert file == TEXT.name
            assert code in lines[int(line) - 1]
            if name in ("marks", "control"):
                assert row["x"].rstrip("0") in lines[int(line) - 1]


# ---- the order of coordinates --------------------------------------------------------------


def test_the_order_is_shown_and_not_taken(tmp_path: Path) -> None:
    shown = call(TEXT, *FEET, "-o", tmp_path / "s")
    assert shown.exit_code == 2
    assert "--order pnezd" in shown.output
    assert "28 of 28 points lie within the area of use" in shown.output
    assert "888501.573" in shown.output  # the first rows, as a table
    assert not (tmp_path / "s").exists()


def test_yes_takes_clear_evidence_only(tmp_path: Path) -> None:
    assert call(TEXT, *FEET, "--yes", "--dry-run").exit_code == 0
    world = points(tmp_path, "1,42.1,-81.4,100,R1 1 EN\n2,42.2,-81.3,100,R1 1 EN\n")
    unsure = call(world, "--crs", "EPSG:4326", "--yes", "--dry-run")
    assert unsure.exit_code == 2
    assert "cannot be told" in unsure.output
    assert "--order pnezd or --order penzd" in unsure.output


def test_an_order_that_cannot_be_is_refused() -> None:
    wrong = call(TEXT, *FEET, "--order", "penzd", "--dry-run")
    assert wrong.exit_code == 2
    assert "order must be pnezd, not penzd" in wrong.output


def test_one_point_typed_the_wrong_way_round_is_named(tmp_path: Path) -> None:
    text = TEXT.read_text(encoding="utf-8").replace(
        "888496.280,2268509.565", "2268509.565,888496.280"
    )
    wrong = call(points(tmp_path, text), *FEET, "--order", "pnezd", "--dry-run")
    assert wrong.exit_code == 2
    assert "day1.txt:3: coordinates must lie with the others" in wrong.output
    assert "two coordinates are exchanged" in wrong.output


def test_a_level_of_nothing_is_named(tmp_path: Path) -> None:
    text = TEXT.read_text(encoding="utf-8").replace("600.517", "0.000")
    wrong = call(points(tmp_path, text), *FEET, "--order", "pnezd", "--dry-run")
    assert wrong.exit_code == 2
    assert "day1.txt:3: level must be a level among the others" in wrong.output


def test_longitude_and_latitude_exchanged_are_named(tmp_path: Path) -> None:
    features = [
        {
            "type": "Feature",
            "properties": {"name": f"{i}", "desc": "R1 1 EN"},
            "geometry": {"type": "Point", "coordinates": [42.1 + i / 1e5, -81.39]},
        }
        for i in range(3)
    ]
    collection = {"type": "FeatureCollection", "features": features}
    file = points(tmp_path, json.dumps(collection), "a.geojson")
    wrong = call(file, "--crs", "EPSG:32617", "--dry-run")
    assert wrong.exit_code == 2
    assert (
        "a.geojson:1: coordinates must lie within the area of use of WGS 84 / UTM" in wrong.output
    )
    assert "with x and y exchanged they do" in wrong.output


def test_metres_in_a_grid_of_feet_are_named_by_the_check_at_the_end(tmp_path: Path) -> None:
    lines = []
    for line in TEXT.read_text(encoding="utf-8").splitlines()[1:]:
        name, y, x, z, code = line.split(",", 4)
        y, x, z = (f"{float(v) * 1200 / 3937:.3f}" for v in (y, x, z))
        lines.append(",".join((name, y, x, z, code)))
    file = points(tmp_path, "\n".join(lines) + "\n")
    unsure = call(file, *FEET, "--yes", "--dry-run")
    assert "in neither order any point lies within the area" in unsure.output
    made = call(file, *FEET, "--order", "pnezd", "--run", "R1:L1:CO1:with", "-o", tmp_path / "s")
    assert made.exit_code == 1
    assert title_of("coordinates-wrong-unit/metres") in made.output


def test_control_of_a_local_sketch_is_taken_as_it_stands(tmp_path: Path) -> None:
    file = points(tmp_path, "1,10.0,20.0,,CP A\n2,10.0,29.0,,CP B\n")
    given = ("--crs", "local", "--order", "pnezd", "--units", "m", "--surveyed", "2026-05-06")
    made = call(file, *given, "-o", tmp_path / "s")
    assert made.exit_code == 1  # control alone: the check says that no stop is there yet
    assert [(r["point"], r["x"], r["y"]) for r in rows(tmp_path / "s" / "control.csv")] == [
        ("A", "20.0", "10.0"),
        ("B", "29.0", "10.0"),
    ]


# ---- what it writes ------------------------------------------------------------------------


def test_a_dry_run_writes_nothing_and_shows_each_point(tmp_path: Path) -> None:
    before = sorted(tmp_path.rglob("*"))
    shown = call(TEXT, *FEET, "--order", "pnezd", "--dry-run", "-o", tmp_path / "s")
    assert shown.exit_code == 0
    assert sorted(tmp_path.rglob("*")) == before
    for said in ("R1/1 end_null, counter 5.8, depth 4.2", "control NAIL", "Nothing was written"):
        assert said in shown.output
    assert "24 marks; 1 control point; 1 exposure; 6 stops; 2 left out" in shown.output
    assert 'no pattern fits: "TREE 8 IN"' in shown.output


def test_what_points_cannot_tell_is_asked_for_all_at_once(tmp_path: Path) -> None:
    refused = call(TEXT, "--crs", "EPSG:3734", "--order", "pnezd", "-o", tmp_path / "a b")
    assert refused.exit_code == 2
    for said in ("--units", "--run R1:LINE:ENTRY:FLOW", "--id must be letters"):
        assert said in refused.output
    assert not (tmp_path / "a b").exists()


def test_options_that_cannot_be_are_named_all_at_once() -> None:
    refused = call(
        TEXT, "--order", "xyz", "--units", "feet", "--crs", "EPSG:1", "--run", "R1:L1:up"
    )
    assert refused.exit_code == 2
    for option in ("--order", "--units", "--crs", "--run"):
        assert f"  {option}" in refused.output


def test_nothing_is_overwritten_unasked_and_no_strange_folder_ever(tmp_path: Path) -> None:
    site = tmp_path / "s"
    given = (TEXT, *FEET, "--order", "pnezd", "--run", "R1:L1:CO1:with:1.15:0.1", "-o", site)
    assert call(*given).exit_code == 0
    assert "is there already" in call(*given).output
    assert call(*given, "--replace").exit_code == 0
    (site / "photos.zip").write_bytes(b"")
    assert call(*given, "--replace").exit_code == 0
    assert (site / "photos.zip").exists()
    (site / "manifest.json").unlink()
    refused = call(*given, "--replace")
    assert refused.exit_code == 2
    assert "photos.zip" in refused.output


def test_a_site_that_check_refuses_is_not_written(tmp_path: Path) -> None:
    """A negative depth reading passes the codes; the check at the end names the point."""
    text = TEXT.read_text(encoding="utf-8").replace("c=5.8 d=4.2", "c=5.8 d=-4.2")
    file = points(tmp_path, text)
    run = ("--run", "R1:L1:CO1:with")
    refused = call(file, *FEET, "--order", "pnezd", *run, "-o", tmp_path / "s")
    assert refused.exit_code == 2
    assert "depth_reading must be a number" in refused.output
    assert "from day1.txt:2 R1 1 EN" in refused.output
    assert not (tmp_path / "s").exists()


def test_missing_counters_are_left_to_fill_in_and_said(tmp_path: Path) -> None:
    text = TEXT.read_text(encoding="utf-8").replace("c=5.8 d=4.2", "")
    site, run = tmp_path / "s", ("--run", "R1:L1:CO1:with:1.15:0.1")
    made = call(points(tmp_path, text), *FEET, "--order", "pnezd", *run, "-o", site)
    assert made.exit_code == 0
    assert "no counter reading: R1/1" in made.output
    assert "no counter was read at stop R1/1 (stops.csv:2)" in " ".join(made.output.split())
    stops = points(tmp_path, "run,stop,counter\nR1,1,5.8\n", "stops.csv")
    call_again = call(
        points(tmp_path, text), *FEET, "--order", "pnezd", *run, "-o", site, "--replace",
        "--stops", stops,
    )  # fmt: skip
    assert call_again.exit_code == 0, call_again.output
    (first, *_) = rows(site / "stops.csv")
    assert (first["counter"], first["note"]) == ("5.8", "stops.csv:2")


def test_a_site_toml_of_ones_own_is_taken_as_it_is(tmp_path: Path) -> None:
    given = call(TEXT, *FEET, "--order", "pnezd", "--run", "R1:L1:CO1:with:1.15:0.1", "-o",
                 tmp_path / "a")  # fmt: skip
    assert given.exit_code == 0
    own = tmp_path / "own.toml"
    text = (tmp_path / "a" / "site.toml").read_text(encoding="utf-8").replace('"a"', '"OWN-1"')
    own.write_text(text, encoding="utf-8")
    both = call(TEXT, "--order", "pnezd", "--site", own, "--crs", "EPSG:3734", "-o", tmp_path / "b")
    assert "--crs stands in the file of --site" in both.output
    assert call(TEXT, "--order", "pnezd", "--site", own, "-o", tmp_path / "b").exit_code == 0
    assert (tmp_path / "b" / "site.toml").read_text(encoding="utf-8") == text
    assert rows(tmp_path / "b" / "marks.csv") == rows(tmp_path / "a" / "marks.csv")


def test_two_days_join_and_names_that_meet_are_told_apart(tmp_path: Path) -> None:
    _, *lines = TEXT.read_text(encoding="utf-8").splitlines()
    marks = [line for line in lines if " EN" in line or " MN" in line]
    one = points(tmp_path, "\n".join(marks[:9]) + "\n", "monday.txt")
    two = points(
        tmp_path,
        "\n".join(f"{100 + i}," + m.partition(",")[2] for i, m in enumerate(marks[9:])) + "\n",
        "tuesday.txt",
    )
    given = (one, two, *FEET, "--order", "pnezd", "--run", "R1:L1:CO1:with:1.15:0.1")
    clash = call(*given, "-o", tmp_path / "s")
    assert clash.exit_code == 2
    assert "monday.txt:1 has it too" in clash.output
    assert "--prefix" in clash.output
    assert call(*given, "--prefix", "-o", tmp_path / "s").exit_code == 0
    names = [row["mark"] for row in rows(tmp_path / "s" / "marks.csv")]
    assert {n.partition("-")[0] for n in names} == {"monday", "tuesday"}
    assert len(set(names)) == len(marks)


def test_levels_keep_their_unit_and_reach_the_named_vertical_system(tmp_path: Path) -> None:
    """us-ft levels under a vertical CRS in metres: asked for, then converted exactly."""
    base = (TEXT, *FEET, "--order", "pnezd", "--run", "R1:L1:CO1:with:1.15:0.1")
    vertical = ("--vertical", "EPSG:5703")  # NAVD88 height, metres
    open_ = call(*base, *vertical, "-o", tmp_path / "s")
    assert open_.exit_code == 2
    assert "--z-unit us-ft or --z-unit m" in open_.output
    call(*base, *vertical, "--z-unit", "us-ft", "-o", tmp_path / "s")
    site = tomllib.loads((tmp_path / "s" / "site.toml").read_text(encoding="utf-8"))
    assert site["units"]["level"] == "us-ft"
    assert float(rows(tmp_path / "s" / "marks.csv")[0]["z"]) == pytest.approx(
        600.465 * 1200 / 3937, abs=1e-6
    )
    assert rows(tmp_path / "s" / "control.csv")[0]["z"] == "600.595"  # in the level unit


def test_the_default_codes_can_be_had_and_given_back(tmp_path: Path) -> None:
    codes = tmp_path / "codes.toml"
    assert call("--write-codes", codes).exit_code == 0
    assert "is there already" in call("--write-codes", codes).output
    same = call(TEXT, *FEET, "--order", "pnezd", "--dry-run", "--codes", codes)
    assert same.output == call(TEXT, *FEET, "--order", "pnezd", "--dry-run").output


# ---- nothing lost without a word -----------------------------------------------------------


def test_faults_of_rows_cells_descriptions_and_places_come_at_once(tmp_path: Path) -> None:
    """And before anyone is asked for the order, which none of them hangs on."""
    lines = TEXT.read_text(encoding="utf-8").splitlines()[1:]
    lines[1] = "101,88x496.280,2268509.565,600.5,R1 1 EN"
    lines[2] = "102,888499.398"
    lines[3] += " c=5,8"
    lines[4] = lines[4].replace(" EN", " ENN")
    lines[5] = "105,888488.074,2268506.140,-9999,R1 2 EN"
    lines[6] = "106,2268508.232,888490.648,600.625,R1 2 MN"
    file = points(tmp_path, "\n".join(lines) + "\n")
    for order in (("--order", "pnezd"), ()):
        refused = call(file, *FEET, *order, "--dry-run")
        assert refused.exit_code == 2
        for row in (2, 3, 4, 5, 6, *((7,) if order else ())):  # a place takes an order
            assert f"day1.txt:{row}: " in refused.output, (row, refused.output)


def test_feet_and_inches_in_descriptions_reach_the_stops(tmp_path: Path) -> None:
    """In the foot of --units, and in no other unit."""
    text = TEXT.read_text(encoding="utf-8").replace("c=5.8 d=4.2", "c=5' 9 1/2\" d=4' 2 1/2\"")
    file, run = points(tmp_path, text), ("--run", "R1:L1:CO1:with:1.15:0.1")
    made = call(file, *FEET, "--order", "pnezd", *run, "-o", tmp_path / "s")
    assert made.exit_code == 0, made.output
    (first, *_) = rows(tmp_path / "s" / "stops.csv")
    assert (first["counter"], first["depth_reading"]) == ("5' 9 1/2\"", "4' 2 1/2\"")
    stops = read_site(tmp_path / "s").stops
    assert stops.counter_m[0] == pytest.approx((5 + 9.5 / 12) * 1200 / 3937, rel=1e-12)
    metres = (*FEET[:2], "--units", "m", *FEET[4:])
    refused = call(file, *metres, "--order", "pnezd", *run, "-o", tmp_path / "m")
    assert refused.exit_code == 2
    assert "if these are feet of 0.3048 m" in refused.output


def test_a_column_of_no_role_and_levels_of_nothing_are_warned_of(tmp_path: Path) -> None:
    lines = [line.split(",", 4) for line in TEXT.read_text(encoding="utf-8").splitlines()[1:]]
    text = "P,N,E,Z,Ht,D\n" + "".join(
        f"{p},{n},{e},0.000,{z},{d if ',' not in d else ''}\n" for p, n, e, z, d in lines
    )
    given = ("--order", "pnezd", "--vertical", "EPSG:6360", "--dry-run")
    shown = call(points(tmp_path, text), *FEET, *given)
    assert shown.exit_code == 0, shown.output
    assert "warning: column ht is not used, and may hold levels: --z ht takes it" in shown.output
    assert "warning: all levels are 0: taken as not measured" in shown.output
    assert "levels in" not in shown.output
    taken = call(points(tmp_path, text), *FEET, *given, "--z", "Ht")
    assert "600.465" in taken.output


def test_a_dry_run_says_when_points_lie_outside_the_crs() -> None:
    shown = call(TEXT, *METRES, "--order", "pnezd", "--dry-run")
    assert shown.exit_code == 0
    said = "warning: 28 of 28 points lie outside the area of use of WGS 84 / UTM zone 17N"
    assert said in shown.output
    assert "warning" not in call(TEXT, *FEET, "--order", "pnezd", "--dry-run").output


def test_geometry_as_text_needs_no_quotes(tmp_path: Path) -> None:
    text = "WKT,name,code\nPOINT Z (2268512.3 888501.5 600.4),100,R1 1 EN\n"
    shown = call(points(tmp_path, text, "a.csv"), *FEET, "--dry-run")
    assert shown.exit_code == 0, shown.output
    assert "2268512.300" in shown.output
    assert "not used" not in shown.output


def heights_file(folder: Path, driver: str) -> Path:
    """Two points with heights, 183.25 and 183.5, written by GDAL."""
    spots = shapely.points([[-81.39941, 42.10042, 183.25], [-81.39937, 42.10038, 183.5]])
    made = gpd.GeoDataFrame(
        {"name": ["A", "B"], "desc": ["R1 1 EN", "R1 1 MN"]}, geometry=spots, crs="EPSG:4326"
    )
    path = folder / {"GeoJSON": "a.geojson", "GPX": "a.gpx", "LIBKML": "a.kml"}[driver]
    if driver == "GPX":
        made = made.assign(ele=[183.25, 183.5])
        made.geometry = shapely.force_2d(spots)
        made.to_file(path, driver="GPX", layer="waypoints", engine="fiona")
    else:
        pyogrio.write_dataframe(made, path, driver=driver)
    return path


@pytest.mark.parametrize("driver", ["GeoJSON", "GPX", "LIBKML"])
def test_heights_of_map_formats_are_no_levels_of_a_named_system(
    driver: str, tmp_path: Path
) -> None:
    """GeoJSON: above the ellipsoid (RFC 7946, 4). GPX 1.1 and KML 2.3 (from memory): not said."""
    file = heights_file(tmp_path, driver)
    navd = ("--crs", "EPSG:6318", "--vertical", "EPSG:5703", "--units", "ft")
    refused = call(file, *navd, "--dry-run")
    assert refused.exit_code == 2
    assert "--file-vertical EPSG:5703" in refused.output
    said = call(file, *navd, "--file-vertical", "EPSG:5703", "--dry-run")
    assert said.exit_code == 0, said.output
    assert "183.250" in said.output
    assert ("warning" in said.output) == (driver == "GeoJSON")  # against its rules
    relative = call(file, *navd[:2], "--units", "ft", "--dry-run")
    assert relative.exit_code == 0, relative.output
    assert "relative: no vertical CRS is named" in relative.output


def test_levels_said_to_be_in_another_system_are_brought_from_it(tmp_path: Path) -> None:
    """GPX metres, said to count from NAVD88 in US survey feet: the system, not the unit, is meant.

    EPSG:6360 and EPSG:5703 are the same surface in two units.
    """
    file = heights_file(tmp_path, "GPX")
    navd = ("--crs", "EPSG:6318", "--vertical", "EPSG:5703", "--units", "ft")
    same = call(file, *navd, "--file-vertical", "EPSG:6360", "--dry-run")
    assert same.exit_code == 0, same.output
    assert "183.250" in same.output
    none = call(file, *navd, "--file-vertical", "none", "--dry-run")
    assert "want --vertical none" in none.output


def test_geojson_heights_are_heights_of_an_ellipsoidal_site(tmp_path: Path) -> None:
    file = heights_file(tmp_path, "GeoJSON")
    given = ("--crs", "EPSG:4326", "--vertical", "ellipsoidal", "--units", "m", "--dry-run")
    shown = call(file, *given)
    assert shown.exit_code == 0, shown.output
    assert "183.250" in shown.output
    assert "warning" not in shown.output
