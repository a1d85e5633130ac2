"""A drawing for CAD: the layers of a built GeoPackage as DXF, in plan units, to a plot scale.

It is read from the GeoPackage, drawn, audited, and only then a file.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
import pyproj
import shapely

from lateralline import contract
from lateralline.errors import OutputError, UnknownSiteError, extra
from lateralline.output import stamp, whole_file
from lateralline.record.ground import GroundPlane, ground_plane
from lateralline.record.layers import AnyFrame
from lateralline.record.lineage import crs_text
from lateralline.record.rows import FixRow, rows_of
from lateralline.record.symbology import Area, LineSymbol, style_of
from lateralline.record.view import bounds_of, crs_of, lineage_of, read_layers
from lateralline.records import Floats
from lateralline.write.dxf_symbols import (
    CAUTION_LAYER,
    DRAWN,
    POINT_LABELS,
    PlotUnits,
    add_symbols,
    block_of,
    linetype_of,
    lineweight_of,
    plain,
    units_of,
)

if TYPE_CHECKING:
    from ezdxf.document import Drawing
    from ezdxf.layouts.layout import Modelspace

_VERSION: Final = "R2018"  # text is UTF-8 there
_TEXT_MM: Final = 2.5  # height on paper
_BESIDE_MM: Final = 2.1  # where a text begins beside its point
_NOTE_MM: Final = 170.0  # width of the note


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
    frames = read_layers(gpkg, (*DRAWN, "lineage"), site)
    if not len(frames["lineage"]):
        raise UnknownSiteError(f"{gpkg} holds no site {site!r}")
    crs = crs_of(frames["field_marks"])
    units = units_of(crs, scale)
    with _fixed_dates(), whole_file(out, "drawing", replace=replace) as made:
        doc = new(_VERSION)
        _draw(doc, frames, crs, units)
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


def _draw(
    doc: Drawing, frames: Mapping[str, AnyFrame], crs: pyproj.CRS | None, units: PlotUnits
) -> None:
    add_symbols(doc)
    doc.header["$INSUNITS"] = units.insunits
    doc.header["$MEASUREMENT"] = int(units.is_metric)
    doc.header["$LTSCALE"] = units.of_paper(1.0)  # line types are in mm on paper
    doc.header["$PDMODE"] = 0
    space = doc.modelspace()
    for layer in DRAWN:
        frame = frames[layer][frames[layer].geometry.notna()]
        style = style_of(layer)
        for row in frame.itertuples(index=False):
            rule = style.rule_of(row)
            if isinstance(rule.symbol, Area):
                weight = lineweight_of(rule.symbol)
                _areas(space, layer, row.geometry, linetype_of(layer, rule), weight)
            elif isinstance(rule.symbol, LineSymbol):
                weight = lineweight_of(rule.symbol)
                _line(space, layer, row.geometry, units, linetype_of(layer, rule), weight)
            else:
                label = plain(getattr(row, POINT_LABELS[layer])) if POINT_LABELS[layer] else ""
                _point(space, layer, row.geometry, units, block_of(layer, rule), label)
    _ellipses(space, frames, crs, units)
    _finish(doc, frames, units, _note(frames, crs, units))


def _areas(
    space: Modelspace, layer: str, shape: shapely.Geometry, linetype: str, lineweight: int
) -> None:
    look = {"layer": layer, "linetype": linetype, "lineweight": lineweight}
    for polygon in shapely.get_parts(shape):
        for ring in (polygon.exterior, *polygon.interiors):
            space.add_lwpolyline(ring.coords[:-1], close=True, dxfattribs=look)


def _line(
    space: Modelspace,
    layer: str,
    shape: shapely.Geometry,
    units: PlotUnits,
    linetype: str,
    lineweight: int,
) -> None:
    """Draw a centreline in space, a segment in plan: CAD shows no dashes on a 3-D polyline."""
    look = {"layer": layer, "linetype": linetype, "lineweight": lineweight}
    if layer == "pipe_centreline":
        space.add_polyline3d(_xyz(shape, units), dxfattribs=look)
    else:
        space.add_lwpolyline(shapely.get_coordinates(shape), dxfattribs=look)


def _point(
    space: Modelspace,
    layer: str,
    shape: shapely.Geometry,
    units: PlotUnits,
    block: str,
    label: str,
) -> None:
    at = _xyz(shape, units)[0]
    mm = units.of_paper(1.0)
    scales = {"xscale": mm, "yscale": mm, "zscale": mm}
    space.add_blockref(block, at, dxfattribs={"layer": layer, **scales})
    if label:
        space.add_mtext(
            label,
            dxfattribs={
                "layer": layer,
                "insert": at + _BESIDE_MM * mm * np.array([1.0, 1.0, 0.0]),
                "char_height": units.of_paper(_TEXT_MM),
                "attachment_point": 7,  # bottom left
            },
        )


def _ellipses(
    space: Modelspace, frames: Mapping[str, AnyFrame], crs: pyproj.CRS | None, units: PlotUnits
) -> None:
    """Draw the 95 % ellipses of stops: metres on the ground, whatever the plan's grid does."""
    fixes, lineage = frames["transmitter_fixes"], frames["lineage"]
    for site in dict.fromkeys(fixes["site_id"]):
        here = fixes[(fixes["site_id"] == site) & fixes.geometry.notna()]
        if not len(here):
            continue
        corner = here.total_bounds[:2]
        plane = ground_plane(crs, corner, lineage_of(lineage[lineage["site_id"] == site]))
        for row in rows_of(FixRow, here):
            _ellipse(space, row, plane, units)


def _ellipse(space: Modelspace, fix: FixRow, plane: GroundPlane, units: PlotUnits) -> None:
    major, minor = fix.semi_major_95_m, fix.semi_minor_95_m
    if not (np.isfinite(major) and minor > 0.0):
        return
    azimuth = np.radians(fix.ellipse_azimuth_deg + plane.turn_deg)
    ends = major * np.array([[0.0, 0.0], [np.sin(azimuth), np.cos(azimuth)]])
    start, end = plane.to_file(ends)
    space.add_ellipse(
        _xyz(fix.geometry, units)[0], major_axis=(*(end - start), 0.0), ratio=minor / major,
        dxfattribs={"layer": fix.layer},
    )  # fmt: skip


def _xyz(shape: shapely.Geometry, units: PlotUnits) -> Floats:
    """Return (n, 3) coordinates in plan units, levels too; a point without level is at 0."""
    xyz = np.nan_to_num(shapely.get_coordinates(shape, include_z=True))
    xyz[:, 2] *= units.level_metres / units.metres
    return np.asarray(xyz)


def _finish(doc: Drawing, frames: Mapping[str, AnyFrame], units: PlotUnits, note: str) -> None:
    """Write the note below the site, and set extents and view."""
    space = doc.modelspace()
    drawn = bounds_of(frames[n].total_bounds for n in DRAWN) or (0.0, 0.0, 0.0, 0.0)
    low, high = np.array(drawn[:2]), np.array(drawn[2:])
    text = units.of_paper(_TEXT_MM)
    space.add_mtext(
        note,
        dxfattribs={
            "layer": CAUTION_LAYER,
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


def _note(frames: Mapping[str, AnyFrame], crs: pyproj.CRS | None, units: PlotUnits) -> str:
    """Return what must be read before the drawing guides anyone, as MTEXT."""
    lineage = frames["lineage"]
    sites = dict.fromkeys(lineage["site_id"])
    levels = dict.fromkeys(lineage_of(lineage[lineage["site_id"] == s]).levels for s in sites)
    where = "a sketch on axes of its own" if crs is None else f"{crs.name} ({crs_text(crs)})"
    lines = [
        contract.load("dig_zone").caution,
        *_not_located(frames["unlocated"]),
        "Site " + ", ".join(sites) if len(sites) <= 5 else f"{len(sites)} sites",
        f"Plan: {where}, in {units.name}; levels in the same unit",
        *filter(None, levels),
        f"Texts and symbols are sized for 1:{units.scale:g}",
    ]
    return "\\P".join(map(plain, lines))


def _not_located(unlocated: AnyFrame) -> list[str]:
    """Name what is not drawn, with or without an area on layer `unlocated`."""
    whole = unlocated[unlocated["extent"] != "beyond_end"]
    pairs = [(s, line or "(whole site)") for s, line in zip(whole["site_id"], whole["line_id"],
                                                            strict=True)]  # fmt: skip
    names = [f"{site} {line}" for site, line in dict.fromkeys(pairs)]
    more = f" and {len(names) - 20} more" if len(names) > 20 else ""
    return [f"Not located, and not drawn: {', '.join(names[:20])}{more}"] if names else []
