"""GeoParquet and FlatGeobuf hold what the GeoPackage holds, in its CRS, the same every time."""

from __future__ import annotations

import json
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pyogrio
import pytest
import shapely
from typer.testing import CliRunner

import lateralline
from lateralline import contract
from lateralline.cli import app
from lateralline.errors import OutputError, ReadBackError
from lateralline.output.proof import sha256
from lateralline.write import formats
from lateralline.write.read_back import LayerTally
from tests.support.command import written
from tests.support.places import SAMPLES

MakeSite = Callable[..., Any]
BOTH = ("geoparquet", "flatgeobuf")


build = partial(written, formats=BOTH)


@pytest.mark.parametrize(
    "place", [{}, {"vertical": "EPSG:5703"}, {"horizontal": "local", "x": 0.0, "y": 0.0}]
)
def test_both_hold_what_the_geopackage_holds(
    make_site: MakeSite, tmp_path: Path, place: Any
) -> None:
    workspace = build(tmp_path / "out", make_site(**place), make_site("EX-2", **place))
    for name in contract.LAYERS:
        meant = pyogrio.read_dataframe(workspace.asbuilt, layer=name)
        parquet = workspace.folder / "geoparquet" / f"{name}.parquet"
        fgb = pyogrio.read_dataframe(workspace.folder / "flatgeobuf" / f"{name}.fgb")
        declared = [c.name for c in contract.load(name).field]
        assert len(fgb) == len(meant)
        if not contract.load(name).geometry:
            table = pd.read_parquet(parquet)
            assert list(table.columns) == declared
            assert len(table) == len(meant)
            continue
        frame = gpd.read_parquet(parquet)  # another reader than ours: its "geo" metadata is sound
        assert list(frame.columns) == [*declared, "geometry"]
        dates = [c.name for c in contract.load(name).field if c.type == "date"]
        frame[dates] = frame[dates].apply(pd.to_datetime)
        for column in declared:
            one, other = (f[column].astype(object).where(f[column].notna(), None)
                          for f in (frame, meant))  # fmt: skip
            assert one.tolist() == other.tolist(), (name, column)
        for one, other in zip(frame.geometry, meant.geometry, strict=True):
            assert (one is None) == (other is None)
            assert one is None or one.equals_exact(other)
        if place.get("horizontal") == "local":
            assert frame.crs is None  # null in the file: not WGS 84, which leaving it out would say
            assert fgb.crs is None
        else:
            assert frame.crs == meant.crs
            assert fgb.crs.name == meant.crs.name
        told = pq.read_schema(parquet).metadata
        if contract.load(name).caution:
            assert told[b"caution"].decode() == contract.load(name).caution
        found = sorted(shapely.to_wkt(fgb.geometry.dropna().array, rounding_precision=-1))
        assert found == sorted(shapely.to_wkt(meant.geometry.dropna().array, rounding_precision=-1))


def test_equal_sites_give_equal_bytes_and_the_manifest_knows_them(
    make_site: MakeSite, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1778155200")
    a, b = (build(tmp_path / name, make_site(), make_site("EX-2")) for name in "ab")
    manifest = json.loads(a.manifest.read_text(encoding="utf-8"))
    listed = {o["path"]: o["sha256"] for o in manifest["outputs"]}
    for kind in BOTH:
        for path in sorted((a.folder / kind).iterdir()):
            name = path.relative_to(a.folder).as_posix()
            assert path.read_bytes() == (b.folder / name).read_bytes()
            assert listed[name] == sha256(path)


def test_what_is_not_read_back_as_written_is_not_put_in_place(
    make_site: MakeSite, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write, read = formats._WRITERS["flatgeobuf"]
    monkeypatch.setitem(formats._WRITERS, "flatgeobuf", (write, lambda path: LayerTally(1)))
    with pytest.raises(ReadBackError, match=r"flatgeobuf/pipe_nodes\.fgb"):
        build(tmp_path / "out", make_site())

    def full(*args: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setitem(formats._WRITERS, "flatgeobuf", (full, read))
    with pytest.raises(OutputError, match="No space left"):
        build(tmp_path / "out", make_site())
    assert not list(tmp_path.iterdir())


def test_the_command_and_the_library(tmp_path: Path) -> None:
    site = SAMPLES / "tape-ties"
    done = CliRunner().invoke(
        app, ["build", str(site), "-o", str(tmp_path / "a"), "--also", "geoparquet,flatgeobuf"]
    )
    assert done.exit_code in (0, 1), done.output
    record = lateralline.build(site)
    made = record.write(tmp_path / "b", also=["flatgeobuf"])
    again = lateralline.load(tmp_path / "a").write(tmp_path / "c")
    folders = {k: {p.name for p in (tmp_path / k).iterdir() if p.is_dir()} for k in "abc"}
    assert folders["a"] == folders["c"] == {"geojson", "schema", "geoparquet", "flatgeobuf"}
    assert folders["b"] == {"geojson", "schema", "flatgeobuf"}
    assert made.sites == again.sites == record.sites
    nodes = len(record.layers["pipe_nodes"])
    assert len(pyogrio.read_dataframe(tmp_path / "b" / "flatgeobuf" / "pipe_nodes.fgb")) == nodes
    listed = json.loads((tmp_path / "b" / "manifest.json").read_text(encoding="utf-8"))
    assert "flatgeobuf/pipe_nodes.fgb" in {o["path"] for o in listed["outputs"]}
    assert np.all([s["inputs"] for s in listed["sites"]])
    lateralline.load(tmp_path / "b").write(tmp_path / "b2", also=["geoparquet"]).write(
        tmp_path / "b2", replace=True
    )
    wrong = CliRunner().invoke(
        app, ["build", str(site), "-o", str(tmp_path / "d"), "--also", "shapefile"]
    )
    assert wrong.exit_code == 2
    assert "must be of geoparquet, flatgeobuf, qgis-project" in " ".join(wrong.output.split())
    with pytest.raises(ValueError, match="'shapefile'"):
        record.write(tmp_path / "d", also=["shapefile"])
    assert not (tmp_path / "d").exists()
