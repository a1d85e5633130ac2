"""Where a line meets the main: by the counter of the run that reached it."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

import lateralline
from lateralline.errors import SiteFaultsError
from tests.support.places import SAMPLES


def site_with(tmp_path: Path, keys: str) -> Path:
    site = tmp_path / "site"
    shutil.copytree(SAMPLES / "gnss-bend-branch", site)
    text = (site / "site.toml").read_text()
    (site / "site.toml").write_text(text.replace('entry = "CO1"', f'entry = "CO1"\n{keys}'))
    return site


def test_a_run_that_reached_the_main_ends_its_line_in_a_connection(tmp_path: Path) -> None:
    """0.35 m of lag and 0.20 m more past the last stop: the counter carries to the main."""
    with (SAMPLES / "gnss-bend-branch" / "stops.csv").open() as file:
        (last,) = (float(row.split(",")[2]) for row in file if row.startswith("R1,9,"))
    keys = f'main = "S-114"\ncounter_at_main = {last + 0.20:.2f}'
    record = lateralline.build(site_with(tmp_path, keys))
    nodes = record.layers["pipe_nodes"].set_index("node_id")
    node = nodes.loc["L1/connection-1"]
    assert (node["kind"], node["ref"], node["placed_by"]) == ("connection", "S-114", "carried_on")
    assert node["chainage_m"] == pytest.approx(-0.55, abs=0.02)
    before = lateralline.build(SAMPLES / "gnss-bend-branch").layers["pipe_nodes"]
    assert set(before["node_id"]) == set(nodes.index) - {"L1/connection-1"}


@pytest.mark.parametrize(
    ("keys", "column"), [('main = "S-114"', "counter_at_main"), ("counter_at_main = 9", "main")]
)
def test_the_main_and_its_counter_come_together(tmp_path: Path, keys: str, column: str) -> None:
    with pytest.raises(SiteFaultsError) as broken:
        lateralline.read(site_with(tmp_path, keys))
    assert [(f.file, f.column.rpartition(" ")[2]) for f in broken.value.faults] == [
        ("site.toml", column)
    ]
