"""Every command run once: what it writes and prints warns, and nothing leaves the machine.

Every output that could guide digging says it is no clearance to dig.

The list is complete by construction: a kind of `output.proof.KINDS`, a command, a layer or a file
of a new ending that has no entry here fails. Pages of PDFs and pictures are read as they are drawn:
each figure that is saved is asked for its texts.
"""

from __future__ import annotations

import ast
import json
import logging
import re
import socket
import sqlite3
import threading
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import ezdxf
import openpyxl
import pyarrow.parquet
import pyogrio
import pytest
from matplotlib.figure import Figure
from typer.main import get_command
from typer.testing import CliRunner

from lateralline import contract
from lateralline.cli import app
from lateralline.errors import ContractError
from lateralline.ingest.map_layers import GdalError, map_layers
from lateralline.output.proof import KINDS, MANIFEST
from lateralline.record import CAUTION
from tests.support.places import ROOT, SAMPLES
from tests.support.sheet_reading import texts_of

#: What the caution begins with; sheets write it in capitals over the rest.
_HEAD, _, _REST = CAUTION.partition(". ")
SITE = SAMPLES / "gnss-bend-branch"
MAINS = (
    "--mains", SAMPLES / "register" / "quarry-mains.geojson", "--id-column", "main",
    "--upstream-access", "from_access", "--downstream-access", "to_access",
    "--column", "diameter_mm=diameter_mm",
)  # fmt: skip
PLAN = (SAMPLES / "planned-works" / "quarry-plan.geojson", "--required", "0.3m")
LINES = (SAMPLES / "register" / "quarry-register.geojson", "--id-column", "asset")
FORMATS = ("geopackage", "geojson", "geoparquet", "flatgeobuf", "shapefile", "csv")

#: Each run: the command, and each kind of output with where it is. R is the built record.
RUNS: dict[str, tuple[tuple[object, ...], dict[str, str]]] = {
    "build": (
        ("build", SITE, "-o", "R", "--also", "geoparquet,flatgeobuf,qgis-project",
         "--report", "report.txt"),
        {"record": "R", "report": "report.txt"},
    ),
    "zones": (
        ("zones", "R", "--rule", "cga", "-o", "zones", "--picture", "zones.png"),
        {"dig-zones": "zones", "zones-picture": "zones.png"},
    ),
    "clearance": (
        ("clearance", "R", *PLAN, "-o", "clear", "--picture", "clear.png"),
        {"clearance": "clear", "clearance-picture": "clear.png"},
    ),
    "match": (
        ("match", "R", *LINES, "-o", "matches", "--picture", "matches.svg"),
        {"matches": "matches", "matches-picture": "matches.svg"},
    ),
    "connect": (
        ("connect", "R", *MAINS, "-o", "mains", "--picture", "mains.pdf"),
        {"connections": "mains", "connections-picture": "mains.pdf"},
    ),
    "sheet": (("sheet", "R", "-o", "sheet.pdf"), {"sheet": "sheet.pdf"}),
    "city": (("build", SAMPLES / "tape-ties", SAMPLES / "slope-levels", "-o", "C"), {}),
    "sheets": (("sheet", "C", "-o", "sheets", "--crew"), {"sheets": "sheets"}),
    "page": (("page", "R", "-o", "page.html"), {"page": "page.html"}),
    "page again": (("page", "R", "-o", "page.html", "--replace"), {"page": "page.html"}),
    "pages": (("page", "C", "-o", "pages"), {"pages": "pages"}),
    "draw": (("draw", "R", "-o", "plan.png"), {"picture": "plan.png"}),
    "explain": (("explain", "R", "R1/4", "-o", "why.pdf"), {"explanation": "why.pdf"}),
    "ties": (
        ("ties", "R", "--points", "more.csv", "-o", "cards.pdf", "--tapes", "tapes.gpkg"),
        {"tie-cards": "cards.pdf", "tie-tapes": "tapes.gpkg"},
    ),
    "cards": (("ties", "C", "-o", "cards"), {"cards": "cards"}),
    "dxf": (("export", "R", "zones", "clear", "-o", "a.dxf"), {"drawing": "a.dxf"}),
    "kml": (("export", "R", "-o", "a.kml"), {"map": "a.kml"}),
    "update": (
        ("update", SITE, SAMPLES / "added" / "gnss-bend-branch", "-o", "june", "--changes",
         "moved.gpkg"),
        {"record-changes": "moved.gpkg"},
    ),
    **{
        f"handover {form}": (
            ("handover", "R", "--profile", "municipal", "--format", form, "-o", f"over-{form}"),
            {"hand-over": f"over-{form}"},
        )
        for form in FORMATS
    },
    "field-sheet": (("field-sheet", "-o", "kerb.pdf"), {"field-sheet": "kerb.pdf"}),
    "check": (("check", SITE), {}),
    "seal": (("seal", "zones", "--key", "my.key"), {"seal": "zones/seal.json"}),
    "verify": (("verify", "zones", "--key", "my.key.pub"), {}),
    "workbook": (("new", "book", "--xlsx"), {"workbook": "book.xlsx"}),
}  # fmt: skip
#: Kinds that show no pipe: what a crew measured, and words of descriptions.
SHOW_NO_PIPE = {
    "site": "what a crew measured, before anything is solved",
    "codes": "words and patterns of descriptions in point files",
    "accuracies": "how far receivers and crews err, wherever that was",
}
#: Commands that need a database, many sites, or change one: their source is read in place of a run.
READ_ONLY = ("accept", "publish", "diff", "calibrate")
#: Commands whose screens show no pipe and where none is.
SAY_NOTHING_OF_PIPE = {
    "new": "a site still to be filled in",
    "import-points": "what a crew measured",
    "upgrade": "a site under other names",
    "practice": "an invented site",
    "schema": "what columns mean; of each layer with its caution",
    "prove": "simulated lines nobody digs at",
    "bench": "seconds",
    "register": "tables made in a database",
    "history": "versions and days",
    "retract": "which version holds no more",
}


class KeptLog(logging.Handler):
    """Keeps what is logged, by name of logger and message."""

    def __init__(self, level: int) -> None:
        super().__init__(level)
        self.told: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        if record.levelno > logging.DEBUG:
            self.told.append(f"{record.name}: {record.getMessage()}")


@pytest.fixture(scope="module")
def walked(tmp_path_factory: pytest.TempPathFactory) -> dict[str, object]:
    """Run every command once; keep what it printed, wrote and drew."""
    home = tmp_path_factory.mktemp("cautions")
    drawn: list[str] = []
    save = Figure.savefig
    reached: list[object] = []
    kept_log = KeptLog(logging.INFO)

    def kept(figure: Figure, *args: object, **more: object) -> None:
        drawn.append(" ".join(t.get_text() for t in texts_of(figure)))
        save(figure, *args, **more)

    def refuse(where: object, *args: object) -> None:
        reached.append((where, args))
        raise OSError("no network here")

    root = logging.getLogger()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Figure, "savefig", kept)
        for name in ("connect", "connect_ex", "sendto"):
            patch.setattr(socket.socket, name, refuse)
        patch.setattr(socket, "getaddrinfo", refuse)
        for logger in (root, logging.getLogger("lateralline.output")):
            patch.setattr(logger, "level", logging.INFO)
        root.addHandler(kept_log)
        patch.chdir(home)
        Path("more.csv").write_text("point,x,y\nA,467190,4660990\nB,467210,4660990\n")
        assert CliRunner().invoke(app, ["seal", "--new-key", "my.key"]).exit_code == 0
        found: dict[str, object] = {"home": home, "reached": reached, "log": kept_log.told}
        for name, (command, _) in RUNS.items():
            drawn.clear()
            if name == "page again":  # kept beside the new one, and told
                Path("page.html").write_text(Path("page.html").read_text("utf-8") + "<p>mine</p>")
            done = CliRunner().invoke(app, [str(part) for part in command])
            assert done.exit_code in (0, 1), f"{name}: {done.output}"
            found[name] = (done.output, tuple(drawn))
        root.removeHandler(kept_log)
    return found


def warned(text: str) -> bool:
    """Whether the caution stands in a text, whole."""
    said = " ".join(text.split()).casefold()
    return _HEAD.casefold() in said and _REST.casefold() in said


def lacking(path: Path, pages: tuple[str, ...]) -> list[str]:
    """What of a file or folder has no caution; `pages` are those drawn with it."""
    if path.is_dir():
        files = sorted(p for p in path.rglob("*") if p.is_file())
        assert files, path
        return [lack for file in files for lack in lacking(file, pages)]
    if path.suffix in BESIDE or path.name == MANIFEST:
        return []
    assert path.suffix in READERS, f"{path.name}: no reader for files of this ending"
    return [f"{path.name}: {part}" for part, text in READERS[path.suffix](path, pages)
            if not warned(text)]  # fmt: skip


def shows_pipe(layer: str) -> bool:
    """Whether a layer of ours shows pipe; a layer of a register's own name always may."""
    try:
        return bool(contract.load(layer).caution)
    except (ContractError, KeyError, FileNotFoundError, OSError):
        return True


Read = Callable[[Path, tuple[str, ...]], Iterator[tuple[str, str]]]


def _text(path: Path, pages: tuple[str, ...]) -> Iterator[tuple[str, str]]:
    layer = path.name.partition(".")[0]
    if shows_pipe(layer):
        yield "text", path.read_text(encoding="utf-8").replace('\\"', '"')


def _layers(path: Path, pages: tuple[str, ...]) -> Iterator[tuple[str, str]]:
    with closing(sqlite3.connect(path)) as db:
        rows = db.execute("SELECT table_name, description FROM gpkg_contents").fetchall()
    assert rows
    for name, description in rows:
        if name not in ("layer_styles", "qgis_projects") and shows_pipe(name):
            yield f"description of {name}", description
        ours = name in (*contract.LAYERS, *contract.OVERLAYS)
        if ours and "caution" in contract.load(name).names:
            frame = pyogrio.read_dataframe(path, layer=name)
            yield from ((f"row of {name}", text) for text in frame["caution"])


def _drawn(path: Path, pages: tuple[str, ...]) -> Iterator[tuple[str, str]]:
    assert pages, f"{path.name} was not drawn as a figure"
    yield from ((f"page {n}", page) for n, page in enumerate(pages, start=1))


def _dxf(path: Path, pages: tuple[str, ...]) -> Iterator[tuple[str, str]]:
    notes = ezdxf.readfile(path).modelspace().query("MTEXT")
    yield "notes", " ".join(note.plain_text() for note in notes)


def _parquet(path: Path, pages: tuple[str, ...]) -> Iterator[tuple[str, str]]:
    if shows_pipe(path.stem):
        schema = pyarrow.parquet.read_schema(path)
        told = {k.decode(): v.decode() for k, v in (schema.metadata or {}).items()}
        column = next((n for n in schema.names if n.casefold() == "caution"), None)
        texts = pyarrow.parquet.read_table(path, columns=[column])[column] if column else ()
        yield "metadata or rows", " ".join([*told.values(), *(str(t) for t in texts[:1])])


def _frame(path: Path, pages: tuple[str, ...]) -> Iterator[tuple[str, str]]:
    """A file of one layer: the caution in its metadata, else in every row."""
    if not shows_pipe(path.stem):
        return
    about = json.dumps(pyogrio.read_info(path).get("layer_metadata") or {}, ensure_ascii=False)
    if warned(about):
        return
    frame = pyogrio.read_dataframe(path, read_geometry=False)
    if path.suffix == ".csv" and "WKT" not in frame:
        return  # a table without a place
    column = next((n for n in frame if n.casefold() == "caution"), None)
    texts = list(frame[column]) if column else [""]
    yield from (("row", str(text)) for text in texts)


def _workbook(path: Path, pages: tuple[str, ...]) -> Iterator[tuple[str, str]]:
    book = openpyxl.load_workbook(path, read_only=True)
    cells = (str(c) for s in book for row in s.iter_rows(values_only=True) for c in row if c)
    yield "cells", " ".join(cells)


READERS: dict[str, Read] = {
    **dict.fromkeys((".html", ".kml", ".json", ".geojson", ".md", ".txt"), _text),
    **dict.fromkeys((".pdf", ".png", ".svg"), _drawn),
    ".gpkg": _layers,
    ".dxf": _dxf,
    ".parquet": _parquet,
    **dict.fromkeys((".fgb", ".shp", ".csv"), _frame),
    ".xlsx": _workbook,
}
#: Parts of a shapefile, which is read whole; styles, types of columns and mapping
#: profiles; what pages of one folder share. Manifests tell hashes, and nothing of where a pipe is.
BESIDE = {".dbf", ".shx", ".prj", ".cpg", ".csvt", ".qml", ".toml", ".css", ".js"}


@pytest.mark.parametrize("name", RUNS)
def test_an_output_says_it_is_no_clearance(name: str, walked: dict[str, object]) -> None:
    home, (output, drawn) = walked["home"], walked[name]
    for path in RUNS[name][1].values():
        assert lacking(home / path, drawn) == [], path
    if name not in ("workbook",):
        assert warned(output), f"the screen of {name}"


def test_every_kind_of_output_is_in_the_list() -> None:
    kinds = {kind for _, made in RUNS.values() for kind in made} - {"workbook"}
    assert kinds | set(SHOW_NO_PIPE) == set(KINDS)
    assert not kinds & set(SHOW_NO_PIPE)


def test_every_command_is_in_the_list() -> None:
    run = {str(command[0]) for command, _ in RUNS.values()} - {"new"}
    assert run | {*READ_ONLY, *SAY_NOTHING_OF_PIPE} == set(get_command(app).commands)
    rooms = (ROOT / "pipeline" / "lateralline" / "cli").glob("*.py")
    parts = {
        node.name: node
        for room in rooms
        for node in ast.parse(room.read_text("utf-8")).body
        if isinstance(node, ast.FunctionDef)
    }
    for name in READ_ONLY:
        calls = [n for n in ast.walk(parts[name]) if isinstance(n, ast.Call)]
        assert "print_last_words" in {ast.unparse(call.func) for call in calls}, name


def test_the_caution_has_one_owner() -> None:
    """Its words stand in the schemas, and nowhere else is a text that says them anew."""
    words = "Call the local one-call service and follow local codes"
    found = [
        path.relative_to(ROOT).as_posix()
        for path in sorted((ROOT / "pipeline").rglob("*"))
        if path.suffix in (".py", ".html", ".js", ".css") and words in path.read_text("utf-8")
    ]
    assert found == []
    declared = [contract.load(n).caution for n in (*contract.LAYERS, *contract.OVERLAYS)]
    assert {text for text in declared if text} == {CAUTION}


# ---- what leaves the machine ----------------------------------------------------------------

#: Coordinates of the sample sites: eastings, northings, feet of Ohio North, degrees.
_PLACES = re.compile(r"46\d{4}\.\d|466\d{4}|22[67]\d{4}\.|88[89]\d{3}\.|-81\.\d{3}|42\.\d{3}")


def test_no_log_above_debug_says_where(walked: dict[str, object]) -> None:
    told = walked["log"]
    assert any("kept as page.kept-1.html" in line for line in told)  # something is logged at all
    where = (str(walked["home"]), str(SAMPLES), str(Path.home()))
    assert [line for line in told if _PLACES.search(line) or any(w in line for w in where)] == []


def test_no_command_reaches_for_the_network(walked: dict[str, object]) -> None:
    assert walked["reached"] == []


@pytest.mark.parametrize("past_proxies", ["", "*"])
def test_files_that_name_a_server_fetch_nothing(
    past_proxies: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """GDAL's own way out: formats that are no more than an address are opened on sight."""
    monkeypatch.setenv("no_proxy", past_proxies)
    asked: list[bytes] = []
    server = socket.create_server(("127.0.0.1", 0))
    server.settimeout(60)
    url = f"http://127.0.0.1:{server.getsockname()[1]}"

    def answer() -> None:
        while True:
            try:
                one, _ = server.accept()
            except OSError:
                return
            asked.append(one.recv(200))
            one.close()

    threading.Thread(target=answer, daemon=True).start()
    files = {
        "a.vrt": "<OGRVRTDataSource><OGRVRTLayer name='x'><SrcDataSource>/vsicurl/"
        f"{url}/x.geojson</SrcDataSource></OGRVRTLayer></OGRVRTDataSource>",
        "b.xml": f"<OGRWFSDataSource><URL>{url}/wfs</URL></OGRWFSDataSource>",
        "c.gdalg.json": '{"type": "gdal_streamed_alg", "command_line": "gdal vector pipeline ! '
        f'read /vsicurl/{url}/x.geojson ! write --format stream streamed_dataset"}}',
    }
    for name, text in files.items():
        (tmp_path / name).write_text(text)
        with pytest.raises(GdalError):
            map_layers(tmp_path / name)
    server.close()
    assert asked == []
