"""Hostile text: what a terminal would obey, what no eye sees, what a spreadsheet would run.

The signs come from Unicode's own categories (`unicodedata`, the database Python ships); which
sequences terminals obey is ECMA-48 and which signs turn the reading direction is UAX #9 (both from
memory).
"""

from __future__ import annotations

import ast
import io
import json
import os
import pty
import re
import subprocess
import sys
import tomllib
import unicodedata
from pathlib import Path

import pytest
from rich.table import Table
from rich.text import Text

from lateralline.cli.terminal import ShownStream, console, shown_streams
from lateralline.wording import UNSEEN, shown
from tests.support.command import run
from tests.support.places import ROOT

RUN = "from lateralline.cli import main; main()"

#: What each sign would do, and the sign within a name.
HOSTILE = {
    "window title": "post\x1b]0;pwned\x07",
    "clear the page": "post\x1b[2J",
    "colour": "post\x1b[31m",
    "one-byte sequence": "post\x9b2J",
    "delete": "post\x7f",
    "back to the left": "post\rsafe",
    "backspace": "post\x08\x08",
    "right to left": "post\u202egnp",
    "isolate": "post\u2067gnp\u2069",
    "mark": "post\u200f\u061c",
    "no width": "po\u200bst\u2060\ufeff",
    "line separator": "post\u2028safe",
    "paragraph separator": "post\u2029safe",
    "half a pair": "post\ud800",
    "tag": "post\U000e0041",
}
every_sign = pytest.mark.parametrize("name", HOSTILE.values(), ids=HOSTILE)


def raw(text: str) -> list[str]:
    """The signs of a text that should have been shown, by name of category and code."""
    unseen = {"Cc", "Cf", "Cs", "Zl", "Zp"}
    return [f"{ord(c):04x}" for c in text if unicodedata.category(c) in unseen and c not in "\n\t"]


# ---- the signs ----------------------------------------------------------------------------


def test_every_sign_unicode_calls_unseen_is_shown() -> None:
    passed = [c for c in map(chr, range(sys.maxunicode + 1)) if not UNSEEN.fullmatch(c)]
    assert raw("".join(passed)) == []


def test_what_people_write_is_left_alone() -> None:
    text = 'Köln, 6" PVC – 12.40 m → “Straße” 東京 דרך\tµ²°½ \u00a0e\u0301\n'
    assert shown(text) == text


@every_sign
def test_a_sign_shown_in_json_means_what_it_meant(name: str) -> None:
    document = shown(json.dumps({"name": name}, ensure_ascii=False))
    assert raw(document) == []
    assert json.loads(document) == {"name": name}


# ---- the streams and the console ----------------------------------------------------------


@every_sign
def test_whatever_is_written_to_the_streams_is_shown(
    name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    out, err = io.StringIO(), io.StringIO()
    monkeypatch.setattr(sys, "stdout", out)
    monkeypatch.setattr(sys, "stderr", err)
    with shown_streams():
        print(name)
        sys.stdout.writelines([name])
        print(name, file=sys.stderr)
        console().print(name)
        console().print(Text(f"({name})", style="bold"))
        table = Table(title=name)
        table.add_column(name)
        table.add_row(Text(name))
        table.add_row(name)
        console().print(table)
    assert (sys.stdout, sys.stderr) == (out, err)
    assert raw(out.getvalue() + err.getvalue()) == []
    assert "post" in out.getvalue() or "po\\u200bst" in out.getvalue()
    assert out.getvalue().count("\\u") >= 5


def test_rich_markup_in_a_name_is_only_text(capsys: pytest.CaptureFixture[str]) -> None:
    name = "[bold red]post[/] :pile_of_poo: [link=x]y"
    table = Table(title=name)
    table.add_column(name, no_wrap=True)
    table.add_row(name)
    console().print(name)
    console().print(table)
    assert capsys.readouterr().out.count(name) == 4


def test_a_sign_the_encoding_lacks_is_shown_and_json_stays_whole() -> None:
    code = (
        "import sys; from lateralline.cli import main, app\n"
        "import typer, json\n"
        "@app.command()\n"
        "def say(): typer.echo(json.dumps('é→\\u202e', ensure_ascii=False))\n"
        "main()"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, "say"],
        env={**os.environ, "PYTHONIOENCODING": "ascii"}, capture_output=True, check=True,
    )  # fmt: skip
    assert json.loads(done.stdout.decode("ascii")) == "é→\u202e"


def test_nothing_but_the_edge_knows_the_streams() -> None:
    """A command prints through `typer.echo` or `console()`, so none can forget to show a sign."""
    for path in (ROOT / "pipeline" / "lateralline" / "cli").rglob("*.py"):
        if path.name == "terminal.py":
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            called = ast.unparse(node.func) if isinstance(node, ast.Call) else ""
            assert called not in ("Console", "print", "sys.stdout.write", "sys.stderr.write"), (
                f"{path.name}:{node.lineno}"
            )


def test_nobody_finds_a_way_past_the_stream() -> None:
    stream = ShownStream(io.TextIOWrapper(io.BytesIO(), encoding="ascii"))
    assert not hasattr(stream, "buffer")
    assert stream.encoding == "ascii"
    assert stream.isatty() is False


# ---- commands ------------------------------------------------------------------------------


@every_sign
def test_usage_errors_show_what_they_were_given(name: str, tmp_path: Path) -> None:
    for arguments in (
        [name],
        ["check", str(tmp_path / name)],
        ["clearance", str(tmp_path), str(tmp_path), "--column", name],
        ["new", str(tmp_path / "a"), "--units", name],
        ["draw", str(tmp_path), f"--{name}"],
    ):
        refused = run(*arguments)
        assert refused.exit_code == 2, refused.output
        assert raw(refused.output) == []


def test_a_traceback_shows_what_an_error_says(monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*arguments: object) -> None:
        raise ZeroDivisionError("".join(HOSTILE.values()))

    monkeypatch.setattr("lateralline.write.dictionary.markdown", fail)
    monkeypatch.setenv("LATERALLINE_TRACEBACK", "1")
    broken = run("schema", "marks", "--markdown")
    assert broken.exit_code == 70
    assert "Traceback" in broken.output
    assert raw(broken.output) == []
    assert "\\u202egnp" in broken.output


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("record") / "out"
    assert run("build", ROOT / "sample_sites" / "gnss-bend-branch", "-o", out).exit_code in (0, 1)
    return out


def plan_file(folder: Path, *names: str) -> Path:
    """Invented posts beside the invented site, one for each name."""
    features = [
        {
            "type": "Feature",
            "geometry": {"type": "Point", "coordinates": [-81.39672987, 42.10030846]},
            "properties": {"kind": "post", "name": name, "depth_m": 0.9, "radius_m": 0.1},
        }
        for name in names
    ]
    path = folder / "plan.geojson"
    path.write_text(json.dumps({"type": "FeatureCollection", "features": features}))
    return path


#: A lone surrogate is no text that a GeoJSON file can hold.
NAMES = [name for name in HOSTILE.values() if "\ud800" not in name]


def test_a_plan_cannot_speak_to_a_terminal(record: Path, tmp_path: Path) -> None:
    """Colours of our own are all that reaches a terminal (SGR of ECMA-48)."""
    plan = plan_file(tmp_path, *NAMES)
    code = [sys.executable, "-c", RUN, "clearance", str(record), str(plan), "--required", "3m"]
    ours, theirs = pty.openpty()
    with subprocess.Popen(
        code, stdout=theirs, stderr=theirs, env={**os.environ, "TERM": "xterm", "COLUMNS": "200"}
    ) as running:
        os.close(theirs)
        said = b""
        try:
            while part := os.read(ours, 65536):
                said += part
        except OSError:  # what Linux says when the other end has closed
            pass
        os.close(ours)
    assert running.returncode == 1
    assert b"\x1b[1;31m" in said
    plain = re.sub(r"\x1b\[[0-9;]*m|\r\n", "", said.decode())
    assert raw(plain) == []
    assert "post\\u001b]0;pwned\\u0007" in plain


def test_a_plan_is_shown_in_a_pipe_and_whole_in_json(record: Path, tmp_path: Path) -> None:
    plan = plan_file(tmp_path, *NAMES)
    said = run("clearance", record, plan, "--required", "3m").output
    assert raw(said) == []
    assert "post\\u001b[2J" in said
    document = run("clearance", record, plan, "--required", "3m", "--json").output
    assert raw(document) == []
    assert {pair["work_name"] for pair in json.loads(document)["pairs"]} == set(NAMES)


def test_point_files_are_shown(tmp_path: Path) -> None:
    points = tmp_path / "po\x1b[2J\u202eints.csv"
    names = [" ".join(name.splitlines()) for name in NAMES]  # a file of lines cannot hold these
    rows = [f"{n},{4650000 + n},{500000 + n},10,what {name}" for n, name in enumerate(names)]
    points.write_text("\n".join(rows), encoding="utf-8")
    said = run("import-points", points, "--dry-run", "--crs", "EPSG:32617", "--order", "pnezd")
    assert raw(said.output) == []
    assert "\\u202egnp" in said.output, said.output
    assert "po\\u001b[2J\\u202eints.csv" in said.output


# ---- names on the disk ----------------------------------------------------------------------

#: A name as Linux may hold it: bytes that are no UTF-8, an escape, a line break.
STRANGE = os.fsdecode(b"s\xff\x1b[2J\xe2\x80\xae\nx")


def site_at(folder: Path) -> Path:
    folder.mkdir()
    for path in (ROOT / "sample_sites" / "slope-levels").iterdir():
        if path.suffix in (".csv", ".toml"):
            (folder / path.name).write_bytes(path.read_bytes())
    return folder


@pytest.mark.parametrize("command", ["check", "check --json", "build", "draw", "page", "sheet"])
def test_any_name_on_the_disk_is_shown(command: str, tmp_path: Path, record: Path) -> None:
    name, *options = command.split()
    suffix = {"draw": ".svg", "page": ".html", "sheet": ".pdf"}.get(name)
    if suffix:
        made = run(name, record, "-o", tmp_path / f"{STRANGE}{suffix}")
    else:
        out = ("-o", tmp_path / "out") if name == "build" else ()
        made = run(name, site_at(tmp_path / STRANGE), *out, *options)
    assert made.exit_code in (0, 1), made.output
    assert raw(made.output) == []


def test_faults_of_a_site_of_any_name_stand_on_a_line_each(tmp_path: Path) -> None:
    site = site_at(tmp_path / STRANGE)
    (site / "stops.csv").write_text("run\n", encoding="utf-8")
    said = run("check", site).output.splitlines()
    assert any(r"s\udcff\u001b[2J\u202e\u000ax/stops.csv:1: " in line for line in said)
    assert raw("".join(said)) == []


def test_points_of_a_file_of_any_name_make_a_site_that_reads(tmp_path: Path) -> None:
    """The file stands in comments and notes of the site, as it is shown."""
    points = tmp_path / f"{STRANGE}.csv"
    points.write_text("1,4650001,500001,10,CP A\n2,4650021,500031,10,CP B\n", encoding="utf-8")
    made = run(
        "import-points", points, "-o", tmp_path / "s", "--crs", "EPSG:32617", "--order", "pnezd",
        "--units", "m", "--surveyed", "2026-05-06", "--name", "🏠", "--id", "S",
    )  # fmt: skip
    assert made.exit_code in (0, 1), made.output
    text = (tmp_path / "s" / "site.toml").read_text(encoding="utf-8")
    assert tomllib.loads(text)["site"]["name"] == "🏠"
    assert r"# s\udcff\u001b[2J\u202e x.csv: " in text
    assert raw((tmp_path / "s" / "control.csv").read_text(encoding="utf-8")) == []


@pytest.mark.parametrize(
    "arguments",
    [("new", "{}/a", "--name", "a\x7f"), ("new", "{}/a.xlsx", "--name", "a\x1b"),
     ("new", "{}/a", "--name", "a\udcff"),
     ("new", "{}/a.xlsx", "--from", "{}/site", "--name", "\x07"),
     ("new", "{}/a.xlsx", "--from", "{}/site", "--id", "a b"),
     ("page", "{}/record", "--note", "\udcff", "-o", "{}/a"),
     ("update", "{}/site", "{}/a\udcff", "-o", "{}/a")],
    ids=["delete", "workbook", "no text", "copy", "bad id", "note", "name of what is added"],
)  # fmt: skip
def test_what_no_file_can_hold_is_refused_and_makes_nothing(
    arguments: tuple[str, ...], tmp_path: Path, record: Path
) -> None:
    site_at(tmp_path / "site")
    (tmp_path / "record").symlink_to(record)
    (tmp_path / "a\udcff").mkdir()
    (tmp_path / "a\udcff" / "stops.csv").write_text(
        (tmp_path / "site" / "stops.csv").read_text(encoding="utf-8").partition("\n")[0]
    )
    refused = run(*(a.format(tmp_path) for a in arguments))
    assert refused.exit_code == 2, refused.output
    assert raw(refused.output) == []
    assert not list(tmp_path.glob("a")) + list(tmp_path.glob("a.*"))
