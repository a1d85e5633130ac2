"""Plans drawn as DXF: what is on which layer, read with ezdxf (the extra `cad`).

A drawing carries no attributes, so each layer's use is said: `BORE=bore,diameter_m=0.16`. Closed
polylines are trenches, open ones and lines bores, circles and points posts and piles.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from math import nan
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
import shapely
from pyproj import CRS

from lateralline.errors import extra
from lateralline.ingest.ledger import Ledger, nearest
from lateralline.ingest.map_layers import MapFeature
from lateralline.overlay.bodies import SHAPE_WITHIN_M, Kind
from lateralline.overlay.planned import KINDS
from lateralline.units import METRES_PER

if TYPE_CHECKING:
    from ezdxf.document import Drawing
    from ezdxf.entities.dxfgfx import DXFGraphic

#: $INSUNITS of the DXF header; from memory of the format's reference.
HEADER_UNITS: Final = {1: "in", 2: "ft", 4: "mm", 5: "cm", 6: "m", 21: "us-ft"}
_PATHS: Final = ("LWPOLYLINE", "POLYLINE", "LINE", "ARC", "SPLINE")
#: What is written beside works, not works.
_WORDS: Final = ("TEXT", "MTEXT", "ATTDEF", "DIMENSION", "LEADER", "MULTILEADER", "HATCH")
_SHUT_M: Final = 1e-6


@dataclass(frozen=True, slots=True)
class LayerUse:
    """What one layer of a drawing holds, and the attributes all of it has."""

    kind: Kind
    cells: Mapping[str, object]


def drawn_features(
    path: Path, uses: Mapping[str, LayerUse], crs: CRS | None, unit: str, ledger: Ledger
) -> tuple[list[MapFeature], list[str], str]:
    """Return the features of the layers in use, notes on what was left, and the drawing's unit.

    That is `unit`, else what the header says, "" where it says none or one unknown here.

    Without `uses`, a layer whose name holds one kind's word is of that kind.
    """
    drawing = _opened(path, ledger)
    if drawing is None:
        return [], [], unit
    says = unit or HEADER_UNITS.get(int(drawing.header.get("$INSUNITS", 0)), "")
    notes = _unit_notes(path, drawing, crs, unit, ledger)
    unit_m = METRES_PER[says or "m"]
    if crs is not None and not crs.is_geographic:
        unit_m = float(crs.axis_info[0].unit_conversion_factor)
    there = {layer.dxf.name for layer in drawing.layers}
    there |= {_layer_of(e) for e in drawing.modelspace()} - {""}
    chosen = _chosen(path, uses, sorted(there), ledger)
    features: list[MapFeature] = []
    left: dict[str, int] = {}
    for row, entity in enumerate(drawing.modelspace(), start=1):
        layer = _layer_of(entity)
        use = chosen.get(layer.casefold())
        if use is None or entity.dxftype() in _WORDS:
            left[layer] = left.get(layer, 0) + 1
            continue
        name = f"{path.name} {layer}"
        shapes = list(_shapes(entity, use.kind, unit_m, name, row, ledger))
        for n, (shape, cells) in enumerate(shapes, start=1):
            part = f".{n}" if len(shapes) > 1 else ""
            told = {"kind": use.kind, "name": f"{layer} {row}{part}", **cells, **use.cells}
            features.append(MapFeature(name, row, part, shape, told))
    notes += [
        f"{f'Layer {layer}' if layer else 'On no layer'}: {n} entities not looked at."
        for layer, n in left.items()
    ]
    return features, notes, says


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
    except (DXFError, OSError, UnicodeDecodeError, ValueError) as e:
        ledger.fault(path.name, 0, "file", "", "must be a DXF drawing", str(e))
        return None


def _unit_notes(
    path: Path, drawing: Drawing, crs: CRS | None, unit: str, ledger: Ledger
) -> list[str]:
    """Return what is taken for granted of the drawing's unit; a fault where it is another."""
    code = int(drawing.header.get("$INSUNITS", 0))
    header = HEADER_UNITS.get(code, f"code {code}" if code else "")
    says = unit or header
    if crs is None or crs.is_geographic:
        return []
    if not says:
        return [f"The drawing names no unit: its coordinates are taken as those of {crs.name}."]
    counts = crs.axis_info[0].unit_conversion_factor
    if abs(METRES_PER.get(says, nan) / counts - 1.0) > 1e-9 or says not in METRES_PER:
        own = next((u for u, m in METRES_PER.items() if abs(m / counts - 1.0) < 1e-9), "another")
        must = f"of the drawing must be that of {crs.name}, {own}"
        hint = f"if its coordinates are {own} all the same, say --plan-unit {own}"
        ledger.fault(path.name, 0, "unit", says, must, hint)
    return []


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
        hint = f"as --layer NAME=trench,depth_m=1.2; there are {', '.join(there)}"
        ledger.fault(path.name, 0, "layer", "", "must be said to be planned works", hint)
    return found


def _shapes(
    entity: DXFGraphic, kind: Kind, unit_m: float, name: str, row: int, ledger: Ledger
) -> Iterator[tuple[shapely.Geometry, dict[str, object]]]:
    """Yield the geometry of one entity with what its own shape says; faults for what is no such."""
    from ezdxf.path import make_path

    what = entity.dxftype()
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
        points = [(p.x, p.y, p.z) for p in make_path(entity).flattening(SHAPE_WITHIN_M)]
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
        ledger.fault(name, row, "entity", what, "of a trench must be a closed outline")
        return
    yield shapely.Polygon(xyz[:, :2]), {}


_WAYS: Final = {
    "trench": "draw it as a closed polyline",
    "bore": "draw it as a line or polyline",
    "post": "draw it as a circle or a point",
    "pile": "draw it as a circle or a point",
}
