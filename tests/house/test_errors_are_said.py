"""What is made of a record with an open error says so where it could guide digging."""

from __future__ import annotations

from pathlib import Path

import pyogrio
import pytest
from matplotlib.figure import Figure
from typer.testing import CliRunner

from lateralline.cautions import CAUTION, CHANGED, Reservations
from lateralline.cli import app
from tests.house.test_every_command import LINES, MAINS, PLAN, READERS
from tests.support.moved_stop import moved_stop
from tests.support.sheet_reading import texts_of

SAID = "ERRORS are open: do not use line L1."
RUNS: dict[str, tuple[tuple[object, ...], tuple[str, ...]]] = {
    "build": (("build", "site", "-o", "R"), ("R/asbuilt.gpkg",)),
    "zones": (("zones", "R", "--rule", "cga", "-o", "zones", "--picture", "zones.png"),
              ("zones/hand_dig_zones.gpkg", "zones.png")),
    "clearance": (("clearance", "R", *PLAN, "-o", "clear", "--picture", "clear.png"),
                  ("clear/clearance.gpkg", "clear/clearance.csv", "clear.png")),
    "match": (("match", "R", *LINES, "-o", "matches", "--picture", "m.svg"),
              ("matches/register_matches.gpkg", "m.svg")),
    "connect": (("connect", "R", *MAINS, "-o", "mains", "--picture", "mains.pdf"), ("mains.pdf",)),
    "sheet": (("sheet", "R", "-o", "sheet.pdf"), ("sheet.pdf",)),
    "crew": (("sheet", "R", "-o", "crew.pdf", "--crew"), ("crew.pdf",)),
    "page": (("page", "R", "-o", "page.html"), ("page.html",)),
    "draw": (("draw", "R", "-o", "plan.png"), ("plan.png",)),
    "explain": (("explain", "R", "R1/4", "-o", "why.pdf"), ("why.pdf",)),
    "ties": (("ties", "R", "--points", "more.csv", "-o", "cards.pdf"), ("cards.pdf",)),
    "dxf": (("export", "R", "-o", "a.dxf"), ("a.dxf",)),
    "dxf of zones": (("export", "zones", "-o", "z.dxf"), ("z.dxf",)),
    "kml": (("export", "R", "zones", "-o", "a.kml"), ("a.kml",)),
}  # fmt: skip


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("errors")


@pytest.fixture(scope="module")
def made(home: Path) -> dict[str, dict[str, list[str]]]:
    """Texts of each output of each command, of a site of which L1 has an error, and L2 none."""
    drawn, found = [], {}
    moved_stop(home / "site", 3, 0.0, 0.5)
    save = Figure.savefig

    def kept(figure: Figure, *args: object, **more: object) -> None:
        drawn.append(" ".join(t.get_text() for t in texts_of(figure)))
        save(figure, *args, **more)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Figure, "savefig", kept)
        patch.chdir(home)
        Path("more.csv").write_text("point,x,y\nA,467190,4660990\nB,467210,4660990\n")
        for name, (command, outputs) in RUNS.items():
            drawn.clear()
            done = CliRunner().invoke(app, [str(part) for part in command])
            assert done.exit_code in (0, 1), f"{name}: {done.output}"
            found[name] = {
                out: [Path(out).read_text("utf-8")]
                if out.endswith(".csv")
                else [text for _, text in READERS[Path(out).suffix](Path(out), tuple(drawn))]
                for out in outputs
            }
    return found


@pytest.mark.parametrize("name", RUNS)
def test_an_output_says_that_errors_are_open(
    name: str, made: dict[str, dict[str, list[str]]]
) -> None:
    for out, texts in made[name].items():
        said = [SAID in " ".join(text.split()) for text in texts]
        each = Path(out).suffix in (".pdf", ".png", ".svg")  # every page is a paper of its own
        assert all(said) if each else any(said), (out, texts)


def test_the_layer_that_registers_take_in_says_so_of_its_lines(
    made: dict[str, dict[str, list[str]]], home: Path
) -> None:
    lines = pyogrio.read_dataframe(home / "R" / "asbuilt.gpkg", layer="pipe_centreline")
    said = dict(zip(lines["line_id"], lines["caution"], strict=True))
    assert said == {"L1": f"{SAID} {CAUTION}", "L2": CAUTION}


def test_a_line_without_errors_is_not_accused(made: dict[str, dict[str, list[str]]]) -> None:
    rows = [text for text in made["build"]["R/asbuilt.gpkg"] if text.endswith(CAUTION)]
    assert CAUTION in rows
    assert f"{SAID} {CAUTION}" in rows


def test_reservations_name_few_lines_and_count_many() -> None:
    def said(*errors: tuple[str, str], changed: bool = False) -> str:
        return Reservations(changed, frozenset(errors)).before("No.")

    assert said(("A", "L1"), ("B", "L1")) == (
        "ERRORS are open: do not use lines L1 of A, L1 of B. No."
    )
    assert said(("A", "")) == "ERRORS are open: do not use any line of A. No."
    many = [("A", f"L{n}") for n in range(9)]
    assert said(*many) == "ERRORS are open: do not use 9 lines that findings name. No."
    opens = "ERRORS are open: do not use"
    assert said(("B", ""), ("B", "L1"), *many) == (
        f"{opens} 9 lines, nor any line of B that findings name. No."
    )
    assert said(*((f"S{n}", "") for n in range(5)), ("A", "L1")) == (
        f"{opens} 1 line, nor any line of 5 whole sites that findings name. No."
    )
    assert said(changed=True) == f"{CHANGED} No."
    both = Reservations(changed=True, errors=frozenset({("A", "L1"), ("A", "L2")})).of("A", "L1")
    assert both.before("No.") == f"{CHANGED} {SAID} No."
    assert Reservations.of_findings([("A", "L1", "error", "A. Person")]).before("No.") == "No."
