"""Pipe nobody located stays an obstacle: in the record, against planned works, beside dig zones.

Held against the truth the practice sites were simulated from, which the solver never sees.
"""

from __future__ import annotations

import csv
import json
import re
import shutil
import sqlite3
from contextlib import closing
from dataclasses import replace
from math import nan
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
import shapely

from lateralline import contract
from lateralline.cautions import Reservations
from lateralline.derive.adapted import shifted
from lateralline.derive.spots import KnownPlace, area_of, longest_m
from lateralline.derive.unlocated import SearchedSite, _exposures, _junction
from lateralline.frames import Operation
from lateralline.overlay.as_built import open_as_built
from lateralline.settings import Branch, Run, standard_accuracy
from tests.derive.test_advice import axis_with
from tests.derive.test_advice import site as line_site
from tests.support.command import run
from tests.support.places import SAMPLES

SAMPLE = SAMPLES / "gnss-bend-branch"
TRUTH = json.loads((SAMPLE / "truth.json").read_text(encoding="utf-8"))
AXES = {line["line"]: shapely.LineString(np.array(line["axis"])[:, :2]) for line in TRUTH["lines"]}


def site_without(folder: Path, run_id: str, stops: str, kinds: str = ".*", more: str = "") -> Path:
    """A copy of the sample site without marks of some kinds and readings of some stops."""
    folder.mkdir(parents=True)
    shutil.copy(SAMPLE / "observations.csv", folder)
    (folder / "site.toml").write_text((SAMPLE / "site.toml").read_text() + more)
    marks = (SAMPLE / "marks.csv").read_text().splitlines()
    gone = re.compile(rf"[^,]*,{run_id},({stops}),({kinds}),")
    text = "\n".join(line for line in marks if not gone.match(line))
    (folder / "marks.csv").write_text(text + "\n")
    read = re.compile(rf"({run_id},({stops}),[0-9.]+),[0-9.]+,")
    rows = (SAMPLE / "stops.csv").read_text().splitlines()
    (folder / "stops.csv").write_text("\n".join(read.sub(r"\1,,", row) for row in rows) + "\n")
    return folder


def built(*sites: Path, out: Path) -> Path:
    result = run("build", *sites, "-o", out, "-q")
    assert result.exit_code in (0, 1), result.output
    return out


def rows_of(record: Path) -> gpd.GeoDataFrame:
    return pyogrio.read_dataframe(record / "asbuilt.gpkg", layer="unlocated")


def plan(path: Path, shape: shapely.Geometry, **cells: object) -> Path:
    cells = {"kind": "trench", "name": "T", "depth_m": 2.0} | cells
    frame = gpd.GeoDataFrame([cells], geometry=[shape], crs="EPSG:32617")
    pyogrio.write_dataframe(frame, path)
    return path


@pytest.fixture(scope="module")
def without_l2(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The sample site with the end nulls, peaks and readings of L2 taken out: L2 is not drawn."""
    folder = tmp_path_factory.mktemp("without-l2")
    site = site_without(folder / "site", "R2", "[0-9]+", "end_null|peak_.*")
    return built(site, out=folder / "out")


@pytest.fixture(scope="module")
def with_failed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A batch of the sample site and one whose files have faults; and a line nobody surveyed."""
    folder = tmp_path_factory.mktemp("with-failed")
    more = '\n[[pipe]]\nline = "L3"\nmaterial = "PVC"\nnominal = "DN110 SN4"\n'
    good = site_without(folder / "good", "R9", "none", more=more)
    bad = site_without(folder / "hedge-side", "R9", "none")
    (bad / "site.toml").write_text((SAMPLE / "site.toml").read_text().replace("QH-022", "QH-3"))
    (bad / "stops.csv").write_text("run,stop,counter\nR1,1,x\n")
    return built(good, bad, out=folder / "out")


# ---- the layer -----------------------------------------------------------------------------


def test_a_line_that_is_not_drawn_has_an_area_that_holds_it(without_l2: Path) -> None:
    rows = rows_of(without_l2)
    (row,) = rows[rows["line_id"] == "L2"].itertuples()
    assert (row.run_id, row.stop_id, row.extent) == ("R2", "1, 2, 3, 4, 5", "line")
    assert row.counted_m == pytest.approx(11.72 - 0.35, abs=0.01)  # less the lag: from stops.csv
    assert row.mark_reach_m > 4.0 * 2**0.5  # nobody knows the depth
    assert row.caution == Reservations(errors=frozenset({("QH-022", "L2")})).before()
    assert row.geometry.contains(AXES["L2"])


def test_stops_lost_at_an_end_leave_an_area_past_it(tmp_path: Path) -> None:
    record = built(site_without(tmp_path / "s", "R1", "[789]"), out=tmp_path / "out")
    rows = rows_of(record)
    (row,) = rows[(rows["line_id"] == "L1") & rows["stop_id"].notna()].itertuples()
    assert (row.extent, row.stop_id) == ("beyond_end", "7, 8, 9")
    corridor = pyogrio.read_dataframe(record / "asbuilt.gpkg", layer="position_corridor")
    located = corridor[corridor["line_id"] == "L1"].geometry.iloc[0]
    last = next(s for s in TRUTH["stops"] if (s["run"], s["stop"]) == ("R1", "9"))
    length = AXES["L1"].project(shapely.Point(last["x"], last["y"]))
    counted = shapely.ops.substring(AXES["L1"], length, AXES["L1"].length)
    assert not located.contains(counted)
    assert row.geometry.intersection(counted).length > 6.0  # three stops, 2.6 to 3 m apart
    # From CO1 down to the last stop all is in the corridor, or in an area: the entry's included.
    areas = shapely.union_all([*rows.geometry, located.buffer(0.05)])
    assert areas.contains(counted)


def test_a_stop_lost_between_two_others_leaves_none(tmp_path: Path) -> None:
    rows = rows_of(built(site_without(tmp_path / "s", "R1", "3"), out=tmp_path / "out"))
    assert set(rows["extent"]) == {"beyond_end"}  # the stretches from both entries
    assert rows["stop_id"].isna().all()
    assert rows["counted_m"].tolist() == pytest.approx([1.33, 1.29], abs=0.05)  # stops.csv


def test_a_pipe_of_the_counted_length_stays_in_the_area_of_its_spots() -> None:
    """Crooked pipes through spots somewhere in their circles, as long as counted at the most."""
    rng, accuracy = np.random.default_rng(7), standard_accuracy()
    for _ in range(60):
        steps = rng.normal(0.0, 0.25, 40).cumsum() + rng.uniform(0, 6)
        path = np.cumsum(0.25 * np.column_stack([np.sin(steps), np.cos(steps)]), axis=0)
        at = np.sort(rng.choice(np.arange(3, 37), 3, replace=False))
        radius = rng.uniform(0.1, 2.0)
        turn, far = rng.uniform(0, 2 * np.pi, 3), radius * np.sqrt(rng.uniform(0, 1, 3))
        seen = path[at] + far[:, None] * np.column_stack([np.cos(turn), np.sin(turn)])
        spots = [
            KnownPlace(0.25 * float(i), (place,), radius, "marks")
            for i, place in zip(at.tolist(), seen, strict=True)
        ]
        area, _ = area_of(spots, np.array([0.0, 0.25 * 39]), accuracy)
        assert area is not None
        assert area.contains(shapely.LineString(path))
    # Not by being boundless: a pipe that goes off twice the counted length leaves it.
    end = spots[-1].circle[0]
    reach = 2 * longest_m(0.25 * 39, accuracy) + 2 * radius + 1.0
    assert not area.contains(shapely.Point(end[0] + reach, end[1]))


def test_an_exposure_is_a_spot_of_its_run_or_where_it_names_none_of_its_line() -> None:
    """One that bears the name of the entry has the counter that stood there."""
    seen = SimpleNamespace(
        name=np.array(["E1", "E2", "CO1", "E4", "E5"]),
        run=np.array(["R1", "R2", "", "", "R1"]),
        line=np.array(["L1", "L1", "L1", "L2", "L1"]),
        counter_m=np.array([4.0, 5.0, nan, nan, 6.0]),
        placed=np.array([True, True, True, True, False]),
        xyz_m=np.arange(15.0).reshape(5, 3),
        cov_m2=np.tile(1e-4 * np.eye(3), (5, 1, 1)),
    )
    site = cast(SearchedSite, SimpleNamespace(exposures=seen))
    run = Run("R1", "L1", "CO1", 0.5, "against", 0.35, 0.03)
    spots = _exposures(site, "L1", run)
    assert [(s.counter_m, float(s.at_m[0][0])) for s in spots] == [(4.0, 0.0), (0.5, 6.0)]
    assert [float(s.at_m[0][0]) for s in _exposures(site, "L1", None)] == [6.0]


def test_a_branch_begins_where_the_counter_of_the_run_named_puts_its_junction() -> None:
    """Another run of the line drawn, with a counter of its own, says nothing of that."""
    axis = axis_with([0.03] * 3, ["straight"] * 2)  # R1 read 10 m at its first stop
    other = Run("R9", "L1", "", 0.0, "against", 0.35, 0.03)
    settings = replace(
        line_site(),
        runs=(other, *line_site().runs),
        branches=(Branch("L2", "L1", 12.0, "R1"), Branch("L3", "L1", 13.0, "R1")),
    )
    record = SimpleNamespace(settings=settings)
    at = SearchedSite(*cast(tuple[Any, ...], (record, None, None, None, None)), {"L1": axis})
    (spot,) = _junction(at, "L2")
    assert spot.by == "junction"
    assert spot.at_m[0] == pytest.approx(axis.at(np.array([2.0])).xyz_m[0, :2])


def test_without_a_counter_spots_are_joined_straight() -> None:
    spots = [KnownPlace(nan, (np.array([x, 0.0]),), 0.5, "exposure") for x in (0.0, 10.0)]
    area, made_by = area_of(spots, np.empty(0), standard_accuracy())
    assert area is not None
    assert area.contains(shapely.LineString([(0, 0), (10, 0)]))
    assert area.area == pytest.approx(10.0 + np.pi / 4, rel=0.01)
    assert "straight" in made_by
    assert area_of([], np.empty(0), standard_accuracy())[0] is None


def test_in_another_crs_areas_widen_and_never_vanish(make_site: Any) -> None:
    site = make_site(rows=4)
    of = {p.layer: p for p in site.products}["unlocated"]
    off = Operation("a", "b", "a to b", 0.5, False, False, ())
    wider = {p.layer: p for p in shifted(site.products, off)}["unlocated"]
    for one, two in zip(of.geometry, wider.geometry, strict=True):
        assert one is None or two.contains(shapely.Polygon(one.exterior).buffer(0.9))
    zones = [{p.layer: p for p in s}["tolerance_zone"].columns for s in
             (site.products, shifted(site.products, off))]  # fmt: skip
    before, after = (np.array(z["width_m"], dtype=float) for z in zones)
    assert after == pytest.approx(before + 2 * off.shift_95_m)
    assert np.isfinite(after).any()
    unknown = Operation("a", "b", "a to b", nan, False, False, ())
    lost = {p.layer: p for p in shifted(site.products, unknown)}["unlocated"]
    assert lost.columns["line_id"] == of.columns["line_id"]
    assert [g is None for g in lost.geometry] == [True] * 4


# ---- against planned works -----------------------------------------------------------------


def test_a_trench_across_it_is_not_located_everywhere(without_l2: Path, tmp_path: Path) -> None:
    across = AXES["L2"].interpolate(0.7, normalized=True).buffer(0.5)
    works = plan(tmp_path / "p.gpkg", across)
    out = tmp_path / "o"
    result = run("clearance", without_l2, works, "--required", "0.3m", "-o", out)
    assert result.exit_code == 1
    assert "QH-022 L2" in result.output
    assert "not located" in result.output
    assert "No conflict is shown" not in result.output
    (pair,) = pyogrio.read_dataframe(out / "clearance.gpkg", layer="clearance_pairs").itertuples()
    assert (pair.line_id, pair.verdict) == ("L2", "not_located")
    assert np.isnan(pair.separation_m)
    assert len(pyogrio.read_dataframe(out / "clearance.gpkg", layer="clearance_conflicts")) == 1
    areas = pyogrio.read_dataframe(out / "clearance.gpkg", layer="unlocated").set_index("line_id")
    assert areas.geometry["L2"].contains(AXES["L2"])
    with (out / "clearance.csv").open(encoding="utf-8") as file:
        assert [r["verdict"] for r in csv.DictReader(file)] == ["not_located"]
    degrees = json.loads((out / "geojson" / "unlocated.geojson").read_text(encoding="utf-8"))
    assert "L2" in [f["properties"]["line_id"] for f in degrees["features"]]
    said = json.loads(run("clearance", without_l2, works, "--required", "0.3m", "--json").output)
    assert said["exit_code"] == 1
    assert [row["line_id"] for row in said["not_located"]] == ["L2"]


def test_the_picture_shows_and_names_it(
    without_l2: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from lateralline.draw import overlay_plans as clearance
    from lateralline.draw import overlay_plans as zones

    told = []
    for drawing, name in ((clearance, "draw_clearance"), (zones, "draw_zones")):
        draw = getattr(drawing, name)
        monkeypatch.setattr(
            drawing, name, lambda p, *a, draw=draw, **k: (told.append(p), draw(p, *a, **k))
        )
    across = AXES["L2"].interpolate(0.7, normalized=True).buffer(0.5)
    works, picture = plan(tmp_path / "p.gpkg", across), tmp_path / "p.png"
    run("clearance", without_l2, works, "--required", "0.3m", "--picture", picture)
    run("zones", without_l2, "--rule", "cga", "-o", tmp_path / "z", "--picture", tmp_path / "z.png")
    assert picture.stat().st_size > 10_000
    assert (tmp_path / "z.png").stat().st_size > 10_000
    near, beside = told
    # and where L1 goes on beyond its last stop
    assert [name for name, _ in near.unlocated] == ["line L1", "line L2"]
    assert near.approaches[0].conflict
    assert "line L2" in [name for name, _ in beside.unlocated]
    assert any("QH-022 L2" in note for note in beside.notes)


def test_far_from_its_area_it_is_named_and_nothing_is_in_conflict(
    without_l2: Path, tmp_path: Path
) -> None:
    away = shapely.affinity.translate(AXES["L2"].buffer(0.5), 60.0)
    result = run("clearance", without_l2, plan(tmp_path / "p.gpkg", away), "--required", "0.3m")
    assert result.exit_code == 0
    assert re.search(
        r"Not located either, but in areas that are not near.*QH-022 L2", result.output
    )


def test_what_stands_past_a_lost_end_is_no_clear_pair(tmp_path: Path) -> None:
    record = built(site_without(tmp_path / "s", "R1", "[6789]"), out=tmp_path / "out")
    last = next(s for s in TRUTH["stops"] if (s["run"], s["stop"]) == ("R1", "9"))
    over = shapely.Point(last["x"], last["y"])
    works = plan(tmp_path / "p.gpkg", over, kind="post", radius_m=0.1)
    result = run("clearance", record, works, "--required", "0.3m", "--json")
    assert result.exit_code == 1
    (row,) = [p for p in json.loads(result.output)["pairs"] if p["line_id"] == "L1"]
    assert row["verdict"] in ("not_located", "conflict")
    assert row["open_end"]
    assert row["separation_lower_95_m"] is None


# ---- what has no place ---------------------------------------------------------------------


def test_a_line_without_a_mark_and_a_site_not_built_are_named_whatever_is_planned(
    with_failed: Path, tmp_path: Path
) -> None:
    away = shapely.box(467900, 4660900, 467901, 4660901)
    works = plan(tmp_path / "p.gpkg", away)
    result = run("clearance", with_failed, works, "--required", "0.3m", "-o", tmp_path / "o")
    assert result.exit_code == 1
    said = " ".join(result.output.split())
    assert "that nobody located: QH-022 L3, QH-3 (whole site)" in said
    assert "No conflict is shown" not in said
    rows = pyogrio.read_dataframe(tmp_path / "o" / "clearance.gpkg", layer="unlocated")
    assert set(rows["extent"]) >= {"line", "site"}
    # far from the works or not, as the record has them
    known = pyogrio.read_dataframe(open_as_built(with_failed).path, layer="unlocated")
    assert sorted(rows["extent"]) == sorted(known["extent"])
    with (tmp_path / "o" / "clearance.csv").open(encoding="utf-8") as file:
        told = [(r["site_id"], r["line_id"], r["verdict"]) for r in csv.DictReader(file)]
    assert told == [("QH-022", "L3", "not_located"), ("QH-3", "", "not_located")]


def test_zones_name_them_too(with_failed: Path, tmp_path: Path) -> None:
    result = run("zones", with_failed, "--rule", "cga", "-o", tmp_path / "z", "--json")
    assert result.exit_code == 1
    extents = [row["extent"] for row in json.loads(result.output)["not_located"]]
    assert sorted(extents) == ["beyond_end", "beyond_end", "line", "site"]
    layer = pyogrio.read_dataframe(tmp_path / "z" / "hand_dig_zones.gpkg", layer="unlocated")
    assert sorted(layer["extent"]) == sorted(extents)
    said = run("zones", with_failed, "--rule", "cga", "-o", tmp_path / "y").output
    assert "QH-022 L3, QH-3 (whole site)" in said


def test_the_manifest_says_which_sites_are_not_in_it(with_failed: Path) -> None:
    manifest = json.loads((with_failed / "manifest.json").read_text(encoding="utf-8"))
    (missed,) = manifest["not_built"]
    assert (missed["site"], missed["source"]) == ("QH-3", "hedge-side")
    assert "stage read" in missed["why"]


def test_a_record_without_a_single_line_answers_not_located(tmp_path: Path) -> None:
    """Nothing but a ground shot, which says nothing of where the pipe is."""
    site = site_without(tmp_path / "s", "R[12]", "[0-9]+")
    with (site / "marks.csv").open("a") as file:
        file.write("G1,R1,1,ground,gnss,467199.8,4660999.5,142.0,0.02,0.03,\n")
    record = built(site, out=tmp_path / "out")
    assert rows_of(record).geometry.isna().all()
    works = plan(tmp_path / "p.gpkg", AXES["L1"].buffer(0.5))
    result = run(
        "clearance", record, works, "--required", "0.3m", "-o", tmp_path / "o",
        "--picture", tmp_path / "p.png",
    )  # fmt: skip
    assert result.exit_code == 1, result.output
    assert "QH-022 L1, QH-022 L2" in result.output
    assert "No picture" in result.output
    zones = run("zones", record, "--rule", "cga", "-o", tmp_path / "z")
    assert zones.exit_code == 1, zones.output
    assert "QH-022 L1, QH-022 L2" in zones.output


def test_a_record_of_areas_alone_is_held_against_the_works_and_drawn(tmp_path: Path) -> None:
    site = site_without(tmp_path / "s", "R[12]", "[0-9]+", "end_null|peak_.*")
    record = built(site, out=tmp_path / "out")
    works = plan(tmp_path / "p.gpkg", AXES["L1"].buffer(0.5))
    result = run(
        "clearance", record, works, "--required", "0.3m", "-o", tmp_path / "o",
        "--picture", tmp_path / "p.png", "--json",
    )  # fmt: skip
    assert result.exit_code == 1, result.output
    assert {p["line_id"] for p in json.loads(result.output)["pairs"]} == {"L1", "L2"}
    assert (tmp_path / "p.png").stat().st_size > 10_000
    zones = run("zones", record, "--rule", "cga", "-o", tmp_path / "z")
    assert zones.exit_code == 1, zones.output


# ---- records built before ------------------------------------------------------------------


def test_a_record_older_than_the_layer_reads_by_its_findings(
    without_l2: Path, tmp_path: Path
) -> None:
    old = tmp_path / "asbuilt.gpkg"
    shutil.copy(without_l2 / "asbuilt.gpkg", old)
    with closing(sqlite3.connect(old)) as db, db:
        for (trigger,) in db.execute(
            "SELECT name FROM sqlite_master WHERE type='trigger' AND tbl_name='unlocated'"
        ).fetchall():
            db.execute(f'DROP TRIGGER "{trigger}"')
        for table in ("gpkg_contents", "gpkg_geometry_columns", "gpkg_extensions"):
            db.execute(f"DELETE FROM {table} WHERE table_name = 'unlocated'")
        db.execute("DROP TABLE unlocated")
    (row,) = open_as_built(old).unlocated
    assert (row.line_id, row.extent, row.geometry) == ("L2", "line", None)
    away = shapely.affinity.translate(AXES["L2"].buffer(0.5), 60.0)
    result = run("clearance", old, plan(tmp_path / "p.gpkg", away), "--required", "0.3m")
    assert result.exit_code == 1
    assert "that nobody located: QH-022 L2" in result.output
    assert run("export", old, "-o", tmp_path / "a.dxf").exit_code == 0


def test_drawings_show_and_name_it(without_l2: Path, tmp_path: Path) -> None:
    import ezdxf

    assert run("export", without_l2, "-o", tmp_path / "a.dxf").exit_code == 0
    drawing = ezdxf.readfile(tmp_path / "a.dxf").modelspace()
    assert len(drawing.query('LWPOLYLINE[layer?"unlocated.*"]')) == 2  # L2, and past L1's entry
    words = "".join(text.text for text in drawing.query("MTEXT"))
    assert "Not located, and not drawn: QH-022 L2" in words
    assert run("export", without_l2, "-o", tmp_path / "a.kml").exit_code == 0
    shown = pyogrio.read_dataframe(tmp_path / "a.kml", layer=contract.load("unlocated").title)
    assert len(shown) == 2
