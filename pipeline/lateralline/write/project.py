"""A project of QGIS inside a GeoPackage: the record's layers in groups, in order, styled.

The form is that of QGIS 3.22, learned from a project it saved into a GeoPackage and held to by
opening ours in it: table `qgis_projects` with a name, metadata as JSON, and a zipped .qgs document
as hexadecimal text. Layers are found by a path relative to the GeoPackage, so folder and file may
be moved together; renamed, the file's project finds them no more.
"""

from __future__ import annotations

import io
import json
import sqlite3
import zipfile
from contextlib import closing
from pathlib import Path
from typing import Final
from xml.etree import ElementTree as ET

import pyproj

from lateralline import contract
from lateralline.errors import ReadBackError
from lateralline.frames.systems import plan_of
from lateralline.output.proof import settle_sqlite
from lateralline.record.reading import crs_in
from lateralline.record.symbology import style_of
from lateralline.write.styles import VERSION, elements_of

#: What the project is called in its GeoPackage.
NAME: Final = "as-built record"
#: Groups of layers and the layers in them, what is drawn last and above all the rest first.
TREE: Final[dict[str, tuple[str, ...]]] = {
    "Pipe": ("pipe_nodes", "pipe_observations", "pipe_centreline", "pipe_segments"),
    "Survey": ("transmitter_fixes", "field_exposures", "field_marks", "control_points"),
    "How sure, and where to dig by hand": (
        "level_band", "position_corridor", "tolerance_zone", "unlocated",
    ),
    "Tables": (
        "findings", "field_photos", "node_lines", "adjusted_parameters", "accuracy_evidence",
        "lineage",
    ),
}  # fmt: skip
#: Layers that are not shown at first: they stand beneath others, or are many.
HIDDEN: Final = ("level_band", "pipe_centreline")
_TABLE: Final = "CREATE TABLE qgis_projects(name TEXT PRIMARY KEY, metadata BLOB, content BLOB)"
_WKB: Final = {
    "Point Z": ("Point", "PointZ"),
    "LineString Z": ("Line", "LineStringZ"),
    "LineString": ("Line", "LineString"),
    "Polygon": ("Polygon", "Polygon"),
    "": ("No geometry", "NoGeometry"),
}
_ZIP_DATE: Final = (1980, 1, 1, 0, 0, 0)  # the earliest there is: equal records, equal bytes


def write_project(gpkg: Path) -> None:
    """Add the project to a built GeoPackage that has none, and read it back."""
    with closing(sqlite3.connect(gpkg)) as db:
        boxes = db.execute(
            "SELECT min(min_x), min(min_y), max(max_x), max(max_y), max(last_change) "
            "FROM gpkg_contents"
        ).fetchone()
    *box, changed = boxes
    document = project(gpkg, tuple(float(v or 0.0) for v in box))
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr(zipfile.ZipInfo(f"{gpkg.stem}.qgs", _ZIP_DATE), document)
    about = {"last_modified_time": changed, "last_modified_user": "lateralline"}
    with closing(sqlite3.connect(gpkg)) as db, db:
        db.execute(_TABLE)
        row = (NAME, json.dumps(about), packed.getvalue().hex())
        db.execute("INSERT INTO qgis_projects VALUES (?, ?, ?)", row)
    settle_sqlite(gpkg)
    if read_project(gpkg) != document:
        raise ReadBackError(f"{gpkg.name}: its project does not read back as written")


def has_project(gpkg: Path) -> bool:
    """Whether a GeoPackage has a project in it."""
    with closing(sqlite3.connect(gpkg)) as db:
        found = db.execute("SELECT 1 FROM sqlite_master WHERE name = 'qgis_projects'").fetchone()
    return found is not None


def read_project(gpkg: Path) -> str:
    """Return the .qgs document of the project in a GeoPackage."""
    with closing(sqlite3.connect(gpkg)) as db:
        (content,) = db.execute("SELECT content FROM qgis_projects").fetchone()
    with zipfile.ZipFile(io.BytesIO(bytes.fromhex(content))) as archive:
        (name,) = archive.namelist()
        return archive.read(name).decode("utf-8")


def project(gpkg: Path, box: tuple[float, ...]) -> str:
    """Return the project as a .qgs document; `box` is what the map shows, in the layers' CRS."""
    found = crs_in(gpkg, "pipe_nodes")
    crs = None if found is None else plan_of(found)
    root = ET.Element("qgis", projectname=NAME, version=VERSION)
    ET.SubElement(root, "title").text = NAME
    root.append(_system("projectCrs", crs))
    tree = ET.SubElement(root, "layer-tree-group")
    layers, order = ET.Element("projectlayers"), ET.Element("layerorder")
    for group, names in TREE.items():
        branch = ET.SubElement(
            tree, "layer-tree-group", name=group, checked="Qt::Checked", expanded="1"
        )
        for name in names:
            ET.SubElement(
                branch,
                "layer-tree-layer",
                id=_id(name),
                name=contract.load(name).title,
                source=_source(gpkg, name),
                providerKey="ogr",
                checked="Qt::Unchecked" if name in HIDDEN else "Qt::Checked",
                expanded="0",
            )
            layers.append(_layer(gpkg, name, crs))
            ET.SubElement(order, "layer", id=_id(name))
    canvas = ET.SubElement(root, "mapcanvas", name="theMapCanvas")
    extent = ET.SubElement(canvas, "extent")
    for side, value in zip(("xmin", "ymin", "xmax", "ymax"), box, strict=True):
        ET.SubElement(extent, side).text = f"{value:.12g}"
    canvas.append(_system("destinationsrs", crs))
    root.append(layers)
    root.append(order)
    properties = ET.SubElement(root, "properties")
    paths = ET.SubElement(properties, "Paths")
    ET.SubElement(paths, "Absolute", type="bool").text = "false"
    systems = ET.SubElement(properties, "SpatialRefSys")
    ET.SubElement(systems, "ProjectionsEnabled", type="int").text = str(int(crs is not None))
    ET.indent(root, " ")
    return "<!DOCTYPE qgis>\n" + ET.tostring(root, encoding="unicode")


def _layer(gpkg: Path, name: str, crs: pyproj.CRS | None) -> ET.Element:
    table, style = contract.load(name), style_of(name)
    geometry, wkb = _WKB[table.geometry]
    about = {"type": "vector", "geometry": geometry, "wkbType": wkb}
    made = ET.Element("maplayer", about, labelsEnabled=str(int(bool(style.label))))
    ET.SubElement(made, "id").text = _id(name)
    ET.SubElement(made, "datasource").text = _source(gpkg, name)
    ET.SubElement(made, "layername").text = table.title
    if table.geometry:
        made.append(_system("srs", crs))
    words = " ".join(filter(None, (table.description, table.caution)))
    ET.SubElement(ET.SubElement(made, "resourceMetadata"), "abstract").text = words
    ET.SubElement(made, "provider", encoding="UTF-8").text = "ogr"
    made.extend(elements_of(style))
    return made


def _system(tag: str, crs: pyproj.CRS | None) -> ET.Element:
    """Return a CRS by its code, and spelled out; invented axes have none."""
    made = ET.Element(tag)
    if crs is not None:
        system = ET.SubElement(made, "spatialrefsys")
        ET.SubElement(system, "wkt").text = crs.to_wkt()
        authority = crs.to_authority(min_confidence=100)
        if authority is not None:
            ET.SubElement(system, "authid").text = ":".join(authority)
        ET.SubElement(system, "description").text = crs.name
    return made


def _id(name: str) -> str:
    return f"lateralline_{name}"


def _source(gpkg: Path, name: str) -> str:
    return f"./{gpkg.name}|layername={name}"
