"""Records in a register: appended, updated and upserted in a real PostGIS, by the README's lines.

Needs a PostgreSQL server with PostGIS and an ogr2ogr that knows it, and says what is missing. Three
practice sites by default; the whole, which takes some minutes, by

    LATERALLINE_REGISTER_SITES=200 python -m pytest tests/register
"""

from __future__ import annotations

import csv
import os
import re
import shlex
import shutil
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

import lateralline
from lateralline import contract
from lateralline.api.records import update
from tests.support.places import ROOT
from tests.support.postgis import Register, postgis
from tests.support.village import KINDS, make_village, make_visit, take_stop

COUNT = int(os.environ.get("LATERALLINE_REGISTER_SITES", "3"))
CRS = "EPSG:32617"
LAYERS = contract.LAYERS
#: Of each layer, what names a row of another: the columns beside site_id, there and here.
JOINS = [
    *(("pipe_centreline", f"{end}_node_id", "pipe_nodes", "node_id") for end in ("from", "to")),
    *(("pipe_segments", f"{end}_node_id", "pipe_nodes", "node_id") for end in ("from", "to")),
    ("node_lines", "node_id", "pipe_nodes", "node_id"),
    *(
        (layer, "line_id", "pipe_centreline", "line_id")
        for layer in ("pipe_segments", "pipe_nodes", "node_lines", "pipe_observations", "findings",
                      "position_corridor", "level_band", "tolerance_zone", "transmitter_fixes")
    ),
    *((layer, "run_id,stop_id", "transmitter_fixes", "run_id,stop_id")
      for layer in ("findings", "field_marks")),
]  # fmt: skip


def readme_lines() -> tuple[list[str], list[list[str]], list[str]]:
    """The README's commands: for once, to bring a record in, and to append one."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    section = text.split("**Into a register you have.**")[1].split("\n\n**")[0]
    blocks = re.findall(r"^```sh\n(.*?)^```", section, re.M | re.S)
    once, *twice = [shlex.split(line) for line in blocks[0].splitlines()]
    return once, twice, shlex.split(blocks[1])


ONCE, TWICE, APPEND = readme_lines()


def typed(register: Register, command: list[str], out: Path, *, refused: bool = False) -> str:
    """Type a line of the README with another record than its own."""
    home = {"out/asbuilt.gpkg": str(out / "asbuilt.gpkg")}
    sql = "schemas/lateralline_schemas/v2/into_register.sql"
    line = [home.get(word, str(ROOT / sql) if word == sql else word) for word in command]
    return register.run(*line, refused=refused)


def bring_in(register: Register, out: Path) -> None:
    for command in TWICE:
        typed(register, command, out)


def uids(register: Register, site: str = "%") -> dict[str, set[str]]:
    """The uids of each layer, of all sites or of one; none of them stands there twice."""
    each = (f"SELECT '{n}', uid FROM asbuilt.{n} WHERE site_id LIKE '{site}'" for n in LAYERS)
    found: dict[str, set[str]] = {layer: set() for layer in LAYERS}
    for layer, uid in register.rows(" UNION ALL ".join(each)):
        assert uid not in found[layer], layer
        found[layer].add(uid)
    return found


def uids_of(record: lateralline.Record, without: Collection[str] = ()) -> dict[str, set[str]]:
    """The uids of each layer of a record, of all of its sites but some."""
    return {n: set(t.loc[~t["site_id"].isin(without), "uid"]) for n, t in record.layers.items()}


@dataclass(frozen=True)
class Village:
    """Sites as they were in May, the ones somebody came to in June, and their records."""

    may: Path
    june: Path
    june_sites: Path
    visited: list[str]  # a run and a test hole more
    corrected: list[str]  # a stop less


@pytest.fixture(scope="module")
def register() -> Iterator[Register]:
    with postgis() as server:
        server.run(*ONCE)
        yield server


@pytest.fixture(scope="module")
def village(tmp_path_factory: pytest.TempPathFactory) -> Village:
    home = tmp_path_factory.mktemp("village")
    truths = make_village(home / "sites", COUNT)
    lateralline.build([home / "sites" / site for site in truths], home / "may", crs=CRS)
    june = home / "june-sites"
    of = {kind.name: list(truths)[i :: len(KINDS)] for i, kind in enumerate(KINDS)}
    visited = of["gnss-bend-branch"][::2]
    corrected = of["tape-ties"][::2]
    for site in visited:
        visit = make_visit(truths[site], home / "visits" / site)
        update(home / "sites" / site, visit, june / site)
    for site in corrected:
        shutil.copytree(home / "sites" / site, june / site)
        take_stop(june / site, "R1", "3")
    lateralline.build([june / site for site in (*visited, *corrected)], home / "june", crs=CRS)
    return Village(home / "may", home / "june", june, visited, corrected)


@pytest.fixture(scope="module")
def before(register: Register, village: Village) -> dict[str, set[str]]:
    """The uids of each layer after the first record."""
    bring_in(register, village.may)
    return uids(register)


def hold(register: Register) -> None:
    """What must be true of a register whenever a record has come in."""
    shapes = [n for n in LAYERS if contract.load(n).geometry]
    srids = [f"SELECT DISTINCT '{n}', st_srid(geom) FROM asbuilt.{n} WHERE NOT geom IS NULL"
             for n in shapes]  # fmt: skip
    assert {srid for _, srid in register.rows(" UNION ALL ".join(srids))} == {"32617"}
    wrong = []
    for layer, here, other, there in JOINS:
        pairs = zip(here.split(","), there.split(","), strict=True)
        on = " AND ".join(["o.site_id = l.site_id", *(f"o.{b} = l.{a}" for a, b in pairs)])
        known = " AND ".join(f"l.{a} IS NOT NULL" for a in here.split(","))
        wrong.append(
            f"SELECT '{layer}', '{here}', l.site_id, count(o.uid) FROM asbuilt.{layer} l "
            f"LEFT JOIN asbuilt.{other} o ON {on} "
            f"WHERE {known} GROUP BY l.uid HAVING count(o.uid) <> 1"
        )
    assert register.rows(" UNION ALL ".join(wrong)) == []
    elsewhere = register.rows(
        "SELECT l.site_id, l.line_id, array_agg((c.site_id, c.line_id)) "
        "FROM asbuilt.pipe_centreline l "
        "LEFT JOIN asbuilt.position_corridor c ON st_covers(c.geom, l.geom) GROUP BY 1, 2 "
        "HAVING array_agg((c.site_id, c.line_id)) <> array_agg((l.site_id, l.line_id))"
    )
    assert elsewhere == []
    far = register.rows(
        "SELECT f.site_id, f.code, f.subject, st_distance(f.geom, l.geom) FROM asbuilt.findings f "
        "JOIN asbuilt.pipe_centreline l USING (site_id, line_id) "
        "WHERE NOT st_dwithin(f.geom, l.geom, 2.0)"
    )
    assert far == []


def test_every_layer_comes_in_and_joins(
    register: Register, village: Village, before: dict[str, set[str]]
) -> None:
    assert before == uids_of(lateralline.load(village.may))
    assert sum(map(len, before.values())) > 100 * COUNT
    hold(register)


def test_a_record_come_again_changes_nothing(
    register: Register, village: Village, before: dict[str, set[str]]
) -> None:
    bring_in(register, village.may)
    assert uids(register) == before


def test_what_was_visited_is_updated_by_uid_and_what_is_no_more_is_gone(
    register: Register, village: Village, before: dict[str, set[str]]
) -> None:
    bring_in(register, village.june)
    hold(register)
    may, june = lateralline.load(village.may), lateralline.load(village.june)
    came = (*village.visited, *village.corrected)
    kept, new, found = uids_of(may, without=came), uids_of(june), uids(register)
    assert found == {layer: kept[layer] | new[layer] for layer in LAYERS}
    told = set()
    for site in came:
        rows = csv.DictReader((village.june_sites / site / "ids.csv").read_text().splitlines()[1:])
        told |= {(site, row["id"]) for row in rows if row["event"] == "ended"}
    assert told
    for layer, name in (("pipe_nodes", "node_id"), ("pipe_segments", "segment_id")):
        of_site = may.layers[layer].set_index("uid")[["site_id", name]]
        gone = of_site.loc[sorted(before[layer] - found[layer])].itertuples(index=False)
        assert set(map(tuple, gone)) <= told, layer
    versions = "SELECT site_id, max(record_version), min(record_version) FROM asbuilt.pipe_nodes"
    for site, last, first in register.rows(f"{versions} GROUP BY 1"):
        assert last == first == ("2" if site in village.visited else "1")
    typed(register, TWICE[0], village.may)
    refused = typed(register, TWICE[1], village.may, refused=True)
    assert f"{village.visited[0]}: 1 after 2" in refused
    assert uids(register) == found


def test_new_sites_are_appended_and_known_ones_refused(
    register: Register, before: dict[str, set[str]], tmp_path: Path
) -> None:
    """Columns of the user's own come along."""
    site = tmp_path / "QH-022"
    shutil.copytree(ROOT / "sample_sites" / "gnss-bend-branch", site)
    with (site / "site.toml").open("a") as file:
        file.write('\n[asset]\nasset_id = "SL-22"\ndistrict = "north"\nward = 4\n')
    record = lateralline.build(site, tmp_path / "out", crs=CRS)
    typed(register, APPEND, tmp_path / "out")
    assert uids(register, "QH-022") == uids_of(record)
    assert set(before["pipe_nodes"]).isdisjoint(uids_of(record)["pipe_nodes"])
    hold(register)
    own = "SELECT DISTINCT asset_district, asset_ward FROM asbuilt.pipe_nodes WHERE asset_id = "
    assert register.rows(own + "'SL-22'") == [["north", "4"]]
    assert "already exists" in typed(register, APPEND, tmp_path / "out", refused=True)
    settings = (site / "site.toml").read_text(encoding="utf-8")
    (site / "site.toml").write_text(settings.replace("ward = 4", "ward = 4.5"), encoding="utf-8")
    record = lateralline.build(site, tmp_path / "again", crs=CRS)
    bring_in(register, tmp_path / "again")
    assert uids(register, "QH-022") == uids_of(record)
    assert register.rows(own + "'SL-22'") == [["north", "4.5"]]


def test_a_sketch_on_axes_of_its_own_is_refused_whole(
    register: Register, before: dict[str, set[str]], tmp_path: Path
) -> None:
    lateralline.build(ROOT / "sample_sites" / "local-sketch", tmp_path / "out")
    held = uids(register)
    typed(register, TWICE[0], tmp_path / "out")
    refused = typed(register, TWICE[1], tmp_path / "out", refused=True)
    assert "EPSG:0, not 32617" in refused
    assert "Cannot find coordinate operations" in typed(
        register, APPEND, tmp_path / "out", refused=True
    )
    assert uids(register) == held


def test_the_readme_appends_every_layer() -> None:
    assert set(LAYERS) == set(APPEND[APPEND.index("out/asbuilt.gpkg") + 1 :])
