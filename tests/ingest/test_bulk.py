"""Many sites in one set of tables: each comes out as from a folder of its own, faults by row."""

from __future__ import annotations

import csv
import shutil
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from typer.testing import CliRunner

from lateralline import api
from lateralline.cli import app
from lateralline.record.layers import AnyFrame
from tests.support.places import SAMPLES

TABLES = ("control", "marks", "stops", "exposures", "observations")
#: What tells which file and row a thing came from, and so differs.
BY_FILE = {"uid", "source_row", "where"}


def rows_of(path: Path) -> tuple[list[str], list[list[str]]]:
    with path.open(encoding="utf-8", newline="") as file:
        header, *rows = (row for row in csv.reader(file) if row and not row[0].startswith("#"))
    return header, rows


@pytest.fixture
def sites(tmp_path: Path) -> Path:
    """Three sites of one crew: copies of a sample that differ in id, name and control."""
    folder = tmp_path / "sites"
    for n in range(3):
        site = folder / f"S-{n}"
        shutil.copytree(SAMPLES / "tape-ties", site)
        (site / "ids.csv").unlink(missing_ok=True)
        text = (site / "site.toml").read_text(encoding="utf-8")
        text = text.replace('id = "QH-014"', f'id = "S-{n}"').replace("Quarry Hill 14", f"Lot {n}")
        (site / "site.toml").write_text(text, encoding="utf-8")
    return folder


def as_bulk(sites: Path, bulk: Path, kind: str) -> Path:
    """The same in one set of tables; the rows of a site do not all stand together."""
    bulk.mkdir()
    text = (SAMPLES / "tape-ties" / "site.toml").read_text(encoding="utf-8")
    (bulk / "site.toml").write_text(text, encoding="utf-8")
    names = sorted(p.name for p in sites.iterdir())
    put(bulk / f"sites.{kind}", ["site", "site.name"], [[n, f"Lot {n[-1]}"] for n in names])
    for table in TABLES:
        if not (sites / names[0] / f"{table}.csv").exists():
            continue
        all_rows: list[list[str]] = []
        header, last = [], 0
        for name in names:
            header, rows = rows_of(sites / name / f"{table}.csv")
            all_rows += [[name, *row] for row in rows]
            last = last or len(rows) - 1  # of the first site: it comes behind all others
        all_rows.append(all_rows.pop(last))
        put(bulk / f"{table}.{kind}", ["site", *header], all_rows)
    return bulk


def put(path: Path, header: list[str], rows: list[list[str]]) -> None:
    if path.suffix == ".parquet":
        columns = {name: [row[n] or None for row in rows] for n, name in enumerate(header)}
        pq.write_table(pa.table({k: pa.array(v, pa.string()) for k, v in columns.items()}), path)
        return
    with path.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows([header, *rows])


def plain(frame: AnyFrame) -> list[str]:
    kept = [c for c in frame.columns if c not in BY_FILE]
    return sorted(frame[kept].to_csv(index=False).splitlines())


@pytest.mark.parametrize("kind", ["csv", "parquet"])
def test_sites_in_tables_are_built_as_sites_in_folders(
    sites: Path, tmp_path: Path, kind: str
) -> None:
    bulk = as_bulk(sites, tmp_path / "bulk", kind)
    many, apart = api.build(bulk, workers=1), api.build(sites, workers=1)
    assert many.sites == apart.sites == ("S-0", "S-1", "S-2")
    for layer in ("pipe_nodes", "pipe_centreline", "position_corridor", "transmitter_fixes"):
        assert plain(many.layers[layer]) == plain(apart.layers[layer])
    names = many.layers["lineage"].query("item == 'site'")["value"]
    assert list(names) == ["Lot 0", "Lot 1", "Lot 2"]


def test_faults_name_the_row_of_the_table_and_the_site(sites: Path, tmp_path: Path) -> None:
    bulk = as_bulk(sites, tmp_path / "bulk", "csv")
    lines = (bulk / "marks.csv").read_text(encoding="utf-8").splitlines()
    at = next(n for n, line in enumerate(lines) if line.startswith("S-1,"))
    column = lines[0].split(",").index("kind")
    cells = lines[at].split(",")
    lines[at] = ",".join([*cells[:column], "end_nul", *cells[column + 1 :]])
    lines += ["S-9" + lines[1][3:], lines[2][3:]]  # of no site in sites.csv, and of none at all
    (bulk / "marks.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    (bulk / "sites.csv").write_text(
        "site,site.name,crs.horizontal,colour.of\nS-0,Lot 0,,\nS-1,Lot 1,,\nS-2,Lot 2,EPSG:9,\n"
    )
    told = CliRunner().invoke(app, ["check", str(bulk)])
    assert told.exit_code == 2
    said = " ".join(told.output.split())
    assert f"{bulk}/marks.csv:{at + 1}: kind must be one of" in said
    assert "(site S-1)" in said
    assert f'{bulk}/marks.csv:{len(lines) - 1}: site must be a site of sites.csv; got "S-9"' in said
    assert f"{bulk}/marks.csv:{len(lines)}: site must be a site of sites.csv" in said
    assert f"{bulk}/sites.csv:4: horizontal must" in said
    assert f"{bulk}/sites.csv:1: colour.of must be site, or a key of site.toml" in said


def test_a_table_without_sites_is_refused_whole(sites: Path, tmp_path: Path) -> None:
    bulk = as_bulk(sites, tmp_path / "bulk", "csv")
    shutil.copy(SAMPLES / "tape-ties" / "stops.csv", bulk / "stops.csv")
    refused = CliRunner().invoke(app, ["build", str(bulk), "-o", str(tmp_path / "out")])
    assert refused.exit_code == 2
    assert "stops.csv:1: header must have a column called site" in " ".join(refused.output.split())
    assert not (tmp_path / "out").exists()


def test_ids_and_kept_results_of_sites_in_tables(sites: Path, tmp_path: Path) -> None:
    """Ids last beside the tables; a row that moves is another place to look for a fault."""
    bulk, cache = as_bulk(sites, tmp_path / "bulk", "csv"), tmp_path / "cache"
    first = api.build(bulk, tmp_path / "a", cache=cache, workers=1)
    ids = sorted(p.name for p in bulk.glob("*.ids.csv"))
    assert ids == ["S-0.ids.csv", "S-1.ids.csv", "S-2.ids.csv"]
    before = {p: p.stat().st_mtime_ns for p in cache.rglob("*.entry")}
    again = api.build(bulk, tmp_path / "b", cache=cache, workers=1)
    assert {p: p.stat().st_mtime_ns for p in cache.rglob("*.entry")} == before
    assert plain(again.layers["pipe_nodes"]) == plain(first.layers["pipe_nodes"])
    fresh = api.build(bulk, tmp_path / "c", workers=1)
    assert plain(fresh.layers["lineage"]) == plain(again.layers["lineage"])
