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


def test_the_full_tables_hold_every_bound_but_one_that_is_told() -> None:
    """PROOF.md keeps the tables of full size between their marks."""
    text = (HERE / "PROOF.md").read_text(encoding="utf-8")
    for name, rows in (
        ("prove stops", 25),
        ("prove lines", 60),
        ("prove register", 14),
        ("bench", 5),
    ):
        held = text.split(f"<!-- {name} -->")[1].split(f"<!-- /{name} -->")[0]
        assert held.count("\n|") >= rows, name
        missed = re.findall(r"^\| (\S.*?) +\| +(\S.*?) +\|.*\| +missed +\|$", held, re.M)
        assert missed == ([("blunders", "of 0.5 m, named")] if name == "prove lines" else []), name
    assert "What is missed is the share of blunders named: 94.5 %" in text


def test_the_table_of_the_world_has_every_case_and_tells_what_it_misses() -> None:
    """Of each case: what corridors held, what was said, which bounds it keeps.

    No bound on what people dig by is missed; what else is, is counted and told below the table.
    """
    text = (HERE / "PROOF.md").read_text(encoding="utf-8")
    head, _, rest = text.partition("<!-- prove world -->")
    held, _, below = rest.partition("<!-- /prove world -->")
    told = below.partition("Made by")[0]
    for name in world_cases():
        assert held.count(f"\n| {name} ") >= 3, name
    missed = re.findall(r"^\| (\S.*?) +\| +(\S.*?) +\|.*\| +missed +\|$", held, re.M)
    assert head.rstrip().endswith(f"and {len(missed)} are):")
    for case, what in missed:
        assert what.partition(",")[0] in ("plan", "false errors", "named", "of 0.5 m"), (case, what)
        assert what == "false errors" or case == "blunders" or f"`{case}`" in told, (case, what)
