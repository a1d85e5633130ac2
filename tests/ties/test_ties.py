"""Tie cards: the best points are chosen, the scatter is honest, and the tapes lead back."""

from __future__ import annotations

import csv
import json
import re
import shutil
import subprocess
from dataclasses import replace as changed
from math import radians
from pathlib import Path

import numpy as np
import pyogrio
import pytest
import shapely

from lateralline import contract
from lateralline.api import documents
from lateralline.derive.ties import ControlPoints, two_tapes
from lateralline.errors import SiteFaultsError, UnknownSpotError
from lateralline.ingest import read_site
from lateralline.kernels.tying import choose
from lateralline.measure import UNITS, Measure
from lateralline.place import place
from lateralline.record.rows import NodeRow
from lateralline.record.view import read_record
from lateralline.settings import standard_accuracy
from lateralline.ties.spots import Asked, control_of, spots_of, with_more
from lateralline.ties.tapes import Card, TieLimits, card_lines, tie
from tests.support.command import run
from tests.support.places import ROOT

LIMITS = {"tape_m": 0.01, "tape_ratio": 0.0005, "longest_m": 30.0, "flattest_rad": radians(20.0)}
METRES = Measure("m")


# ---- which points ---------------------------------------------------------------------------


def test_the_two_tapes_of_the_record_are_chosen_where_points_are_exact() -> None:
    rng = np.random.default_rng(5)
    spots, points = rng.uniform(0, 20, (40, 2)), rng.uniform(-5, 25, (7, 2))
    names = np.array([f"P{i}" for i in range(7)], dtype=object)
    control = ControlPoints(names, np.column_stack([points, np.zeros(7)]))
    record = two_tapes(spots, control, standard_accuracy(tape_m=0.01, tape_ratio=0.0005))
    found = choose(spots, points, np.zeros(7), **{**LIMITS, "longest_m": 1e3})
    for i in range(40):
        pair = {str(names[p]) for p in found.point[i, :2]}
        assert pair == {record["tie_a_point"][i], record["tie_b_point"][i]}


# ---- from a built site --------------------------------------------------------------------


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("ties") / "out"
    assert run("build", ROOT / "sample_sites" / "tape-ties", "-o", out, "-q").exit_code == 0
    return out


def cards_of(built: Path, unit: str = "m", **limits: float) -> list[Card]:
    view = read_record(built / "asbuilt.gpkg", "")
    kept = TieLimits(**{**LIMITS, **limits})
    spots = spots_of(view, Asked(), Measure(unit))
    return tie(spots, control_of(view), kept)


@pytest.mark.parametrize("unit", UNITS)
def test_taping_a_card_again_leads_back_to_the_spot(built: Path, tmp_path: Path, unit: str) -> None:
    """Distances as printed, keyed into a site as ties and placed: within the rounding."""
    site = tmp_path / "again"
    shutil.copytree(ROOT / "sample_sites" / "tape-ties", site)
    for name in ("observations.csv", "exposures.csv", "stops.csv"):
        (site / name).unlink(missing_ok=True)
    (site / "stops.csv").write_text("run,stop,counter\nR1,1,0.0\n")
    measure = Measure(unit)
    given = {"m": "m", "ft": "ft", "us-ft": "us-ft", "ft-in": "ft"}[unit]
    toml = (site / "site.toml").read_text()
    (site / "site.toml").write_text(toml.replace('tape = "ft"', f'tape = "{given}"', 1))
    cards = cards_of(built, unit)
    with (site / "marks.csv").open("w", newline="") as file:
        rows = csv.writer(file)
        rows.writerow(["mark", "run", "stop", "kind", "method", "ties", "side"])
        for i, card in enumerate(cards):
            said = [measure.length(t.distance_m).removesuffix(f" {unit}") for t in card.tapes[:2]]
            ties = ";".join(f"{t.point}:{s}" for t, s in zip(card.tapes, said, strict=False))
            rows.writerow([f"M{i}", "R1", "1", "ground", "ties", ties, card.side])
    placed = place(read_site(site))
    again = placed.frame.to_site_crs(placed.marks.xyz_m)[:, :2]
    nodes = pyogrio.read_dataframe(built / "asbuilt.gpkg", layer="pipe_nodes")
    nodes = nodes[nodes["kind"] != "point"]
    seen = pyogrio.read_dataframe(built / "asbuilt.gpkg", layer="pipe_observations")
    meant = shapely.get_coordinates([*nodes.geometry, *seen.geometry])
    assert len(cards) == len(meant) == len(again) > 3
    off_m = np.hypot(*(again - meant).T) * 1200 / 3937
    sines = np.sin(np.radians([card.cut_deg for card in cards]))
    assert (off_m <= np.sqrt(2) * measure.step_m / 2 / sines + 1e-5).all()
    assert off_m.max() > 1e-6  # it is the rounded distance that was keyed in


def test_a_grid_is_not_the_ground(built: Path) -> None:
    """Ohio North is 102 ppm long here: distances on cards are those a tape reads."""
    nodes = pyogrio.read_dataframe(built / "asbuilt.gpkg", layer="pipe_nodes")
    control = pyogrio.read_dataframe(built / "asbuilt.gpkg", layer="control_points")
    card = cards_of(built)[0]
    (node,) = nodes.geometry[nodes["node_id"] == card.spot.name]
    for tape in card.tapes:
        there = control.geometry[control["point"] == tape.point].iloc[0]
        grid = float(np.hypot(node.x - there.x, node.y - there.y)) * 1200 / 3937
        assert grid / tape.distance_m - 1.0 == pytest.approx(101.7377e-6, abs=2e-7)


def test_a_chainage_of_a_node_is_that_node(built: Path) -> None:
    view = read_record(built / "asbuilt.gpkg", "")
    nodes = spots_of(view, Asked(nodes=("L1/end-1", "L1/bend-1", "L1/end-2")), METRES)
    asked = Asked(chainages_m=tuple(("L1", n.chainage_m) for n in nodes))
    for node, spot in zip(nodes, spots_of(view, asked, METRES), strict=True):
        assert spot.ground_m == pytest.approx(node.ground_m, abs=1e-6)
        assert spot.cover_m == pytest.approx(node.cover_m, abs=0.02)


def test_a_located_point_between_segments_has_a_card_when_named(built: Path) -> None:
    view = read_record(built / "asbuilt.gpkg", "")
    points = [row.node_id for row in view.rows(NodeRow) if row.kind == "point"]
    assert points
    assert not {spot.name for spot in spots_of(view, Asked(), METRES)} & set(points)
    assert [s.name for s in spots_of(view, Asked(nodes=tuple(points)), METRES)] == points


def test_where_lines_meet_there_is_one_card(tmp_path: Path) -> None:
    out = tmp_path / "out"
    run("build", ROOT / "sample_sites" / "gnss-bend-branch", "-o", out, "-q")
    view = read_record(out / "asbuilt.gpkg", "")
    (junction,) = [row for row in view.nodes if row.kind == "junction"]
    spots = [s for s in spots_of(view, Asked(), METRES) if s.name == junction.node_id]
    there = [
        s
        for s in spots_of(view, Asked(), METRES)
        if np.hypot(*(s.ground_m - spots[0].ground_m)) < 0.05
    ]
    assert len(spots) == len(there) == 1


def test_all_that_is_not_there_is_named_at_once(built: Path) -> None:
    view = read_record(built / "asbuilt.gpkg", "")
    asked = Asked((("L1", 99.0), ("L7", 1.0)), ("N9",), ("O9",))
    with pytest.raises(UnknownSpotError) as e:
        spots_of(view, asked, METRES)
    for part in ("'N9'", "'O9'", "'L7'", "99.00 m", "L1/bend-1", "R1/O1"):
        assert part in str(e.value)


def test_scatter_adds_up(built: Path) -> None:
    for card in cards_of(built):
        parts = [card.scatter_m(p)[0] for p in ("tapes", "points", "record")]
        sigma, off_95 = card.scatter_m("all")
        assert max(parts) <= sigma <= float(np.hypot.reduce(parts)) + 1e-12
        assert off_95 == pytest.approx(2.4477 * sigma, rel=1e-4)  # 95 % ellipse, checks: computed


def test_a_shift_of_datum_moves_pipe_and_control_together(built: Path, tmp_path: Path) -> None:
    """Metres of shift stand in the record, and none of them between a tape's two ends."""
    site, far = ROOT / "sample_sites" / "tape-ties", tmp_path / "far"
    assert run("build", site, "-o", far, "-q", "--crs", "EPSG:32617").exit_code == 0
    at_home, away = cards_of(built), cards_of(far)
    assert min(float(np.sqrt(card.spot.cov_m2[0, 0])) for card in away) > 1.0
    for own, moved in zip(at_home, away, strict=True):
        for part in ("points", "record", "all"):
            assert moved.scatter_m(part)[1] == pytest.approx(own.scatter_m(part)[1], abs=2e-3)


def test_a_record_that_bounds_nothing_is_said_to(built: Path) -> None:
    card = cards_of(built)[0]
    loose = changed(card, spot=changed(card.spot, cov_m2=np.full((2, 2), np.nan)))
    assert np.isnan(loose.scatter_m("all")).all()
    limits = TieLimits(**LIMITS)
    assert "record: not bounded by the record" in "\n".join(card_lines(loose, METRES, limits))


@pytest.mark.parametrize("unit", UNITS)
def test_a_card_never_says_more_cover_than_the_level_band(built: Path, unit: str) -> None:
    """What is at least, read back from the card, against the layer that holds the bound."""
    band = pyogrio.read_dataframe(built / "asbuilt.gpkg", layer="level_band")
    measure, seen = Measure(unit), 0
    for card in cards_of(built):
        at = band[band["line_id"] == card.spot.line].sort_values("chainage_m")
        beside = at[(at["chainage_m"] - card.spot.chainage_m).abs() < 1e-6]
        said = re.search(r"at least (\S.*?), at most (.*)", "\n".join(card_lines(
            card, measure, TieLimits(**LIMITS))))  # fmt: skip
        if beside.empty or said is None:
            continue
        seen += 1
        low, high = (measure.read(text.removesuffix(f" {unit}")) for text in said.groups())
        bound = float(beside["cover_lower_95_m"].min())
        assert bound - measure.step_m - 1e-6 < low <= bound + 1e-6
        assert high >= card.spot.cover_95_m[1] - 1e-6
    assert seen >= 3


def test_control_that_defines_a_sketch_is_exact_on_cards_as_in_the_survey(tmp_path: Path) -> None:
    """Without σ nothing of the points is in the ±: what is left is that of tapes and record."""
    shutil.copytree(ROOT / "sample_sites" / "local-sketch", tmp_path / "site")
    path = tmp_path / "site" / "control.csv"
    rows = list(csv.DictReader(path.read_text().splitlines()))
    for row in rows:
        row["sigma_h"] = ""
    with path.open("w", newline="") as file:
        made = csv.DictWriter(file, list(rows[0]))
        made.writeheader()
        made.writerows(rows)
    assert run("build", tmp_path / "site", "-o", tmp_path / "out", "-q").exit_code in (0, 1)
    view = read_record(tmp_path / "out" / "asbuilt.gpkg", "")
    assert (control_of(view).sigma_m == 0.0).all()
    limits = TieLimits(**LIMITS)
    card = next(c for c in cards_of(tmp_path / "out") if c.tied)
    parts = [card.scatter_m(part)[0] for part in ("tapes", "record")]
    assert card.scatter_m("all")[0] <= float(np.hypot(*parts)) + 1e-12
    assert "points: taken as exact" in "\n".join(card_lines(card, METRES, limits))
    told = run("explain", tmp_path / "out", rows[0]["point"]).output
    assert f"Control point {rows[0]['point']} is taken as exact in plan." in told


# ---- more points --------------------------------------------------------------------------


def test_two_tapes_alone_are_said_to_be_unchecked(built: Path) -> None:
    checked = next(card for card in cards_of(built) if len(card.tapes) == 3)
    bare = changed(checked, tapes=checked.tapes[:2], check_sigma_m=float("nan"))
    limits = TieLimits(**LIMITS)
    said = "NOTHING checks these two tapes"
    assert said not in "\n".join(card_lines(checked, METRES, limits))
    assert said in "\n".join(card_lines(bare, METRES, limits))


def test_corners_of_buildings_from_csv_and_layer_are_the_same(built: Path, tmp_path: Path) -> None:
    view = read_record(built / "asbuilt.gpkg", "")
    known = control_of(view)
    table = tmp_path / "corners.csv"
    table.write_text("point,x,y,sigma_h\nSHED,2267050.0,888440.0,0.1\nGATE,2267010.0,888420.0,\n")
    by_csv = with_more(known, table, view)
    assert by_csv.name[-2:] == ("SHED", "GATE")
    assert by_csv.sigma_m[-2:] == pytest.approx([0.1 * 1200 / 3937, 0.05])  # gnss_m when not given
    import geopandas as gpd

    layer = tmp_path / "corners.gpkg"
    places = gpd.points_from_xy([2267050.0, 2267010.0], [888440.0, 888420.0], crs="EPSG:3734")
    frame = gpd.GeoDataFrame({"point": ["SHED", "GATE"]}, geometry=places).to_crs("EPSG:4269")
    pyogrio.write_dataframe(frame, layer)
    by_layer = with_more(known, layer, view)
    assert by_layer.ground_m == pytest.approx(by_csv.ground_m, abs=1e-4)


def test_all_faults_of_a_points_file_are_named(built: Path, tmp_path: Path) -> None:
    view = read_record(built / "asbuilt.gpkg", "")
    table = tmp_path / "corners.csv"
    table.write_text('point,x,y,sigma_h\nFENCE,1,2,\nA,"3,2",2,-1\n,1,2,0\n')
    with pytest.raises(SiteFaultsError) as e:
        with_more(control_of(view), table, view)
    said = [(f.row, f.column) for f in e.value.faults]
    assert said == [(2, "point"), (3, "sigma_h"), (3, "x"), (4, "point")]
    (tmp_path / "bare.csv").write_text("name,x\n")
    with pytest.raises(SiteFaultsError, match="must be"):
        with_more(control_of(view), tmp_path / "bare.csv", view)


# ---- the command ----------------------------------------------------------------------------


def test_a_sigma_of_no_axis_is_asked_which_the_plan_first(built: Path, tmp_path: Path) -> None:
    table = tmp_path / "more.csv"
    table.write_text("point,x,y,sigma\nSHED,2267050,888440,0.1\n")
    done = run("ties", built, "--points", table)
    assert done.exit_code == 2
    assert 'did you mean "sigma_h" or "sigma_v"?' in " ".join(done.output.split())


def test_the_command_writes_text_cards_and_layer(built: Path, tmp_path: Path) -> None:
    cards, layer = tmp_path / "cards.pdf", tmp_path / "tapes.gpkg"
    done = run("ties", built, "-o", cards, "--tapes", layer)
    assert done.exit_code == 0, done.output
    assert "5 of 5 spots tied" in done.output
    assert re.search(r"tape 1 +\S+ +\d+' \d+( \d/\d)?\"", done.output)
    assert "No clearance to dig" in done.output
    assert (
        cards.read_bytes().count(b"/Type /Page ") + cards.read_bytes().count(b"/Type /Page\n") == 2
    )
    frame = pyogrio.read_dataframe(layer, layer="tie_tapes")
    assert len(frame) == 15
    assert [*frame.columns] == [*(c.name for c in contract.load("tie_tapes").field), "geometry"]
    assert frame.crs.to_epsg() == 3734
    grid_m = frame.length.to_numpy() * 1200 / 3937
    assert grid_m == pytest.approx(frame["distance_m"].to_numpy() * (1 + 101.737716e-6), rel=1e-7)
    assert frame["caution"].str.startswith("No clearance to dig").all()
    again = run("ties", built, "-o", cards)
    assert again.exit_code == 2
    assert "--replace" in again.output


def test_cards_of_many_sites_go_into_a_folder_the_same_for_any_workers(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    samples = (ROOT / "sample_sites" / name for name in ("tape-ties", "slope-levels"))
    assert run("build", *samples, "-o", tmp_path / "out").exit_code == 0
    done = run("ties", tmp_path / "out", "-o", tmp_path / "cards", "--paper", "letter")
    words = " ".join(done.output.split())
    tied, spots = map(int, re.search(r"(\d+) of (\d+) spots tied on 2 sites", words).groups())
    assert done.exit_code == (tied < spots)
    assert {p.name for p in (tmp_path / "cards").iterdir()} == {
        "QH-014.pdf", "QH-031.pdf", "manifest.json",
    }  # fmt: skip
    monkeypatch.setattr(documents, "AT_ONCE", 1)  # one is done elsewhere
    again = run("ties", tmp_path / "out", "-o", tmp_path / "again", "--paper", "letter",
                "--workers", 2)  # fmt: skip
    assert again.exit_code == done.exit_code
    for name in ("QH-014.pdf", "QH-031.pdf"):
        assert (tmp_path / "again" / name).read_bytes() == (tmp_path / "cards" / name).read_bytes()
    assert run("ties", tmp_path / "out", "-o", tmp_path / "cards").exit_code == 2  # there already
    one = run("ties", tmp_path / "out", "-o", tmp_path / "more", "--node", "L1/bend-1")
    assert one.exit_code == 2
    assert "of one site" in " ".join(one.output.split())
    assert not (tmp_path / "more").exists()


def test_cards_are_the_same_bytes_every_time(built: Path, tmp_path: Path) -> None:
    for name in ("a.pdf", "b.pdf"):
        assert run("ties", built, "-o", tmp_path / name, "--paper", "letter").exit_code == 0
    assert (tmp_path / "a.pdf").read_bytes() == (tmp_path / "b.pdf").read_bytes()


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="no pdftotext to read a PDF with")
def test_every_card_carries_the_caution_whole(built: Path, tmp_path: Path) -> None:
    assert run("ties", built, "-o", tmp_path / "c.pdf").exit_code == 0
    done = subprocess.run(
        ["pdftotext", "-raw", str(tmp_path / "c.pdf"), "-"],
        capture_output=True,
        text=True,
        check=True,
    )
    words = " ".join(done.stdout.split())
    for part in ("NO CLEARANCE TO DIG", "one-call service", "hand or vacuum", "licensed practice"):
        assert words.count(part) == 5, part


def test_a_layer_for_the_web_is_rfc_7946(built: Path, tmp_path: Path) -> None:
    out = tmp_path / "tapes.geojson"
    assert run("ties", built, "--node", "L1/bend-1", "--tapes", out).exit_code == 0
    made = json.loads(out.read_text())
    assert "crs" not in made
    ends = {tuple(f["geometry"]["coordinates"][1]) for f in made["features"]}
    (spot,) = ends
    nodes = json.loads((built / "geojson" / "pipe_nodes.geojson").read_text())
    (same,) = [
        f["geometry"]["coordinates"]
        for f in nodes["features"]
        if f["properties"]["node_id"] == "L1/bend-1"
    ]
    assert spot == pytest.approx(same[:2], abs=2e-7)


def test_a_spot_that_cannot_be_tied_ends_with_one(built: Path, tmp_path: Path) -> None:
    out = tmp_path / "c.pdf"
    done = run("ties", built, "--longest", "2 m", "-o", out)
    assert done.exit_code == 1
    assert "cannot be tied: no points within the longest tape" in done.output
    assert not out.exists()
    flat = run("ties", built, "--node", "L1/bend-1", "--flattest", "85")
    assert flat.exit_code == 1
    assert "at best" in flat.output


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--line", "L1"), "go together"),
        (("--line", "L1", "--at", "x"), "must be a length"),
        (("--units", "yd"), "must be one of"),
        (("--paper", "A3"), "must be A4 or letter"),
        (("-o", "c.png"), "end in .pdf"),
        (("--tapes", "c.shp"), "ends in"),
        (("--node", "N9"), "no node 'N9'"),
    ],
)
def test_wrong_arguments_are_explained(built: Path, arguments: tuple[str, ...], said: str) -> None:
    done = run("ties", built, *arguments)
    assert done.exit_code == 2
    assert said in " ".join(done.output.split())


def test_a_sketch_is_tied_on_its_own_axes(tmp_path: Path) -> None:
    out = tmp_path / "out"
    run("build", ROOT / "sample_sites" / "local-sketch", "-o", out, "-q")
    done = run("ties", out, "--tapes", tmp_path / "t.gpkg")
    assert done.exit_code == 0, done.output
    refused = run("ties", out, "--tapes", tmp_path / "t.geojson")
    assert refused.exit_code == 2
    assert "sketch" in refused.output
