"""Where a record comes from: the rows of the `lineage` layer, and the same read back by name.

`lineage` makes the layer, a Product like any other; `read_lineage` is the one reader of it.
"""

from __future__ import annotations

import math
import platform
from collections.abc import Iterable, Iterator
from dataclasses import asdict, dataclass, fields
from functools import cache
from importlib.metadata import version
from pathlib import Path
from typing import Final

import fiona
import pyogrio
import pyproj
import shapely

from lateralline import __version__, contract
from lateralline.derive.dates import survey_days, valid_from
from lateralline.errors import ContractError, UnreadableError
from lateralline.frames import Frame, Operation
from lateralline.frames.systems import axis_unit_m, crs_text, known_crs, plan_of, short_text
from lateralline.output.proof import reading
from lateralline.record import CAUTION
from lateralline.record.assets import PRIVATE, private_columns
from lateralline.records import FieldRecord, Product
from lateralline.settings import Accuracy, Settings, key_of
from lateralline.wording import counted

_LIBRARIES: Final = (
    "numpy",
    "scipy",
    "pyproj",
    "shapely",
    "pandas",
    "geopandas",
    "pyarrow",
    "pyogrio",
    "fiona",
)
#: Item of the row that says which version of the schemas a record has; version 1 had none.
SCHEMA: Final = "schema version"
#: Columns of layers that name the published table or rule a row rests on.
_SOURCE_COLUMNS: Final = ("source", "dimensions_from", "fitting_source")
#: Item of the row that says how high the receiver's aerial was above the ground.
AERIAL: Final = "receiver's aerial above ground"
_Z_DATUM: Final = "z counts from"
_Z_UNIT: Final = "z unit"


@cache
def software() -> dict[str, str]:
    """Return the version of every program and library a record depends on."""
    return {
        "lateralline": __version__,
        "python": platform.python_version(),
        **{name: version(name) for name in _LIBRARIES},
        "GDAL (writes)": pyogrio.__gdal_version_string__,
        "GDAL (reads back)": fiona.__gdal_version__,
        "PROJ": pyproj.proj_version_str,
        "EPSG dataset": pyproj.database.get_database_metadata("EPSG.VERSION") or "unknown",
        "GEOS": shapely.geos_version_string,
    }


@dataclass(frozen=True, slots=True)
class _LineageRow:
    topic: str
    item: str
    value: str
    unit: str | None = None
    accuracy_m: float = math.nan
    sha256: str | None = None
    size_bytes: int | None = None
    rows: int | None = None
    remark: str | None = None


def lineage(
    products: Iterable[Product],
    record: FieldRecord,
    frame: Frame,
    crs: pyproj.CRS | None = None,
) -> Product:
    """Return the `lineage` layer of one site written in `crs` (None: the site's own).

    A row says something of this site: what was not given, is zero or is the same everywhere has
    none.
    """
    rows = [
        *_inputs(record),
        *(_LineageRow("software", name, v) for name, v in software().items()),
        _LineageRow("software", SCHEMA, str(contract.SCHEMA_VERSION)),
        *_systems(frame, crs),
        *_operations(operations(frame, crs)),
        *_accuracies(record.settings.accuracy),
        *_settings(record.settings),
        *_sources(products),
        *_statements(record, frame, crs),
    ]
    columns: dict[str, list[object]] = {"site_id": [record.settings.id] * len(rows)}
    columns |= {f.name: [getattr(row, f.name) for row in rows] for f in fields(_LineageRow)}
    return Product("lineage", dict(columns), None)


@dataclass(frozen=True, slots=True)
class RecordLineage:
    """What drawings and exports need of one site's lineage; "" and NaN where it says nothing."""

    site_name: str
    surveyed: str  # ISO date
    surveyor: str
    version: str  # of the record; "" in records that do not count them
    valid_from: str  # ISO date
    last_surveyed: str  # ISO date
    private: tuple[str, ...]  # columns that are left out of what is shown unless asked for
    levels: str  # a sentence on what levels count from
    directions: str  # a sentence on what directions count from
    level_datum: str  # in few words
    horizontal_crs: str  # the site's own: its code, else as text; "local" for a sketch
    vertical_crs: str  # its code, "ellipsoidal", "relative" or "none"
    crs_name: str  # of the file
    z_unit_m: float  # metres in the unit of z; NaN in records that do not state it
    height_factor: float  # ellipsoid metres in a ground metre
    convergence_deg: float  # azimuth of the site's own grid north
    tape_unit: str
    depth_unit: str
    gnss_sigma_m: float  # of a point without σ of its own, each axis
    tape_sigma_m: float
    tape_sigma_ratio: float


def read_lineage(rows: Iterable[tuple[str, str, str]]) -> RecordLineage:
    """Return what rows (topic, item, value) of one site's `lineage` state.

    Raises ContractError for a text where a number must stand: someone edited the record.

    >>> read_lineage([("crs", "height factor", "0.99998")]).height_factor
    0.99998
    """
    known = {(topic, item): value for topic, item, value in rows}

    def text(topic: str, item: str) -> str:
        return known.get((topic, item), "")

    def real(topic: str, item: str, unknown: float = math.nan) -> float:
        value = known.get((topic, item))
        try:
            return unknown if value is None else float(value)
        except ValueError:
            raise ContractError(
                f"lineage: {item} must be a number; got {value!r}. "
                "The record was edited: build it again"
            ) from None

    return RecordLineage(
        site_name=text("statement", "site"),
        surveyed=text("statement", "surveyed"),
        surveyor=text("statement", "surveyor"),
        version=text("statement", "record version"),
        valid_from=text("statement", "valid from"),
        last_surveyed=text("statement", "last surveyed") or text("statement", "surveyed"),
        private=tuple(filter(None, text("statement", PRIVATE).split(", "))),
        levels=text("statement", "levels"),
        directions=text("statement", "directions"),
        level_datum=text("crs", "levels"),
        horizontal_crs=text("crs", "horizontal crs"),
        vertical_crs=text("crs", "vertical crs"),
        crs_name=text("crs", "written in"),
        z_unit_m=real("crs", _Z_UNIT),
        height_factor=real("crs", "height factor", 1.0),
        convergence_deg=real("crs", "convergence", 0.0),
        tape_unit=text("parameter", "unit of tape") or "m",
        depth_unit=text("parameter", "unit of depth") or "m",
        gnss_sigma_m=real("parameter", "accuracy gnss_m"),
        tape_sigma_m=real("parameter", "accuracy tape_m"),
        tape_sigma_ratio=real("parameter", "accuracy tape_ratio"),
    )


def sites_of(gpkg: Path) -> tuple[str, ...]:
    """Return the ids of the sites a built GeoPackage holds, in order.

    Raises UnreadableError for a file that cannot be read now, sqlite3.Error for no built record.
    """
    with reading(gpkg) as db:
        rows = db.execute("SELECT DISTINCT site_id FROM lineage ORDER BY site_id")
        return tuple(str(site_id) for (site_id,) in rows)


def private_of(gpkg: Path) -> set[str]:
    """Return the columns that are private on any site of a built record; raises as `sites_of`."""
    with reading(gpkg) as db:
        if not db.execute("SELECT 1 FROM sqlite_master WHERE name = 'lineage'").fetchone():
            return set()  # an overlay: it has none of them
        rows = db.execute("SELECT value FROM lineage WHERE item = ?", (PRIVATE,))
        return {name for (text,) in rows for name in str(text).split(", ")}


def schema_version_of(gpkg: Path) -> int:
    """Return the version of the schemas a built GeoPackage has; raises as `sites_of`.

    Raises UnreadableError for one of a later version: what its names mean is not known here.
    """
    with reading(gpkg) as db:
        rows = db.execute("SELECT DISTINCT value FROM lineage WHERE item = ?", (SCHEMA,))
        versions = {int(value) for (value,) in rows if str(value).isdigit()}
    if (latest := max(versions, default=1)) > contract.SCHEMA_VERSION:
        known = f"known here are versions up to {contract.SCHEMA_VERSION}"
        raise UnreadableError(f"{gpkg} has version {latest} of the schemas; {known}")
    return latest


def tape_units_of(gpkg: Path) -> set[str]:
    """Return the units that the sites of a built GeoPackage were taped in; raises as `sites_of`."""
    with reading(gpkg) as db:
        rows = db.execute("SELECT DISTINCT value FROM lineage WHERE item = 'unit of tape'")
        return {str(unit) for (unit,) in rows}


def level_system(horizontal: str, vertical: str) -> pyproj.CRS | None:
    """Return what levels count from, by the texts in lineage: a vertical CRS, or a 3-D one.

    None for levels that count within one site only, and where there are none.

    >>> level_system("EPSG:32617", "EPSG:5703").name, level_system("EPSG:32617", "relative")
    ('NAVD88 height', None)
    >>> level_system("EPSG:32617", "ellipsoidal").to_epsg()
    4979
    """
    if vertical in ("", "relative", "none"):
        return None
    if vertical != "ellipsoidal":
        return known_crs(vertical)
    ellipsoid = known_crs(horizontal).geodetic_crs
    assert ellipsoid is not None  # projected or geographic, or the site had been refused
    return ellipsoid.to_3d()


def level_systems_of(gpkg: Path) -> list[pyproj.CRS | None]:
    """Return what levels of the lines of a built GeoPackage count from, each once.

    Raises as `sites_of`.
    """
    found: list[pyproj.CRS | None] = []
    with reading(gpkg) as db:
        rows = db.execute(
            "SELECT DISTINCT h.value, v.value FROM lineage h JOIN lineage v USING (site_id) "
            "WHERE h.item = 'horizontal crs' AND v.item = 'vertical crs' "
            "AND site_id IN (SELECT site_id FROM pipe_centreline)"
        )
        for horizontal, vertical in rows:
            system = level_system(horizontal, vertical)
            found += [] if system in found else [system]
    return found


def z_unit_m(lineage: RecordLineage, crs: pyproj.CRS | None) -> float:
    """Return metres in the unit of one site's z in a file in `crs`; negative when it points down.

    Records that do not state it have z in the unit of the file's third axis, else of the site's
    vertical CRS.
    """
    if not math.isnan(lineage.z_unit_m):
        return lineage.z_unit_m
    if crs is None or len(crs.axis_info) < 3:
        crs = level_system(lineage.horizontal_crs, lineage.vertical_crs)
    return 1.0 if crs is None else axis_unit_m(crs)


def operations(frame: Frame, crs: pyproj.CRS | None) -> tuple[Operation, ...]:
    """Return every coordinate operation that stands between field record and files."""
    if crs is None or frame.is_local or crs in (frame.horizontal, frame.crs_with_levels):
        return frame.operations
    return (*frame.operations, frame.operation_to(crs))


def plan_operation(frame: Frame, crs: pyproj.CRS | None) -> Operation | None:
    """Return what takes plan positions from the site's CRS to `crs`; None when nothing does."""
    if crs is None or frame.is_local or plan_of(crs) == frame.horizontal:
        return None
    return frame.operation_to(plan_of(crs))


def _inputs(record: FieldRecord) -> Iterator[_LineageRow]:
    for f in record.inputs:
        yield _LineageRow(
            "input",
            f.name,
            counted(f.rows, "row"),
            sha256=f.sha256,
            size_bytes=f.size_bytes,
            rows=f.rows,
        )


def _systems(frame: Frame, crs: pyproj.CRS | None) -> Iterator[_LineageRow]:
    for item, value in frame.describe().items():
        if item == "axes" or item.startswith("operation_"):
            continue  # the same in every record; rows of their own
        if value == value:  # NaN: not known
            stem, unit = _unit(item)
            yield _LineageRow(
                "crs", stem, f"{value:.12g}" if isinstance(value, float) else value, unit
            )
    written = crs if crs is not None else frame.horizontal
    yield _LineageRow(
        "crs",
        "written in",
        written.name if written is not None else "a sketch on axes of its own, metres",
        remark=crs_text(written) if written is not None else "a sketch: the axes are invented",
    )
    datum, unit_m = frame.level_datum, 1.0
    if written is not None and len(written.axis_info) == 3:
        datum = short_text(written.sub_crs_list[1]) if written.is_compound else "ellipsoidal"
        unit_m = axis_unit_m(written)
    yield _LineageRow("crs", _Z_DATUM, datum, remark="of the geometry; columns: see levels")
    yield _LineageRow("crs", _Z_UNIT, f"{unit_m:.12g}", "m", remark="of the geometry")


def _operations(used: Iterable[Operation]) -> Iterator[_LineageRow]:
    for o in used:
        notes = [
            "only a ballpark way: not used" * (not o.usable),
            "a zero shift, accepted in site.toml" * (o.ballpark and o.usable),
            "moves nothing though the datums differ" * o.zero_shift,
            "accuracy as site.toml states it: none is published" * o.stated,
            _unknown(o) * math.isnan(o.accuracy_m),
            "depends on the coordinate epoch" * o.time_dependent,
        ]
        yield _LineageRow(
            "operation",
            f"{o.source} to {o.target}",
            o.name,
            accuracy_m=o.accuracy_m,
            remark="; ".join(filter(None, notes)) or None,
        )
        for grid, digest in o.grids_used:
            yield _LineageRow("operation", f"grid of {o.source} to {o.target}", grid, sha256=digest)
        for better in o.better_unavailable:
            yield _LineageRow("missing_operation", f"{o.source} to {o.target}", better)


def _accuracies(accuracy: Accuracy) -> Iterator[_LineageRow]:
    for name, value in asdict(accuracy).items():
        if value == 0.0:
            continue  # no such error is taken into account
        name, value = key_of(name, value)
        unit, remark = _unit(name)[1], "1 σ"
        if name.endswith("_per_m"):
            unit, remark = "1/m", "expected before anything was measured"
        yield _LineageRow("parameter", f"accuracy {name}", f"{value:.6g}", unit, remark=remark)


def _settings(settings: Settings) -> Iterator[_LineageRow]:
    for what, unit in settings.units.items():
        yield _LineageRow(
            "parameter", f"unit of {what}", unit, remark="as given; all here is metres"
        )
    if high := settings.aerial_height_m:
        sure = f"1 σ {settings.aerial_height_sigma_m:.6g} m"
        yield _LineageRow("parameter", AERIAL, f"{high:.6g}", "m", remark=sure)
    if settings.slope_tape:
        yield _LineageRow("parameter", "tape distances", "slope")
    for run in settings.runs:
        given = (
            ("entry", run.entry, None),
            (
                "counter at entry",
                f"{run.counter_at_entry_m:.6g}" if run.counter_at_entry_m else "",
                "m",
            ),
            ("flow", run.flow, None),
            ("transmitter lag", f"{run.transmitter_lag_m:.6g}", "m"),
            ("ride height", f"{run.ride_height_m:.6g}", "m"),
            ("surveyed", run.surveyed.isoformat() if run.surveyed else "", None),
            ("surveyor", run.surveyor, None),
            ("receiver", run.receiver, None),
        )
        yield from (_LineageRow("parameter", f"run {run.id}: {k}", v, u) for k, v, u in given if v)
    if settings.dig_rule:
        yield _LineageRow("parameter", "dig rule", settings.dig_rule)


def _sources(products: Iterable[Product]) -> Iterator[_LineageRow]:
    seen = {
        (p.layer, str(value))
        for p in products
        for name in _SOURCE_COLUMNS
        if p.layer != "lineage" and name in p.columns
        for value in p.columns[name]
        if value
    }
    yield from (_LineageRow("source", layer, value) for layer, value in sorted(seen))


def _statements(record: FieldRecord, frame: Frame, crs: pyproj.CRS | None) -> Iterator[_LineageRow]:
    settings = record.settings
    yield _LineageRow("statement", "levels", _levels(record, frame))
    if frame.is_local:
        yield _LineageRow(
            "statement", "axes", "A sketch on invented axes: it has no place on the earth."
        )
    else:
        yield _LineageRow(
            "statement",
            "directions",
            "Headings, ellipse azimuths and covariances refer to the site's own grid north, "
            "lengths to the ground, in whatever CRS the geometry is written.",
        )
        yield _LineageRow(
            "statement",
            "geojson",
            "Longitude and latitude are rounded to 7 decimals, about 0.01 m, and heights to "
            "0.001 m; the GeoPackage holds them unrounded.",
        )
        yield from _off_together("GeoPackage", plan_operation(frame, crs))
        yield from _off_together("GeoJSON", frame.lonlat_operation)
    yield _LineageRow("statement", "site", settings.name or settings.id)
    yield _LineageRow("statement", "surveyed", settings.surveyed.isoformat())
    days = survey_days(record)
    yield _LineageRow("statement", "last surveyed", days.last.isoformat())
    yield _LineageRow("statement", "record version", str(settings.version))
    yield _LineageRow("statement", "valid from", valid_from(settings, days).isoformat())
    if settings.surveyor:
        yield _LineageRow("statement", "surveyor", settings.surveyor)
    if private := private_columns(record.assets):
        yield _LineageRow("statement", PRIVATE, ", ".join(private))
    yield _LineageRow("statement", "caution", CAUTION)


def _levels(record: FieldRecord, frame: Frame) -> str:
    """State what levels count from: nothing, control's own zero, an ellipsoid, a datum."""
    if frame.levels == "ellipsoidal":
        return "Levels are heights above the ellipsoid of the horizontal CRS."
    if frame.levels == "named":
        how = f" ({frame.gnss_heights})" if frame.gnss_heights else ""
        return f"Levels are in the vertical CRS named above{how}."
    if not frame.levels_given:
        return (
            "There are no levels, only depths: no level was measured"
            + (", though site.toml names what levels refer to" if frame.levels_missing else "")
            + ". z counts from ground taken as level at 0, so no gradient is given either."
        )
    control = record.control
    known = [str(p) for p, z in zip(control.point, control.z_m, strict=True) if not math.isnan(z)]
    zero = f", the one that z of control counts from ({', '.join(known)})" if known else ""
    return f"Levels count from a zero of the site{zero}: they compare only within this site."


def _off_together(file: str, operation: Operation | None) -> Iterator[_LineageRow]:
    """State what the way into a file's CRS does to positions and to what is drawn around them."""
    if operation is None or operation.accuracy_m == 0.0 or not operation.usable:
        return
    bands = "Quality bands stay those of the site's own CRS."
    if math.isnan(operation.accuracy_m):
        text = (
            f"All positions in {file} may be off together by a distance nobody knows "
            f"({_unknown(operation)}): their plan sigmas are null, and zones and corridors are "
            f"left out. {bands}"
        )
    else:
        text = (
            f"All positions in {file} may be off together by {operation.shift_95_m:.3f} m (95 %), "
            "taking the accuracy of the operation as one standard deviation on each axis: plan "
            f"sigmas take it in, and zones and corridors are that much wider all round. {bands}"
        )
    yield _LineageRow(
        "statement", f"coordinate system of {file}", text, accuracy_m=operation.accuracy_m
    )


def _unknown(operation: Operation) -> str:
    """Return why nobody knows how good an operation is."""
    if operation.undated:
        return "it depends on time, and no coordinate epoch is given"
    return "accuracy not published"


def _unit(name: str) -> tuple[str, str | None]:
    """Split a key with a unit suffix into words and a unit symbol.

    >>> _unit("mean_level_m"), _unit("combined_scale")
    (('mean level', 'm'), ('combined scale', None))
    """
    for suffix, unit in (
        ("_m", "m"),
        ("_ppm", "ppm"),
        ("_deg", "deg"),
        ("_ratio", "1"),
        ("_depths", "depths"),
    ):
        if name.endswith(suffix):
            return name.removesuffix(suffix).replace("_", " "), unit
    return name.replace("_", " "), None
