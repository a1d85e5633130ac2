"""Stops whose counter nobody read: placed, ordered and linked all the same, and said once."""

from __future__ import annotations

import csv
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from shutil import copytree

import numpy as np
import pytest

import lateralline
from lateralline.link.lengths import impossible_lengths
from lateralline.link.order import order_points
from lateralline.settings import Run
from tests.link.test_paths import ACCURACY, STRAIGHT, points
from tests.support.places import SAMPLES


def rewrite(
    table: Path, column: str, stops: Sequence[str] | None, change: Callable[[str], str]
) -> None:
    """Change a cell of some stops of run R1, or of all."""
    with table.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    for row in rows:
        if row["run"] == "R1" and (stops is None or row["stop"] in stops):
            row[column] = change(row[column])
    with table.open("w", encoding="utf-8", newline="") as file:
        out = csv.DictWriter(file, list(rows[0]))
        out.writeheader()
        out.writerows(rows)


def order_of(record: lateralline.Record, line: str) -> list[str]:
    nodes = record.layers["transmitter_fixes"]
    here = nodes[nodes["line_id"] == line].sort_values("chainage_m")
    return [str(s) for s in here["stop_id"]]


@pytest.mark.parametrize("bare", [("3", "5", "6"), None], ids=["three", "all"])
def test_stops_without_counters_keep_their_place_in_the_line(
    tmp_path: Path, bare: tuple[str, ...] | None
) -> None:
    """Of run R1, three stops or all: the line runs through the same stops in the same order."""
    whole = lateralline.build(lateralline.read(SAMPLES / "gnss-bend-branch"))
    site = copytree(SAMPLES / "gnss-bend-branch", tmp_path / "site")
    rewrite(site / "stops.csv", "counter", bare, lambda _: "?")
    record = lateralline.build(lateralline.read(site))
    assert order_of(record, "L1") == order_of(whole, "L1")
    (said,) = [f for f in record.findings if f.code == "counter-missing"]
    assert (said.subject, said.by_how_much[0]) == ("run R1", "9" if bare is None else "3")
    assert f"{9 if bare is None else 3} of 9 stops" in said.message


@pytest.mark.parametrize("flow", ["with", "against"])
def test_a_run_without_any_counter_is_ordered_by_its_rows(flow: str) -> None:
    """Upstream as its flow says."""
    run = Run("R1", "L1", "CO1", 0.0, flow, 0.0, 0.03)
    ordered, findings = order_points("L1", points(STRAIGHT, counted=False), [run])
    names = [p.ref for p in ordered]
    assert findings == []
    assert names == sorted(names, reverse=run.upstream_sign < 0)
    assert np.isfinite([p.xyz_m for p in ordered]).all()


@pytest.mark.parametrize(("aside_m", "named"), [(0.0, False), (0.3, False), (1.5, True)])
def test_a_stop_without_counter_lies_no_farther_aside_than_the_cable_beside_it(
    aside_m: float, named: bool
) -> None:
    """By Pythagoras: over 1.5 m aside of two legs of 2 m the way is 5 m, and 4 m were counted."""
    line = points(STRAIGHT)
    line[3] = replace(line[3], xyz_m=line[3].xyz_m + np.array([aside_m, 0.0, 0.0]), readings={})
    found, _ = impossible_lengths(line, [], ACCURACY)
    accused = [("counter-wrong/detour", "stop R1/3")] if named else []
    assert [(f.name, f.subject) for f in found] == accused
    for f in found:
        assert f.about == ("stop R1/2", "stop R1/4")
        assert f.values["excess_m"] == pytest.approx(1.0, abs=0.01)
        assert f.denies


def test_stops_without_counter_are_not_accused_of_their_noise() -> None:
    """Of 300 straight lines whose every other counter is missing, at most two."""
    told = 0
    for seed in range(300):
        line = points(STRAIGHT, seed=seed)
        bare = [replace(p, readings={}) if i in (1, 3, 4) else p for i, p in enumerate(line)]
        told += bool(impossible_lengths(bare, [], ACCURACY)[0])
    assert told <= 2


def test_a_tape_misread_at_a_stop_without_counter_is_named(tmp_path: Path) -> None:
    """Half as far again beside the pipe as the cable between both neighbours allows."""
    site = copytree(SAMPLES / "gnss-bend-branch", tmp_path / "site")
    rewrite(site / "stops.csv", "counter", ["3"], lambda _: "")
    rewrite(site / "marks.csv", "x", ["3"], lambda x: f"{float(x) + 3.0:.3f}")
    record = lateralline.build(lateralline.read(site))
    errors = [f for f in record.findings if f.severity == "error"]
    assert [f.subject for f in errors] == ["stop R1/3"]
