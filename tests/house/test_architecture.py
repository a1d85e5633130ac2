"""The house stays in order; which module may import which is held by the contracts in pyproject."""

from __future__ import annotations

import ast
import re
import shlex
import shutil
import subprocess
import sys
from functools import cache
from itertools import pairwise
from pathlib import Path

import pytest

from tests.support.places import ROOT, SAMPLES

PACKAGE = ROOT / "pipeline" / "lateralline"
FILES = sorted(PACKAGE.rglob("*.py"))

MOST_LINES = 500


@cache
def tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


def name_of(path: Path) -> str:
    return path.relative_to(PACKAGE).as_posix()


def test_files_stay_short() -> None:
    lines = {name_of(path): len(path.read_text(encoding="utf-8").splitlines()) for path in FILES}
    assert len(lines) > 100
    assert {name: n for name, n in lines.items() if n > MOST_LINES} == {}


def test_the_type_checker_is_never_silenced() -> None:
    silenced = "type: " + "ignore"
    assert [name_of(p) for p in FILES if silenced in p.read_text(encoding="utf-8")] == []


# ---- the command line ---------------------------------------------------------------------


@pytest.mark.parametrize(
    ("module", "heavy"),
    [
        ("cli", "geopandas pandas matplotlib scipy shapely pyproj numpy pydantic"),
        (
            "batch",
            "scipy.stats scipy.optimize matplotlib bokeh ezdxf sqlalchemy psycopg "
            "geopandas pandas pyarrow pyogrio fiona openpyxl",
        ),
    ],
    ids=["help", "building"],
)
def test_nothing_loads_what_it_does_not_need(module: str, heavy: str) -> None:
    """Every command waits for its imports, and every process of a batch."""
    script = (
        f"import sys, lateralline.{module}; "
        f"print(*(m for m in {heavy.split()} if m in sys.modules))"
    )
    loaded = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True
    )
    assert loaded.stdout.split() == []


def test_every_command_shows_an_example() -> None:
    from typer.main import get_command
    from typer.testing import CliRunner

    from lateralline.cli import app

    commands = get_command(app).commands
    assert {
        "new",
        "import-points",
        "check",
        "build",
        "draw",
        "schema",
        "practice",
    } <= commands.keys()
    for name in commands:
        shown = CliRunner().invoke(app, [name, "--help"])
        assert shown.exit_code == 0
        assert re.search(rf"^\s+lateralline {name}( |$)", shown.output, re.M), name


# ---- README -------------------------------------------------------------------------------

README = ROOT / "README.md"
FENCE = re.compile(r"^```(?:console|sh)\n(.*?)^```", re.M | re.S)
#: Commands that take minutes: here only asked for help; tests of their own run them small.
LONG = {"prove", "bench"}
#: Commands of a database, which tests/register runs on one: here only asked for help.
SERVED = {"register", "publish", "history", "diff", "retract"}


#: Lengths in names, lineage and columns of text: they stand in metres wherever they are read.
PLAIN_METRES = {
    "place/levels.py": 1, "derive/lines.py": 1, "derive/quality.py": 2, "frames/operations.py": 2,
    "revise/compare.py": 1,
}  # fmt: skip


@pytest.mark.parametrize("stage", ["place", "solve", "link", "derive", "frames", "revise"])
def test_a_stage_writes_lengths_by_the_one_function_that_marks_them(stage: str) -> None:
    """Else a finding says metres to a crew that tapes in feet."""
    found = {}
    for path in (PACKAGE / stage).rglob("*.py"):
        texts = [n for n in ast.walk(tree(path)) if isinstance(n, ast.JoinedStr)]
        parts = [pair for text in texts for pair in pairwise(text.values)]
        bare = sum(
            isinstance(one, ast.FormattedValue)
            and isinstance(then, ast.Constant)
            and re.match(r" m\b", str(then.value)) is not None
            for one, then in parts
        )
        if bare:
            found[path.relative_to(PACKAGE).as_posix()] = bare
    assert found == {k: n for k, n in PLAIN_METRES.items() if k.startswith(f"{stage}/")}


def readme_commands() -> list[tuple[list[str], int]]:
    """Every `lateralline …` line of the README's shell blocks, and the exit code it names.

    Prompts and continuations are undone. The code is 0 unless a comment says `# exit code N`.
    """
    blocks = FENCE.findall(README.read_text(encoding="utf-8"))
    lines = "\n".join(blocks).replace("\\\n", " ").splitlines()
    bare = [line.strip().removeprefix("$ ") for line in lines]
    told = [re.search(r"# exit code (\d+)", line) for line in bare]
    return [
        (shlex.split(line, comments=True)[1:], int(code[1]) if code else 0)
        for line, code in zip(bare, told, strict=True)
        if line.startswith("lateralline ")
    ]


def test_the_readmes_commands_run_in_order(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A reader who types the README from top to bottom meets the exit codes it names."""
    from typer.testing import CliRunner

    from lateralline.cli import app

    shutil.copytree(SAMPLES, tmp_path / "sample_sites")
    monkeypatch.chdir(tmp_path)
    unlike = []
    for arguments, code in readme_commands():
        elsewhere = arguments[0] in LONG | SERVED or "--cluster" in arguments
        arguments = [*arguments, "--help"] if elsewhere else arguments
        result = CliRunner().invoke(app, arguments)
        if result.exit_code != code:
            ended = f"exit code {result.exit_code}, said to be {code}"
            unlike.append(f"lateralline {shlex.join(arguments)}: {ended}\n{result.output}")
    assert not unlike, "\n".join(unlike)


def test_a_class_name_stands_for_one_thing() -> None:
    homes: dict[str, list[str]] = {}
    for path in FILES:
        for node in ast.walk(tree(path)):
            if isinstance(node, ast.ClassDef):
                homes.setdefault(node.name.lstrip("_"), []).append(name_of(path))
    assert {name: where for name, where in homes.items() if len(where) > 1} == {}
