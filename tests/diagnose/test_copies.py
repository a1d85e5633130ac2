"""The same measurements entered twice: named, and no second witness of anything."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.support.planted import SOUND, Row, codes, column, planted, told


def entered_again(folder: Path, rows: list[Row], *, line: str = "") -> None:
    """Run R1 once more as R9, its marks renamed; site.toml gains the run."""
    rows += [{**r, "run": "R9", "mark": f"C{r['mark']}"} for r in rows if r["run"] == "R1"]
    toml = folder / "site.toml"
    text = toml.read_text(encoding="utf-8")
    own = text.split('[[run]]\nid = "R1"\n')[1].split("\n\n")[0]
    if line:
        own = own.replace('line = "L1"', f'line = "{line}"')
    toml.write_text(f'{text}\n[[run]]\nid = "R9"\n{own}\n', encoding="utf-8")


def stops_again(rows: list[Row]) -> None:
    rows += [{**r, "run": "R9"} for r in rows if r["run"] == "R1"]


@pytest.mark.parametrize("scenario", SOUND)
@pytest.mark.parametrize("line", ["", "L9"])
def test_a_run_entered_under_another_name_proves_nothing(
    tmp_path: Path, scenario: str, line: str
) -> None:
    """Its errors used to come out smaller by a root of two, with nothing said."""
    once = planted(tmp_path / "once", scenario, 3)
    folder = tmp_path / "twice"
    twice = planted(
        folder,
        scenario,
        3,
        marks=lambda rows: entered_again(folder, rows, line=line),
        stops=stops_again,
    )
    (finding,) = told(twice, "measurements-copied/run")
    assert twice.findings[0] is finding
    assert (finding.severity, finding.subject) == ("error", "run R9")
    assert finding.values["other"] == "run R1"
    new = codes(twice, "error", "warning") - codes(once, "error", "warning")
    assert new - {"pipe-size-unsure/unknown"} == {
        "measurements-copied/run"
    }  # no pipe is given for the line invented
    for layer, name in (("pipe_centreline", "length_m"), ("pipe_centreline", "invert_sigma_max_m")):
        assert column(twice, layer, name) == pytest.approx(column(once, layer, name), rel=1e-7)
    used = dict(zip(*(column(twice, "field_marks", c) for c in ("mark_id", "used")), strict=True))
    assert not any(v for k, v in used.items() if k.startswith("C"))
    assert set(used) >= {f"C{k}" for k in used if not k.startswith("C") and "R2" not in k}


@pytest.mark.parametrize("scenario", SOUND)
def test_a_second_survey_of_the_same_stops_is_no_copy(tmp_path: Path, scenario: str) -> None:
    """As close as two surveys come: the last digit of one reading of each mark differs."""
    folder = tmp_path / "twice"

    def change(rows: list[Row]) -> None:
        entered_again(folder, rows)
        for row in (r for r in rows if r["run"] == "R9"):
            for name in ("x", "base_distance", "polar_distance", "ties"):
                if value := row.get(name):
                    row[name] = value[:-1] + str((int(value[-1]) + 5) % 10)

    twice = planted(folder, scenario, 3, marks=change, stops=stops_again)
    assert not told(twice, "measurements-copied/run", "measurements-copied/stop")


def test_one_stop_written_off_another_is_told_by_itself(tmp_path: Path) -> None:
    def change(rows: list[Row]) -> None:
        rows[:] = [r for r in rows if not (r["run"] == "R1" and r["stop"] == "5")]
        four = [r for r in rows if r["run"] == "R1" and r["stop"] == "4"]
        rows += [{**r, "stop": "5", "mark": f"{r['mark']}again"} for r in four]

    result = planted(tmp_path / "site", "gnss-bend-branch", 3, marks=change)
    (finding,) = told(result, "measurements-copied/stop")
    assert (finding.severity, finding.subject) == ("error", "stop R1/5")
    assert finding.values["other"] == "stop R1/4"
    runs, stops, status = (
        column(result, "transmitter_fixes", c) for c in ("run_id", "stop_id", "status")
    )
    told_of = dict(zip(zip(runs, stops, strict=True), status, strict=True))
    assert told_of["R1", "5"] == "not_located"
    assert told_of["R1", "4"] == "located"
    assert not told(result, "stop-not-located", "counter-wrong/reading", "blunder")
