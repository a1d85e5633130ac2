"""Exposures from real site folders: known levels, two at one place, wrong ones named with size.

Every site here is simulated with known truth; what is planted is the whole of what is wrong.
"""

from __future__ import annotations

import csv
import json
import re
import shutil
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from lateralline.cli import app
from lateralline.findings import Finding
from lateralline.records import Line, Product
from lateralline.settings import Run, bare_settings, standard_accuracy
from lateralline.simulate.additions import with_node
from lateralline.simulate.sheet import files_of, write_files
from lateralline.simulate.survey import survey
from lateralline.simulate.truth import Crew, Opening, TrueGround, TrueLine, TrueRun, Truth
from lateralline.stages import SiteFailure, SiteResult, run_site
from lateralline.wording import plain
from tests.support.finding_names import called
from tests.support.places import SAMPLES

GROUND = TrueGround(142.0, grade_east=0.01, grade_north=-0.01)
R1 = TrueRun("R1", "L1", "CO1", "with", tuple(np.arange(1.5, 29.5, 2.7)))
Row = dict[str, str]


@dataclass
class Built:
    """A site that went through every stage up to derive."""

    result: SiteResult

    @property
    def findings(self) -> tuple[Finding, ...]:
        return self.result.findings

    def line(self, name: str = "L1") -> Line:
        return next(x for x in self.result.work["linked"].lines if x.line == name)

    def layer(self, name: str) -> Product:
        return next(p for p in self.result.work["products"] if p.layer == name)

    def nodes(self) -> list[dict[str, object]]:
        columns = self.layer("pipe_nodes").columns
        return [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)]

    def node(self, ref: str) -> dict[str, object]:
        return next(n for n in self.nodes() if n["ref"] == ref)

    def said(self, code: str) -> list[Finding]:
        return [f for f in self.findings if called(f) == code]

    def errors(self) -> list[str]:
        """Errors about what was measured; the frame's are not looked at here."""
        return [called(f) for f in self.findings if f.severity == "error" and f.stage == "link"]


def built(folder: Path) -> Built:
    result = run_site(folder, until="derive")
    assert not isinstance(result, SiteFailure), result
    return Built(result)


def pipe(turn_deg: float = 45.0, *, test_hole: float = 6.0) -> TrueLine:
    """30 m of DN110 1.2 m deep or so, turning at 12 m, with a node for a test hole before that."""
    ways = np.radians([20.0, 20.0 + turn_deg])
    steps = np.column_stack([np.sin(ways), np.cos(ways)]) * [[12.0], [18.0]]
    plan = np.concatenate([np.zeros((1, 2)), np.cumsum(steps, axis=0)])
    level = GROUND.level(*plan[0]) - 1.5 + 0.02 * np.array([0.0, 12.0, 30.0])
    line = TrueLine("L1", np.column_stack([plan, level]), ("MAIN", "", "CO1"), nominal="DN110 SN4")
    return with_node(line, test_hole, "TH1")


def made(
    folder: Path,
    *,
    seed: int = 5,
    lines: Sequence[TrueLine] = (),
    runs: Sequence[TrueRun] = (R1,),
    openings: Sequence[Opening] = (),
    levels: bool = True,
) -> Path:
    """A GNSS site without control, surveyed with the accuracies it states."""
    truth = Truth(
        "EX-1",
        "Exposures",
        "EPSG:32617",
        "EPSG:5703" if levels else "none",
        (467_200.0, 4_661_000.0),
        GROUND,
        tuple(lines) or (pipe(),),
        tuple(runs),
        Crew(kinds=("end_null", "mid_null", "peak_axial"), levels=levels),
        openings=tuple(openings),
    )
    site = survey(np.random.default_rng(seed), truth, standard_accuracy())
    write_files(folder, files_of(site))
    return folder


TEST_HOLE = Opening("TH1", "R1", "TH1", "gnss")


def edit(folder: Path, table: str, change: Callable[[list[Row]], list[Row]]) -> None:
    """Rewrite a table of a site; columns come and go with its rows."""
    file = folder / f"{table}.csv"
    rows: list[Row] = []
    if file.exists():
        with file.open(newline="", encoding="utf-8") as source:
            rows = list(csv.DictReader(source))
    rows = change(rows)
    columns = list(dict.fromkeys(c for row in rows for c in row))
    with file.open("w", newline="", encoding="utf-8") as target:
        writer = csv.DictWriter(target, columns, restval="")
        writer.writeheader()
        writer.writerows(rows)


def truth_of(folder: Path) -> dict[tuple[str, str], dict[str, float]]:
    """What is true of each stop."""
    stops = json.loads((folder / "truth.json").read_text(encoding="utf-8"))["stops"]
    return {(s["run"], s["stop"]): s for s in stops}


def copied(site: str, folder: Path) -> Path:
    shutil.copytree(SAMPLES / site, folder)
    return folder


# ---- a level known at a counter ----------------------------------------------------------------


def add_level(folder: Path, stop: str, *, off_m: float = 0.0, sigma: str = "0.01") -> None:
    """Add the transmitter's true level at a stop's counter, as known from another record."""
    with (folder / "stops.csv").open(newline="", encoding="utf-8") as source:
        counter = next(r for r in csv.DictReader(source) if r["stop"] == stop)["counter"]
    z = truth_of(folder)["R1", stop]["level_m"] + off_m
    row = {"name": "N1", "run": "R1", "counter": counter, "method": "level", "z": f"{z:.3f}"}
    more = {"measured_to": "transmitter", "sigma": sigma}
    edit(folder, "exposures", lambda rows: [*rows, row | more])


@pytest.mark.parametrize(
    ("site", "without"),
    [
        ("slope-levels", ()),  # taped from control, an exposure beside it
        ("slope-levels", ("exposures.csv", "photos.csv")),
        ("gnss-bend-branch", ()),  # GNSS, no control.csv, a branch
    ],
)
def test_a_known_level_works_in_every_kind_of_site(
    site: str, without: tuple[str, ...], tmp_path: Path
) -> None:
    """It is read, used, and pulls the line to it; σ there is no more than the level's own."""
    folder = copied(site, tmp_path / "site")
    for name in without:
        (folder / name).unlink()
    before = built(folder)
    add_level(folder, "5")
    after = built(folder)
    assert after.errors() == before.errors() == []

    def level(b: Built) -> tuple[float, float]:
        line = b.line()
        at = line.ref.tolist().index("R1/5")
        return float(line.xyz_m[at, 2]), float(np.sqrt(line.cov_m2[at, 2, 2]))

    true = truth_of(folder)["R1", "5"]["level_m"]
    assert level(after)[1] < 0.5 * level(before)[1]
    assert level(after)[1] < 0.03
    assert abs(level(after)[0] - true) < 2 * level(after)[1]


@pytest.mark.parametrize("site", ["slope-levels", "gnss-bend-branch"])
def test_a_wrong_known_level_is_named_with_its_size(site: str, tmp_path: Path) -> None:
    folder = copied(site, tmp_path / "site")
    add_level(folder, "5", off_m=0.5)
    after = built(folder)
    assert after.errors() == ["blunder"]
    said = after.said("blunder")[0]
    assert said.subject == "exposure N1"
    assert said.what.startswith("level contradicts")
    size, sigma = (float(str(said.values[name])) for name in ("off_m", "sigma_m"))
    assert said.by_how_much.startswith(f"{size:+.2f}\xa0m ± {1.96 * sigma:.2f}\xa0m")
    assert 0.02 < sigma < 0.12
    assert abs(size - 0.5) < 2.6 * sigma
    assert "known" not in said.what_to_do
    assert "the counter" in said.what_to_do


def test_known_levels_and_a_seen_pipe_hold_a_line_together(tmp_path: Path) -> None:
    """Mixed: an exposure in plan and level, and a level at a counter elsewhere."""
    folder = made(tmp_path / "site", openings=[TEST_HOLE])
    add_level(folder, "4")
    found = built(folder)
    assert found.errors() == []
    true = truth_of(folder)
    line = found.line()
    off = [
        line.xyz_m[i, 2] - true["R1", ref.split("/")[1]]["level_m"]
        for i, ref in enumerate(line.ref.tolist())
        if ref.startswith("R1/")
    ]
    assert np.abs(off).max() < 0.10


def test_a_level_says_nothing_where_no_ground_has_one(tmp_path: Path) -> None:
    """Ground taken as flat at 0 lies 140 m off by no error of the level's."""
    folder = made(tmp_path / "site", levels=False)
    row = {"name": "N1", "run": "R1", "line": "", "counter": "10.00", "method": "level"}
    more = {"z": "140.60", "measured_to": "invert"}
    edit(folder, "exposures", lambda rows: [row | more])
    found = built(folder)
    assert found.errors() == []
    assert [f.subject for f in found.said("level-missing/nothing-to-hold-against")] == [
        "exposure N1"
    ]
    assert {n["level_datum"] for n in found.nodes()} == {"depths only"}


# ---- two exposures at one place ----------------------------------------------------------------


def twice(
    folder: Path, *, east: float = 0.0, deeper: float = 0.0, name: str = "TH2", sigma: str = "0.02"
) -> None:
    """A second exposure where the first is, off by so much."""

    def change(rows: list[Row]) -> list[Row]:
        first = rows[0] | {"sigma_h": sigma, "sigma_v": sigma, "sigma": sigma}
        moved = {
            "name": name,
            "x": f"{float(first['x']) + east:.3f}",
            "depth": f"{float(first['depth']) + deeper:.3f}",
        }
        return [first, first | moved]

    edit(folder, "exposures", change)


def name_counter(folder: Path, counter: float) -> None:
    edit(folder, "exposures", lambda rows: [r | {"counter": f"{counter:.2f}"} for r in rows])


def test_two_exposures_that_agree_are_used_together(tmp_path: Path) -> None:
    folder = made(tmp_path / "site", openings=[TEST_HOLE])
    one = built(folder).line()
    twice(folder, east=0.01, deeper=0.01)
    name_counter(folder, 24.0)
    both = built(folder)
    assert both.errors() == []
    assert [f.subject for f in both.said("exposure-duplicate")] == ["exposure TH2"]
    line = both.line()
    assert [r for r in line.ref.tolist() if r.startswith("TH")] == ["TH1"]
    at, was = line.ref.tolist().index("TH1"), one.ref.tolist().index("TH1")
    assert np.sqrt(line.cov_m2[at, 2, 2]) < 0.8 * np.sqrt(one.cov_m2[was, 2, 2])


@pytest.mark.parametrize(("east", "deeper"), [(1.5, 0.6), (0.0, 0.5), (0.8, 0.0)])
def test_two_exposures_that_contradict_each_other_are_both_named(
    east: float, deeper: float, tmp_path: Path
) -> None:
    folder = made(tmp_path / "site", openings=[TEST_HOLE])
    name_counter(folder, 24.0)
    alone = built(folder).node("TH1")
    assert alone["pas128_band"] != "A"  # 2 cm each way is 5 cm at 95 %, and level 3 cm more
    twice(folder, east=east, deeper=deeper, sigma="0.005")
    found = built(folder)
    said = found.said("exposure-disagrees/exposure")
    assert [f.subject for f in said] == ["exposure TH1", "exposure TH2"]
    assert {f.severity for f in said} == {"error"}
    assert f"{east:.2f}\xa0m ±" in said[0].by_how_much
    assert f"{0.0 - deeper:+.2f}\xa0m ±" in said[0].by_how_much
    node = found.node("TH1")
    assert node["pas128_band"] != "A"
    assert node["as5488_band"] != "A"
    assert "not exposed" in str(node["pas128_rule"])
    line = found.line()
    at = line.ref.tolist().index("TH1")
    widest = np.linalg.eigvalsh(line.cov_m2[at])[-1]
    assert np.sqrt(widest) > 0.03  # as far as the stops beside tell, not the 5 mm of either
    # it holds the one that is right, which is the first; that is itself good to 2 cm each way
    right = found.result.work["placed"].exposures.xyz_m[0] + [0.0, 0.0, R1.ride_height_m]
    off = line.xyz_m[at] - right
    assert off @ np.linalg.solve(line.cov_m2[at] + 0.02**2 * np.eye(3), off) < 16.3


@pytest.mark.parametrize("apart", [0.08, 0.15, 0.30])
def test_exposures_nearly_at_one_counter_contradict_each_other_too(
    apart: float, tmp_path: Path
) -> None:
    """A metre and a half apart in plan, by a cable that went 8 to 30 cm."""
    folder = made(tmp_path / "site", openings=[TEST_HOLE])
    twice(folder, east=1.5, deeper=0.6, sigma="0.005")
    edit(
        folder,
        "exposures",
        lambda rows: [r | {"counter": f"{24.0 + apart * (r['name'] == 'TH2'):.2f}"} for r in rows],
    )
    found = built(folder)
    assert found.errors() == ["exposure-disagrees/exposure"] * 2
    assert [n["pas128_band"] for n in found.nodes() if n["ref"] in ("TH1", "TH2")] == ["B1"]


def test_added_exposures_keep_the_names_and_contradict_by_name(tmp_path: Path) -> None:
    """Added to a record without counters, 8 cm apart in plan and 0.45 m in level."""
    folder, added = copied("gnss-bend-branch", tmp_path / "site"), tmp_path / "dug"
    added.mkdir()
    at = {
        "line": "L1",
        "method": "gnss",
        "y": "4660994.746",
        "z": "142.011",
        "sigma_h": "0.02",
        "sigma_v": "0.03",
        "measured_to": "invert",
        "sigma": "0.02",
    }
    edit(
        added,
        "exposures",
        lambda rows: [
            {"name": "TH1", "x": "467198.076", "depth": "1.26"} | at,
            {"name": "TH2", "x": "467198.156", "depth": "0.81"} | at,
        ],
    )
    out = tmp_path / "new"
    told = CliRunner().invoke(app, ["update", str(folder), str(added), "-o", str(out)])
    assert told.exit_code == 1, told.output
    found = built(out)
    assert [f.subject for f in found.said("exposure-disagrees/exposure")] == [
        "exposure TH1",
        "exposure TH2",
    ]
    assert found.node("TH1")["kind"] == "exposure"
    ends = found.layer("pipe_segments").columns
    assert "TH1" in list(ends["to_ref"]) + list(ends["from_ref"])
    assert {"TH1", "TH2"} <= set(re.findall(r"TH\d", told.output))


def test_one_exposure_as_sure_is_band_a_and_a_contradicted_one_is_not(tmp_path: Path) -> None:
    """The test above can fail: the same figures uncontradicted do make the tightest band."""
    folder = made(tmp_path / "site", openings=[TEST_HOLE])
    twice(folder, sigma="0.005")
    name_counter(folder, 24.0)
    edit(folder, "exposures", lambda rows: rows[:1])
    assert built(folder).node("TH1")["pas128_band"] == "A"


def test_an_entry_seen_twice_keeps_its_name_everywhere(tmp_path: Path) -> None:
    """Node and segment end carry one name, the entry's, whichever row comes first."""
    folder = made(tmp_path / "site", openings=[Opening("CO1", "R1", "CO1", "gnss")])
    edit(folder, "exposures", lambda rows: [r | {"counter": "0.00"} for r in rows])
    twice(folder, east=0.8, deeper=0.5, name="TH9")
    edit(folder, "exposures", lambda rows: rows[::-1])
    found = built(folder)
    assert {f.subject for f in found.said("exposure-disagrees/exposure")} == {
        "exposure CO1",
        "exposure TH9",
    }
    ends = found.layer("pipe_segments").columns
    assert "CO1" in list(ends["to_ref"]) + list(ends["from_ref"])
    assert "TH9" not in list(ends["to_ref"]) + list(ends["from_ref"])
    assert [n["kind"] for n in found.nodes() if n["ref"] == "CO1"] == ["entry"]


# ---- how large a wrong exposure is -------------------------------------------------------------


def test_a_wrong_exposure_is_sized_across_the_line_when_no_counter_tells_along(
    tmp_path: Path,
) -> None:
    """0.60 m towards 110°, at right angles to a pipe that runs at 20°, over ten surveys.

    Size and σ must fit: the ten standardised errors are no wider than chance (χ², 99.9 %).
    """
    off = 0.60 * np.array([np.sin(np.radians(110.0)), np.cos(np.radians(110.0))])
    errors = []
    for seed in range(10):
        folder = made(tmp_path / str(seed), seed=seed, openings=[TEST_HOLE])
        edit(
            folder,
            "exposures",
            lambda rows: [
                r | {"x": f"{float(r['x']) + off[0]:.3f}", "y": f"{float(r['y']) + off[1]:.3f}"}
                for r in rows
            ],
        )
        said = [f for f in built(folder).said("blunder") if f.subject == "exposure TH1"]
        assert len(said) == 1, seed
        told = re.match(
            r"(\d\.\d\d) m ± (\d\.\d\d) m across the line towards (\d+)°, along the line unknown",
            plain(said[0].by_how_much),
        )
        assert told, said[0].by_how_much
        size, half, towards = (float(x) for x in told.groups())
        sigma = half / 1.96
        assert abs(towards - 110.0) < 8.0
        errors.append((size - 0.60) / sigma)
    assert np.square(errors).sum() < 29.6
    assert np.square(errors).sum() > 1.5  # nor is σ put so wide that nothing could be wrong


# ---- counters that cannot be -------------------------------------------------------------------


def misread(folder: Path, read: Callable[[float], float], *, stop: str = "") -> None:
    """Write another reading for one stop, or for all."""

    def change(rows: list[Row]) -> list[Row]:
        return [
            r if stop and r["stop"] != stop else r | {"counter": f"{read(float(r['counter'])):.2f}"}
            for r in rows
        ]

    edit(folder, "stops", change)


def assert_drawn_as_it_lies(found: Built, true_m: float) -> None:
    """The line is as long as it is, in order, with its one bend, and under the ground."""
    line = found.line()
    assert abs(np.linalg.norm(np.diff(line.xyz_m, axis=0), axis=1).sum() - true_m) < 0.3
    stops = [r.split("/")[1] for r in line.ref.tolist() if r.startswith("R1/")]
    assert stops == sorted(stops, key=int, reverse=True)
    turns = np.degrees([t for s in line.stretches for t in s.bend_rad])
    assert turns.tolist() == pytest.approx([45.0], abs=6.0)
    assert min(float(str(n["cover_m"])) for n in found.nodes()) > 0.5


@pytest.mark.parametrize("factor", [10.0, 0.1, 1 / 0.3048])
@pytest.mark.parametrize("stop", ["1", "5", "11"])
def test_one_reading_off_by_a_factor_is_named_and_moves_nothing(
    factor: float, stop: str, tmp_path: Path
) -> None:
    folder = made(tmp_path / "site")
    misread(folder, lambda c: c * factor, stop=stop)
    found = built(folder)
    assert_drawn_as_it_lies(found, 27.0)
    errors = [f for f in found.findings if f.severity == "error" and f.stage == "link"]
    assert [f.subject for f in errors] == [f"stop R1/{stop}"]
    if (factor, stop) == (0.1, "1"):  # before the next by more: that the adjustment finds
        assert called(errors[0]) == "blunder"
        return
    assert called(errors[0]) == "counter-wrong/reading"
    slip = {10.0: "ten times too large", 0.1: "ten times too small"}.get(factor, "feet taken for")
    assert slip in errors[0].what


@pytest.mark.parametrize(
    ("factor", "slip"),
    [
        (10.0, "ten times too large"),
        (0.1, "ten times too small"),
        (1 / 0.3048, "feet taken for metres"),
        (0.3048, "metres taken for feet"),
        (1.25, ""),
    ],
)
def test_all_readings_off_by_a_factor_give_the_order_and_no_length(
    factor: float, slip: str, tmp_path: Path
) -> None:
    folder = made(tmp_path / "site")
    misread(folder, lambda c: c * factor)
    found = built(folder)
    assert_drawn_as_it_lies(found, 27.0)
    assert found.errors() == ["unit-wrong/counter"]
    said = found.said("unit-wrong/counter")[0]
    assert said.subject == "run R1"
    assert slip in said.what
    told = re.match(r"counted ([\d.]+) times", said.by_how_much)
    assert told
    assert float(told[1]) == pytest.approx(factor, rel=0.05)


def test_a_counter_set_anew_is_told_once(tmp_path: Path) -> None:
    folder = made(tmp_path / "site")
    edit(
        folder,
        "stops",
        lambda rows: [
            r | {"counter": f"{float(r['counter']) - 10.0 * (int(r['stop']) > 5):.2f}"}
            for r in rows
        ],
    )
    found = built(folder)
    assert_drawn_as_it_lies(found, 27.0)
    assert found.errors() == ["counter-wrong/jump"]
    assert "stop R1/1, stop R1/2" in found.said("counter-wrong/jump")[0].what


@pytest.mark.parametrize("factor", [10.0, 1 / 0.3048])
def test_two_stops_whose_counter_contradicts_them_are_drawn_by_their_marks(
    factor: float, tmp_path: Path
) -> None:
    folder = made(tmp_path / "site", runs=[TrueRun("R1", "L1", "CO1", "with", (5.0, 7.7))])
    misread(folder, lambda c: c * factor, stop="2")
    found = built(folder)
    assert found.errors() == ["counter-wrong/contradiction"]
    assert abs(np.linalg.norm(np.diff(found.line().xyz_m, axis=0), axis=1).sum() - 2.7) < 0.3


def test_true_counters_are_let_be(tmp_path: Path) -> None:
    """Two right angles close to each other, slack and all: no reading is called impossible."""
    for seed in range(6):
        runs = [R1, TrueRun("R2", "L1", "MAIN", "against", tuple(np.arange(1.0, 29.0, 3.1)))]
        found = built(made(tmp_path / str(seed), seed=seed, lines=[pipe(90.0)], runs=runs))
        assert not {called(f) for f in found.findings if f.code.startswith("counter-")}


# ---- where a branch joins ----------------------------------------------------------------------


def joined(folder: Path, *, off_m: float = 0.0, last_m: float = 1.2, seed: int = 4) -> Path:
    """A main of 26 m, and a branch of 12 m that joins it at 9 m under 60°, its last stop near."""
    way = np.radians([20.0, 20.0 - 60.0])
    unit = np.column_stack([np.sin(way), np.cos(way)])
    plan = np.array([0.0, 9.0, 26.0])[:, None] * unit[0]
    level = GROUND.level(0.0, 0.0) - 1.9 + 0.02 * np.array([0.0, 9.0, 26.0])
    main = TrueLine(
        "L1", np.column_stack([plan, level]), ("MAIN", "J1", "CO1"), nominal="DN160 SN4"
    )
    start = main.axis_m[1]
    end = np.array([*(start[:2] + 12.0 * unit[1]), start[2] + 0.3])
    branch = TrueLine("L2", np.array([start, end]), ("J1", "CO2"), nominal="DN110 SN4", joins="L1")
    stops = branch.length_m - last_m - 2.4 * np.arange(4)[::-1]
    runs = [
        TrueRun("R1", "L1", "CO1", "with", tuple(np.arange(1.2, 25.5, 2.7))),
        TrueRun("R2", "L2", "CO2", "with", tuple(stops)),
    ]
    made(folder, seed=seed, lines=[main, branch], runs=runs)
    file = folder / "site.toml"
    text = file.read_text(encoding="utf-8")
    counter = re.search(r"at_counter = ([\d.]+)", text)
    assert counter
    wrong = f"at_counter = {float(counter[1]) + off_m:.2f}"
    file.write_text(text.replace(counter[0], wrong), encoding="utf-8")
    return folder


@pytest.mark.parametrize("off_m", [2.0, -1.5])
@pytest.mark.parametrize("last_m", [0.8, 2.0])
def test_a_branch_joined_at_a_wrong_counter_is_named_and_bends_nowhere(
    off_m: float, last_m: float, tmp_path: Path
) -> None:
    right = built(joined(tmp_path / "right", last_m=last_m))
    assert right.errors() == []
    assert not right.said("junction-doubtful/contradiction")
    wrong = built(joined(tmp_path / "wrong", off_m=off_m, last_m=last_m))
    assert wrong.errors() == ["junction-doubtful/contradiction"]
    said = wrong.said("junction-doubtful/contradiction")[0]
    assert said.subject == "line L2"
    size, sigma = (float(str(said.values[name])) for name in ("apart_m", "sigma_m"))
    assert said.by_how_much.startswith(f"{size:.2f}\xa0m ± {1.96 * sigma:.2f}\xa0m")
    assert abs(size - abs(off_m)) < 2.6 * sigma
    branch = wrong.line("L2")
    assert branch.stretches[0].shape == "undecided"
    assert not [t for s in branch.stretches for t in s.bend_rad]
    moved = np.hypot(*(branch.xyz_m[0] - right.line("L2").xyz_m[0])[:2])
    along = np.sqrt(np.linalg.eigvalsh(branch.cov_m2[0][:2, :2])[-1])
    assert moved < 0.3  # where the branch leads, which is where it is
    assert 1.9 * along > abs(off_m) - 0.3  # and unsure by as much as the two are apart


@pytest.mark.parametrize("off_m", [0.6, -0.6])
def test_no_wrong_counter_of_a_branch_passes_in_silence(off_m: float, tmp_path: Path) -> None:
    """Six tenths of a metre is what the last direction can tell from a metre away."""
    found = built(joined(tmp_path / "site", off_m=off_m, last_m=0.8))
    assert [f.subject for f in found.said("junction-doubtful/contradiction")] == ["line L2"]


def test_a_bend_towards_a_lone_exposure_is_not_called_decided(tmp_path: Path) -> None:
    """At the end of a line, without counter: 0.6 m aside is a bend as well as a wrong hole."""
    folder = made(tmp_path / "site", lines=[pipe(test_hole=0.3)], openings=[TEST_HOLE])
    assert [s.shape for s in built(folder).line().stretches].count("bend") == 1
    edit(
        folder,
        "exposures",
        lambda rows: [r | {"x": f"{float(r['x']) + 0.6:.3f}"} for r in rows],
    )
    found = built(folder)
    assert found.line().stretches[0].shape == "undecided"
    said = found.said("shape-undecided/bend")
    assert [f.subject for f in said] == ["line L1"]
    assert "exposure TH1" in said[0].what
    assert re.match(r"\d+° ± \d+°", said[0].by_how_much)


def test_where_no_run_is_told_the_ride_height_is_the_mean_of_the_lines_runs() -> None:
    """Of a crew's skids of 0.02 and 0.04 m on one line, and none on another."""
    one, other = (
        Run(name, "L1", "CO1", 0.0, "against", 0.3, ride)
        for name, ride in (("R1", 0.02), ("R2", 0.04))
    )
    settings = replace(bare_settings(), runs=(one, other))
    assert settings.ride_height_m("L1", "R2") == 0.04
    assert settings.ride_height_m("L1") == pytest.approx(0.03)
    assert settings.ride_height_m("L9") == 0.0
