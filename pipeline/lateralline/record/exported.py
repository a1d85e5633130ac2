"""What `export` writes: a built record and overlays made of it, told apart by what they hold.

Read from their GeoPackages. Longitudes and latitudes are those of the GeoJSON files that were
written with a GeoPackage; of one that stands alone they are reckoned from its own CRS, and what
that way may be off by is taken into its areas.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pyproj
import shapely
from shapely.geometry import shape as from_geojson

from lateralline import contract
from lateralline.cautions import CAUTION, NONE, Reservations
from lateralline.derive.adapted import WIDENED
from lateralline.derive.dig import around
from lateralline.errors import FrameError, LaterallineError, UnknownSiteError
from lateralline.frames.operations import PLAN_95
from lateralline.frames.systems import plan_of
from lateralline.output.keep import is_kept, tell_if_changed
from lateralline.output.proof import STAMP, account_of, reading, sha256
from lateralline.record import GEOPACKAGE
from lateralline.record.assets import hidden
from lateralline.record.ground import regions
from lateralline.record.layers import AnyFrame
from lateralline.record.lineage import private_of
from lateralline.record.reading import (
    crs_in,
    levels_in_metres,
    read_layer,
    read_layers,
    reservations_of,
)
from lateralline.renamed import layer_of_v1, today


class NotExportedError(LaterallineError, ValueError):
    """What is neither a record nor an overlay, or does not belong together."""


@dataclass(frozen=True, slots=True)
class Feature:
    """A feature in longitude and latitude, its columns as attributes."""

    shape: shapely.Geometry
    row: SimpleNamespace
    off_95_m: float = 0.0  # what reckoning its place may be off by, for all of a region together


@dataclass(frozen=True, slots=True)
class Exported:
    """A built record, or an overlay: the GeoPackage, and which declared layers it holds."""

    gpkg: Path
    layers: tuple[str, ...]  # in the order of the contract
    notes: str  # what an overlay says of itself as a whole
    reserved: Reservations = NONE  # what speaks against it

    @property
    def is_record(self) -> bool:
        """Whether it is what `build` wrote."""
        return "lineage" in self.layers

    def caution(self, own: str = CAUTION) -> str:
        """Return what stands on what is made of it; first what speaks against it."""
        return self.reserved.before(own)

    @property
    def spatial(self) -> tuple[str, ...]:
        """Its layers that have geometry."""
        return tuple(name for name in self.layers if contract.load(name).geometry)

    @property
    def crs(self) -> pyproj.CRS | None:
        """The CRS of its layers; None for invented axes."""
        return crs_in(self.gpkg, self.spatial[0])

    def read(self, names: Iterable[str], site: str = "") -> dict[str, AnyFrame]:
        """Return layers, of one site or all; what belongs to no site is always there."""
        asked, read = tuple(names), dict[str, AnyFrame]()
        for name in dict.fromkeys((*asked, *["lineage"] * self.is_record)):
            of_site = site if "site_id" in contract.load(name).names else ""
            read |= read_layers(self.gpkg, (name,), of_site)
        read = levels_in_metres(read) if self.is_record else read
        return {name: read[name] for name in asked}

    def in_lonlat(self, names: Iterable[str], site: str = "") -> Iterator[tuple[str, Feature]]:
        """Yield layer by layer the features that have a place, in longitude and latitude.

        Raises FrameError for invented axes, and where no published way of known accuracy leads to
        WGS 84.
        """
        crs = self.crs
        if crs is None:
            raise FrameError(f"{self.gpkg}: a sketch has no place on the map")
        account = account_of(self.gpkg.parent)
        written = {} if account is None or self.gpkg.name not in account.files else account.files
        private = private_of(self.gpkg) if self.is_record else set()
        for name in names:
            files = (f"geojson/{one}.geojson" for one in (name, layer_of_v1(name)))
            file = next((file for file in files if file in written), "")
            if file:
                features = _of_geojson(name, self.gpkg.parent / file, private)
            else:
                features = self._reckoned(name, plan_of(crs))
            for feature in features:
                if site in ("", getattr(feature.row, "site_id", site)):
                    yield name, feature

    def _reckoned(self, name: str, crs: pyproj.CRS) -> Iterator[Feature]:
        """Yield a layer's features by the way from the GeoPackage's own CRS."""
        frame = read_layers(self.gpkg, (name,))[name]
        frame = frame[frame.geometry.notna()]
        shapes = np.asarray(frame.geometry.array, dtype=object)
        if not len(shapes):
            return
        corners = np.array([shapely.get_coordinates(s)[0] for s in shapes])
        widened = WIDENED in contract.load(name).names
        columns = [c for c in contract.load(name).names if c in frame]
        records = frame[columns].astype(object).to_dict("records")
        for plane, rows in regions(crs, corners):
            off_m = PLAN_95 * plane.lonlat_sigma_m()
            if not np.isfinite(off_m):
                raise FrameError(
                    f"{self.gpkg} is in {crs.name}, from which no published way of known accuracy "
                    "leads to longitude and latitude: export it from the folder it was written "
                    "into, with its geojson/"
                )
            on_ground = plane.shapes_to_ground(shapes[rows])
            if widened and off_m:
                on_ground = np.array([around(s, off_m) for s in on_ground], dtype=object)
            placed = plane.shapes_to_lonlat(on_ground)
            for row, place in zip(rows.tolist(), placed, strict=True):
                known = {k: None if v != v else v for k, v in records[row].items()}
                if widened:
                    known[WIDENED] = float(str(known.get(WIDENED) or 0.0)) + off_m
                yield Feature(place, SimpleNamespace(**known), off_m)


def exported(given: Path) -> Exported:
    """Return what a folder or a GeoPackage holds: a built record, or an overlay.

    Raises NotExportedError for anything else, UnreadableError for what cannot be read now.
    """
    gpkg = _gpkg_of(given) if given.is_dir() else given
    try:
        with reading(gpkg) as db:
            rows = db.execute("SELECT table_name, description FROM gpkg_contents")
            about = {str(name): str(text or "") for name, text in rows}
    except sqlite3.Error as e:
        raise NotExportedError(f"{gpkg} is no GeoPackage ({e})") from e
    known = contract.LAYERS + contract.OVERLAYS
    about |= {name: about[old] for name in known if (old := layer_of_v1(name)) in about}
    layers = tuple(name for name in known if name in about)
    if not any(contract.load(name).geometry for name in layers):
        raise NotExportedError(
            f"{gpkg} is neither a record that lateralline build wrote nor an overlay of zones, "
            "clearance, update or ties"
        )
    tell_if_changed(gpkg)
    notes = "" if "lineage" in layers else _remark(layers[0], about[layers[0]])
    return Exported(gpkg, layers, notes, reservations_of(gpkg))


def beside(first: Path, others: Iterable[Path]) -> list[Exported]:
    """Return what is exported together: one record at the most, and overlays of it.

    Raises NotExportedError for two records, for layers in different CRS, and for a clearance that
    was made of another record; as `exported`.
    """
    found = [exported(given) for given in (first, *others)]
    records = [one for one in found if one.is_record]
    if len(records) > 1:
        named = ", ".join(str(one.gpkg) for one in records)
        raise NotExportedError(f"one record at a time goes into a file, with its overlays: {named}")
    systems = {one.gpkg: one.crs for one in found}
    plans = {gpkg: None if crs is None else plan_of(crs) for gpkg, crs in systems.items()}
    if len({None if plan is None else plan.to_wkt() for plan in plans.values()}) > 1:
        named = "; ".join(
            f"{gpkg}: {'a sketch' if plan is None else plan.name}" for gpkg, plan in plans.items()
        )
        raise NotExportedError(f"these are in different coordinate systems: {named}")
    for one in found:
        if records and "planned_works" in one.layers:
            of = set(read_layer(one.gpkg, "planned_works")["record_sha256"])
            if of - {sha256(records[0].gpkg)}:
                raise NotExportedError(
                    f"{one.gpkg} was made of another record than {records[0].gpkg}: run "
                    "lateralline clearance again"
                )
    return sorted(found, key=lambda one: not one.is_record)


def refuse_unknown_site(found: Iterable[Exported], site: str) -> None:
    """Raise UnknownSiteError unless some layer holds a row of the site; "" is every site."""
    if not site:
        return
    several = list(found)
    for one in several:
        for name in one.layers:
            if "site_id" in contract.load(name).names and len(read_layer(one.gpkg, name, site)):
                return
    raise UnknownSiteError(f"{', '.join(str(one.gpkg) for one in several)}: no site {site!r}")


def _gpkg_of(folder: Path) -> Path:
    if (folder / GEOPACKAGE).is_file():
        return folder / GEOPACKAGE
    there = sorted(p for p in folder.glob("*.gpkg") if not is_kept(p))
    if len(there) != 1:
        what = f"{len(there)} GeoPackages" if there else "no GeoPackage"
        raise NotExportedError(
            f"{folder} holds {what}: wanted is a folder that lateralline build, zones, clearance "
            "or update wrote, or a .gpkg"
        )
    return there[0]


def _remark(layer: str, description: str) -> str:
    """Return what a layer's description says of its file: all that follows its caution."""
    _, _, rest = description.partition(contract.load(layer).caution)
    return STAMP.sub(b"", rest.encode()).decode().strip()


def _of_geojson(layer: str, path: Path, private: Collection[str]) -> Iterator[Feature]:
    for feature in json.loads(path.read_text(encoding="utf-8"))["features"]:
        if feature["geometry"] is not None:
            known = today(layer, feature["properties"])
            for name in hidden(list(known), private):
                del known[name]
            yield Feature(from_geojson(feature["geometry"]), SimpleNamespace(**known))
