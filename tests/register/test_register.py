"""Records in a register: published, come again, visited a second time, in a real PostGIS.

Needs a PostgreSQL server with PostGIS, and says what is missing. Three practice sites by default;
the whole, which takes some minutes, by

    LATERALLINE_REGISTER_SITES=200 python -m pytest tests/register
"""

from __future__ import annotations

import csv
import os
import shutil
import sqlite3
from collections.abc import Callable, Collection
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import pytest
from typer.testing import CliRunner

import lateralline
from lateralline import contract
from lateralline.api import registers
from lateralline.api.visits import SiteChanges, update
from lateralline.cli import app
from lateralline.errors import RegisterError, UnknownSiteError
from lateralline.record.connections import NoConnectionsError
from tests.register.conftest import CRS
from tests.support.places import SAMPLES
from tests.support.postgis import Server
from tests.support.village import KINDS, make_village, make_visit, take_stop

COUNT = int(os.environ.get("LATERALLINE_REGISTER_SITES", "3"))
LAYERS = contract.LAYERS
#: What names a row of another layer in every practice site, and is no foreign key: a finding may be
#: about a line that nobody located.
ALSO_JOINED = [
    *((layer, "line_id", "pipe_centreline")
      for layer in ("pipe_observations", "findings", "transmitter_fixes")),
    ("findings", "run_id,stop_id", "transmitter_fixes"),
]  # fmt: skip
JOINS = [
    *((n, ",".join(r.columns), r.layer) for n in LAYERS for r in contract.load(n).refers),
    *ALSO_JOINED,
]


def uids(register: Server, site: str = "%") -> dict[str, set[str]]:
    """The uids of each layer that hold now; none of them stands there twice."""
    each = (
        f"SELECT '{n}', uid FROM asbuilt.current_{n} WHERE site_id LIKE '{site}'" for n in LAYERS
    )
    found: dict[str, set[str]] = {layer: set() for layer in LAYERS}
    for layer, uid in register.rows(" UNION ALL ".join(each)):
        assert uid not in found[layer], layer
        found[layer].add(uid)
    return found


def uids_of(record: lateralline.Record, without: Collection[str] = ()) -> dict[str, set[str]]:
    """The uids of each layer of a record, of all of its sites but some."""
    return {n: set(t.loc[~t["site_id"].isin(without), "uid"]) for n, t in record.layers.items()}


def outcomes(register: Server, *records: Path) -> set[str]:
    return {site.outcome for site in registers.publish(records, register.url)}


@dataclass(frozen=True)
class Village:
    """Sites as they were in May, the ones somebody came to in June, and their records."""

    may: Path
    june: Path
    june_sites: Path
    visited: list[str]  # a run and a test hole more
    corrected: list[str]  # a stop less
    changes: dict[str, SiteChanges]  # what each visit moved


@pytest.fixture(scope="module")
def register(new_register: Callable[[], Server]) -> Server:
    return new_register()


@pytest.fixture(scope="module")
def other(new_register: Callable[[], Server]) -> Server:
    """A second register, of one site."""
    return new_register()


@pytest.fixture(scope="module")
def village(tmp_path_factory: pytest.TempPathFactory) -> Village:
    home = tmp_path_factory.mktemp("village")
    truths = make_village(home / "sites", COUNT)
    lateralline.build([home / "sites" / site for site in truths], home / "may", crs=CRS)
    june = home / "june-sites"
    of = {kind.name: list(truths)[i :: len(KINDS)] for i, kind in enumerate(KINDS)}
    visited = of["gnss-bend-branch"][::2]
    corrected = of["tape-ties"][::2]
    changes = {}
    for site in visited:
        visit = make_visit(truths[site], home / "visits" / site)
        changes[site] = update(home / "sites" / site, visit, june / site)
    for site in corrected:
        shutil.copytree(home / "sites" / site, june / site)
        take_stop(june / site, "R1", "3")
    lateralline.build([june / site for site in (*visited, *corrected)], home / "june", crs=CRS)
    return Village(home / "may", home / "june", june, visited, corrected, changes)


@pytest.fixture(scope="module")
def before(register: Server, village: Village) -> dict[str, set[str]]:
    """The uids of each layer after the first record."""
    assert outcomes(register, village.may) == {"published"}
    return uids(register)


def hold(register: Server) -> None:
    """What must be true of what holds in a register whenever a record has come in."""
    shapes = [n for n in LAYERS if contract.load(n).geometry]
    srids = [f"SELECT DISTINCT st_srid(geom) FROM asbuilt.{n} WHERE NOT geom IS NULL"
             for n in shapes]  # fmt: skip
    assert register.rows(" UNION ".join(srids)) == [["32617"]]
    wrong = []
    for layer, here, other in JOINS:
        pairs = list(zip(here.split(","), contract.load(other).key, strict=True))
        on = " AND ".join(["o.site_id = l.site_id", *(f"o.{b} = l.{a}" for a, b in pairs)])
        known = " AND ".join(f"l.{a} IS NOT NULL" for a, _ in pairs)
        wrong.append(
            f"SELECT '{layer}', '{here}', l.site_id, count(o.uid) FROM asbuilt.current_{layer} l "
            f"LEFT JOIN asbuilt.current_{other} o ON {on} "
            f"WHERE {known} GROUP BY l.site_id, l.uid HAVING count(o.uid) <> 1"
        )
    assert register.rows(" UNION ALL ".join(wrong)) == []
    elsewhere = register.rows(
        "SELECT l.site_id, l.line_id, array_agg((c.site_id, c.line_id)) "
        "FROM asbuilt.current_pipe_centreline l "
        "LEFT JOIN asbuilt.current_position_corridor c ON st_covers(c.geom, l.geom) GROUP BY 1, 2 "
        "HAVING array_agg((c.site_id, c.line_id)) <> array_agg((l.site_id, l.line_id))"
    )
    assert elsewhere == []
    far = register.rows(
        "SELECT f.site_id, f.code, f.subject, st_distance(f.geom, l.geom) "
        "FROM asbuilt.current_findings f "
        "JOIN asbuilt.current_pipe_centreline l USING (site_id, line_id) "
        "WHERE NOT st_dwithin(f.geom, l.geom, 2.0)"
    )
    assert far == []


def test_every_layer_comes_in_and_joins(
    register: Server, village: Village, before: dict[str, set[str]]
) -> None:
    assert before == uids_of(lateralline.load(village.may))
    assert sum(map(len, before.values())) > 100 * COUNT
    hold(register)


def test_a_record_come_again_changes_nothing(
    register: Server, village: Village, before: dict[str, set[str]]
) -> None:
    assert outcomes(register, village.may, village.may) == {"unchanged"}
    assert uids(register) == before
    assert register.rows("SELECT DISTINCT register_version FROM asbuilt.site_versions") == [["1"]]


def test_what_was_visited_is_a_new_version_and_the_old_one_stays(
    register: Server, village: Village, before: dict[str, set[str]]
) -> None:
    assert outcomes(register, village.june) == {"published"}
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
    versions = "SELECT site_id, max(record_version), min(record_version) FROM asbuilt.current_{}"
    for site, last, first in register.rows(versions.format("pipe_nodes") + " GROUP BY 1"):
        assert last == first == ("2" if site in village.visited else "1")
    # On a day between the two surveys the register says what it said in May.
    visited, corrected = village.visited[0], village.corrected[0]
    (day,) = register.rows(
        f"SELECT valid_from - 1 FROM asbuilt.site_versions WHERE site_id = '{visited}' "
        "AND register_version = 2"
    )
    as_of = f"SELECT uid FROM asbuilt.pipe_nodes_as_of('{day[0]}') WHERE site_id = '{visited}'"
    then = may.layers["pipe_nodes"]
    assert {uid for (uid,) in register.rows(as_of)} == set(then[then["site_id"] == visited]["uid"])
    # A correction from the same day leaves what it corrects no day on which it held.
    never, holds = registers.history(register.url, corrected)
    assert (never.valid_to, holds.valid_to) == (never.valid_from, None)
    assert (never.followed_by, never.told_until) == (holds.version, holds.published_at)
    assert (holds.followed_by, holds.told_until) == (None, None)
    shown = CliRunner().invoke(app, ["history", corrected, register.url]).output
    words = " ".join(shown.split())
    assert f"answered with it until {holds.published_at:%Y-%m-%d %H:%M}, since corrected" in words
    assert "never held" not in words
    refused = [s for s in registers.publish([village.may], register.url) if s.version == 0]
    assert {s.site_id for s in refused} == set(village.visited)
    assert all("holds version 2" in s.reason for s in refused)


def test_diff_says_of_each_node_what_the_update_said(
    register: Server, village: Village, before: dict[str, set[str]]
) -> None:
    """From the rows of both versions, what `update` has from the measurements."""
    registers.publish([village.june], register.url)
    for site, changes in village.changes.items():
        found = registers.diff(register.url, site, 1, 2)
        nodes = [m for line in found.lines for m in line.moved]
        points = [m for line in changes.lines for m in line.moved]
        same = [
            (m, n)
            for m in points
            for n in nodes
            if (m.line, round(m.old_x, 4), round(m.old_y, 4), round(m.x, 4), round(m.y, 4))
            == (n.line, round(n.old_x, 4), round(n.old_y, 4), round(n.x, 4), round(n.y, 4))
        ]
        assert len(same) >= 0.8 * len(points) > 8
        for m, n in same:
            # A stop's node is as sure as the stop; junctions and bends rest on more than one.
            sure = ("of_old_95", "of_old_level_95", "old_position_95_m", "new_position_95_m",
                    "old_level_95_m", "new_level_95_m")  # fmt: skip
            for what in ("plan_m", "east_m", "north_m", "up_m", *sure * (m.kind == "fix")):
                expected = pytest.approx(getattr(m, what), rel=1e-3, abs=2e-4, nan_ok=True)
                assert getattr(n, what) == expected, what
            assert n.held == m.held
            assert n.ref == m.ref or m.kind == "bend"  # one name for one node
        drawn = {one.line for one in found.lines if one.before and one.after}
        assert {one.line for one in found.along} == drawn
        held = {one.line: one.plan.verdict for one in changes.lines}
        for one in found.along:
            worst = max(m.plan_m for m in nodes if m.line == one.line)
            assert 0.0 <= one.off_m < worst + one.limit_m
            assert one.moved is False or held[one.line] != "held"
        lines = {one.line: (one.before, one.after) for one in found.lines}
        assert lines == {one.line: (one.before, one.after) for one in changes.lines}
        shown = CliRunner().invoke(app, ["diff", site, "1", "2", register.url])
        assert shown.exit_code == (1 if found.beyond else 0), shown.output
        assert "more than both versions claim" in " ".join(shown.output.split())
        nodes_beyond = any(m.of_both_95 > 1 or m.of_both_level_95 > 1 for m in nodes)
        lines_beyond = any(one.moved for one in found.along)
        assert bool(found.beyond) == (nodes_beyond or lines_beyond)
        same_again = registers.diff(register.url, site, 2, 2)
        assert same_again.beyond == []
        assert CliRunner().invoke(app, ["diff", site, "2", "2", register.url]).exit_code == 0
    with pytest.raises(UnknownSiteError, match="no version 3; there are 1, 2"):
        registers.diff(register.url, village.visited[0], 1, 3)


def test_views_say_what_their_columns_are(register: Server) -> None:
    """Every column of every view has a comment, that of its table or of the versions."""
    bare = register.rows(
        "SELECT relname, attname FROM pg_attribute a JOIN pg_class c ON c.oid = attrelid "
        "WHERE relnamespace = 'asbuilt'::regnamespace AND relkind = 'v' AND attnum > 0 "
        "AND col_description(c.oid, attnum) IS NULL"
    )
    assert bare == []
    [[words]] = register.rows(
        "SELECT col_description('asbuilt.current_pipe_nodes'::regclass, attnum) FROM pg_attribute "
        "WHERE attrelid = 'asbuilt.current_pipe_nodes'::regclass AND attname = 'cover_m'"
    )
    assert words.startswith("Ground level minus")


def test_a_node_that_went_farther_than_claimed_is_told(register: Server, village: Village) -> None:
    """By hand: one node of version 2 is put 3 m aside in the register, whatever ± it has."""
    registers.publish([village.june], register.url)
    site = village.visited[0]
    move = (
        "UPDATE asbuilt.pipe_nodes SET geom = ST_Translate(geom, {}, 0.0) WHERE register_version "
        f"= 2 AND site_id = '{site}' AND kind = 'point' AND node_id = (SELECT min(node_id) FROM "
        f"asbuilt.pipe_nodes WHERE register_version = 2 AND site_id = '{site}' AND kind = 'point')"
    )
    before = registers.diff(register.url, site, 1, 2)
    register.rows(move.format("3.0"))
    try:
        found = registers.diff(register.url, site, 1, 2)
        shown = CliRunner().invoke(app, ["diff", site, "1", "2", register.url])
    finally:
        register.rows(move.format("-3.0"))
    assert found.beyond
    assert found.beyond != before.beyond
    assert shown.exit_code == 1


def test_a_sketch_and_another_crs_are_refused_whole(register: Server, tmp_path: Path) -> None:
    held = register.rows("SELECT count(*) FROM asbuilt.site_versions")
    lateralline.build(SAMPLES / "local-sketch", tmp_path / "sketch")
    lateralline.build(SAMPLES / "tape-ties", tmp_path / "feet")
    sketch, feet = registers.publish([tmp_path / "sketch", tmp_path / "feet"], register.url)
    assert {sketch.outcome, feet.outcome} == {"refused"}
    assert "sketch on axes of its own" in sketch.reason
    assert "in EPSG:3734, the register in EPSG:32617: build it with --crs" in feet.reason
    assert register.rows("SELECT count(*) FROM asbuilt.site_versions") == held


def test_two_who_publish_at_once_make_one_version(other: Server, quarry: Path) -> None:
    with ThreadPoolExecutor(3) as pool:
        done = list(pool.map(lambda _: registers.publish([quarry], other.url), range(3)))
    assert sorted(one.outcome for (one,) in done) == ["published", *["unchanged"] * 2]
    versions = "SELECT site_id, register_version FROM asbuilt.site_versions WHERE site_id = "
    assert other.rows(f"{versions}'QH-022'") == [["QH-022", "1"]]


@pytest.mark.parametrize("let_in", [-1, 1], ids=["two sessions", "let in once"])
def test_sessions_side_by_side_bring_in_what_one_does(
    new_register: Callable[[], Server],
    village: Village,
    monkeypatch: pytest.MonkeyPatch,
    let_in: int,
) -> None:
    """A part of the sites a session; where a user may come in only once, one takes them all."""
    whole, parts = new_register(), new_register()
    assert outcomes(whole, village.may) == {"published"}
    monkeypatch.setattr("lateralline.record.stored.SITES_AT_ONCE", 1)
    monkeypatch.setattr("lateralline.register.publish.SITES_AT_ONCE", 1)
    user = f"crew_{let_in % 10}"
    parts.rows(f"CREATE ROLE {user} LOGIN IN ROLE asbuilt_publisher CONNECTION LIMIT {let_in}")
    done = registers.publish([village.may], parts.as_user(user).url)
    assert [one.site_id for one in done] == sorted(one.site_id for one in done)
    assert {one.outcome for one in done} == {"published"}
    assert uids(parts) == uids(whole)


def test_connections_come_in_with_their_record(
    new_register: Callable[[], Server], quarry: Path, connections: Path, village: Village
) -> None:
    """Another result is another version; the record alone says nothing of them."""
    register = new_register()
    held = (
        "SELECT register_version, line_id, main_id FROM asbuilt.current_main_connections ORDER BY 2"
    )

    def publish(*more: Path) -> tuple[str, int]:
        (done,) = registers.publish([quarry], register.url, connections=more)
        return done.outcome, done.version

    assert (publish(), register.rows(held)) == (("published", 1), [])
    assert publish(connections) == ("published", 2)
    rows = register.rows(held)
    assert rows == [["2", "L1", "SM-4"]]
    assert (publish(connections), publish()) == (("unchanged", 2), ("unchanged", 2))
    assert register.rows(held) == rows
    with pytest.raises(NoConnectionsError, match="connect again"):
        registers.publish([village.may], register.url, connections=[connections])
    with pytest.raises(NoConnectionsError, match="no output of lateralline connect"):
        registers.publish([quarry], register.url, connections=[quarry / "asbuilt.gpkg"])


def test_a_site_the_register_does_not_take_stops_no_other(other: Server, village: Village) -> None:
    register = other
    bad = village.corrected[0]
    register.rows(f"ALTER TABLE asbuilt.pipe_nodes ADD CONSTRAINT odd CHECK (site_id <> '{bad}')")
    done = {s.site_id: s for s in registers.publish([village.may], register.url)}
    assert done.pop(bad).reason.startswith("the database refused it")
    assert {s.outcome for s in done.values()} == {"published"}
    assert register.rows(f"SELECT * FROM asbuilt.site_versions WHERE site_id = '{bad}'") == []
    assert uids(register, bad) == {layer: set() for layer in LAYERS}


def test_a_value_no_column_takes_stops_no_other(
    new_register: Callable[[], Server], village: Village, tmp_path: Path
) -> None:
    """Rows of all sites come by one COPY, which fails whole."""
    register = new_register()
    bad = village.visited[0]
    shutil.copytree(village.june, tmp_path / "june")
    with sqlite3.connect(tmp_path / "june" / "asbuilt.gpkg") as db:
        words = "UPDATE accuracy_evidence SET surveyor = CAST(? AS TEXT) WHERE site_id = ?"
        assert db.execute(words, (b"\xff", bad)).rowcount > 0
    done = {s.site_id: s for s in registers.publish([tmp_path / "june"], register.url)}
    assert done.pop(bad).reason.startswith("the database refused it: invalid byte sequence")
    assert {s.outcome for s in done.values()} == {"published"}
    assert done


def test_private_photos_stay_out(other: Server, tmp_path: Path) -> None:
    lateralline.build(SAMPLES / "slope-levels", tmp_path / "out", crs=CRS)
    with sqlite3.connect(tmp_path / "out" / "asbuilt.gpkg") as db:
        (first,) = db.execute("SELECT min(uid) FROM field_photos").fetchone()
        db.execute("UPDATE field_photos SET private = 1 WHERE uid = ?", (first,))
        left = {uid for (uid,) in db.execute("SELECT uid FROM field_photos WHERE NOT private")}
    assert left
    assert outcomes(other, tmp_path / "out") == {"published"}
    held = "SELECT uid FROM asbuilt.current_field_photos WHERE site_id = 'QH-031'"
    assert {uid for (uid,) in other.rows(held)} == left
    registers.publish([tmp_path / "out"], other.url, with_private=True)
    assert {uid for (uid,) in other.rows(held)} == {*left, first}


def test_what_was_retracted_stays_in_the_history(other: Server, quarry: Path) -> None:
    register = other
    outcomes(register, quarry)
    with pytest.raises(RegisterError, match="needs a reason"):
        registers.retract(register.url, "QH-022", " ")
    ended = registers.retract(register.url, "QH-022", "base on the wrong point")
    assert ended.reason == "base on the wrong point"
    assert uids(register, "QH-022")["pipe_nodes"] == set()
    kept = "SELECT count(*) > 0 FROM asbuilt.pipe_nodes WHERE site_id = 'QH-022'"
    assert register.rows(kept) == [["t"]]
    with pytest.raises(RegisterError, match="nothing to retract"):
        registers.retract(register.url, "QH-022", "again")
    assert outcomes(register, quarry) == {"published"}
    assert [v.holds for v in registers.history(register.url, "QH-022")][-2:] == [False, True]


def test_columns_of_the_users_own_come_along(other: Server, tmp_path: Path) -> None:
    """They are added for who publishes; what is private stays out unless asked for."""
    register = other
    site = tmp_path / "QH-022"
    shutil.copytree(SAMPLES / "gnss-bend-branch", site)
    with (site / "site.toml").open("a") as file:
        file.write('\n[asset]\nasset_id = "SL-22"\nowner = "N. N."\ndistrict = "north"\nward = 4\n')
    lateralline.build(site, tmp_path / "out")
    crew = register.as_user("crew_of_columns")
    register.rows("CREATE ROLE crew_of_columns LOGIN IN ROLE asbuilt_publisher")
    assert outcomes(crew, tmp_path / "out") == {"published"}
    own = (
        "SELECT DISTINCT asset_district, asset_ward, owner FROM asbuilt.current_pipe_nodes "
        "WHERE site_id = 'QH-022'"
    )
    assert register.rows(own) == [["north", "4", ""]]
    settings = (site / "site.toml").read_text(encoding="utf-8")
    (site / "site.toml").write_text(settings.replace("ward = 4", "ward = 4.5"), encoding="utf-8")
    lateralline.build(site, tmp_path / "again")
    registers.publish([tmp_path / "again"], crew.url, with_private=True)
    assert register.rows(own) == [["north", "4.5", "N. N."]]
    (site / "site.toml").write_text(settings.replace("ward = 4", 'ward = "4a"'), encoding="utf-8")
    lateralline.build(site, tmp_path / "text")
    (refused,) = registers.publish([tmp_path / "text"], crew.url)
    assert "asset_ward is text in this record" in refused.reason
