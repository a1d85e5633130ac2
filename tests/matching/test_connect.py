"""`lateralline connect` on mains of shipped drainage networks, and on what mains can be like."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
import shapely
from typer.testing import CliRunner

from lateralline.cli import app
from lateralline.matching.connect import Connections, connect
from lateralline.matching.register_lines import RegisterUse, read_register
from lateralline.overlay.as_built import open_as_built
from tests.support.drainage_networks import network

EAST, NORTH = 500_000.0, 4_650_000.0
ON_GROUND = 1 / 0.9996  # metres in a metre of the grid at the middle of a UTM zone
COLUMNS = {"id": "main", "upstream_access": "up", "downstream_access": "down"}
INVERTS = {"upstream_invert_m": "inv_up", "downstream_invert_m": "inv_down"}
FOOT = 0.3048


def mains(path: Path, rows: list[dict[str, object]]) -> Path:
    gpd.GeoDataFrame(rows, crs="EPSG:32617").to_file(path, engine="pyogrio")
    return path


def main(name: str, *xy: tuple[float, float], **more: object) -> dict[str, object]:
    shape = shapely.LineString([(EAST + x, NORTH + y) for x, y in xy])
    return {"main": name, "up": f"{name}-up", "down": f"{name}-down", "geometry": shape} | more


def pipe(name: str, *xy: tuple[float, float], **more: object) -> dict[str, object]:
    return {"line": name, "path": tuple((x, y, 98.0) for x, y in xy)} | more


def found(record: Path, file: Path, columns: dict[str, str] | None = None, **more) -> Connections:
    use = RegisterUse(COLUMNS | (columns or {}), sigma_m=0.1)
    return connect(open_as_built(record), read_register(file, use, "mains"), **more)


@pytest.mark.parametrize(("name", "laterals"), [("alpha", 22), ("gamma", 10)])
def test_laterals_of_shipped_networks_meet_their_mains(
    make_record, tmp_path: Path, name: str, laterals: int
) -> None:
    """A combined sewer (alpha) and a storm network (gamma) of pystorms: every lateral drawn to a
    known place on a main is found there. Coordinates are taken as feet, moved to one corner.
    """
    conduits = network(name)
    corner = shapely.total_bounds([c.path for c in conduits])[:2]
    paths = [
        shapely.transform(c.path, lambda xy: (xy - corner) * FOOT + [EAST, NORTH]) for c in conduits
    ]
    file = mains(
        tmp_path / "mains.gpkg",
        [
            {"main": c.name, "up": c.upstream, "down": c.downstream, "geometry": p,
             "inv_up": c.upstream_invert * FOOT, "inv_down": c.downstream_invert * FOOT}
            for c, p in zip(conduits, paths, strict=True)
        ],
    )  # fmt: skip
    rng = np.random.default_rng(5)
    pipes, told = [], {}
    for n in rng.permutation(len(conduits))[:laterals].tolist():
        at, turn = rng.uniform(0.3, 0.7), rng.uniform(40.0, 140.0)
        side = rng.choice([-1.0, 1.0])
        whole = paths[n].length
        here, behind, ahead = (
            np.array(paths[n].interpolate(at * whole + d).coords[0]) for d in (0.0, -0.5, 0.5)
        )
        if sum(p.distance(shapely.Point(here)) < 5.0 for p in paths) > 1:
            continue  # other mains pass by so near that no data could tell
        flow = np.arctan2(*(ahead - behind)[::-1])
        way = flow - side * np.radians(turn)  # with the flow, from the left where side is 1
        start = here - [EAST, NORTH]
        end = start - 12.0 * np.array([np.cos(way), np.sin(way)])
        pipes.append(pipe(f"L{n}", tuple(start), tuple(end)))
        told[f"L{n}"] = (n, at, turn, side)
    assert len(told) >= 7
    record = make_record(tmp_path / "a.gpkg", tuple(pipes))
    made = found(record, file, INVERTS)
    assert made.counts["meets"] == len(told)
    for c in made.found:
        n, at, turn, side = told[c.line_id]
        main_ = conduits[n]
        assert (c.main_id, c.upstream_access_id) == (main_.name, main_.upstream)
        assert c.chainage_m == pytest.approx(at * paths[n].length * ON_GROUND, abs=0.05)
        assert c.side == ("left" if side > 0 else "right")
        assert c.angle_deg == pytest.approx(turn, abs=0.5)
        drop = main_.downstream_invert - main_.upstream_invert
        assert c.main_invert_level_m == pytest.approx(FOOT * (main_.upstream_invert + at * drop))
        assert np.isnan(c.above_main_m)  # nobody said that levels count from the same


def test_conduits_of_a_network_join_at_their_accesses(make_record, tmp_path: Path) -> None:
    """A lateral to an access is named with it: no doubt between the two mains that meet there."""
    conduits = network("alpha")
    upper, lower = next(
        (a, b) for a in conduits for b in conduits if a.downstream == b.upstream and a is not b
    )
    place = np.array(lower.path.coords[0])
    rows = [
        main(c.name, *((np.array(c.path.coords) - place) * FOOT).tolist(), up=c.upstream,
             down=c.downstream)
        for c in (upper, lower)
    ]  # fmt: skip
    away = [
        np.array(p) * FOOT for p in (upper.path.coords[-2] - place, lower.path.coords[1] - place)
    ]
    way = sum(-a / np.linalg.norm(a) for a in away) + 1e-3
    end = 10.0 * way / np.linalg.norm(way)
    record = make_record(tmp_path / "a.gpkg", (pipe("L1", (0.0, 0.0), tuple(end)),))
    (joined,) = found(record, mains(tmp_path / "m.gpkg", rows)).found
    assert (joined.meeting, joined.at_access_id) == ("meets", lower.upstream)


def test_what_stops_short_crosses_or_may_join_either_says_so(make_record, tmp_path: Path) -> None:
    record = make_record(
        tmp_path / "a.gpkg",
        (
            pipe("short", (0, 2), (0, 20)),
            pipe("across", (20, -3), (20, 20)),
            pipe("either", (40, 20.1), (40, 40)),
            pipe("none", (90, 90), (90, 99)),
            pipe("joins", (0, 10), (9, 10), joins="short"),
        ),
    )
    rows = [
        main("M1", (-50, 0), (60, 0)),
        main("M2", (-50, -9), (60, -9)),
        main("A", (30, 20), (50, 20)),
        main("B", (30, 20.2), (50, 20.2)),
    ]
    made = found(record, mains(tmp_path / "m.gpkg", rows))
    by_line = {c.line_id: c for c in made.found}
    assert set(by_line) == {"short", "across", "either", "none"}
    assert {name: c.meeting for name, c in by_line.items()} == {
        "short": "stops_short", "across": "crosses", "either": "two_mains", "none": "no_main",
    }  # fmt: skip
    short = by_line["short"]
    assert (short.main_id, short.finding) == ("M1", "main-not-reached/short")
    assert short.chainage_m == pytest.approx(50 * ON_GROUND, abs=1e-3)
    assert short.gap_m == pytest.approx(2 * ON_GROUND, abs=1e-3)
    assert (by_line["across"].main_id, by_line["across"].finding) == ("M1", "main-crossed/past")
    assert {by_line["either"].main_id, *by_line["either"].others} == {"A", "B"}
    assert not made.all_meet


def test_levels_compare_only_where_somebody_says_so(make_record, tmp_path: Path) -> None:
    """Interpolated by length: 97.0 at the upstream access, 96.0 at the other, 3/4 of the way."""
    record = make_record(tmp_path / "a.gpkg", (pipe("L1", (25, 0), (25, 20)),))
    frame = pyogrio.read_dataframe(record, layer="pipe_centreline")
    assert np.isnan(frame["invert_down_level_m"]).all()
    rows = [main("M", (-50, 0), (50, 0), inv_up=97.0, inv_down=96.0)]
    file = mains(tmp_path / "m.gpkg", rows)
    (one,) = found(record, file, INVERTS, same_levels=True).found
    assert one.main_invert_level_m == pytest.approx(96.25, abs=1e-6)
    unsaid = found(record, file, INVERTS, against_flow=True)
    (other,) = unsaid.found
    told = [note for note in unsaid.notes if "--main-levels same" in note]
    assert bool(told) == bool(np.isfinite(other.invert_level_m))
    assert other.main_invert_level_m == pytest.approx(96.75, abs=1e-6)
    assert (one.side, other.side) == ("left", "right")


def test_the_slant_of_the_meeting_widens_the_chainage(make_record, tmp_path: Path) -> None:
    """σ across over the sine of the angle, and σ of the access: by hand, beside what is given."""
    file = mains(tmp_path / "m.gpkg", [main("M", (-50, 0), (50, 0))])
    sigmas = []
    for turn in (90.0, 30.0):
        way = np.array([np.cos(np.radians(turn)), np.sin(np.radians(turn))])
        path = ((0.0, 0.0), tuple(12.0 * way))
        record = make_record(tmp_path / f"{turn:.0f}.gpkg", (pipe("L1", *path),))
        (one,) = found(record, file).found
        sigmas.append(one.chainage_sigma_m)
        by_hand = np.hypot(np.hypot(0.05, 0.1) / np.sin(np.radians(turn)), 0.1)
        assert one.chainage_sigma_m == pytest.approx(by_hand, rel=0.01)
    assert all(a < b for a, b in pairwise(sigmas))


def test_the_command_writes_layer_table_and_picture(make_record, tmp_path: Path) -> None:
    record = make_record(tmp_path / "a.gpkg", (pipe("L1", (0, 0), (0, 20)),))
    file = mains(tmp_path / "m.gpkg", [main("M", (-50, 0), (50, 0))])
    out, picture = tmp_path / "o", tmp_path / "p.png"
    given = [str(record), "--mains", str(file), "--id-column", "main", "--upstream-access", "up"]
    done = CliRunner().invoke(app, ["connect", *given, "-o", str(out), "--picture", str(picture)])
    assert done.exit_code == 0, done.output
    assert "No clearance to dig" in done.output
    (row,) = pyogrio.read_dataframe(
        out / "main_connections.gpkg", layer="main_connections"
    ).itertuples()
    assert (row.main_id, row.upstream_access_id, row.meeting) == ("M", "M-up", "meets")
    assert picture.stat().st_size > 20_000
    assert "M-up" in (out / "main_connections.csv").read_text(encoding="utf-8")


def test_a_gap_within_chance_is_told_and_drawn(
    make_record, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The line ends 1.1 m short of a main whose σ is 0.5 m, and of one that it reaches."""
    from lateralline.draw import register_plans

    plans: list[register_plans.RegisterPlan] = []
    monkeypatch.setattr(register_plans, "draw_register", lambda plan, *a, **k: plans.append(plan))
    record = make_record(tmp_path / "a.gpkg", (pipe("L1", (0, 0), (0, 20)),))
    for name, south in (("short", -1.1), ("there", 0.0)):
        file = mains(tmp_path / f"{name}.gpkg", [main("M", (-50, south), (50, south))])
        given = [str(record), "--mains", str(file), "--id-column", "main"]
        done = CliRunner().invoke(
            app, ["connect", *given, "--picture", str(tmp_path / f"{name}.png")]
        )
        assert done.exit_code == 0, done.output
        assert ("Pipe in the gap is not located" in " ".join(done.output.split())) == (south < 0)
        assert ("1.10" in done.output) == (south < 0)
    short, there = plans
    assert [round(float(w.length), 2) for w in short.ways] == [1.1]
    assert [row.cells[3] for row in (*short.rows, *there.rows)] == ["1.10", "0.00"]
    for plan, listed in ((short, True), (there, False)):
        entries = register_plans.legend_of(plan, ends_drawn=False)
        assert any(plan.ways_are in str(e) for e in entries) == listed
    assert len(register_plans.legend_of(there, ends_drawn=True)) == 2
