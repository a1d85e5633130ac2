"""Plans as people hand them over: text for numbers, collections, impossible levels, drawings."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import ezdxf
import numpy as np
import pyproj
import pytest
from typer.testing import CliRunner

from lateralline.cli import app
from lateralline.errors import FrameError, SiteFaultsError
from lateralline.overlay.as_built import NotBuiltError, legs_of, open_as_built
from lateralline.overlay.picture import draw_comparison
from lateralline.overlay.plan_files import LayerUse, read_plan
from lateralline.overlay.planned import PIECE_M, Options, PlannedWork, PlannedWorks
from lateralline.overlay.run import compare

MIDDLE = np.array([500_000.0, 4_650_000.0])
OPTIONS = Options(required_m=0.3)
TO_DEGREES = pyproj.Transformer.from_crs("EPSG:32617", "OGC:CRS84", always_xy=True)


def degrees(x: float, y: float, *z: float) -> list[float]:
    return [*TO_DEGREES.transform(MIDDLE[0] + x, MIDDLE[1] + y), *z]


def feature(kind: str, coordinates: object, **properties: object) -> dict:
    return {
        "type": "Feature",
        "geometry": {"type": kind, "coordinates": coordinates},
        "properties": properties,
    }


def post(**properties: object) -> dict:
    return feature("Point", degrees(0, 1), **properties)


def bore(*coordinates: list[float], **properties: object) -> dict:
    return feature("LineString", list(coordinates), **({"diameter_m": 0.1} | properties))


@pytest.fixture
def plan(tmp_path: Path) -> Callable[..., PlannedWorks]:
    def read(*features: dict) -> PlannedWorks:
        path = tmp_path / "p.geojson"
        path.write_text(json.dumps({"type": "FeatureCollection", "features": features}))
        return read_plan(path, OPTIONS)

    return read


def one(plan: PlannedWorks) -> PlannedWork:
    (work,) = plan.works
    return work


def faults(read: Callable[[], PlannedWorks]) -> str:
    with pytest.raises(SiteFaultsError) as caught:
        read()
    return "\n".join(f"{f.column} {f.must} {f.value} {f.hint}" for f in caught.value.faults)


# ---- lengths -------------------------------------------------------------------------------


def test_lengths_may_be_text_as_people_write_feet_and_inches(plan) -> None:
    work = one(plan(post(radius_in='4"', depth_ft="4' 7 1/2\"", required_m="0.25")))
    assert work.radius_m == pytest.approx(4 * 0.0254)
    assert work.depth_m == pytest.approx(4.625 * 0.3048)
    assert work.required_m == 0.25


def test_a_text_in_another_unit_than_its_name_says_is_a_fault(plan) -> None:
    said = faults(lambda: plan(post(radius_m="0.6 ft", depth_m="1,2")))
    assert "write 0.1829 if these are feet" in said
    assert "write a point where decimals start" in said


def test_a_length_given_in_two_units_is_a_fault(plan) -> None:
    said = faults(lambda: plan(post(radius_m=0.1, depth_m=0.9, depth_ft=3.0)))
    assert "depth_m and depth_ft are there" in said


def test_numbers_beside_text_in_one_column_are_read_each_as_it_is(plan) -> None:
    """GDAL gives a column of both as JSON, of which one cell is none."""
    both = [post(radius_m=0.1, depth_m="3 ft"), post(radius_m="0,1", depth_m=0.8)]
    both += [post(radius_m=0.1, depth_m=1.2), post(radius_m=True, depth_m={"m": 1})]
    with pytest.raises(SiteFaultsError) as caught:
        plan(*both)
    said = {(f.row, f.column): (f.value, f.must, f.hint) for f in caught.value.faults}
    assert set(said) == {(1, "depth_m"), (2, "radius_m"), (4, "depth_m"), (4, "radius_m")}
    assert said[1, "depth_m"][0] == "3 ft"
    assert "0.9144" in said[1, "depth_m"][2]


def test_yes_is_no_length(plan) -> None:
    assert "radius_m must be a number" in faults(lambda: plan(post(radius_m=True)))


# ---- shapes --------------------------------------------------------------------------------


def test_collections_are_taken_apart_however_deep(plan) -> None:
    line = {"type": "LineString", "coordinates": [degrees(0, 2), degrees(3, 2)]}
    inner = {"type": "GeometryCollection", "geometries": [line]}
    deep = {"type": "GeometryCollection", "geometries": [line, inner]}
    made = plan(
        {"type": "Feature", "geometry": deep, "properties": {"diameter_m": 0.1, "depth_m": 1}}
    )
    assert [w.id for w in made.works] == ["p.geojson:1.1", "p.geojson:1.2"]


def test_what_spans_the_earth_is_a_fault_not_far_away(plan) -> None:
    ring = [[-180, -80], [180, -80], [180, 80], [-180, 80], [-180, -80]]
    assert "no larger than 50 km" in faults(lambda: plan(feature("Polygon", [ring], depth_m=1)))


def test_a_long_line_in_degrees_is_straight_in_degrees(plan, make_record, tmp_path: Path) -> None:
    """20 km along a parallel: between its ends a line straight on the ground is 7 m off it."""
    at = degrees(0, 0)
    long = bore([at[0] - 0.12, at[1]], [at[0] + 0.12, at[1]], depth_m=1.5)
    work = one(plan(long))
    assert work.shape.length / (len(work.shape.coords) - 1) < PIECE_M
    record = make_record(tmp_path / "a.gpkg")
    (row,) = compare(open_as_built(record), plan(long)).pairs
    assert row.separation_m == pytest.approx(-0.05 - 0.08, abs=5e-3)


def test_a_trench_may_be_a_line_with_a_width(plan, make_record, tmp_path: Path) -> None:
    line = [degrees(0, 2), degrees(3, 2)]
    dug = plan(feature("LineString", line, width_ft="2", depth_m=1))
    work = one(dug)
    assert (work.kind, work.width_m) == ("trench", pytest.approx(0.6096))
    made = compare(open_as_built(make_record(tmp_path / "a.gpkg")), dug)
    [moved] = made.regions[0].moved.works
    west, south, east, north = moved.footprint.bounds
    assert (east - west, north - south) == pytest.approx((3.0, 0.6096), abs=2e-3)
    assert moved.footprint.area == pytest.approx(3 * 0.6096, rel=1e-3)
    bare = feature("LineString", line, depth_m=1)
    bare["properties"]["kind"] = "trench"
    said = faults(lambda: plan(bare))
    assert "width_m must be there for a trench drawn as a line" in said


def test_an_open_polyline_is_a_trench_where_its_layer_has_a_width(tmp_path: Path) -> None:
    line = [AT, (AT[0] + 3, AT[1]), (AT[0] + 3, AT[1] + 2)]
    made = drawing(
        tmp_path / "p.dxf", lambda s: s.add_lwpolyline(line, dxfattribs={"layer": "DIG"})
    )
    uses = {"DIG": LayerUse("trench", {"depth_m": 1.0, "width_m": "0.6"})}
    work = one(read_drawing(made, uses))
    assert work.as_dug.shape.area == pytest.approx(5 * 0.6, rel=1e-3)


# ---- levels --------------------------------------------------------------------------------


def test_a_bore_with_levels_at_some_vertices_only_is_a_fault(plan) -> None:
    said = faults(lambda: plan(bore(degrees(0, 2, 98.0), degrees(3, 2, 0.0))))
    assert "a level at every vertex, or at none" in said


def test_levels_out_of_all_measure_with_the_ground_are_not_used(
    plan, make_record, tmp_path: Path
) -> None:
    """Ellipsoidal heights where the record's are another's: 40 m up, which no bore is."""
    record = open_as_built(make_record(tmp_path / "a.gpkg"))
    up = [degrees(-1, 0.2, 140.0), degrees(3, 0.2, 140.0)]
    (by_depth,) = compare(record, plan(bore(*up, depth_m=1.0)), plan_levels="same").pairs
    (in_plan,) = compare(record, plan(bore(*up)), plan_levels="same").pairs
    assert by_depth.levels_by == "depth_below_ground"
    assert in_plan.levels_by == "plan_only"
    assert in_plan.verdict == "conflict"
    assert "its level does not go with the ground" in in_plan.what


def test_levels_that_no_operation_leads_over_say_how_to_leave_them_out(
    plan, make_record, tmp_path: Path
) -> None:
    record = open_as_built(make_record(tmp_path / "a.gpkg", crs="EPSG:32617+5703"))
    made = plan(bore(degrees(0, 2, 98.0), degrees(3, 2, 98.0), depth_m=1.0))
    with pytest.raises(FrameError, match="--plan-levels none"):
        compare(record, made)
    assert compare(record, made, plan_levels="none").pairs[0].levels_by == "depth_below_ground"


def test_z_of_outlines_is_not_used_and_that_is_said(plan) -> None:
    made = plan(feature("Point", degrees(0, 1, 99.0), radius_m=0.1, depth_m=1.0))
    assert not one(made).has_level
    assert any("is not used" in note for note in made.notes)


@pytest.mark.parametrize("z", [(), (0.0,)])
def test_a_bore_of_one_depth_has_no_level(plan, z: tuple[float, ...]) -> None:
    """Nor where a drawing gives each vertex a Z of 0, since all of its vertices must have one."""
    work = one(plan(bore(degrees(0, 1, *z), degrees(5, 1, *z), depth_m=1.0)))
    assert not work.has_level
    assert work.depth_m == 1.0


# ---- records -------------------------------------------------------------------------------


def test_a_line_without_stations_is_never_passed_over(plan, make_record, tmp_path: Path) -> None:
    record = make_record(tmp_path / "a.gpkg", ({"line": "L1"}, {"line": "L2"}))
    with closing(sqlite3.connect(record)) as db, db:
        for (name,) in list(db.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'")):
            db.execute(f'DROP TRIGGER "{name}"')
        db.execute("DELETE FROM level_band WHERE line_id = 'L2'")
    with pytest.raises(NotBuiltError, match="level_band has no rows of S1 L2"):
        compare(open_as_built(record), plan(post(radius_m=0.1, depth_m=1.0)))


def test_each_leg_of_a_pipe_is_of_a_segment_of_known_length(make_record, tmp_path: Path) -> None:
    """From its lowest to its highest station; so far apart do places count each by itself."""
    as_built = open_as_built(make_record(tmp_path / "a.gpkg"))
    (region,) = as_built.regions()
    legs = legs_of(region.lines, *as_built.stations())
    assert legs.segment_m == pytest.approx(np.full(len(legs.line), np.ptp(legs.chainage_m)))
    assert np.ptp(legs.chainage_m) == pytest.approx(20.0)


def test_a_picture_is_of_the_riskiest_pair_wherever_on_the_map(
    make_record, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two lines 40 km apart: a post a metre beside the first, another right on the second."""
    from lateralline.draw import overlay_plans

    far = 40_000.0
    pipes = ({"line": "L1"}, {"line": "L2", "path": ((far - 9, 0, 98), (far + 9, 0, 98))})
    posts = [
        feature("Point", degrees(x, y), name=name, radius_m=0.1, depth_m=1.6)
        for name, x, y in (("near", 0.0, 1.2), ("on", far, 0.0))
    ]
    told: list[list[str]] = []
    monkeypatch.setattr(
        overlay_plans, "draw_clearance", lambda plan, *a, **k: told.append(list(plan.line_ids))
    )
    path = tmp_path / "p.geojson"
    path.write_text(json.dumps({"type": "FeatureCollection", "features": posts}))
    made = compare(open_as_built(make_record(tmp_path / "a.gpkg", pipes)), read_plan(path, OPTIONS))
    assert [pair.line_id for pair in made.pairs] == ["L2", "L1"]
    assert [r.pairs[0].line_id for r in made.regions] == ["L1", "L2"]
    draw_comparison(made, tmp_path / "p.png")
    assert told == [["line L2"]]


# ---- drawings ------------------------------------------------------------------------------


def drawing(path: Path, draw: Callable, unit: int = 6) -> Path:
    document = ezdxf.new()
    document.header["$INSUNITS"] = unit
    draw(document.modelspace())
    document.saveas(path)
    return path


POSTS = {"POSTS": LayerUse("post", {"depth_m": 1.0, "radius_m": 0.1})}
AT = (500_000.0, 4_650_001.0)


def read_drawing(path: Path, uses: dict | None = None) -> PlannedWorks:
    return read_plan(path, OPTIONS, crs="EPSG:32617", uses=uses or POSTS)


def test_a_mirrored_circle_stands_where_it_is_seen(tmp_path: Path) -> None:
    def draw(space) -> None:
        about = {"layer": "POSTS", "extrusion": (0, 0, -1)}
        space.add_circle((-AT[0], AT[1]), 0.1, dxfattribs=about)

    work = one(read_drawing(drawing(tmp_path / "p.dxf", draw)))
    assert (work.shape.x, work.shape.y) == pytest.approx(AT)


def test_words_beside_works_are_left_and_counted_but_no_other_entity(tmp_path: Path) -> None:
    def draw(space) -> None:
        space.add_point(AT, dxfattribs={"layer": "POSTS"})
        space.add_text("post 1", dxfattribs={"layer": "POSTS"}).set_placement(AT)

    made = read_drawing(drawing(tmp_path / "p.dxf", draw))
    assert len(made.works) == 1
    assert "Layer POSTS: 1 entities not looked at." in made.notes

    def closed(space) -> None:
        ring = [AT, (AT[0] + 1, AT[1]), (AT[0], AT[1] + 1)]
        space.add_lwpolyline(ring, close=True, dxfattribs={"layer": "POSTS"})

    path = drawing(tmp_path / "q.dxf", closed)
    assert "cannot be a post" in faults(lambda: read_drawing(path))


@pytest.mark.parametrize(("unit", "said"), [(4, "mm"), (10, "code 10"), (2, "ft")])
def test_a_drawing_in_another_unit_than_its_crs_is_a_fault(
    tmp_path: Path, unit: int, said: str
) -> None:
    path = drawing(
        tmp_path / "p.dxf", lambda s: s.add_point(AT, dxfattribs={"layer": "POSTS"}), unit
    )
    assert f"unit of the drawing must be that of WGS 84 / UTM zone 17N, m {said}" in faults(
        lambda: read_drawing(path)
    )


@pytest.mark.parametrize(("header", "given", "per_m"), [
    (4, "", 1000.0), (4, "mm", 1000.0), (6, "mm", 1000.0), (5, "", 100.0), (0, "cm", 100.0),
])  # fmt: skip
def test_a_drawing_in_parts_of_a_metre_is_brought_to_its_crs(
    tmp_path: Path, header: int, given: str, per_m: float
) -> None:
    at = tuple(per_m * v for v in AT)
    path = drawing(
        tmp_path / "p.dxf",
        lambda s: s.add_circle(at, 0.6 * per_m, dxfattribs={"layer": "POSTS"}),
        header,
    )
    uses = {"POSTS": LayerUse("post", {"depth_m": 1.0})}
    made = read_plan(path, OPTIONS, crs="EPSG:32617", uses=uses, unit=given)
    assert one(made).shape.coords[0] == pytest.approx(AT, abs=1e-6)
    assert one(made).radius_m == pytest.approx(0.6)
    unit, whose = ("mm" if per_m > 500 else "cm"), "--plan-unit" if given else "its header"
    assert f"Coordinates of p.dxf are taken in {unit}, as {whose} says." in made.notes


@pytest.mark.parametrize(("per_m", "given"), [(1000.0, "m"), (1.0, "mm")])
def test_a_unit_that_leads_off_the_map_is_a_fault_with_file_and_unit(
    tmp_path: Path, per_m: float, given: str
) -> None:
    at = tuple(per_m * v for v in AT)
    path = drawing(tmp_path / "p.dxf", lambda s: s.add_point(at, dxfattribs={"layer": "POSTS"}), 4)
    with pytest.raises(SiteFaultsError) as caught:
        read_plan(path, OPTIONS, crs="EPSG:32617", uses=POSTS, unit=given)
    [fault] = caught.value.faults
    assert (fault.file, fault.column) == ("p.dxf", "coordinates")
    assert fault.value == f"{at[0]:.10g} {at[1]:.10g} {given}"


@pytest.mark.parametrize(("told", "said"), [
    ({"radius_m": "0.1"}, "radius_m=0.1"), ({"diameter_in": "4"}, "diameter_in=4"),
    ({"radius_m": "0.6"}, ""), ({"diameter_cm": "120"}, ""), ({}, ""),
])  # fmt: skip
def test_a_drawn_radius_counts_before_the_option(
    tmp_path: Path, told: dict[str, str], said: str
) -> None:
    def draw(space) -> None:
        space.add_circle(AT, 0.6, dxfattribs={"layer": "POSTS"})
        space.add_circle((AT[0] + 9, AT[1]), 0.6, dxfattribs={"layer": "POSTS"})

    made = read_drawing(
        drawing(tmp_path / "p.dxf", draw), {"POSTS": LayerUse("post", {"depth_m": 1.0, **told})}
    )
    assert [w.radius_m for w in made.works] == pytest.approx([0.6, 0.6])
    wanted = f"Layer POSTS: 2 circles drawn with another radius than {said} of --dxf-layer. "
    about = [note for note in made.notes if "another radius" in note]
    assert about == ([f"{wanted}What is drawn counts."] if said else [])


def test_lines_an_option_gives_a_width_are_counted_and_an_open_outline_is_to_be_closed(
    tmp_path: Path,
) -> None:
    ring = [AT, (AT[0] + 3, AT[1]), (AT[0] + 3, AT[1] + 2), (AT[0], AT[1] + 2)]
    path = drawing(
        tmp_path / "p.dxf", lambda s: s.add_lwpolyline(ring, dxfattribs={"layer": "DIG"})
    )
    said = faults(lambda: read_drawing(path, {"DIG": LayerUse("trench", {"depth_m": 1.0})}))
    assert "close it in the drawing if it is an outline" in said
    uses = {"DIG": LayerUse("trench", {"depth_m": 1.0, "width_m": "0.6"})}
    made = read_drawing(path, uses)
    assert (
        "Layer DIG: 1 line taken as the middle of a trench, width_m=0.6 by --dxf-layer. "
        "An outline must be closed in the drawing."
    ) in made.notes


def test_a_drawing_of_no_unit_is_taken_as_its_crs_says_and_that_is_said(tmp_path: Path) -> None:
    path = drawing(tmp_path / "p.dxf", lambda s: s.add_point(AT, dxfattribs={"layer": "POSTS"}), 0)
    assert any("names no unit" in note for note in read_drawing(path).notes)


def test_an_arc_of_an_outline_is_followed_to_two_millimetres(tmp_path: Path) -> None:
    """A half circle of radius 1 m by a bulge of 1: its area is π/2."""

    def draw(space) -> None:
        x, y = AT
        points = [(x - 1, y, 0), (x + 1, y, 1.0), (x - 1, y, 0)]
        space.add_lwpolyline(points[:2], format="xyb", close=True, dxfattribs={"layer": "DIG"})

    uses = {"DIG": LayerUse("trench", {"depth_m": 1.0})}
    with pytest.raises(SiteFaultsError):  # there and back again: no area
        read_drawing(drawing(tmp_path / "flat.dxf", lambda s: s.add_lwpolyline(
            [AT, (AT[0] + 1, AT[1]), AT], dxfattribs={"layer": "DIG"})), uses)  # fmt: skip
    work = one(read_drawing(drawing(tmp_path / "p.dxf", draw), uses))
    assert work.shape.area == pytest.approx(np.pi / 2, rel=4e-3)


# ---- nothing by halves ---------------------------------------------------------------------


def test_a_picture_that_cannot_be_is_refused_before_anything_is_written(
    make_record, tmp_path: Path
) -> None:
    path = tmp_path / "p.geojson"
    features = [post(radius_m=0.1, depth_m=1.0)]
    path.write_text(json.dumps({"type": "FeatureCollection", "features": features}))
    record, out = make_record(tmp_path / "a.gpkg"), tmp_path / "out"
    there = tmp_path / "there.png"
    there.write_text("mine")
    for picture in (tmp_path / "x.gif", there):
        given = ["clearance", record, path, "--required", "0.3m", "-o", out, "--picture", picture]
        assert CliRunner().invoke(app, list(map(str, given))).exit_code == 2
        assert not out.exists()
    assert there.read_text() == "mine"


def test_no_conflict_is_said_to_be_no_leave_for_machines(make_record, tmp_path: Path) -> None:
    """A post 0.4 m beside the pipe: required clearance held, and within any hand-dig zone."""
    path, out = tmp_path / "p.geojson", tmp_path / "o"
    beside = feature("Point", degrees(0, 0.7), radius_m=0.1, depth_m=1.0)
    path.write_text(json.dumps({"type": "FeatureCollection", "features": [beside]}))
    given = [str(make_record(tmp_path / "a.gpkg")), str(path), "--required", "0.05m"]
    done = CliRunner().invoke(app, ["clearance", *given, "-o", str(out)])
    said = "No conflict shown is no leave for machines: within the hand-dig zone of a line"
    about = (out / "OVERLAY.md").read_text(encoding="utf-8")
    assert all(said in " ".join(text.split()) for text in (done.output, about))
    assert (done.exit_code, "no conflict shown" in done.output) == (0, True), done.output
