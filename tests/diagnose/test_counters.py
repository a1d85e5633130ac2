"""Two counters exchanged on the sheet: they are named, and no place or bend is blamed for them."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.support.planted import SOUND, Row, codes, column, planted, told

#: What an exchange used to be told as, four errors and a bend that is not there.
BLAMED = {
    "counter-wrong/reading",
    "counter-wrong/backwards",
    "counter-wrong/jump",
    "counter-wrong/contradiction",
    "counter-wrong/too-short",
    "blunder",
    "shape-undecided/bend",
    "shape-undecided/turn",
    "shape-undecided/contradiction",
}


def exchange(rows: list[Row], i: int, j: int) -> None:
    mine = [r for r in rows if r["run"] == "R1"]
    a, b = mine[i], mine[j]
    a["counter"], b["counter"] = b["counter"], a["counter"]


@pytest.mark.parametrize("scenario", SOUND)
@pytest.mark.parametrize(("i", "j"), [(0, 1), (2, 3), (1, 3), (-2, -1), (0, 5)])
def test_exchanged_counters_are_named_and_leave_no_trace(
    tmp_path: Path, scenario: str, i: int, j: int
) -> None:
    sound = planted(tmp_path / "sound", scenario, 11)
    result = planted(tmp_path / "site", scenario, 11, stops=lambda rows: exchange(rows, i, j))
    (finding,) = told(result, "counters-exchanged")
    assert result.findings[0] is finding
    assert finding.severity == "error"
    runs, stops = (column(result, "transmitter_fixes", c) for c in ("run_id", "stop_id"))
    mine = [f"stop R1/{s}" for r, s in zip(runs, stops, strict=True) if r == "R1"]
    assert all(name in finding.what for name in (mine[i], mine[j]))
    blamed = {f.subject for f in told(result, *BLAMED)}
    assert not blamed & {mine[i], mine[j], "run R1"}
    assert not codes(result) & (BLAMED - {"blunder"})  # another stop may be by chance
    # both stops stay where they were marked, in the right order, and nothing bends that did not
    for name, within in (("length_m", 0.1), ("stops", 0)):
        was, now = (column(r, "pipe_centreline", name)[0] for r in (sound, result))
        assert abs(was - now) <= within, name
    bends = [column(r, "pipe_nodes", "kind").count("bend") for r in (sound, result)]
    assert bends[0] == bends[1]


@pytest.mark.parametrize("scenario", SOUND)
def test_one_counter_misread_is_no_exchange(tmp_path: Path, scenario: str) -> None:
    """Read as if it were a little before the stop before it."""

    def change(rows: list[Row]) -> None:
        mine = [r for r in rows if r["run"] == "R1"]
        mine[4]["counter"] = f"{float(mine[3]['counter']) - 0.3:.2f}"

    result = planted(tmp_path / "site", scenario, 11, stops=change)
    assert not told(result, "counters-exchanged")
    assert codes(result, "error") & BLAMED
