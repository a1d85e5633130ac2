"""What the owner's register says: typed, in every layer, and private where it is to be."""

from __future__ import annotations

import json
import re
import shutil
import sqlite3
import zlib
from contextlib import closing
from datetime import date
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

import lateralline
from lateralline import contract
from lateralline.errors import SiteFaultsError
from lateralline.ingest import read_site
from lateralline.record.assets import columns_of, private_shown
from lateralline.record.reading import read_layer
from lateralline.record.view import read_record
from lateralline.settings import Assets, AssetType
from tests.support.command import run
from tests.support.places import SAMPLES

FEATURES = [name for name in contract.LAYERS if contract.has_assets(name)]
#: Stand in the register alone, so that they can be looked for in whatever is written.
OWNER, ADDRESS, TENANT, PUBLIC = "Zebrazebra", "Quaggastreet", "Okapitenant", "Lat4711"
SITE = f"""
[asset]
owner = "{OWNER}"
parcel = "12/7"
ward = 4
private = ["tenant"]
tenant = "{TENANT}"

[asset.types]
depth_class = "text"
"""
LINES = f"""line_id,asset_id,address,class,lined,renewed,depth_class
L1,{PUBLIC},{ADDRESS} 1,007,true,2019-03-04,1
L2,LAT-2,,12,FALSE,,2
"""


def registered(folder: Path, sample: str = "gnss-bend-branch") -> Path:
    """A sample whose register knows its lines: R2, of L2, has words of its own."""
    shutil.copytree(SAMPLES / sample, folder)
    file = folder / "site.toml"
    text = file.read_text(encoding="utf-8") + "\n[run.asset]\nward = 5.5\n"  # of the last run
    file.write_text(text + SITE, encoding="utf-8")
    (folder / "assets.csv").write_text(LINES, encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A batch of a site with a register, and one without."""
    home = tmp_path_factory.mktemp("register")
    site = registered(home / "site")
    text = (site / "site.toml").read_text(encoding="utf-8")
    assert text.index('id = "R2"') > text.index('id = "R1"')
    said = run("build", site, SAMPLES / "slope-levels", "-o", home / "out")
    assert said.exit_code in (0, 1), said.output
    return home / "out"


def test_every_layer_of_features_has_the_registers_columns_typed(built: Path) -> None:
    for name in FEATURES:
        frame = read_layer(built / "asbuilt.gpkg", name)
        kinds = {c: str(t) for c, t in frame.dtypes.items()}
        assert kinds["asset_ward"] == "float64", name
        assert "datetime" in kinds["asset_renewed"] or not frame["asset_renewed"].notna().any()
        mine = frame[frame["site_id"] == "QH-022"]
        assert set(mine["owner"].dropna()) <= {OWNER}
        assert len(mine["owner"].dropna()) == len(mine), name
        assert frame[frame["site_id"] != "QH-022"]["asset_tenant"].isna().all()
        if "line_id" in frame:
            of_first = mine[mine["line_id"] == "L1"]
            assert set(of_first["asset_id"]) <= {PUBLIC}
            assert set(of_first["asset_class"]) <= {"007"}
            assert set(of_first["asset_lined"]) <= {True}
            assert {str(d)[:10] for d in of_first["asset_renewed"]} <= {"2019-03-04"}


def test_the_nearer_one_holds(built: Path) -> None:
    """[run.asset] of R2 holds for what R2 measured, and for its line: it is the only run there."""
    for name in ("transmitter_fixes", "field_marks", "pipe_centreline"):
        frame = read_layer(built / "asbuilt.gpkg", name, "QH-022")
        key = "line_id" if "line_id" in frame else "run_id"
        wards = frame.groupby(key)["asset_ward"].unique()
        assert list(wards["L1" if key == "line_id" else "R1"]) == [4.0], name
        assert list(wards["L2" if key == "line_id" else "R2"]) == [5.5], name


def test_geojson_its_schema_and_the_dictionary_know_them(built: Path) -> None:
    text = (built / "geojson" / "pipe_centreline.geojson").read_text(encoding="utf-8")
    first = next(
        f["properties"]
        for f in json.loads(text)["features"]
        if f["properties"]["asset_id"] == PUBLIC
    )
    assert (first["asset_renewed"], first["asset_lined"], first["asset_ward"]) == (
        "2019-03-04",
        True,
        4.0,
    )
    schema = (built / "schema" / "pipe_centreline.schema.json").read_text(encoding="utf-8")
    assert '"asset_tenant"' in schema
    dictionary = (built / "DATA_DICTIONARY.md").read_text(encoding="utf-8")
    row = next(line for line in dictionary.splitlines() if line.startswith("| `asset_tenant`"))
    assert "Private" in row
    assert "asset_ward" not in {c.name for c in contract.load("pipe_centreline").field}  # no trace
    with closing(sqlite3.connect(built / "asbuilt.gpkg")) as db:
        told = dict(
            db.execute(
                "SELECT column_name, description FROM gpkg_data_columns "
                "WHERE table_name = 'pipe_nodes'"
            ).fetchall()
        )
    assert "Private" in told["owner"]
    assert "Private" in told["asset_tenant"]
    assert "Private" not in told["asset_ward"]
    lineage = read_layer(built / "asbuilt.gpkg", "lineage", "QH-022")
    said = dict(zip(lineage["item"], lineage["value"], strict=True))
    assert said["private columns"] == "address, asset_tenant, owner"


# ---- private ---------------------------------------------------------------------------------


def all_of(path: Path) -> str:
    """Return what a file holds, parts that are packed (PDF) unpacked too."""
    data = path.read_bytes()
    for packed in re.findall(rb"stream\r?\n(.*?)\r?\nendstream", path.read_bytes(), re.S):
        try:
            data += zlib.decompress(packed)
        except zlib.error:
            continue
    return data.decode("latin-1")


def hexed(word: str) -> str:
    """A word as a PDF's font has it, a glyph for a letter: looked for by its pattern of letters."""
    return "".join(f"{ord(c):02x}" for c in word)


COMMANDS = {
    "page.html": ("page",), "pages": ("page",), "sheet.pdf": ("sheet",), "sheets": ("sheet",),
    "out.kml": ("export",), "out.dxf": ("export",), "plan.svg": ("draw",),
}  # fmt: skip


@pytest.mark.parametrize("name", COMMANDS)
def test_no_output_shows_what_is_private_unless_asked(
    built: Path, tmp_path: Path, name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    import matplotlib as mpl

    monkeypatch.setitem(mpl.rcParams, "svg.fonttype", "none")
    (command,), out = COMMANDS[name], tmp_path / name
    one = ("--site", "QH-022") if name not in ("pages", "sheets") else ()
    said = run(command, built, "-o", out, *one)
    assert said.exit_code == 0, said.output
    files = [out] if out.is_file() else [p for p in out.rglob("*") if p.is_file()]
    assert files
    for file in files:
        held = all_of(file)
        for word in (OWNER, ADDRESS, TENANT):
            assert word not in held
            assert hexed(word) not in held.lower()


def test_cards_show_nothing_private(tmp_path: Path) -> None:
    site, out = tmp_path / "site", tmp_path / "out"
    shutil.copytree(SAMPLES / "tape-ties", site)
    with (site / "site.toml").open("a", encoding="utf-8") as file:
        file.write(SITE)
    assert run("build", site, "-o", out).exit_code in (0, 1)
    cards = tmp_path / "cards.pdf"
    assert run("ties", out, "-o", cards).exit_code in (0, 1)
    assert cards.is_file()
    assert all(w not in all_of(cards) for word in (OWNER, TENANT) for w in (word, hexed(word)))


def test_what_is_asked_for_is_shown(built: Path, tmp_path: Path) -> None:
    for name in ("page.html", "out.kml"):
        (command,) = COMMANDS[name]
        plain, asked = tmp_path / name, tmp_path / f"asked-{name}"
        assert run(command, built, "-o", plain, "--site", "QH-022").exit_code == 0
        assert PUBLIC in all_of(plain)
        done = run(command, built, "-o", asked, "--site", "QH-022", "--with-private")
        assert done.exit_code == 0, done.output
        assert all(word in all_of(asked) for word in (PUBLIC, OWNER, ADDRESS, TENANT)), name


def test_a_drawing_holds_the_register_and_findings_at_their_places(
    built: Path, tmp_path: Path
) -> None:
    """As extended data on every feature; findings on layers of their own, by their signs."""
    from ezdxf.filemanagement import readfile

    assert run("export", built, "-o", tmp_path / "a.dxf", "--site", "QH-022").exit_code == 0
    told = []
    for entity in readfile(tmp_path / "a.dxf").modelspace():
        texts = [text for _, text in entity.get_xdata("LATERALLINE")]
        told.append((entity, dict(text.split("=", 1) for text in texts)))
    (line,) = (d for _, d in told if d.get("layer") == "pipe_centreline" and d["line"] == "L1")
    register = {"asset_id": PUBLIC, "parcel": "12/7", "asset_ward": "4", "asset_lined": "yes"}
    assert register.items() <= line.items()
    assert {"owner", "address", "asset_tenant"}.isdisjoint(line)
    found = read_layer(built / "asbuilt.gpkg", "findings", "QH-022")
    placed = found[found.geometry.notna()]
    signs = [(e, d) for e, d in told if d.get("layer") == "findings" and e.dxftype() == "INSERT"]
    assert len(placed)
    assert sorted((d["id"], d["kind"], d["uid"]) for _, d in signs) == sorted(
        zip(placed["code"], placed["severity"], placed["uid"], strict=True)
    )
    assert {e.dxf.layer for e, _ in signs} <= {"findings.QH-022", "findings.QH-022.L1",
                                               "findings.QH-022.L2"}  # fmt: skip
    assert run("export", built, "-o", tmp_path / "a.kml", "--site", "QH-022").exit_code == 0
    root = ET.parse(tmp_path / "a.kml").getroot()
    space = "{http://www.opengis.net/kml/2.2}"
    (folder,) = (f for f in root.iter(f"{space}Folder") if f.findtext(f"{space}name") == "Findings")
    names = [p.findtext(f"{space}name") for p in folder.iter(f"{space}Placemark")]
    assert sorted(map(str, names)) == sorted(placed["title"])


def test_a_sheet_lists_the_register(built: Path) -> None:
    from lateralline.draw.record_tables import record_tables

    def words() -> str:
        view = read_record(built / "asbuilt.gpkg", "QH-022")
        return str(next(t.rows for t in record_tables(view) if t.title == "Register"))

    assert PUBLIC in words()
    assert OWNER not in words()
    with private_shown():
        assert all(word in words() for word in (OWNER, ADDRESS, TENANT))
    assert OWNER not in words()


def test_the_view_itself_leaves_them_out(built: Path) -> None:
    """So that a new kind of output cannot forget it."""
    view = read_record(built / "asbuilt.gpkg", "QH-022")
    for name in FEATURES:
        assert {"owner", "address", "asset_tenant"}.isdisjoint(view.layers[name].columns), name
        assert {"asset_id", "parcel", "asset_ward"} <= set(view.layers[name].columns), name


@pytest.mark.parametrize("name", ["tolerance_zone", "unlocated"])
def test_an_overlay_has_what_is_not_private(built: Path, tmp_path: Path, name: str) -> None:
    zones = tmp_path / "zones"
    assert run("zones", built, "--rule", "cga", "-o", zones).exit_code in (0, 1)
    frame = read_layer(zones / "hand_dig_zones.gpkg", name)
    assert {"asset_id", "parcel", "asset_ward", "asset_renewed", "asset_lined"} <= set(frame)
    assert {"owner", "address", "asset_tenant"}.isdisjoint(frame)
    of_record = read_layer(built / "asbuilt.gpkg", name)
    assert all(str(frame[c].dtype) == str(of_record[c].dtype) for c in frame if c in of_record)
    assert "`asset_ward`" in (zones / "OVERLAY.md").read_text(encoding="utf-8")
    if name == "tolerance_zone":
        first = frame[frame["line_id"].eq("L1") & frame["site_id"].eq("QH-022")]
        assert set(first["asset_id"]) == {PUBLIC}
        assert set(first["asset_ward"]) == {4.0}
        assert {str(day)[:10] for day in first["asset_renewed"]} == {"2019-03-04"}
        assert set(first["asset_lined"]) == {True}
        assert frame[frame["site_id"] != "QH-022"]["asset_id"].isna().all()


# ---- read ------------------------------------------------------------------------------------


def faults_of(site: Path) -> dict[tuple[str, int, str], str]:
    with pytest.raises(SiteFaultsError) as caught:
        read_site(site)
    return {(f.file, f.row, f.column): str(f) for f in caught.value.faults}


def test_faults_name_file_row_and_key(tmp_path: Path) -> None:
    site = tmp_path / "site"
    shutil.copytree(SAMPLES / "gnss-bend-branch", site)
    file = site / "site.toml"
    top = len(file.read_text(encoding="utf-8").splitlines())
    with file.open("a", encoding="utf-8") as out:
        out.write('[run.asset]\nward = "four"\nId = 3\n')  # 1-3
        out.write("[asset]\nward = 4\nowner = 7\nlist = [1]\nat = 10:30:00\n")  # 4-8
        out.write('private = ["wards"]\npublic = "owner"\n')  # 9-10
        out.write('[asset.types]\nage = "years"\n')  # 11-12
    (site / "assets.csv").write_text(
        "line_id,adress,ward\nL1,x,4\nL9,y,5\nL1,z,six\n", encoding="utf-8"
    )
    found = {
        (f, row - top if f == "site.toml" else row, c): t
        for (f, row, c), t in faults_of(site).items()
    }
    assert set(found) == {
        ("site.toml", 2, "ward"),
        ("site.toml", 3, "Id"),
        ("site.toml", 6, "owner"),
        ("site.toml", 7, "list"),
        ("site.toml", 8, "at"),
        ("site.toml", 9, "private"),
        ("site.toml", 12, "age"),
        ("assets.csv", 1, "header"),
        ("assets.csv", 3, "line_id"),
        ("assets.csv", 4, "line_id"),
        ("assets.csv", 4, "ward"),
    }
    assert 'did you mean "address"?' in found["assets.csv", 1, "header"]
    assert f"must be a whole number, as site.toml:{top + 5} has it" in found["site.toml", 2, "ward"]


def test_owner_may_be_made_public(tmp_path: Path) -> None:
    site = registered(tmp_path / "site")
    file = site / "site.toml"
    text = file.read_text(encoding="utf-8").replace("ward = 4\n", 'ward = 4\npublic = ["owner"]\n')
    file.write_text(text, encoding="utf-8")
    assert read_site(site).assets.private == {"address", "tenant"}


def test_a_batch_has_one_type_for_a_key(tmp_path: Path) -> None:
    one, other = registered(tmp_path / "one"), tmp_path / "other"
    shutil.copytree(SAMPLES / "slope-levels", other)
    with (other / "site.toml").open("a", encoding="utf-8") as out:
        out.write('\n[asset]\nward = "north"\n')
    record = lateralline.build([one, other])
    (failure,) = record.failures
    (fault,) = failure.faults
    assert (fault.file, fault.column) == ("site.toml", "ward")
    assert "must be of type real, as on another site of this batch" in str(fault)
    assert record.sites == ("QH-022",)


def test_whole_and_other_numbers_are_numbers() -> None:
    def assets(**types: AssetType) -> Assets:
        return Assets(types=types)

    several = columns_of([assets(a="integer", b="date"), assets(a="real", c="text")])
    free = {c.name: c.type for c in several if c.name.startswith("asset_") and c.name != "asset_id"}
    assert free == {"asset_a": "real", "asset_b": "date", "asset_c": "text"}


def test_a_second_visit_may_bring_lines_of_the_register(tmp_path: Path) -> None:
    site, added = registered(tmp_path / "site"), tmp_path / "added"
    (site / "assets.csv").write_text(LINES.rpartition("L2")[0], encoding="utf-8")
    shutil.copytree(SAMPLES / "added" / "gnss-bend-branch", added)
    (added / "assets.csv").write_text(
        "line_id,asset_id,installed\nL2,LAT-9,1998\n", encoding="utf-8"
    )
    out = tmp_path / "out"
    said = run("update", site, added, "-o", tmp_path / "new", "--build", out)
    assert said.exit_code in (0, 1), said.output
    lines = read_layer(out / "asbuilt.gpkg", "pipe_centreline").set_index("line_id")
    assert dict(lines["asset_id"]) == {"L1": PUBLIC, "L2": "LAT-9"}
    assert lines["asset_installed"]["L2"] == 1998
    assert read_site(tmp_path / "new").assets.site["owner"] == OWNER
    again = (tmp_path / "new" / "assets.csv").read_text(encoding="utf-8")
    assert again.startswith("line_id,asset_id,address,class,lined,renewed,depth_class,installed")


def test_a_workbook_has_them_too(tmp_path: Path) -> None:
    from lateralline.ingest.site_input import raw_site
    from lateralline.write.workbook import site_book

    site = registered(tmp_path / "site")
    shutil.copy(SAMPLES / "gnss-bend-branch" / "site.toml", site)
    raw = raw_site(site)
    settings = {k: [dict(one) for one in v] for k, v in raw.settings.items()}
    settings["asset"] = [{"parcel": "12/7", "owner": OWNER}]
    for run_section in settings["run"]:
        run_section.pop("asset", None)
    tables = {k: [dict(row) for row in v] for k, v in raw.tables.items()}
    book = tmp_path / "site.xlsx"
    book.write_bytes(site_book(settings, tables))
    assets = read_site(book).assets
    assert assets.site == {"parcel": "12/7", "owner": OWNER}
    assert assets.line["L1"]["renewed"] == date(2019, 3, 4)
    assert assets.line["L1"]["class"] == "007"


def test_nothing_of_the_register_is_lost_on_the_way_into_a_workbook_and_back(
    tmp_path: Path,
) -> None:
    site, book = tmp_path / "site", tmp_path / "book.xlsx"
    shutil.copytree(SAMPLES / "gnss-bend-branch", site)
    with (site / "site.toml").open("a", encoding="utf-8") as file:
        file.write(f'\n[asset]\nowner = "{OWNER}"\nward = 4\nplan = "007"\nkept = true\n')
        file.write('private = ["ward", "plan"]\n')
    (site / "assets.csv").write_text("line_id,class\nL1,2\n", encoding="utf-8")
    said = run("new", book, "--from", site)
    assert said.exit_code == 0, said.output
    assets, again = read_site(site).assets, read_site(book).assets
    assert (again.site, again.line, again.types) == (assets.site, assets.line, assets.types)
    assert again.private == {"owner", "address", "ward", "plan"}
    new = tmp_path / "new"
    added = SAMPLES / "added" / "gnss-bend-branch"
    done = run("update", book, added, "-o", new)
    assert done.exit_code in (0, 1), done.output
    assert read_site(new).assets.site == assets.site
    assert read_site(new).assets.private == again.private


def test_what_a_workbook_has_no_place_for_is_refused(tmp_path: Path) -> None:
    said = run("new", tmp_path / "book.xlsx", "--from", registered(tmp_path / "site"))
    assert said.exit_code == 2
    assert "assets.csv" in said.output
    assert not (tmp_path / "book.xlsx").exists()
