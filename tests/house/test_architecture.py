"""The house stays in order: imports go one way, files stay short, nothing is silenced."""

from __future__ import annotations

import ast
import re
import shlex
import shutil
import subprocess
import sys
from collections.abc import Iterator
from functools import cache
from itertools import pairwise
from pathlib import Path

import pytest
from tests.support.places import ROOT

PACKAGE = ROOT / "pipeline" / "lateralline"
FILES = sorted(PACKAGE.rglob("*.py"))
TESTS = sorted((ROOT / "tests").rglob("*.py"))

#: From the ground up. A module may import only from floors below its own, or from its own package.
FLOORS = (
    ("errors",),
    ("output",),
    ("units",),
    ("wording", "csv_file", "names"),
    ("kernels",),
    ("contract", "published"),
    ("settings",),
    ("records",),
    ("isolate", "proportions"),
    ("frames",),
    ("read", "place", "solve", "link", "derive", "synthetic", "template"),
    ("diagnose",),
    ("proof", "survey_files"),
    ("record",),
    ("write",),
    ("ties",),
    ("draw", "page"),
    ("workspace",),
    ("overlay",),
    ("stages",),
    ("revise",),
    ("cli",),
)
FLOOR = {name: n for n, floor in enumerate(FLOORS) for name in floor}

#: Outside packages that only some parts of the house may use.
TABLES = {"record", "write", "ties", "draw", "page", "workspace", "overlay"}
ONLY_IN = {
    "pandas": TABLES,
    "geopandas": TABLES,
    "pyogrio": TABLES,
    "fiona": TABLES | {"survey_files"},
    "shapely": TABLES | {"derive", "revise", "proof", "isolate"},
    "matplotlib": {"draw"},
    "bokeh": {"page"},
    "jinja2": {"page"},
    "openpyxl": {"read", "write"},
    "pyproj": TABLES | {"frames", "read", "place", "synthetic", "survey_files"},
    "typer": {"cli"},
    "rich": {"cli"},
    "click": set(),  # typer brings its own
}
MOST_LINES = 500


@cache
def tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


def part(path: Path) -> str:
    """The part of the house a file belongs to: `write` for write/geojson.py."""
    return path.relative_to(PACKAGE).with_suffix("").parts[0]


def imports(path: Path) -> Iterator[str]:
    """Every module a file imports, anywhere in it, by full name."""
    for node in ast.walk(tree(path)):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}:{node.lineno}: imports are absolute"
            assert node.module
            yield node.module
            if node.module == "lateralline":
                yield from (f"lateralline.{alias.name}" for alias in node.names)


def inner(name: str) -> str | None:
    """The part of the house an import reaches into; None for outside and the bare package."""
    first, *rest = name.split(".")
    return rest[0] if first == "lateralline" and rest and rest[0] != "__version__" else None


def name_of(path: Path) -> str:
    return str(path.relative_to(PACKAGE))


@pytest.fixture(params=FILES, ids=name_of)
def source(request: pytest.FixtureRequest) -> Path:
    return request.param


def test_there_is_a_house() -> None:
    assert {"errors", "kernels", "records", "stages", "cli"} <= {part(f) for f in FILES}


def test_imports_go_one_way(source: Path) -> None:
    own = part(source)
    if own == "__init__":
        assert not [i for i in imports(source) if inner(i)]
        return
    assert own in FLOOR, f"{own} has no floor yet: give it one in FLOORS"
    reached = {i for i in map(inner, imports(source)) if i and i != own}
    assert reached <= FLOOR.keys()
    upward = {i for i in reached if FLOOR[i] >= FLOOR[own]}
    assert not upward, f"{own} may not import {sorted(upward)}"


def test_outside_packages_stay_in_their_rooms(source: Path) -> None:
    strays = {
        top
        for top in (name.partition(".")[0] for name in imports(source))
        if part(source) not in ONLY_IN.get(top, {part(source)})
    }
    assert not strays


@pytest.mark.parametrize("source", [f for f in FILES if part(f) == "kernels"], ids=name_of)
def test_kernels_know_arrays_only(source: Path) -> None:
    tops = {name.partition(".")[0] for name in imports(source)}
    pure = {"__future__", "collections", "contextlib", "dataclasses", "functools", "math", "typing"}
    assert tops <= pure | {"lateralline", "numpy", "scipy"}
    assert {i for i in map(inner, imports(source)) if i} <= {"kernels", "units", "errors"}


def test_simulated_surveys_know_nothing_of_the_solution() -> None:
    """Practice sites test the solver only because they share none of its field."""
    known = {"errors", "output", "units", "csv_file", "contract", "settings", "records", "frames"}
    known.add("synthetic")
    for path in (f for f in FILES if part(f) == "synthetic"):
        assert {i for i in map(inner, imports(path)) if i} <= known, path


def test_files_stay_short(source: Path) -> None:
    assert len(source.read_text(encoding="utf-8").splitlines()) <= MOST_LINES


def test_everything_public_has_a_docstring(source: Path) -> None:
    assert ast.get_docstring(tree(source)), "the module itself"
    for node in _public(tree(source)):
        assert ast.get_docstring(node), f"{node.name}, line {node.lineno}"


def _public(scope: ast.Module | ast.ClassDef) -> Iterator[ast.FunctionDef | ast.ClassDef]:
    """Public functions and classes, and the public methods of public classes."""
    for node in scope.body:
        if isinstance(node, ast.FunctionDef | ast.ClassDef) and not node.name.startswith("_"):
            yield node
            if isinstance(node, ast.ClassDef):
                yield from _public(node)


def test_the_type_checker_is_never_silenced(source: Path) -> None:
    silenced = "type: " + "ignore"
    assert silenced not in source.read_text(encoding="utf-8")


# ---- the command line ---------------------------------------------------------------------


def test_help_loads_nothing_heavy() -> None:
    heavy = ("geopandas", "pandas", "matplotlib", "scipy", "shapely", "pyproj", "numpy", "pydantic")
    loaded = subprocess.run(
        [
            sys.executable,
            "-c",
            f"import sys, lateralline.cli; print(*(m for m in {heavy!r} if m in sys.modules))",
        ],
        capture_output=True,
        text=True,
        check=True,
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


#: Lengths in names, lineage and columns of text: they stand in metres wherever they are read.
PLAIN_METRES = {
    "place/reduce.py": 1, "derive/lines.py": 1, "derive/quality.py": 2, "frames/operations.py": 2,
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


def readme_commands() -> list[list[str]]:
    """Every `lateralline …` line of the README's shell blocks, prompts and continuations undone."""
    if not README.exists():
        return []
    blocks = FENCE.findall(README.read_text(encoding="utf-8"))
    lines = "\n".join(blocks).replace("\\\n", " ").splitlines()
    bare = (line.strip().removeprefix("$ ") for line in lines)
    return [
        shlex.split(line, comments=True)[1:] for line in bare if line.startswith("lateralline ")
    ]


@pytest.mark.skipif(not README.exists(), reason="README.md is not written yet")
def test_the_readmes_commands_run_in_order(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A reader who types the README from top to bottom meets no refused command."""
    from typer.testing import CliRunner

    from lateralline.cli import app

    commands = readme_commands()
    assert commands, "README.md shows no command in a console or sh block"
    shutil.copytree(ROOT / "sample_sites", tmp_path / "sample_sites")
    monkeypatch.chdir(tmp_path)
    for arguments in commands:
        arguments = [*arguments, "--help"] if arguments[0] in LONG else arguments
        result = CliRunner().invoke(app, arguments)
        said = f"lateralline {shlex.join(arguments)}\n{result.output}"
        done = (0, 1, 2) if arguments[0] == "check" else (0, 1)  # 2: the README shows faults
        assert result.exit_code in done, said
        assert result.exception is None or isinstance(result.exception, SystemExit), said
