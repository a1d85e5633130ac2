"""Plans in any vector file that GDAL opens, and drawings, read with ezdxf (the extra `cad`).

A drawing carries no attributes, so what each layer holds is given: `BORE=bore,diameter_m=0.16`.
Closed polylines are trenches, open ones and lines bores, or trenches where a width is given;
circles and points are posts and piles.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
import shapely
from pyproj import CRS
from shapely.affinity import scale

from lateralline.errors import FrameError, SiteFaultsError, extra
from lateralline.frames.systems import axis_unit_m, known_crs, plan_of
from lateralline.ingest.intake import may_be_read
from lateralline.ingest.ledger import Ledger, nearest
from lateralline.ingest.limits import MAP_BYTES
from lateralline.ingest.map_layers import GdalError, MapFeature, MapLayer, map_layers, read_layer
from lateralline.overlay.drawing_units import HEADER_UNITS, spot_on, unit_notes
from lateralline.overlay.planned import (
    KINDS,
    LENGTHS,
    SHAPE_WITHIN_M,
    UNITS,
    Kind,
    Options,
    PlannedWorks,
    length_in,
    works_of,
)
from lateralline.units import METRES_PER
from lateralline.wording import counted

if TYPE_CHECKING:
    from ezdxf.document import Drawing
    from ezdxf.entities.dxfgfx import DXFGraphic

_LOCAL: Final = "local"
EARTH_M: Final = 6_371_000.0
_PATHS: Final = ("LWPOLYLINE", "POLYLINE", "LINE", "ARC", "SPLINE")
#: What is written beside works, not works.
_WORDS: Final = ("TEXT", "MTEXT", "ATTDEF", "DIMENSION", "LEADER", "MULTILEADER", "HATCH")
_SHUT_M: Final = 1e-6
_SAME_RADIUS_M: Final = 1e-6
_WAYS: Final = {
    "trench": "draw it as a closed polyline, or as a line with a width",
    "bore": "draw it as a line or polyline",
    "post": "draw it as a circle or a point",
    "pile": "draw it as a circle or a point",
}


@dataclass(frozen=True, slots=True)
class LayerUse:
    """What one layer of a drawing holds, and the attributes all of it has."""

    kind: Kind
    cells: Mapping[str, object]


def read_plan(
    path: Path,
    options: Options,
    *,
    crs: str = "",
    uses: Mapping[str, LayerUse] | None = None,
    unit: str = "",
    sketch_unit: str = "m",
) -> PlannedWorks:
    """Return a plan's works; `crs` overrides nothing, it is for a file that names none.

    `uses` is what is drawn on each layer of a DXF; `unit` what coordinates really count in, of a
    DXF or on axes of a sketch's own. Those count in the drawing's unit or else in `sketch_unit`,
    that of the sketch; "" = it has none to take. All of a plan on its own axes becomes metres.
    Raises SiteFaultsError with every fault of every feature, and for what does not apply to a file
    of this kind.
    """
    ledger = Ledger()
    may_be_read(path, ledger, MAP_BYTES, smaller="copy what is planned into a file of its own")
    ledger.raise_faults(path.name)
    notes: list[str] = []
    named = unit
    if path.suffix.lower() == ".dxf":
        system = _parsed(crs, path, ledger) if crs else None
        if not crs:
            hint = 'as --plan-crs EPSG:32617; "local" on a sketch\'s own axes'
            ledger.fault(path.name, 0, "CRS", "", "of a drawing must be said", hint)
        if system is not None and system.is_geographic:
            ledger.fault(path.name, 0, "CRS", crs, "of a drawing must be projected")
        if options.columns:
            hint = "a drawing has none: say what a layer is, as --dxf-layer NAME=trench,depth_m=1.2"
            ledger.fault(path.name, 0, "attributes", "", "cannot be named by --column", hint)
        features, notes, named = _drawn_features(path, uses or {}, system, unit, ledger)
    else:
        features, system, notes = read_features(path, options.columns, crs, ledger)
        if uses:
            hint = "say it in its attributes: kind, depth_m, diameter_m …, or by --column"
            must = "cannot be told by --dxf-layer, as a DXF's"
            ledger.fault(path.name, 0, "layers", "", must, hint)
        if unit and system is not None:
            must = f"is that of {system.name}: leave --plan-unit out"
            ledger.fault(path.name, 0, "unit", unit, must)
    if system is None and not ledger.faults:
        own = named or sketch_unit
        if not own:
            must, hint = "of a plan on a sketch's own axes must be said", "as --plan-unit ft"
            ledger.fault(path.name, 0, "unit", "", must, hint)
        else:
            unit_m = METRES_PER[own]
            options = replace(options, z_unit_m=unit_m)
            features = [
                replace(f, shape=f.shape and scale(f.shape, unit_m, unit_m, origin=(0, 0, 0)))
                for f in features
            ]
            whose = "" if named else ", the unit the sketch was taped in; else say --plan-unit"
            notes.append(f"Coordinates on the sketch's own axes are taken in {own}{whose}.")
    options = (
        options
        if system is None
        else replace(options, z_unit_m=z_unit_m(system), plan_unit_m=_plan_unit_m(system))
    )
    works = works_of(features, options, ledger)
    if unused := sum(_z_unused(feature) for feature in features):
        notes.append(
            f"Z of {counted(unused, 'feature')} is not used: level_m or depth_m says how deep "
            "each goes."
        )
    if not features and not ledger.faults:
        ledger.fault(path.name, 0, "features", "", "must hold a trench, bore, post or pile")
    if ledger.faults:
        raise SiteFaultsError(path.name, ledger.faults)
    return PlannedWorks(path, system, works, tuple(notes))


def z_unit_m(crs: CRS) -> float:
    """Return metres in the unit of z: the vertical axis', else that of the plan, else metres."""
    return 1.0 if len(crs.axis_info) < 3 and crs.is_geographic else axis_unit_m(crs)


def _plan_unit_m(crs: CRS) -> float:
    """Return metres in the unit of the plan coordinates; of degrees along a meridian."""
    unit = float(crs.axis_info[0].unit_conversion_factor)
    return unit * EARTH_M if plan_of(crs).is_geographic else unit


def _z_unused(feature: MapFeature) -> bool:
    shape = feature.shape
    if shape is None or shape.geom_type == "LineString" or not shape.has_z:
        return False
    z = shapely.get_coordinates(shape, include_z=True)[:, 2]
    return bool(z[np.isfinite(z)].any())


def _parsed(text: str, path: Path, ledger: Ledger) -> CRS | None:
    if text.strip().casefold() == _LOCAL:
        return None
    try:
        crs = known_crs(text)
    except FrameError as e:
        must = "must be one pyproj knows, such as EPSG:32617"
        ledger.fault(path.name, 0, "CRS", text, must, str(e))
        return None
    if not (crs.is_projected or crs.is_geographic or crs.is_compound):
        ledger.fault(path.name, 0, "CRS", text, f"must have plan coordinates; {crs.type_name} not")
    return crs


def read_features(
    path: Path,
    columns: Mapping[str, str],
    crs: str,
    ledger: Ledger,
    *,
    what: str = "plan",
    only: str = "",
) -> tuple[list[MapFeature], CRS | None, list[str]]:
    """Return the features of every layer, or of `only` one, their CRS, and which rings were closed.

    `columns` are attributes that must be there, our names → the file's; `crs` is for a file that
    names none. `what` the file is stands in the names of options: `--plan-crs`. Faults go to the
    ledger.
    """
    try:
        found = map_layers(path)
        known = [info.name for info in found]
        if only and only not in known:
            must = "must be a layer of the file"
            ledger.fault(path.name, 0, "layer", only, must, nearest(only, known))
            return [], None, []
        found = tuple(info for info in found if not only or info.name == only)
        layers = [read_layer(path, info.name, alone=len(found) == 1) for info in found]
    except GdalError as e:
        ledger.fault(path.name, 0, "file", "", "must be a GeoPackage, GeoJSON or DXF", str(e))
        return [], None, []
    layers = [la for la, info in zip(layers, found, strict=True) if info.geometry]
    for layer in layers:
        _check_columns(layer.file, columns, list(layer.fields), ledger)
    features = [feature for layer in layers for feature in layer.features]
    systems = {layer.file: _with_heights(layer) for layer in layers}
    closed = [f"{layer.file}:{n}" for layer in layers for n in layer.closed]
    notes = []
    if closed:
        which = ", ".join(closed[:10]) + (f" and {len(closed) - 10} more" if closed[10:] else "")
        notes = [f"Outlines that do not end where they begin were closed: {which}."]
    return features, _one_system(path, systems, crs, ledger, f"--{what}-crs"), notes


def _with_heights(layer: MapLayer) -> CRS | None:
    """Return a layer's CRS; RFC 7946: a third coordinate is a height on the ellipsoid."""
    if layer.crs is not None and layer.driver == "GeoJSON":
        return layer.crs.to_3d()
    return layer.crs


def _one_system(
    path: Path, systems: Mapping[str, CRS | None], given: str, ledger: Ledger, option: str
) -> CRS | None:
    """Return the CRS of all layers: their own, or the one given where they name none."""
    known = [c for c in systems.values() if c is not None and not c.is_engineering]
    different = [c for c in known if c != known[0]]
    if different:
        names = " and ".join({c.name: None for c in known})
        ledger.fault(path.name, 0, "CRS", names, "must be one for all layers")
    if not given:
        if not known:
            hint = f'say {option}; "local" on a sketch\'s own axes'
            ledger.fault(path.name, 0, "CRS", "", "must be named in the file", hint)
        return known[0] if known else None
    crs = _parsed(given, path, ledger)
    if known and crs is not None and plan_of(crs) != plan_of(known[0]):
        must, hint = f"must be {crs.name}, as {option} says", f"leave {option} out"
        ledger.fault(path.name, 0, "CRS", known[0].name, must, hint)
    return crs


def _check_columns(name: str, columns: Mapping[str, str], there: list[str], ledger: Ledger) -> None:
    lower = {c.casefold() for c in there}
    for ours, theirs in columns.items():
        if theirs.strip().casefold() not in lower:
            must = "must be an attribute that is there"
            ledger.fault(name, 0, ours, theirs, must, nearest(theirs, there))


def column_names() -> tuple[str, ...]:
    """Return every name an attribute may have."""
    return ("kind", "name", *(f"{length}_{unit}" for length in LENGTHS for unit in UNITS))


# ---- drawings ------------------------------------------------------------------------------


def _drawn_features(
    path: Path, uses: Mapping[str, LayerUse], crs: CRS | None, unit: str, ledger: Ledger
) -> tuple[list[MapFeature], list[str], str]:
    """Return the features of the layers in use, notes on what was left, and the drawing's unit.

    That is `unit`, else the header's, "" where it names none or one unknown here.

    Without `uses`, a layer whose name holds one kind's word is of that kind.
    """
    drawing = _opened(path, ledger)
    if drawing is None:
        return [], [], unit
    code = int(drawing.header.get("$INSUNITS", 0))
    given, unit = unit, unit or HEADER_UNITS.get(code, f"code {code}" * bool(code))
    there = {layer.dxf.name for layer in drawing.layers}
    there |= {_layer_of(e) for e in drawing.modelspace()} - {""}
    chosen = _chosen(path, uses, sorted(there), ledger)
    used = (e for e in drawing.modelspace() if _layer_of(e).casefold() in chosen)
    spot = next(filter(None, map(spot_on, used)), None)
    notes, times = unit_notes(path, unit, given, crs, spot, ledger)
    unit = unit if unit in METRES_PER else ""
    unit_m = METRES_PER[unit or "m"]
    if crs is not None and not crs.is_geographic:
        unit_m = float(crs.axis_info[0].unit_conversion_factor) * times
    wide: dict[str, int] = {}
    other: dict[str, int] = {}
    features: list[MapFeature] = []
    left: dict[str, int] = {}
    for row, entity in enumerate(drawing.modelspace(), start=1):
        layer = _layer_of(entity)
        use = chosen.get(layer.casefold())
        if use is None or entity.dxftype() in _WORDS:
            left[layer] = left.get(layer, 0) + 1
            continue
        name = f"{path.name} {layer}"
        shapes = list(_shapes(entity, use, unit_m, name, row, ledger))
        for n, (shape, cells) in enumerate(shapes, start=1):
            part = f".{n}" if len(shapes) > 1 else ""
            rest, differs = _where_none_is_drawn(use, cells)
            other[layer] = other.get(layer, 0) + differs
            wide[layer] = wide.get(layer, 0) + (
                use.kind == "trench" and shape.geom_type == "LineString"
            )
            about = {"kind": use.kind, "name": f"{layer} {row}{part}", **cells, **rest}
            if times != 1.0:
                shape = scale(shape, times, times, times, origin=(0, 0, 0))
            features.append(MapFeature(name, row, part, shape, about))
    notes += _option_notes(chosen, wide, other)
    notes += [
        f"{f'Layer {layer}' if layer else 'On no layer'}: {n} entities not looked at."
        for layer, n in left.items()
    ]
    return features, notes, unit


def _layer_of(entity: DXFGraphic) -> str:
    """Return the layer of an entity; "" for one of a kind that has none, or none known."""
    from ezdxf.lldxf.const import DXFError

    try:
        return str(entity.dxf.layer)
    except DXFError:
        return ""


def _opened(path: Path, ledger: Ledger) -> Drawing | None:
    with extra("cad", "a drawing"):
        from ezdxf.filemanagement import readfile
        from ezdxf.lldxf.const import DXFError
    try:
        return readfile(path)
    except StopIteration:  # of a reader that asks for the next tag of a header cut short
        ledger.fault(path.name, 0, "file", "", "must be a DXF drawing", "its header has no end")
        return None
    except (DXFError, OSError, UnicodeDecodeError, ValueError) as e:
        ledger.fault(path.name, 0, "file", "", "must be a DXF drawing", str(e))
        return None


def _where_none_is_drawn(
    use: LayerUse, drawn: Mapping[str, object]
) -> tuple[dict[str, object], bool]:
    """Return what an option adds to what is drawn, and whether it gives another radius.

    What cannot be read stays, to be a fault where attributes are read.
    """
    radius_m, rest, differs = drawn.get("radius_m"), dict(use.cells), False
    if not isinstance(radius_m, float):
        return rest, False
    for key, value in use.cells.items():
        name, _, unit = key.partition("_")
        if name in ("radius", "diameter") and unit in UNITS:
            told, _ = length_in(value, unit)
            told *= UNITS[unit] / (2.0 if name == "diameter" else 1.0)
            if told > 0.0:
                del rest[key]
                differs |= abs(told - radius_m) > _SAME_RADIUS_M
    return rest, differs


def _option_notes(
    chosen: Mapping[str, LayerUse], wide: Mapping[str, int], other: Mapping[str, int]
) -> list[str]:
    """Return how many shapes of each layer an option gives a width, or would give a radius."""

    def told(layer: str, *names: str) -> str:
        cells = chosen[layer.casefold()].cells.items()
        return ", ".join(f"{k}={v}" for k, v in cells if k.startswith(names))

    notes = [
        f"Layer {layer}: {counted(n, 'line')} taken as the middle of a trench, "
        f"{told(layer, 'width_')} by --dxf-layer. An outline must be closed in the drawing."
        for layer, n in wide.items()
        if n
    ]
    return notes + [
        f"Layer {layer}: {counted(n, 'circle')} drawn with another radius than "
        f"{told(layer, 'radius_', 'diameter_')} of --dxf-layer. What is drawn counts."
        for layer, n in other.items()
        if n
    ]


def _chosen(
    path: Path, uses: Mapping[str, LayerUse], there: list[str], ledger: Ledger
) -> dict[str, LayerUse]:
    lower = {name.casefold() for name in there}
    for name in uses:
        if name.casefold() not in lower:
            must = "must be a layer of the drawing"
            ledger.fault(path.name, 0, "layer", name, must, nearest(name, there))
    if uses:
        return {name.casefold(): use for name, use in uses.items()}
    found: dict[str, LayerUse] = {}
    for name in lower:
        words = [kind for kind in KINDS if kind in name]
        if len(words) == 1:
            found[name] = LayerUse(words[0], {})
    if not found:
        hint = f"as --dxf-layer NAME=trench,depth_m=1.2; there are {', '.join(there)}"
        ledger.fault(path.name, 0, "layer", "", "must be said to be planned works", hint)
    return found


def _shapes(
    entity: DXFGraphic, use: LayerUse, unit_m: float, name: str, row: int, ledger: Ledger
) -> Iterator[tuple[shapely.Geometry, dict[str, object]]]:
    """Yield the geometry of one entity with what its shape states; faults for others."""
    from ezdxf.path import make_path

    what, kind = entity.dxftype(), use.kind
    if kind in ("post", "pile") and what in ("CIRCLE", "POINT"):
        about: dict[str, object] = {}
        if what == "CIRCLE":
            place = entity.ocs().to_wcs(entity.dxf.center)  # mirrored drawings have circles aside
            about = {"radius_m": float(entity.dxf.radius) * unit_m}
        else:
            place = entity.dxf.location
        yield shapely.Point(place.x, place.y), about
        return
    fits = what in _PATHS if kind in ("bore", "trench") else False
    if not fits and not (what == "CIRCLE" and kind == "trench"):
        ledger.fault(name, row, "entity", what, f"cannot be a {kind}", _WAYS[kind])
        return
    try:
        points = [(p.x, p.y, p.z) for p in make_path(entity).flattening(SHAPE_WITHIN_M / unit_m)]
    except Exception as e:  # whatever the library makes of what is drawn, the drawing is at fault
        ledger.fault(name, row, "entity", what, f"cannot be followed ({type(e).__name__}: {e})")
        return
    xyz = np.array(points, dtype=np.float64).reshape(-1, 3)
    if kind == "bore":
        if len(xyz) > 1:
            yield shapely.LineString(xyz if xyz[:, 2].any() else xyz[:, :2]), {}
        return
    shut = bool(getattr(entity, "is_closed", False)) or what == "CIRCLE"
    if len(xyz) < 4 or not (shut or np.abs(xyz[0, :2] - xyz[-1, :2]).max() < _SHUT_M):
        if len(xyz) > 1 and any(key.startswith("width_") for key in use.cells):
            yield shapely.LineString(xyz[:, :2]), {}
            return
        must, hint = (
            "of a trench must be a closed outline",
            "close it in the drawing if it is an outline; only if it is the middle of a trench, "
            "give --dxf-layer NAME=trench,width_m=0.6",
        )
        ledger.fault(name, row, "entity", what, must, hint)
        return
    yield shapely.Polygon(xyz[:, :2]), {}
