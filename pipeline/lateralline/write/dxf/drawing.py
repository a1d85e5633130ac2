"""The drawing as a whole: read from the GeoPackage, drawn, audited, and only then a file."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pyogrio
import pyproj
import shapely

from lateralline import contract
from lateralline.errors import OutputError, UnknownSiteError, extra
from lateralline.lineage import crs_text
from lateralline.output import stamp, whole_file
from lateralline.records import Floats
from lateralline.write.dxf.text import plain
from lateralline.write.dxf.units import Units, units_of

if TYPE_CHECKING:
    from ezdxf.document import Drawing
    from ezdxf.layouts.layout import Modelspace

_VERSION: Final = "R2018"  # text is UTF-8 there
_TEXT_MM: Final = 2.5  # height on paper
_SYMBOL_MM: Final = 3.0
_NOTE_MM: Final = 170.0  # width of the note
#: Points, and which column is written beside each.
_POINTS: Final = {
    "control_points": "point",
    "field_marks": "",
    "transmitter_fixes": "stop_id",
    "pipe_nodes": "node_id",
    "pipe_observations": "code",
}
_DRAWN: Final = (
    "unlocated",
    "dig_zone",
    "position_corridor",
    "pipe_segments",
    "pipe_centreline",
    *_POINTS,
)


def write_dxf(
    gpkg: Path, out: Path, *, site: str = "", scale: float = 200.0, replace: bool = False
) -> None:
    """Draw one site of a built GeoPackage, or all of them for "", as DXF. Equal input, equal bytes.

    Plan coordinates are those of the file's CRS, and levels go along in the plan's unit. Texts and
    symbols have their size at 1 : `scale`. Raises MissingExtraError without ezdxf, FrameError for a
    CRS in degrees, UnknownSiteError for a site the file does not hold, OutputError when the
    drawing is not sound, and OutputExistsError when `out` is there and may not be replaced.
    """
    with extra("cad", "a drawing"):
        from ezdxf.filemanagement import new
    held = {str(name) for name, _ in pyogrio.list_layers(gpkg)}  # an older record lacks some
    frames = {name: _read(gpkg, name, site) for name in (*_DRAWN, "lineage") if name in held}
    if not len(frames["lineage"]):
        raise UnknownSiteError(f"{gpkg} holds no site {site!r}")
    crs = frames["field_marks"].crs
    crs = None if crs is None or crs.is_engineering else crs
    units = units_of(crs, scale)
    with _fixed_dates(), whole_file(out, "drawing", replace=replace) as made:
        doc = new(_VERSION)
        _draw(doc, frames, units, _note(frames, crs, units))
        doc.header.custom_vars.append("CRS", "sketch" if crs is None else crs_text(crs))
        doc.header.custom_vars.append("GENERATOR", stamp("drawing"))
        auditor = doc.audit()
        if auditor.has_errors or auditor.has_fixes:
            raise OutputError(f"the drawing is not sound: {auditor.errors or auditor.fixes}")
        doc.saveas(made)


@contextmanager
def _fixed_dates() -> Iterator[None]:
    """Keep the clock and random identifiers out of the file."""
    from ezdxf._options import options

    before = options.write_fixed_meta_data_for_testing
    options.write_fixed_meta_data_for_testing = True
    try:
        yield
    finally:
        options.write_fixed_meta_data_for_testing = before


def _read(gpkg: Path, layer: str, site: str) -> Any:
    where = "site_id = '" + site.replace("'", "''") + "'" if site else None
    return pyogrio.read_dataframe(gpkg, layer=layer, where=where)


def _draw(doc: Drawing, frames: dict[str, Any], units: Units, note: str) -> None:
    from lateralline.write.dxf.symbols import add_symbols

    add_symbols(doc)
    doc.header["$INSUNITS"] = units.insunits
    doc.header["$MEASUREMENT"] = int(units.is_metric)
    doc.header["$LTSCALE"] = units.of_paper(1.0)  # line types are in mm on paper
    doc.header["$PDMODE"] = 0
    space = doc.modelspace()
    for name in (n for n in _DRAWN if n in frames):
        frame = frames[name]
        for row in frame[frame.geometry.notna()].itertuples(index=False):
            _DRAWERS.get(name, _point)(space, name, row, units)
    _finish(doc, frames, units, note)


def _areas(space: Modelspace, layer: str, row: Any, units: Units) -> None:
    from lateralline.write.dxf.symbols import UNLOCATED, ZONE

    linetype = ZONE if getattr(row, "zone", "") == "tolerance" else "BYLAYER"
    linetype = UNLOCATED if layer == "unlocated" else linetype
    for polygon in shapely.get_parts(row.geometry):
        for ring in (polygon.exterior, *polygon.interiors):
            space.add_lwpolyline(
                ring.coords[:-1], close=True, dxfattribs={"layer": layer, "linetype": linetype}
            )


def _segment(space: Modelspace, layer: str, row: Any, units: Units) -> None:
    """Draw a segment in plan: CAD shows no dashes on a 3-D polyline."""
    from lateralline.write.dxf.symbols import DASHED

    linetype = DASHED if row.shape == "undecided" else "BYLAYER"
    path = shapely.get_coordinates(row.geometry)
    space.add_lwpolyline(path, dxfattribs={"layer": layer, "linetype": linetype})


def _centreline(space: Modelspace, layer: str, row: Any, units: Units) -> None:
    space.add_polyline3d(_xyz(row.geometry, units), dxfattribs={"layer": layer})


def _point(space: Modelspace, layer: str, row: Any, units: Units) -> None:
    from lateralline.write.dxf.symbols import block_of

    at = _xyz(row.geometry, units)[0]
    size = units.of_paper(_SYMBOL_MM)
    scales = {"xscale": size, "yscale": size, "zscale": size}
    block = block_of(layer, str(getattr(row, "kind", "")))
    space.add_blockref(block, at, dxfattribs={"layer": layer, **scales})
    said = plain(getattr(row, _POINTS[layer])) if _POINTS[layer] else ""
    if said:
        beside = at + units.of_paper(_SYMBOL_MM * 0.7) * np.array([1.0, 1.0, 0.0])
        space.add_mtext(
            said,
            dxfattribs={
                "layer": layer,
                "insert": beside,
                "char_height": units.of_paper(_TEXT_MM),
                "attachment_point": 7,  # bottom left
            },
        )
    if layer == "transmitter_fixes":
        _ellipse(space, layer, row, at, units)


def _ellipse(space: Modelspace, layer: str, row: Any, at: Floats, units: Units) -> None:
    major, minor = float(row.semi_major_95_m), float(row.semi_minor_95_m)
    if not (math.isfinite(major) and minor > 0.0):
        return
    azimuth = math.radians(float(row.ellipse_azimuth_deg))
    axis = units.of_metres(major) * np.array([math.sin(azimuth), math.cos(azimuth), 0.0])
    space.add_ellipse(at, major_axis=axis, ratio=minor / major, dxfattribs={"layer": layer})


_Drawer = Callable[["Modelspace", str, Any, Units], None]
_DRAWERS: Final[dict[str, _Drawer]] = {
    "dig_zone": _areas,
    "unlocated": _areas,
    "position_corridor": _areas,
    "pipe_segments": _segment,
    "pipe_centreline": _centreline,
}


def _xyz(geometry: Any, units: Units) -> Floats:
    """Return (n, 3) coordinates in plan units, levels too; a point without level is at 0."""
    xyz = np.nan_to_num(shapely.get_coordinates(geometry, include_z=True))
    xyz[:, 2] *= units.level_metres / units.metres
    return np.asarray(xyz)


def _finish(doc: Drawing, frames: dict[str, Any], units: Units, note: str) -> None:
    """Write the note below the site, and set extents and view."""
    space = doc.modelspace()
    drawn = (frames[n] for n in _DRAWN if n in frames)
    placed = [frame for frame in drawn if frame.geometry.notna().any()]
    boxes = np.array([f.total_bounds for f in placed]).reshape(-1, 4)
    boxes = boxes[np.isfinite(boxes).all(axis=1)]
    low = boxes[:, :2].min(axis=0) if len(boxes) else np.zeros(2)
    high = boxes[:, 2:].max(axis=0) if len(boxes) else np.zeros(2)
    text = units.of_paper(_TEXT_MM)
    space.add_mtext(
        note,
        dxfattribs={
            "layer": "caution",
            "insert": (low[0], low[1] - 3.0 * text),
            "char_height": text,
            "width": units.of_paper(_NOTE_MM),
            "attachment_point": 1,  # top left
        },
    )
    low = low - [2.0 * text, 25.0 * text]
    high = np.maximum(high, low + units.of_paper(_NOTE_MM)) + 2.0 * text
    space.reset_extents((*low, 0.0), (*high, 0.0))
    middle = (low + high) / 2
    doc.set_modelspace_vport(float(high[1] - low[1]), center=(float(middle[0]), float(middle[1])))


def _note(frames: dict[str, Any], crs: pyproj.CRS | None, units: Units) -> str:
    """Return what must be read before the drawing guides anyone, as MTEXT."""
    lineage = frames["lineage"]
    statements = lineage[lineage["topic"] == "statement"]
    levels = dict.fromkeys(statements[statements["item"] == "levels"]["value"])
    sites = dict.fromkeys(lineage["site_id"])
    where = "a sketch on axes of its own" if crs is None else f"{crs.name} ({crs_text(crs)})"
    said = [
        contract.load("dig_zone").caution,
        *_not_located(frames),
        "Site " + ", ".join(sites) if len(sites) <= 5 else f"{len(sites)} sites",
        f"Plan: {where}, in {units.name}; levels in the same unit",
        *levels,
        f"Texts and symbols are sized for 1:{units.scale:g}",
    ]
    return "\\P".join(map(plain, said))


def _not_located(frames: dict[str, Any]) -> list[str]:
    """Name what is not drawn, with or without an area on layer `unlocated`."""
    if "unlocated" not in frames:
        return []
    whole = frames["unlocated"][frames["unlocated"]["extent"] != "beyond_end"]
    pairs = zip(whole["site_id"], whole["line_id"].fillna("(whole site)"), strict=True)
    names = [f"{site} {line}" for site, line in dict.fromkeys(pairs)]
    more = f" and {len(names) - 20} more" if len(names) > 20 else ""
    return [f"Not located, and not drawn: {', '.join(names[:20])}{more}"] if names else []
