"""A drawing for CAD: a record and overlays as DXF, in plan units, to a plot scale.

It is read from their GeoPackages, drawn with the signs of `styles.toml`, audited, and only then a
file. Every feature says as extended data which site, line and kind it is of and what it is called.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Final, Protocol

import numpy as np
import pyproj
import shapely
from pyproj import CRS

from lateralline import contract
from lateralline.errors import FrameError, OutputError, extra
from lateralline.frames.systems import plan_of
from lateralline.output import stamp, whole_file
from lateralline.record.exported import Exported, beside, refuse_unknown_site
from lateralline.record.ground import GroundPlane, ground_plane
from lateralline.record.layers import AnyFrame
from lateralline.record.lineage import RecordLineage
from lateralline.record.reading import lineage_of
from lateralline.record.rows import FixRow, rows_of
from lateralline.record.symbology import Area, Point, style_of
from lateralline.record.view import bounds_of
from lateralline.records import Floats
from lateralline.units import METRES_PER
from lateralline.write.dxf_signs import (
    CAUTION_LAYER,
    DRAWN,
    OVERLAY,
    POINT_LABELS,
    SITE_LAYER,
    add_layer,
    add_open_ends,
    add_symbols,
    block_of,
    data_of,
    layer_name,
    linetype_of,
    lineweight_of,
    plan_points,
    tell,
)

if TYPE_CHECKING:
    from ezdxf.document import Drawing
    from ezdxf.entities.dxfgfx import DXFGraphic
    from ezdxf.entities.lwpolyline import LWPolyline
    from ezdxf.layouts.layout import Modelspace

#: Codes of $INSUNITS: DXF reference, header section; from memory, held to by ezdxf in the tests.
_INSUNITS: Final = {"m": 6, "ft": 2, "us-ft": 21}
_SAME: Final = 1e-9  # relative; the two feet differ by 2e-6


@dataclass(frozen=True, slots=True)
class PlotUnits:
    """Plan unit of a drawing, and its plot scale 1 : `scale`."""

    name: str  # "m", "ft", "us-ft"; else the CRS's own word
    metres: float  # in one plan unit
    scale: float

    @property
    def insunits(self) -> int:
        """The code of $INSUNITS; 0 (no unit) for one it does not know."""
        return _INSUNITS.get(self.name, 0)

    @property
    def is_metric(self) -> bool:
        """Whether $MEASUREMENT is metric."""
        return self.name == "m"

    def of_paper(self, mm: float) -> float:
        """Return plan units of a length on paper."""
        return mm / 1000.0 * self.scale / self.metres


def units_of(crs: CRS | None, scale: float) -> PlotUnits:
    """Return the units of a file's CRS; None is a sketch in metres.

    Raises FrameError for degrees: nothing can be measured on such a drawing.
    """
    if crs is None:
        return PlotUnits("m", 1.0, scale)
    if crs.is_geographic:
        raise FrameError(
            f"{crs.name} counts in degrees, and a drawing needs a length: build with a projected "
            "--crs, as EPSG:32617, and export that"
        )
    axes = crs.axis_info
    metres = axes[0].unit_conversion_factor
    known = (n for n in _INSUNITS if abs(METRES_PER[n] / metres - 1.0) < _SAME)
    return PlotUnits(next(known, axes[0].unit_name), metres, scale)


# ---- text -----------------------------------------------------------------------------------

_ESCAPES: Final = {
    "\\": "\\\\",
    "{": "\\{",
    "}": "\\}",
    "^": "^ ",  # caret notation of control signs
    "\n": "\\P",
}


def plain(text: object) -> str:
    r"""Return a text as MTEXT shows it literally; None as "".

    A doubled per cent sign begins a code in every text of a drawing and has no escape, so a space
    parts it.

    >>> plain("C:\\a {b}\n50%%d ^J")
    'C:\\\\a \\{b\\}\\P50% %d ^ J'
    """
    if text is None or text != text:
        return ""
    literal = str(text).replace("\r\n", "\n").replace("%%", "% %")
    kept = (c for c in literal if c == "\n" or c.isprintable())
    return "".join(_ESCAPES.get(c, c) for c in kept)


# ---- the drawing ----------------------------------------------------------------------------


_VERSION: Final = "R2018"  # text is UTF-8 there
_TEXT_MM: Final = 2.5  # height on paper
_BESIDE_MM: Final = 2.1  # where a text begins beside its point
_NOTE_MM: Final = 170.0  # width of the note
_NOTE_LETTERS: Final = 75  # that a line of it holds at the least
#: Lines drawn with their levels.
_IN_SPACE: Final = ("pipe_centreline", "clearance_pairs")


class _Located(Protocol):
    """A row of a layer that has geometry."""

    @property
    def geometry(self) -> shapely.Geometry:
        """Where it is."""


def write_dxf(
    built: Path,
    out: Path,
    *,
    overlays: Sequence[Path] = (),
    site: str = "",
    scale: float = 200.0,
    replace: bool = False,
) -> None:
    """Draw a record or an overlay as DXF, and `overlays` with it; one site, or all of them for "".

    Each is a folder, or its GeoPackage. Plan coordinates are those of the CRS they share, and
    levels go along in the plan's unit. Texts and symbols have their size at 1 : `scale`. Equal
    input, equal bytes. Raises MissingExtraError without ezdxf, FrameError for a CRS in degrees,
    NotExportedError for what is none or does not belong together, UnknownSiteError for a site that
    none holds, OutputError when the drawing is not sound, and OutputExistsError when `out` is there
    and may not be replaced.
    """
    with extra("cad", "a drawing"):
        from ezdxf.filemanagement import new
    found = beside(built, overlays)
    refuse_unknown_site(found, site)
    crs = found[0].crs
    units = units_of(crs, scale)
    parts = [_Part.read(one, site, beside_record=n > 0 and found[0].is_record)
             for n, one in enumerate(found)]  # fmt: skip
    with _fixed_dates(), whole_file(out, "drawing", replace=replace) as made:
        doc = new(_VERSION)
        _draw(doc, parts, crs, units)
        doc.header.custom_vars.append("CRS", "sketch" if crs is None else _code(crs))
        doc.header.custom_vars.append("CRS_NAME", "sketch" if crs is None else plan_of(crs).name)
        doc.header.custom_vars.append("GENERATOR", stamp("drawing"))
        kinds = doc.entitydb.dxf_types_in_use()
        for kind in sorted(kinds):  # a set: declared as it comes, bytes would differ by process
            doc.classes.add_class(kind)
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


def _code(crs: CRS) -> str:
    """Return the EPSG or other code of a CRS's plan, its name where it has none.

    >>> _code(CRS("EPSG:32617+5703"))
    'EPSG:32617'
    """
    plan = plan_of(crs)
    authority = plan.to_authority(min_confidence=100)
    return ":".join(authority) if authority is not None else plan.name


@dataclass(frozen=True, eq=False)
class _Part:
    """What is drawn of a record or an overlay."""

    frames: Mapping[str, AnyFrame]  # by layer, of features that have a place
    lineage: AnyFrame | None  # of a record
    unlocated: AnyFrame | None  # all rows, those without a place too
    notes: str
    caution: str
    beside_record: bool

    @classmethod
    def read(cls, one: Exported, site: str, *, beside_record: bool) -> _Part:
        """Read what is drawn; areas nobody located stand in the record already, if there is one."""
        names = [n for n in DRAWN if n in one.layers and not (beside_record and n == "unlocated")]
        frames = one.read(names, site)
        unlocated = frames.get("unlocated")
        located = {name: frame[frame.geometry.notna()] for name, frame in frames.items()}
        if "field_marks" in located and "transmitter_fixes" in frames:
            marks, fixes = located["field_marks"], frames["transmitter_fixes"]
            runs = zip(fixes["site_id"], fixes["run_id"], strict=True)
            lines = dict(zip(runs, fixes["line_id"], strict=True))
            of_run = zip(marks["site_id"], marks["run_id"], strict=True)
            located["field_marks"] = marks.assign(line_id=[lines.get(key, "") for key in of_run])
        lineage = one.read(("lineage",), site)["lineage"] if one.is_record else None
        return cls(located, lineage, unlocated, one.notes, one.caution(), beside_record)

    @cached_property
    def said(self) -> dict[str, RecordLineage]:
        """Site → what the record's lineage says of it."""
        if self.lineage is None:
            return {}
        by_site = self.lineage.groupby("site_id", sort=False)
        return {str(site): lineage_of(rows) for site, rows in by_site}

    @property
    def sites(self) -> list[str]:
        """The sites that have features here."""
        columns = [f["site_id"] for f in self.frames.values() if "site_id" in f]
        return list(dict.fromkeys(site for column in columns for site in column))

    def drawn_as(self, layer: str) -> str:
        """Return what a layer is called in the drawing: an overlay's apart from the record's."""
        return OVERLAY + layer if self.beside_record and layer in contract.LAYERS else layer


def _draw(doc: Drawing, parts: Sequence[_Part], crs: pyproj.CRS | None, units: PlotUnits) -> None:
    add_symbols(doc)
    doc.header["$INSUNITS"] = units.insunits
    doc.header["$MEASUREMENT"] = int(units.is_metric)
    doc.header["$LTSCALE"] = units.of_paper(1.0)  # line types are in mm on paper
    doc.header["$PDMODE"] = 0
    space = doc.modelspace()
    for layer in DRAWN:
        for part in parts:
            if layer in part.frames:
                for row in part.frames[layer].itertuples(index=False):
                    name = add_layer(doc, layer_name(part.drawn_as(layer), row), layer)
                    for entity in _entities(space, layer, row, name, units):
                        tell(entity, data_of(layer, row))
    for part in parts:
        _ellipses(doc, part, crs, units)
        add_open_ends(doc, part.frames.get("pipe_centreline"), units.of_paper(1.0))
        _site_notes(doc, part, units)
    _finish(doc, parts, units, _note(parts, crs, units))


def _entities(
    space: Modelspace, layer: str, row: _Located, name: str, units: PlotUnits
) -> Iterator[DXFGraphic]:
    """Draw one feature on the drawing's layer of that name."""
    rule = style_of(layer).rule_of(row)
    symbol, shape = rule.symbol, row.geometry
    if isinstance(symbol, Point):
        label = plain(getattr(row, POINT_LABELS[layer])) if POINT_LABELS[layer] else ""
        yield from _point(space, name, shape, units, block_of(layer, rule), label)
        return
    look = {
        "layer": name,
        "linetype": linetype_of(layer, rule),
        "lineweight": lineweight_of(symbol),
    }
    if isinstance(symbol, Area):
        for polygon in shapely.get_parts(shape):
            for ring in (polygon.exterior, *polygon.interiors):
                yield _polyline(space, shapely.get_coordinates(ring)[:-1], look, close=True)
    elif layer in _IN_SPACE:
        # A segment is drawn in plan: CAD shows no dashes on a 3-D polyline, on a line it does.
        xyz = _xyz(shape, units)
        if len(xyz) == 2:
            yield space.add_line(xyz[0], xyz[1], dxfattribs=look)
        else:
            yield space.add_polyline3d(xyz, dxfattribs=look)
    else:
        yield _polyline(space, shapely.get_coordinates(shape), look)


def _polyline(
    space: Modelspace, xy: Floats, look: Mapping[str, object], *, close: bool = False
) -> LWPolyline:
    """Draw a polyline in plan; its points (n, 2) are taken at once, not one after another."""
    made = space.add_lwpolyline((), close=close, dxfattribs=dict(look))
    made.lwpoints = plan_points()()
    made.lwpoints.extend(np.pad(xy, ((0, 0), (0, 3))))  # widths and bulge are 0
    return made


def _point(
    space: Modelspace,
    layer: str,
    shape: shapely.Geometry,
    units: PlotUnits,
    block: str,
    label: str,
) -> Iterator[DXFGraphic]:
    at = _xyz(shape, units)[0]
    mm = units.of_paper(1.0)
    scales = {"xscale": mm, "yscale": mm, "zscale": mm}
    yield space.add_blockref(block, at, dxfattribs={"layer": layer, **scales})
    if label:
        yield space.add_mtext(
            label,
            dxfattribs={
                "layer": layer,
                "insert": at + _BESIDE_MM * mm * np.array([1.0, 1.0, 0.0]),
                "char_height": units.of_paper(_TEXT_MM),
                "attachment_point": 7,  # bottom left
            },
        )


def _ellipses(doc: Drawing, part: _Part, crs: pyproj.CRS | None, units: PlotUnits) -> None:
    """Draw the 95 % ellipses of stops: metres on the ground, whatever the plan's grid does."""
    if part.lineage is None or "transmitter_fixes" not in part.frames:
        return
    fixes = part.frames["transmitter_fixes"]
    boxes = _boxes_of_sites([fixes])
    planes = {
        site: ground_plane(crs, boxes[site][:2], said)
        for site, said in part.said.items()
        if site in boxes
    }
    for row, fix in zip(fixes.itertuples(index=False), rows_of(FixRow, fixes), strict=True):
        _ellipse(doc, row, fix, planes[row.site_id], units)


def _boxes_of_sites(frames: Iterable[AnyFrame]) -> dict[str, Floats]:
    """Return site → bounds (4) of its features in all frames, of sites that have a place."""
    frames = [frame for frame in frames if "site_id" in frame]
    sites = np.concatenate([frame["site_id"].to_numpy(dtype=object) for frame in frames])
    boxes = np.concatenate([shapely.bounds(np.asarray(frame.geometry.array)) for frame in frames])
    known = np.isfinite(boxes).all(axis=1)
    names, of_row = np.unique(sites[known].astype(str), return_inverse=True)
    found = np.tile([np.inf, np.inf, -np.inf, -np.inf], (len(names), 1))
    np.minimum.at(found[:, :2], of_row, boxes[known, :2])
    np.maximum.at(found[:, 2:], of_row, boxes[known, 2:])
    return dict(zip(names.tolist(), found, strict=True))


def _ellipse(doc: Drawing, row: object, fix: FixRow, plane: GroundPlane, units: PlotUnits) -> None:
    major, minor = fix.ellipse_major_95_m, fix.ellipse_minor_95_m
    if not (np.isfinite(major) and minor > 0.0):
        return
    azimuth = np.radians(fix.ellipse_azimuth_deg + plane.turn_deg)
    ends = major * np.array([[0.0, 0.0], [np.sin(azimuth), np.cos(azimuth)]])
    start, end = plane.to_file(ends)
    drawn = doc.modelspace().add_ellipse(
        _xyz(fix.geometry, units)[0], major_axis=(*(end - start), 0.0), ratio=minor / major,
        dxfattribs={"layer": add_layer(doc, layer_name(fix.layer, row), fix.layer)},
    )  # fmt: skip
    tell(drawn, data_of(fix.layer, row, {"kind": "ellipse_95"}))


def _xyz(shape: shapely.Geometry, units: PlotUnits) -> Floats:
    """Return (n, 3) coordinates in plan units, levels too; a point without level is at 0."""
    xyz = shapely.get_coordinates(shape, include_z=True)
    xyz[np.isnan(xyz)] = 0.0
    xyz[:, 2] /= units.metres
    return np.asarray(xyz)


# ---- what is written ------------------------------------------------------------------------


def _site_notes(doc: Drawing, part: _Part, units: PlotUnits) -> None:
    """Write above each of several sites what it is and what its levels count from."""
    if part.lineage is None or len(part.sites) < 2:
        return
    text = units.of_paper(_TEXT_MM)
    boxes = _boxes_of_sites(part.frames.values())
    for site in part.sites:
        if site not in boxes:
            continue
        bounds, row = boxes[site], SimpleNamespace(site_id=site)
        note = doc.modelspace().add_mtext(
            "\\P".join(map(plain, (f"Site {site}", _levels(part.said[site], site)))),
            dxfattribs={
                "layer": add_layer(doc, layer_name(SITE_LAYER, row), SITE_LAYER),
                "insert": (bounds[0], bounds[3] + 3.0 * text),
                "char_height": text,
                "width": units.of_paper(_NOTE_MM),
                "attachment_point": 7,  # bottom left
            },
        )
        tell(note, {"site": site, "kind": SITE_LAYER})


def _levels(said: RecordLineage, site: str) -> str:
    """Say what one site's levels count from."""
    sentence = said.levels.replace("the vertical CRS named above", said.level_datum)
    return f"Levels of {site}: {sentence or 'what they count from is not stated'}"


def _finish(doc: Drawing, parts: Sequence[_Part], units: PlotUnits, note: str) -> None:
    """Write the note below the site, and set extents and view."""
    space = doc.modelspace()
    frames = [frame for part in parts for frame in part.frames.values()]
    drawn = bounds_of(f.total_bounds for f in frames) or (0.0, 0.0, 0.0, 0.0)
    low, high = np.array(drawn[:2]), np.array(drawn[2:])
    text = units.of_paper(_TEXT_MM)
    written = space.add_mtext(
        note,
        dxfattribs={
            "layer": CAUTION_LAYER,
            "insert": (low[0], low[1] - 3.0 * text),
            "char_height": text,
            "width": units.of_paper(_NOTE_MM),
            "attachment_point": 1,  # top left
        },
    )
    sites = dict.fromkeys(site for part in parts for site in part.sites)
    tell(written, {"site": ",".join(sites), "kind": CAUTION_LAYER})
    lines = note.count("\\P") + len(note) // _NOTE_LETTERS  # that it takes, about
    low = low - [2.0 * text, max(25.0, 6.0 + 1.7 * lines) * text]
    high = np.maximum(high, low + units.of_paper(_NOTE_MM)) + 8.0 * text
    space.reset_extents((*low, 0.0), (*high, 0.0))
    middle = (low + high) / 2
    doc.set_modelspace_vport(float(high[1] - low[1]), center=(float(middle[0]), float(middle[1])))


def _note(parts: Sequence[_Part], crs: pyproj.CRS | None, units: PlotUnits) -> str:
    """Return what must be read before the drawing guides anyone, as MTEXT."""
    sites = list(dict.fromkeys(site for part in parts for site in part.sites))
    of_record = next((part.lineage for part in parts if part.lineage is not None), None)
    if of_record is not None:
        sites = list(dict.fromkeys(of_record["site_id"]))
    where = "a sketch on axes of its own"
    if crs is not None:
        name, code = plan_of(crs).name, _code(crs)
        where = f"{name} ({code})" if code != name else f"{name} (no code: see lineage)"
    if of_record is None:
        levels = []
    elif len(sites) == 1:
        levels = [_levels(lineage_of(of_record), sites[0])]
    else:
        levels = ["What levels count from stands at each site"]
    unlocated = [part.unlocated for part in parts if part.unlocated is not None]
    lines = [
        max((part.caution for part in parts), key=len),  # that one was changed, if one was
        *(name for frame in unlocated for name in _not_located(frame)),
        "Site " + ", ".join(sites) if len(sites) <= 5 else f"{len(sites)} sites",
        f"Plan: {where}, in {units.name}; levels in the same unit",
        *levels,
        *dict.fromkeys(part.notes for part in parts if part.notes),
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
