"""Hostile text, every field into every output: shown as it was typed, obeyed by nothing.

One site whose every free text is hostile is built once, and each output is read by somebody else's
reader. The fields are complete by construction: a text column of an input that is neither planted
nor a name (which may hold no such sign) nor has a reason fails. XML 1.0, 2.2: which signs a
document may hold (from memory); MTEXT and its codes: `ezdxf`'s reader.
"""

from __future__ import annotations

import csv
import io
import json
import re
import shutil
import zlib
from collections.abc import Callable, Iterator
from html import unescape
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree

import ezdxf
import matplotlib as mpl
import openpyxl
import pyogrio
import pytest
from pyproj import Transformer
from typer.testing import CliRunner

from lateralline import contract
from lateralline.cli import app
from tests.cli.test_hostile_text import raw
from tests.ingest.test_hostile_tables import formulas
from tests.support.places import ROOT, SAMPLES

SITE = SAMPLES / "slope-levels"
#: Mathematics that does not parse, codes of CAD text, markup, a comment's end, a link, a formula,
#: the end of a statement of SQL.
HOSTILE = (
    r"=1 $\frac{1}{$ $$x_1$$ a_b^c 50%%d \H9;{b} ]]> --> [m](x) </script><b onload=x>&amp;"
    "'\"; DROP TABLE x; --"
)
#: Signs a plan may hold and a site may not.
SIGNS = ("post\x1b[2J", "post\x9b\x7f", "post\u202egnp", "post\ufffe", "post\rsafe", HOSTILE)
UNSEEN = ("\x1b", "\x9b", "\x7f", "\u202e", "\ufffe", "\r")

#: Free texts of a site, and the layers of a record each of them stands in.
FIELDS: dict[str, tuple[str, ...]] = {
    "site.name": ("lineage",),
    "site.surveyor": ("pipe_centreline", "transmitter_fixes"),
    "site.receiver": ("transmitter_fixes", "field_marks"),
    "site.material": ("pipe_centreline",),
    "site.asset_id": ("pipe_centreline", "pipe_nodes"),
    "site.parcel": ("pipe_centreline",),
    "site.owner": ("pipe_centreline",),
    "site.address": ("pipe_centreline",),
    "site.asset_crew_word": ("pipe_centreline",),
    "site.by": ("findings",),
    "site.reason": ("findings",),
    "marks.note": ("field_marks",),
    "stops.note": ("transmitter_fixes",),
    "observations.code": ("pipe_observations",),
    "observations.defect_severity": ("pipe_observations",),
    "observations.text": ("pipe_observations",),
    "photos.note": ("field_photos",),
}
#: Fields that nothing but the record and the site's own workbook shows unless asked.
PRIVATE = ("site.owner", "site.address")
#: Text columns that hold no free text, or none that leaves the reader: each with its reason.
OTHERS = {
    "codes": "words and patterns of one reader of point files, never part of a record",
    "ids": "written by builds; names and days",
    "added": "surveyor and receiver of a visit go where those of a site go",
    "assets": "columns of [asset], by line",
    "control.note": "stays with the site",
    "exposures.note": "stays with the site",
    "site.horizontal": "a coordinate system, or refused", "site.vertical": "likewise",
    "site.map_crs": "likewise", "site.extent": "numbers", "site.grids": "a folder",
    "site.from": "a file", "site.rule": "a known rule, or refused",
    "site.nominal": "a known size, or told", "site.private": "names of columns",
    "site.public": "likewise", "site.code": "a known finding, or told",
    "site.subject": "what a finding is about, or told", "site.cause": "eight characters",
    "marks.ties": "names and lengths", "exposures.ties": "likewise",
    "photos.file": "a file beside the site",
}  # fmt: skip
#: Names: letters, digits and a few signs (`lateralline.names`).
NAMES = {
    "id", "line", "run", "stop", "mark", "point", "entry", "main", "joins", "exposure", "node",
    "base_from", "base_to", "line_id",
}  # fmt: skip


def tagged(field: str) -> str:
    """The hostile text of a field, with a word by which it is found again."""
    return f"{HOSTILE} {tag(field)}"


def tag(field: str) -> str:
    return f"zz{list(FIELDS).index(field):02d}zz"


def run(*arguments: object) -> str:
    done = CliRunner().invoke(app, [str(a) for a in arguments])
    assert done.exit_code in (0, 1), done.output
    return done.output


def test_every_text_of_a_site_is_walked_or_has_a_reason() -> None:
    tables = (path.stem for path in (ROOT / "schemas").glob("lateralline_schemas/v2/inputs/*.toml"))
    missing = [
        f"{name}.{c.name}"
        for name in tables
        for c in contract.load(name).field
        if c.type == "text" and not c.enum
        if not {f"{name}.{c.name}", name} & {*FIELDS, *OTHERS}
        if not (c.name in NAMES or f"{name}.{c.name}" == "exposures.name")
    ]
    assert missing == []


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A sample site with every free text hostile."""
    folder = tmp_path_factory.mktemp("hostile") / "site"
    shutil.copytree(SITE, folder)
    for field in FIELDS:
        table, column = field.split(".")
        path = folder / f"{table}.csv"
        if table == "site":
            continue
        head, *rows = csv.reader(io.StringIO(path.read_text(encoding="utf-8")))
        head += [] if column in head else [column]
        for row in rows:
            row += [""] * (len(head) - len(row))
            row[head.index(column)] = tagged(field)
        out = io.StringIO()
        csv.writer(out, lineterminator="\n").writerows([head, *rows])
        path.write_text(out.getvalue(), encoding="utf-8")
    toml = (folder / "site.toml").read_text(encoding="utf-8")
    for key in ("name", "surveyor", "material"):
        text = f"{key} = {json.dumps(tagged(f'site.{key}'))}"
        toml = re.sub(rf"^{key} = .*$", lambda _, t=text: t, toml, count=1, flags=re.M)
    toml = toml.replace("[[run]]", f"[[run]]\nreceiver = {json.dumps(tagged('site.receiver'))}", 1)
    assets = ("asset_id", "parcel", "owner", "address", "asset_crew_word")
    toml += "\n[asset]\n" + "".join(
        f"{name.removeprefix('asset_') if name == 'asset_crew_word' else name} = "
        f"{json.dumps(tagged(f'site.{name}'))}\n"
        for name in assets
    )
    (folder / "site.toml").write_text(toml, encoding="utf-8")
    found = json.loads(run("check", folder, "--json"))["sites"][0]["findings"]
    asked = next(f for f in found if f["severity"] == "warning") if any(
        f["severity"] == "warning" for f in found
    ) else found[0]  # fmt: skip
    run("accept", folder, asked["code"], asked["subject"], "--cause", asked["cause"],
        "--by", tagged("site.by"), "--reason", tagged("site.reason"))  # fmt: skip
    return folder


@pytest.fixture(scope="module")
def record(site: Path) -> Path:
    out = site.with_name("out")
    assert raw(run("build", site, "-o", out, "--full")) == []
    return out


@pytest.fixture(scope="module")
def plan(site: Path) -> Path:
    to_degrees = Transformer.from_crs("EPSG:32617", "EPSG:4326", always_xy=True)
    place = {"type": "Point", "coordinates": to_degrees.transform(467499.0, 4661155.0)}
    about = {"kind": "post", "depth_m": 0.9, "radius_m": 0.1}
    works = [
        {"type": "Feature", "geometry": place, "properties": {"name": name, **about}}
        for name in SIGNS
    ]
    path = site.with_name("plan.geojson")
    path.write_text(json.dumps({"type": "FeatureCollection", "features": works}))
    return path


# ---- what others read in an output ----------------------------------------------------------


def texts_of(value: object) -> Iterator[str]:
    """The texts of a JSON document."""
    if isinstance(value, dict):
        value = [*value, *value.values()]
    if isinstance(value, list):
        for one in value:
            yield from texts_of(one)
    elif isinstance(value, str):
        yield value


class Elements(HTMLParser):
    """The elements of a page with their attributes, and its texts."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.made: list[tuple[str, dict[str, str | None]]] = []
        self.texts: list[str] = []
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.made.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        if self.made and self.made[-1][0] == "script":
            try:
                self.texts += texts_of(json.loads(data))
            except ValueError:
                assert "zz00zz" not in data, "a program holds a text of the site"
        else:
            self.texts.append(data)


def in_html(path: Path) -> Iterator[str]:
    page = Elements(path.read_text(encoding="utf-8"))
    assert not [t for t, a in page.made if any(name.startswith("on") for name in a)]
    assert sum(t == "script" for t, _ in page.made) == 3  # data, bokeh, ours
    yield from page.texts


def in_kml(path: Path) -> Iterator[str]:
    root = ElementTree.parse(path).getroot()
    for element in root.iter():
        text = element.text or ""
        if element.tag.endswith("}name"):  # a label, plain text by OGC KML 2.3 (from memory)
            yield text
        else:  # a balloon is HTML
            assert "<b onload" not in text
            assert "</script>" not in text
            yield unescape(text)


def in_dxf(path: Path) -> Iterator[str]:
    drawing = ezdxf.readfile(path)
    assert not drawing.audit().has_errors
    for text in drawing.modelspace().query("MTEXT"):
        yield text.plain_text().replace("% %", "%%")  # a doubled per cent sign has no escape


def in_geopackage(path: Path) -> Iterator[str]:
    for layer, _ in pyogrio.list_layers(path):
        frame = pyogrio.read_dataframe(path, layer=layer, read_geometry=False)
        for column in frame.select_dtypes(["object", "str"]):
            yield from (str(v) for v in frame[column].dropna())


def in_json(path: Path) -> Iterator[str]:
    for one in sorted(path.rglob("*.geojson")) if path.is_dir() else [path]:
        yield from texts_of(json.loads(one.read_text(encoding="utf-8")))


def in_csv(path: Path) -> Iterator[str]:
    files = sorted(path.glob("*.csv"))
    assert files
    for file in files:
        text = file.read_text(encoding="utf-8")
        assert formulas(text) == []
        for row in csv.reader(io.StringIO(text)):
            # an apostrophe keeps a spreadsheet from running what stands there, or behind a ";"
            yield from (cell.removeprefix("'").replace(";' --", "; --") for cell in row)


def in_workbook(path: Path) -> Iterator[str]:
    for sheet in openpyxl.load_workbook(path):
        for row in sheet.iter_rows():
            for cell in row:
                assert cell.data_type != "f", f"{sheet.title}!{cell.coordinate}"
                yield str(cell.value or "")


def in_text(path: Path) -> Iterator[str]:
    text = path.read_text(encoding="utf-8")
    assert raw(text) == []
    yield " ".join(text.split())


def in_pdf(path: Path) -> Iterator[str]:
    """Nothing of a name ends a string, a stream or the file early; its letters are outlines."""
    pdf = path.read_bytes()
    for stream in re.findall(rb"/FlateDecode.*?stream\r?\n(.*?)\r?\nendstream", pdf, re.S):
        reader = zlib.decompressobj()
        reader.decompress(stream + b"\r")  # its own last byte may have been a carriage return
        assert reader.eof, "something a name holds ended a stream or an object early"
    assert pdf.rstrip().endswith(b"%%EOF")
    assert pdf.count(b"%%EOF") == 1
    yield info(pdf, b"Title")


def info(pdf: bytes, key: bytes) -> str:
    """A text of a PDF's information dictionary (ISO 32000-1, 7.9.2: UTF-16, from memory)."""
    found = re.search(rb"/" + key + rb" \((.*?)(?<!\\)\)\s", pdf, re.S)
    assert found
    text = re.sub(rb"\\([()\\])", rb"\1", found[1])
    text = re.sub(rb"\\n", b"\n", text)
    return text.decode("utf-16") if text.startswith(b"\xfe\xff") else text.decode("latin-1")


def said_in(svg: Path) -> str:
    """The words of a picture, which matplotlib keeps in comments beside the letters' outlines."""
    parser = ElementTree.XMLParser(target=ElementTree.TreeBuilder(insert_comments=True))
    root = ElementTree.parse(svg, parser).getroot()
    return " ".join(" ".join(str(e.text) for e in root.iter() if callable(e.tag)).split())


def in_svg(path: Path) -> Iterator[str]:
    """A text too long for its line goes on in the next: what is whole is how it begins."""
    words = said_in(path)
    assert HOSTILE[:40] in words
    yield from ()


Reader = Callable[[Path], Iterator[str]]
#: Each output: the command but for the target, its name, its reader, and which fields it must
#: show whole; others it may leave out, and may not show otherwise than typed.
OUTPUTS: dict[str, tuple[tuple[str, ...], str, Reader, tuple[str, ...]]] = {
    "page": (("page", "RECORD"), "a.html", in_html, tuple(set(FIELDS) - {*PRIVATE,
                                                                         "site.surveyor"})),
    "kml": (("export", "RECORD"), "a.kml", in_kml, (
        "site.surveyor", "site.receiver", "site.asset_id", "stops.note", "observations.code",
        "observations.text")),
    "dxf": (("export", "RECORD"), "a.dxf", in_dxf, ("observations.code",)),
    "csv": (("handover", "RECORD", "--profile", "municipal", "--format", "csv"), "csv", in_csv,
            ("site.name", "site.surveyor", "site.receiver")),
    "geojson": (("handover", "RECORD", "--profile", "municipal", "--format", "geojson"), "gj",
                in_json, ("site.name", "site.surveyor", "site.receiver")),
    "workbook": (("new", "--xlsx", "--from", "SITE"), "a.xlsx", in_workbook, tuple(FIELDS)),
    "report": (("check", "SITE", "--report"), "a.txt", in_text, (
        "site.name", "site.receiver", "site.material", "site.by", "site.reason")),
    "sheet": (("sheet", "RECORD", "--with-private"), "a.pdf", in_pdf, ()),
    "crew": (("sheet", "RECORD", "--crew"), "b.pdf", in_pdf, ()),
    "cards": (("ties", "RECORD"), "c.pdf", in_pdf, ()),
    "explain": (("explain", "RECORD", "R1/3"), "d.pdf", in_pdf, ()),
    "kerb": (("field-sheet", "SITE"), "e.pdf", in_pdf, ()),
    "picture": (("draw", "RECORD"), "a.svg", in_svg, ()),
}  # fmt: skip


@pytest.fixture(scope="module")
def read(site: Path, record: Path) -> dict[str, list[str]]:
    """What others read in each output."""
    found = {
        "record": list(in_geopackage(record / "asbuilt.gpkg")),
        "layers for the web": list(in_json(record / "geojson")),
    }
    with mpl.rc_context({"text.parse_math": True, "text.usetex": True}):  # of whoever runs it
        for name, (command, target, reader, _) in OUTPUTS.items():
            out = record.with_name(target)
            given = [str({"RECORD": record, "SITE": site}.get(part, part)) for part in command]
            if command[0] == "new":
                given = ["new", str(out), *given[1:]]
            else:
                given += [str(out)] if given[-1] == "--report" else ["-o", str(out)]
            assert raw(run(*given)) == [], name
            found[name] = list(reader(out))
    return {
        name: [each for text in texts for each in within(text)] for name, texts in found.items()
    }


def within(text: str) -> list[str]:
    """Return the texts of a column that is JSON, as two of findings are; else the text."""
    try:
        return list(texts_of(json.loads(text))) if text.startswith(('{"', '["')) else [text]
    except json.JSONDecodeError:
        return [text]


@pytest.mark.parametrize("field", FIELDS)
def test_a_field_is_shown_as_it_was_typed_wherever_it_stands(
    field: str, read: dict[str, list[str]]
) -> None:
    word, whole = tag(field), " ".join(tagged(field).split())
    stands = {name: [t for t in texts if word in t] for name, texts in read.items()}
    assert stands["record"], "it is nowhere in the record"
    for name, texts in stands.items():
        for text in texts:
            assert whole in " ".join(text.split()), (name, text)
    for name, (_, _, _, shown) in OUTPUTS.items():
        assert stands[name] or field not in shown, f"{name} does not show it"
        assert not stands[name] or field not in PRIVATE or name == "workbook", name


@pytest.mark.parametrize("field", FIELDS)
def test_a_field_stands_in_its_layers_unchanged(field: str, record: Path) -> None:
    for layer in FIELDS[field]:
        frame = pyogrio.read_dataframe(record / "asbuilt.gpkg", layer=layer, read_geometry=False)
        texts = [str(v) for c in frame.select_dtypes(["object", "str"]) for v in frame[c].dropna()]
        held = [text for text in texts if tag(field) in text]
        assert held, layer
        assert all(tagged(field) in text for text in held)


# ---- names in a plan, which may hold any sign -----------------------------------------------


@pytest.mark.parametrize("suffix", ["svg", "pdf"])
def test_an_overlay_picture_shows_signs_nobody_sees(
    record: Path, plan: Path, tmp_path: Path, suffix: str
) -> None:
    run("clearance", record, plan, "--required", "3m", "--picture", tmp_path / f"a.{suffix}")
    if suffix == "svg":
        assert not any(sign in (tmp_path / "a.svg").read_text("utf-8") for sign in UNSEEN)
        assert "post\\u001b[2J" in said_in(tmp_path / "a.svg")
        assert "post\\u202egnp" in said_in(tmp_path / "a.svg")


def test_layers_of_a_plan_are_read_by_others(record: Path, plan: Path, tmp_path: Path) -> None:
    run("clearance", record, plan, "--required", "3m", "-o", tmp_path / "o")
    held = pyogrio.read_dataframe(tmp_path / "o" / "clearance.gpkg", layer="planned_works")
    assert HOSTILE in set(held["work_name"])
    for path in (tmp_path / "o" / "geojson").glob("*.geojson"):
        json.loads(path.read_text(encoding="utf-8"))
