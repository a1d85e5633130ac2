"""Stops whose counter nobody read: placed, ordered and linked all the same, and said once."""

from __future__ import annotations

import csv
from pathlib import Path
from shutil import copytree

import numpy as np
import pytest

import lateralline
from lateralline.link.order import order_points
from lateralline.settings import Run
from tests.link.test_paths import STRAIGHT, points
from tests.support.places import SAMPLES


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
    with (site / "stops.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    for row in rows:
        if row["run"] == "R1" and (bare is None or row["stop"] in bare):
            row["counter"] = "?"
    with (site / "stops.csv").open("w", encoding="utf-8", newline="") as file:
        out = csv.DictWriter(file, list(rows[0]))
        out.writeheader()
        out.writerows(rows)
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
