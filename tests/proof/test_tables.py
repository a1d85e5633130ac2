"""The tables that stand in files are those that the commands make."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from typer.testing import CliRunner

from lateralline.api.evidence import world_cases
from lateralline.cli import app

HERE = Path(__file__).parent
SMALL = {
    "small-stops.md": ("prove", "stops", "--stops", "200"),
    "small-lines.md": ("prove", "lines", "--lines", "6"),
    "small-world.md": ("prove", "world", "--lines", "3", "--only", "none", "--only", "sweeps",
                       "--only", "held", "--only", "one-end-last"),
}  # fmt: skip


@pytest.mark.parametrize("name", SMALL)
def test_the_small_tables_are_what_their_command_makes(name: str) -> None:
    """Digit by digit; `lateralline prove … > tests/proof/NAME` makes them anew.

    No bound is missed: fewer stops and lines widen the bounds by chance.
    """
    made = CliRunner().invoke(app, SMALL[name])
    assert made.stdout == (HERE / name).read_text(encoding="utf-8")
    assert made.exit_code == 0


def test_the_full_tables_hold_every_bound() -> None:
    """PROOF.md keeps the tables of full size between their marks; of the world every case."""
    text = (HERE / "PROOF.md").read_text(encoding="utf-8")
    for name, rows in (
        ("prove stops", 25),
        ("prove lines", 60),
        ("prove world", 170),
        ("prove register", 14),
        ("bench", 5),
    ):
        held = text.split(f"<!-- {name} -->")[1].split(f"<!-- /{name} -->")[0]
        assert held.count("\n|") >= rows, name
        assert not re.findall(r"^\| .*\| +missed +\|$", held, re.M), name
        for case in world_cases() if name == "prove world" else ():
            assert held.count(f"\n| {case} ") >= 3, case
