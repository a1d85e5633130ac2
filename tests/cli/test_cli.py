"""Commands that need no solver: help, version, new, schema, practice; and errors in one line."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from lateralline import __version__, contract
from lateralline.cli import app
from lateralline.errors import SiteFaultsError
from lateralline.ingest import read_site
from lateralline.simulate import SCENARIOS
from tests.support.command import run
from tests.support.places import SAMPLES


def test_version() -> None:
    assert run("--version").output == f"lateralline {__version__}\n"


def test_without_a_command_the_help_is_shown_with_the_caution() -> None:
    shown = " ".join(run("--help").output.split())
    assert "clearance to dig" in shown
    assert "one-call" in shown


def test_each_command_is_listed_with_a_whole_sentence() -> None:
    listed = run("--help").output.partition("Commands:")[2].strip().splitlines()
    assert len(listed) == len(app.registered_commands)
    assert all(line.endswith(".") and not line.endswith("...") for line in listed)


def test_a_terminal_without_the_signs_stops_nothing() -> None:
    code = "from lateralline.cli import main; main()"
    shown = subprocess.run(
        [sys.executable, "-c", code, "schema", "position_corridor"],
        env={**os.environ, "PYTHONIOENCODING": "ascii"},
        capture_output=True,
        check=True,
    )
    assert b"confidence" in shown.stdout
    assert b"Traceback" not in shown.stderr


def test_a_reader_of_a_pipe_may_leave(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As `| head` does: what was begun is done, with the exit code that is right."""
    read, write = os.pipe()
    os.close(read)
    with open(write, "w", encoding="utf-8", buffering=1) as left:  # noqa: PTH123 – no path
        monkeypatch.setattr(sys, "stdout", left)
        with pytest.raises(SystemExit) as ended:
            app(["build", str(SAMPLES / "local-sketch"), "-o", str(tmp_path / "out")])
    assert ended.value.code == 0
    assert (tmp_path / "out" / "asbuilt.gpkg").is_file()


# ---- new ----------------------------------------------------------------------------------


DAY = "2026-05-06"


def filled_in(site: Path) -> None:
    """Write the flow of the run, which only the crew knows."""
    text = (site / "site.toml").read_text(encoding="utf-8")
    text = text.replace('flow = "with, against or unknown"', 'flow = "with"')
    (site / "site.toml").write_text(text, encoding="utf-8")


@pytest.mark.parametrize("units", ["m", "ft"])
def test_a_new_site_reads_without_a_fault_of_form(tmp_path: Path, units: str) -> None:
    made = run(
        "new",
        tmp_path / "sites" / "EX-001",
        "--units",
        units,
        "--crs",
        "EPSG:32617",
        "--surveyed",
        DAY,
    )
    assert made.exit_code == 0, made.output
    filled_in(tmp_path / "sites" / "EX-001")
    settings = read_site(tmp_path / "sites" / "EX-001").settings
    assert settings.id == "EX-001"
    assert settings.units["tape"] == units


def test_the_id_may_differ_from_the_folder(tmp_path: Path) -> None:
    assert run("new", tmp_path / "a", "--id", "EX-002", "--name", "Yard").exit_code == 0
    said = tomllib.loads((tmp_path / "a" / "site.toml").read_text(encoding="utf-8"))
    assert said["site"]["id"] == "EX-002"
    assert said["site"]["name"] == "Yard"


def test_new_says_what_it_chose_and_leaves_the_day_to_be_written(tmp_path: Path) -> None:
    said = run("new", tmp_path / "a").output
    assert all(word in said for word in ("m was chosen", "local was chosen", "surveyed", "flow"))
    with pytest.raises(SiteFaultsError) as caught:
        read_site(tmp_path / "a")
    assert [f.column for f in caught.value.faults] == ["surveyed", "flow"]
    assert "must be a date such as 2026-05-06" in str(caught.value)


def test_new_names_all_bad_options_at_once(tmp_path: Path) -> None:
    bad = ("--units", "feet", "--crs", "EPSG:999999", "--surveyed", "6.5.2026", "--id", "a b")
    refused = run("new", tmp_path / "a", *bad)
    assert refused.exit_code == 2
    assert all(o in refused.output for o in bad)
    assert 'did you mean "ft"?' in refused.output
    assert not (tmp_path / "a").exists()


def test_new_overwrites_nothing(tmp_path: Path) -> None:
    (tmp_path / "a").mkdir()
    (tmp_path / "a" / "site.toml").write_text("precious")
    refused = run("new", tmp_path / "a")
    assert refused.exit_code == 2
    assert "nothing is overwritten" in " ".join(refused.output.split())
    assert [p.name for p in (tmp_path / "a").iterdir()] == ["site.toml"]
    assert (tmp_path / "a" / "site.toml").read_text() == "precious"


@pytest.mark.parametrize(
    ("arguments", "named"), [(("--crs", "EPSG:999999"), "EPSG:999999"), (("--id", "a b"), "a b")]
)
def test_a_site_that_could_not_be_read_is_not_made(
    tmp_path: Path, arguments: tuple[str, str], named: str
) -> None:
    refused = run("new", tmp_path / "a", *arguments)
    assert refused.exit_code == 2
    assert named in refused.output
    assert "Traceback" not in refused.output
    assert list(tmp_path.iterdir()) == []


# ---- schema -------------------------------------------------------------------------------


def test_schema_alone_lists_every_table() -> None:
    shown = run("schema").output.split()
    assert {*contract.INPUTS, *contract.LAYERS} <= set(shown)


@pytest.mark.parametrize("name", contract.INPUTS + contract.LAYERS)
def test_schema_tells_every_column(name: str) -> None:
    shown = run("schema", name)
    assert shown.exit_code == 0
    for column in contract.load(name).field:
        assert f"  {column.name}  " in shown.output


def test_a_layer_with_a_caution_shows_it() -> None:
    assert "No clearance to dig" in run("schema", "tolerance_zone").output


def test_json_schema_is_json() -> None:
    assert json.loads(run("schema", "tolerance_zone", "--json-schema").output)["type"] == "object"
    assert set(json.loads(run("schema", "--all", "--json-schema").output)) == set(contract.LAYERS)


def test_markdown_of_one_and_of_all() -> None:
    assert run("schema", "marks", "--markdown").output.startswith("# marks\n")
    assert all(f"### {n}\n" in run("schema", "--all", "--markdown").output for n in contract.LAYERS)


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("nowhere",), "known: site, control"),
        (("marks", "--json-schema"), "JSON Schemas are of layers"),
        (("--json-schema",), "--all"),
        (("marks", "--json-schema", "--markdown"), "one of"),
    ],
)
def test_schema_refuses_in_one_line_and_names_the_way_out(
    arguments: tuple[str, ...], said: str
) -> None:
    refused = run("schema", *arguments)
    assert refused.exit_code == 2
    assert said in " ".join(refused.output.split())
    assert "Traceback" not in refused.output


# ---- practice -----------------------------------------------------------------------------


def test_practice_lists_every_scenario() -> None:
    listed = run("practice", "--list").output
    assert all(f"{name} " in listed for name in SCENARIOS)


def test_the_same_seed_gives_the_same_site(tmp_path: Path) -> None:
    for name, seed in (("a", 5), ("b", 5), ("c", 6)):
        made = run("practice", tmp_path / name, "--scenario", "slope-levels", "--seed", seed)
        assert made.exit_code == 0, made.output
    a, b, c = ((tmp_path / n / "marks.csv").read_bytes() for n in "abc")
    assert a == b != c
    assert "invented" in (tmp_path / "a" / "site.toml").read_text(encoding="utf-8")
    assert (tmp_path / "a" / "truth.json").exists()


@pytest.mark.parametrize(
    ("arguments", "said"),
    [((), "--list"), (("a", "--scenario", "moon"), "there are: tape-ties")],
)
def test_practice_refuses_what_it_does_not_know(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, arguments: tuple[str, ...], said: str
) -> None:
    monkeypatch.chdir(tmp_path)
    refused = run("practice", *arguments)
    assert refused.exit_code == 2
    assert said in " ".join(refused.output.split())
    assert list(tmp_path.iterdir()) == []


def test_practice_overwrites_nothing(tmp_path: Path) -> None:
    refused = run("practice", tmp_path)
    assert refused.exit_code == 2
    assert "nothing is overwritten" in " ".join(refused.output.split())


# ---- what nobody foresaw ------------------------------------------------------------------


@pytest.mark.parametrize("as_json", [False, True])
def test_an_unforeseen_error_is_no_finding(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, as_json: bool
) -> None:
    """1 says what a run found, a conflict among others: a fault of ours must not end so."""

    def broken(*_: object, **__: object) -> None:
        raise IndexError("index 7 is out of bounds")

    monkeypatch.setattr("lateralline.api.overlays.open_as_built", broken)
    (tmp_path / "plan.geojson").write_text("{}", encoding="utf-8")
    asked = ["clearance", tmp_path, tmp_path / "plan.geojson", "--required", "0.3m"]
    ended = run(*asked, *(["--json"] if as_json else []))
    assert ended.exit_code == 70
    assert "IndexError: index 7 is out of bounds. This is a fault of lateralline" in ended.stderr
    assert "Traceback" not in ended.output
    if as_json:
        assert json.loads(ended.stdout)["exit_code"] == 70
    monkeypatch.setenv("LATERALLINE_TRACEBACK", "1")
    assert "Traceback" in run(*asked).stderr
