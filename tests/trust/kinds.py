"""Every kind of file the product reads: a sound one, who reads it, and what spoils it.

All files are made here from the invented samples, small ones, so that a mutation costs
milliseconds. A door is what opens the file: arguments of the command line, or `READ`, the reader
of a site alone, through which most mutations of a site go because most are stopped by it.
"""

from __future__ import annotations

import csv
import io
import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final, TypeAlias

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pyogrio
from hypothesis import strategies as st
from typer.testing import CliRunner

from lateralline.cli import app
from tests.support.made_pictures import picture
from tests.support.places import SAMPLES
from tests.trust import mutate

Door: TypeAlias = tuple[str, ...]
READ: Final = "read"

SITE: Final = "lot"
_SITE_TOML: Final = """\
[site]
id = "QH-031"
name = "Quarry Hill 31"
surveyed = 2026-05-06
surveyor = "practice crew"
[crs]
horizontal = "EPSG:32617"
vertical = "EPSG:5703"
[units]
tape = "m"
level = "m"
depth = "m"
counter = "m"
pipe = "m"
[[pipe]]
line = "L1"
material = "PVC"
nominal = "DN110"
[[run]]
id = "R1"
line = "L1"
entry = "CO3"
counter_at_entry = 0.35
flow = "against"
transmitter_lag = 0.35
ride_height = 0.030
[dig]
rule = "cga"
[receiver]
aerial_height = 0.0
aerial_height_sigma = 0.0
[asset]
project = "sewers"
"""
_ACCURACIES: Final = """\
[accuracy]
receiver_angle_deg = 2.0
mark_placing_m = 0.03
[[crew]]
surveyor = "practice crew"
mark_placing_m = 0.04
"""
_ASSETS: Final = "line_id,asset_id,parcel,laid_year\nL1,S-104,12/3,1974\n"
_SAYS: Final = '[accuracy]\nfrom = "accuracies.toml"\n'
_POINTS: Final = (
    "--surveyed", "2026-05-06", "--run", "R1:L1:CO1:with:1.15:0.10", "--dry-run",
)  # fmt: skip
_TEXT: Final = ("--crs", "EPSG:3734", "--units", "us-ft", *_POINTS)
_MAP: Final = ("--crs", "EPSG:32617", "--units", "m", *_POINTS)
CHECK: Final[Door] = ("check", SITE)


@dataclass(frozen=True, slots=True)
class FileKind:
    """A file to spoil: where it lies, how much of all it gets, its doors with how often each."""

    name: str
    path: str
    share: float
    doors: tuple[tuple[float, Door], ...]
    strategy: Callable[[Path], st.SearchStrategy[bytes]] | None = None
    by_bytes: mutate.Mutator = mutate.mutated


def _site_kind(
    name: str, share: float, table: str, mark: str = ",", encoding: str = "utf-8"
) -> FileKind:
    path = f"{SITE}/{table}.csv"

    def strategy(home: Path) -> st.SearchStrategy[bytes]:
        return mutate.cells(_in_form(home / path, mark, encoding), table, mark, encoding)

    def by_bytes(data: bytes, rng: np.random.Generator) -> bytes:
        return mutate.mutated(_formed(data, mark, encoding), rng)

    doors = ((0.97, (READ, SITE)), (0.03, CHECK))
    return FileKind(name, path, share, doors, strategy, by_bytes)


def _in_form(path: Path, mark: str, encoding: str) -> bytes:
    return _formed(path.read_bytes(), mark, encoding)


def _formed(data: bytes, mark: str, encoding: str) -> bytes:
    """A table by another separator, with commas before decimals, or in another encoding."""
    if (mark, encoding) == (",", "utf-8"):
        return data
    rows = list(csv.reader(io.StringIO(data.decode())))
    if mark == ";":
        rows = [
            [c.replace(".", ",") if c[:1].isdigit() or ":" in c else c for c in r] for r in rows
        ]
    made = io.StringIO()
    csv.writer(made, delimiter=mark, lineterminator="\n").writerows(rows)
    return made.getvalue().replace("practice", "prüfen").encode(encoding, "replace")


def _toml(path: str, schema: str) -> Callable[[Path], st.SearchStrategy[bytes]]:
    return lambda home: mutate.settings((home / path).read_bytes(), schema)


def _json(path: str) -> Callable[[Path], st.SearchStrategy[bytes]]:
    return lambda home: mutate.leaves((home / path).read_bytes())


def _stored(path: str) -> Callable[[Path], st.SearchStrategy[bytes]]:
    return lambda home: mutate.stored_cells(home / path, home.parent / "spoilt.gpkg")


def _table(path: str, table: str) -> Callable[[Path], st.SearchStrategy[bytes]]:
    return lambda home: mutate.cells((home / path).read_bytes(), table)


def _parquet(path: str) -> Callable[[Path], st.SearchStrategy[bytes]]:
    """A table in Parquet with odd values, and with columns of types no table of ours has."""

    def strategy(home: Path) -> st.SearchStrategy[bytes]:
        whole = pq.read_table(home / path)
        odd = st.sampled_from((*mutate.ODD_NUMBERS, *mutate.ODD_TEXTS[:60]))

        def made(changes: list[tuple[int, int, str]]) -> bytes:
            table = whole
            for at, what, value in changes:
                n = at % table.num_columns
                column = [None if v is None else str(v) for v in table.column(n).to_pylist()]
                value = value.encode("utf-8", "replace").decode()
                column[at % len(column)] = value
                arrays = (
                    pa.array(column, pa.string()),
                    pa.array([7] * len(column), pa.int8()),
                    pa.array([float("nan")] * len(column)),
                    pa.array([[value]] * len(column)),
                    pa.array([b"\xff"] * len(column), pa.binary()),
                    pa.array([True] * len(column)),
                    pa.nulls(len(column)),
                    pa.array([0] * len(column), pa.timestamp("ns")),
                    pa.array([{"a": 1}] * len(column)),
                )
                kind = what if what < len(arrays) else 0
                name = value if what == 12 else table.column_names[n]
                table = table.set_column(n, name, arrays[kind])
            sink = io.BytesIO()
            pq.write_table(table, sink)
            return sink.getvalue()

        change = st.tuples(st.integers(0, 2**20), st.integers(0, 12), odd)
        return st.lists(change, min_size=1, max_size=2).map(made)

    return strategy


def _points(files: Iterator[str] | tuple[str, ...]) -> Door:
    return ("import-points", *files)


RECORD: Final = "out"
_PLAN: Final = ("--required", "0.3m", "--json", "-o", "made")
_DRAWING: Final = (
    "--plan-crs", "EPSG:32617", "--dxf-layer", "PLAN-BORE=bore,diameter_m=0.16,depth_m=1",
    "--dxf-layer", "PLAN-TRENCH=trench,depth_m=1.4",
    "--dxf-layer", "PLAN-POST=post,depth_m=0.9,radius_m=0.1",
)  # fmt: skip
_MAINS: Final = (
    "--id-column", "main", "--upstream-access", "from_access", "--downstream-access", "to_access",
    "--column", "diameter_mm=diameter_mm", "-o", "made",
)  # fmt: skip

KINDS: Final[tuple[FileKind, ...]] = (
    FileKind("site.toml", f"{SITE}/site.toml", 14, ((0.97, (READ, SITE)), (0.03, CHECK)),
             _toml(f"{SITE}/site.toml", "site")),
    _site_kind("marks.csv", 14, "marks"),
    _site_kind("marks.csv by semicolons", 4, "marks", ";"),
    _site_kind("marks.csv by tabs", 3, "marks", "\t"),
    _site_kind("stops.csv", 8, "stops"),
    _site_kind("stops.csv in Latin-1", 3, "stops", ",", "latin-1"),
    _site_kind("control.csv", 7, "control"),
    _site_kind("exposures.csv", 7, "exposures"),
    _site_kind("observations.csv", 4, "observations"),
    _site_kind("photos.csv", 3, "photos"),
    _site_kind("assets.csv", 3, "assets"),
    _site_kind("ids.csv", 3, "ids"),
    FileKind("accuracies.toml", f"{SITE}/accuracies.toml", 3,
             ((0.97, (READ, SITE)), (0.03, CHECK)), _toml(f"{SITE}/accuracies.toml", "")),
    FileKind("photo .jpg", f"{SITE}/photos/R1-2_kerb.jpg", 0.6,
             ((0.9, (READ, SITE)), (0.1, CHECK)), None),
    FileKind("workbook .xlsx", "book.xlsx", 1.2, ((0.95, (READ, "book.xlsx")),
             (0.05, ("check", "book.xlsx"))), None, mutate.mutated_part),
    FileKind("workbook .xlsx, bytes", "book.xlsx", 0.6, ((1, (READ, "book.xlsx")),)),
    FileKind("bulk sites.csv", "city/sites.csv", 0.8, ((1, ("check", "city", "--workers", "1")),),
             _table("city/sites.csv", "")),
    FileKind("bulk marks.parquet", "city/marks.parquet", 0.8,
             ((1, ("check", "city", "--workers", "1")),), _parquet("city/marks.parquet")),
    FileKind("points .txt", "points/a.txt", 8, (
        (0.6, ("import-points", "points/a.txt", "--order", "pnezd", *_TEXT)),
        (0.4, ("import-points", "points/a.txt", "--yes", *_TEXT)))),
    FileKind("points .gpx", "points/a.gpx", 2, ((1, ("import-points", "points/a.gpx", *_MAP)),)),
    FileKind("points .kml", "points/a.kml", 1.5, ((1, ("import-points", "points/a.kml", *_MAP)),)),
    FileKind("points .geojson", "points/a.geojson", 2.5,
             ((1, ("import-points", "points/a.geojson", *_MAP)),), _json("points/a.geojson")),
    FileKind("points .gpkg", "points/a.gpkg", 1,
             ((1, ("import-points", "points/a.gpkg", *_MAP)),), _stored("points/a.gpkg")),
    FileKind("codes.toml", "points/codes.toml", 4, (
        (1, ("import-points", "points/a.txt", "--order", "pnezd", *_TEXT,
             "--codes", "points/codes.toml")),), _toml("points/codes.toml", "codes")),
    FileKind("plan .geojson", "plan.geojson", 0.5,
             ((1, ("clearance", RECORD, "plan.geojson", *_PLAN)),), _json("plan.geojson")),
    FileKind("plan .dxf", "plan.dxf", 0.25,
             ((1, ("clearance", RECORD, "plan.dxf", *_DRAWING, *_PLAN)),)),
    FileKind("plan .gpkg", "plan.gpkg", 0.25, ((1, ("clearance", RECORD, "plan.gpkg", *_PLAN)),),
             _stored("plan.gpkg")),
    FileKind("profile .toml", "profile.toml", 1, (
        (1, ("handover", RECORD, "--profile", "profile.toml", "--dry-run")),),
        _toml("profile.toml", "")),
    FileKind("register .geojson", "register.geojson", 0.25, (
        (1, ("match", RECORD, "register.geojson", "--id-column", "asset", "-o", "made")),),
        _json("register.geojson")),
    FileKind("mains .geojson", "mains.geojson", 0.25, (
        (1, ("connect", RECORD, "--mains", "mains.geojson", *_MAINS)),), _json("mains.geojson")),
    FileKind("points to tape from .csv", "more.csv", 0.03, (
        (1, ("ties", RECORD, "--points", "more.csv")),), _table("more.csv", "control")),
    FileKind("record .gpkg", f"{RECORD}/asbuilt.gpkg", 0.35, (
        (0.5, ("explain", RECORD, "R1/2")),
        (0.15, ("page", RECORD, "-o", "made.html")),
        (0.05, ("sheet", RECORD, "-o", "made.pdf", "--crew")),
        (0.1, ("export", RECORD, "-o", "made.kml")),
        (0.05, ("export", RECORD, "-o", "made.dxf")),
        (0.1, ("ties", RECORD)),
        (0.05, ("zones", RECORD, "--rule", "cga", "-o", "made"))),
        _stored(f"{RECORD}/asbuilt.gpkg")),
    FileKind("manifest.json", f"{RECORD}/manifest.json", 0.2, (
        (0.3, ("explain", RECORD, "R1/2")), (0.7, ("verify", RECORD, "--key", "my.key.pub"))),
        _json(f"{RECORD}/manifest.json")),
    FileKind("seal.json", f"{RECORD}/seal.json", 9,
             ((1, ("verify", RECORD, "--key", "my.key.pub")),), _json(f"{RECORD}/seal.json")),
    FileKind("public key", "my.key.pub", 5, ((1, ("verify", RECORD, "--key", "my.key.pub")),)),
)  # fmt: skip


# ---- the sound files ---------------------------------------------------------------------------


def make_home(home: Path) -> None:
    """Make every sound file."""
    _make_site(home / SITE)
    _ran("new", home / "book", "--xlsx", "--from", home / SITE)
    shutil.copy(home / SITE / "accuracies.toml", home)
    _make_city(home / "city", home / SITE)
    points = home / "points"
    points.mkdir()
    text = (SAMPLES / "survey-files" / "quarry-pnezd.txt").read_text()
    (points / "a.txt").write_text("\n".join(text.split("\n")[:14]) + "\n")
    shutil.copy(SAMPLES / "survey-files" / "quarry.gpx", points / "a.gpx")
    waypoints = pyogrio.read_dataframe(points / "a.gpx", layer="waypoints")[
        ["name", "desc", "geometry"]
    ]
    for driver, ending in (("KML", "kml"), ("GeoJSON", "geojson"), ("GPKG", "gpkg")):
        few = waypoints[:14]
        pyogrio.write_dataframe(few, points / f"a.{ending}", driver=driver)
    _ran("import-points", "--write-codes", points / "codes.toml")
    _ran("build", home / SITE, "-o", home / RECORD)
    _ran("seal", "--new-key", home / "my.key")
    _ran("seal", home / RECORD, "--key", home / "my.key")
    _ran("handover", "--profile", "municipal", "--write-profile", home / "profile.toml")
    _make_plans(home)
    (home / "more.csv").write_text(
        "point,x,y,sigma_h\nA,467490,4661150,0.02\nB,467510,4661160,0.02\n"
    )


def _ran(*arguments: object) -> None:
    done = CliRunner().invoke(app, [str(a) for a in arguments])
    assert done.exit_code in (0, 1), f"{arguments}: {done.output}"


def _make_site(site: Path) -> None:
    sample = SAMPLES / "slope-levels"
    (site / "photos").mkdir(parents=True)
    (site / "site.toml").write_text(_SITE_TOML + _SAYS)
    (site / "accuracies.toml").write_text(_ACCURACIES)
    (site / "assets.csv").write_text(_ASSETS)
    for name, rows in (("control", 4), ("exposures", 2), ("marks", 7), ("stops", 3)):
        lines = (sample / f"{name}.csv").read_text().splitlines()[:rows]
        (site / f"{name}.csv").write_text("\n".join(lines) + "\n")
    (site / "observations.csv").write_text(
        "run,counter,code,defect_severity,text\nR1,3.20,SAG,2,standing water\nR1,2.1,WYE,,\n"
    )
    (site / "photos.csv").write_text(
        "file,exposure,taken_on,note\nphotos/pit.jpg,CO3,2026-05-06,a\n"
    )
    for name in ("R1-2_kerb.jpg", "pit.jpg"):
        (site / "photos" / name).write_bytes(picture())
    lines = (sample / "ids.csv").read_text().splitlines()
    (site / "ids.csv").write_text("\n".join((*lines[:4], lines[12])) + "\n")


def _make_city(city: Path, site: Path) -> None:
    city.mkdir()
    text = "\n".join(t for t in _SITE_TOML.split("\n") if not t.startswith(('id = "QH', "name =")))
    (city / "site.toml").write_text(text)
    (city / "sites.csv").write_text("site,site.name\nS-1,Lot 1\nS-2,Lot 2\n")
    for name in ("control", "exposures", "stops", "marks"):
        header, *rows = csv.reader((site / f"{name}.csv").read_text().splitlines())
        all_rows = [[s, *row] for s in ("S-1", "S-2") for row in rows]
        columns = dict(zip(("site", *header), zip(*all_rows, strict=True), strict=True))
        if name == "marks":
            table = {k: pa.array([v or None for v in c], pa.string()) for k, c in columns.items()}
            pq.write_table(pa.table(table), city / "marks.parquet")
            continue
        with (city / f"{name}.csv").open("w", newline="") as file:
            csv.writer(file).writerows([["site", *header], *all_rows])


def _make_plans(home: Path) -> None:
    """Works, a register and mains beside the site, which lies about 467503 E, 4661156 N."""
    import geopandas
    import shapely

    at = shapely.Point(467502, 4661152)
    works = geopandas.GeoDataFrame(
        {
            "kind": ["trench", "bore", "post"],
            "name": ["cable", "duct", "fence"],
            "depth_m": [1.4, 1.9, 0.9],
            "width_m": [0.5, None, None],
            "diameter_m": [None, 0.16, None],
            "radius_m": [None, None, 0.1],
        },
        geometry=[
            shapely.LineString([(467495, 4661154), (467510, 4661153)]),
            shapely.LineString([(467498, 4661151), (467508, 4661155)]),
            at,
        ],
        crs="EPSG:32617",
    )
    works.to_file(home / "plan.gpkg", driver="GPKG")
    works.to_crs(4326).to_file(home / "plan.geojson", driver="GeoJSON")
    shutil.copy(SAMPLES / "planned-works" / "quarry-plan.dxf", home / "plan.dxf")
    line = shapely.LineString([(467499.9, 4661150.1), (467502.6, 4661155.5)])
    main = shapely.LineString([(467496, 4661158), (467508, 4661154)])
    own = geopandas.GeoDataFrame({"asset": ["A-1"]}, geometry=[line], crs="EPSG:32617")
    own.to_crs(4326).to_file(home / "register.geojson", driver="GeoJSON")
    mains = geopandas.GeoDataFrame(
        {"main": ["M-1"], "from_access": ["MH1"], "to_access": ["MH2"], "diameter_mm": [225]},
        geometry=[main],
        crs="EPSG:32617",
    )
    mains.to_crs(4326).to_file(home / "mains.geojson", driver="GeoJSON")
