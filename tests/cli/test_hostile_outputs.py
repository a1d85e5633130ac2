"""Hostile text in what is drawn and written: shown as it was typed, obeyed by nothing.

Walked through whole commands: the site's own name and words, and the names in a plan. The page,
KML, drawings and sheets have tests of their own beside what else they promise; here each of them is
read by somebody else's reader where there is one. XML 1.0, 2.2: which signs a document may hold
(from memory); MTEXT and its codes: `ezdxf`'s reader.
"""

from __future__ import annotations

import csv
import io
import json
import re
import zlib
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree

import ezdxf
import matplotlib as mpl
import pyogrio
import pytest
from typer.testing import CliRunner

from lateralline.cli import app
from tests.support.places import ROOT

SITE = ROOT / "sample_sites" / "gnss-bend-branch"
#: Mathematics that does not parse, codes of CAD text, markup, a comment's end, a link, a formula.
HOSTILE = (
    r"=1 $\frac{1}{$ $$x_1$$ a_b^c 50%%d \H9;{b} ]]> --> [m](x) </script><b onload=x>&amp;"
    "'\""
)
#: Signs a plan may hold and a site may not.
SIGNS = ("post\x1b[2J", "post\x9b\x7f", "post\u202egnp", "post\ufffe", "post\rsafe", HOSTILE)
UNSEEN = ("\x1b", "\x9b", "\x7f", "\u202e", "\ufffe", "\r")


def run(*arguments: object) -> str:
    done = CliRunner().invoke(app, [str(a) for a in arguments])
    assert done.exit_code in (0, 1), done.output
    return done.output


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A sample site whose name, notes and words of observations are hostile."""
    folder = tmp_path_factory.mktemp("hostile") / "site"
    folder.mkdir()
    for path in SITE.iterdir():
        if path.suffix == ".csv" and path.name != "ids.csv":  # builds write that one, no crew
            rows = list(csv.reader(io.StringIO(path.read_text(encoding="utf-8"))))
            head = rows[0]
            head += [] if "note" in head else ["note"]
            for row in (row for row in rows[1:] if row and not row[0].startswith("#")):
                row += [""] * (len(head) - len(row))
                for column in {"note", "text", "code"} & set(head):
                    row[head.index(column)] = HOSTILE
            out = io.StringIO()
            csv.writer(out, lineterminator="\n").writerows(rows)
            (folder / path.name).write_text(out.getvalue(), encoding="utf-8")
    toml = (SITE / "site.toml").read_text(encoding="utf-8")
    toml = re.sub(r"^name = .*$", lambda _: f"name = {json.dumps(HOSTILE)}", toml, flags=re.M)
    (folder / "site.toml").write_text(toml, encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def record(site: Path) -> Path:
    out = site.with_name("out")
    run("build", site, "-o", out)
    return out


@pytest.fixture(scope="module")
def plan(site: Path) -> Path:
    place = {"type": "Point", "coordinates": [-81.39672987, 42.10030846]}
    about = {"kind": "post", "depth_m": 0.9, "radius_m": 0.1}
    works = [
        {"type": "Feature", "geometry": place, "properties": {"name": name, **about}}
        for name in SIGNS
    ]
    path = site.with_name("plan.geojson")
    path.write_text(json.dumps({"type": "FeatureCollection", "features": works}))
    return path


def said_in(svg: Path) -> str:
    """The words of a picture, which matplotlib keeps in comments beside the letters' outlines."""
    parser = ElementTree.XMLParser(target=ElementTree.TreeBuilder(insert_comments=True))
    root = ElementTree.parse(svg, parser).getroot()
    return " ".join(" ".join(str(e.text) for e in root.iter() if callable(e.tag)).split())


@pytest.mark.parametrize("suffix", ["svg", "pdf"])
def test_a_picture_takes_no_name_for_mathematics(record: Path, tmp_path: Path, suffix: str) -> None:
    with mpl.rc_context({"text.parse_math": True, "text.usetex": True}):  # of whoever runs it
        run("draw", record, "-o", tmp_path / f"a.{suffix}")
    if suffix == "svg":
        # A name too long for one line of the title block goes on in the next, whole.
        assert r"=1 $\frac{1}{$ $$x_1$$ a_b^c 50%%d \H9;{b} ]]" in said_in(tmp_path / "a.svg")


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


def test_a_drawing_says_words_as_they_are(record: Path, tmp_path: Path) -> None:
    run("export", record, "-o", tmp_path / "a.dxf")
    drawing = ezdxf.readfile(tmp_path / "a.dxf")
    assert not drawing.audit().has_errors
    texts = [text.plain_text() for text in drawing.modelspace().query("MTEXT")]
    shown = HOSTILE.replace("%%", "% %")  # a doubled per cent sign has no escape
    assert any(shown in text for text in texts), texts


def test_kml_is_read_by_others(record: Path, tmp_path: Path) -> None:
    run("export", record, "-o", tmp_path / "a.kml")
    root = ElementTree.parse(tmp_path / "a.kml").getroot()
    balloons = [e.text or "" for e in root.iter() if e.tag.endswith("description")]
    assert not any("<b onload" in text or "</script>" in text for text in balloons)
    assert any("&lt;b onload=x&gt;&amp;amp;" in text for text in balloons)


class Elements(HTMLParser):
    """The elements of a page with their attributes."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.made: list[tuple[str, dict[str, str | None]]] = []
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.made.append((tag, dict(attrs)))


def test_a_page_takes_no_name_for_markup(record: Path, tmp_path: Path) -> None:
    run("page", record, "-o", tmp_path / "a.html")
    made = Elements((tmp_path / "a.html").read_text(encoding="utf-8")).made
    assert not [
        tag for tag, attributes in made if any(name.startswith("on") for name in attributes)
    ]


def info(pdf: bytes, key: bytes) -> str:
    """A text of a PDF's information dictionary (ISO 32000-1, 7.9.2: UTF-16, from memory)."""
    found = re.search(rb"/" + key + rb" \((.*?)(?<!\\)\)\s", pdf, re.S)
    assert found
    raw = re.sub(rb"\\([()\\])", rb"\1", found[1])
    raw = re.sub(rb"\\n", b"\n", raw)
    return raw.decode("utf-16") if raw.startswith(b"\xfe\xff") else raw.decode("latin-1")


@pytest.mark.parametrize(
    "made", [("sheet", "record"), ("field-sheet", "site"), ("ties", "record")], ids=lambda m: m[0]
)
def test_pdf_keeps_names_within_their_strings(
    made: tuple[str, str], tmp_path: Path, request: pytest.FixtureRequest
) -> None:
    command, given = made
    points = tmp_path / "points.csv"
    points.write_text(
        "point,x,y\nA,467190,4660990\nB,467210,4660990\nC$x_1$ $$a^b$$,467190,4661010\n"
    )
    more = ("--points", points) if command == "ties" else ()
    run(command, request.getfixturevalue(given), *more, "-o", tmp_path / "a.pdf")
    pdf = (tmp_path / "a.pdf").read_bytes()
    for stream in re.findall(rb"/FlateDecode.*?stream\r?\n(.*?)\r?\nendstream", pdf, re.S):
        reader = zlib.decompressobj()
        reader.decompress(stream + b"\r")  # its own last byte may have been a carriage return
        assert reader.eof, "something a name holds ended a stream or an object early"
    title = info(pdf, b"Title")
    if command == "sheet":
        assert HOSTILE[:30] in title
    assert pdf.rstrip().endswith(b"%%EOF")
    assert pdf.count(b"%%EOF") == 1
