"""The GeoPackage metadata extension: one ISO 19115-1 record of the whole file, as ISO 19115-3 XML.

Everything in it is read from the finished layers and their lineage, so it cannot say otherwise.
Extension: OGC 12-128r17 (GeoPackage 1.3), F.8, tables as GDAL makes them. Order of elements of data
quality: ISO 19157-2 `mdq` 1.0, `dataQualityElement.xsd`; of the rest from memory of ISO 19115-3
`mdb` 2.0, held to by a reader made elsewhere in the tests.

The contact is a role without a name: who commissioned a survey is for its user to say. Figures of
quality are the record's own: the farthest a line may be off in plan, and half of the widest 95 %
interval of an invert, each the largest of all lines. Where a line has no figure, none is stated
for all of them, and the report says how many are without.
"""

from __future__ import annotations

import sqlite3
import uuid
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final
from xml.etree import ElementTree as ET

import pyproj

from lateralline import __version__, contract
from lateralline.derive.ellipses import INTERVAL_95
from lateralline.frames.systems import crs_text, known_crs
from lateralline.record import CAUTION

_URI: Final = "http://standards.iso.org/iso/19115/-3/mdb/2.0"
_DEFINITION: Final = "http://www.geopackage.org/spec130/#extension_metadata"
_ISO: Final = "http://standards.iso.org/iso/19115/-3"
_SPACES: Final = {
    "mdb": _URI,
    **{name: f"{_ISO}/{name}/1.0" for name in ("gco", "gex", "lan", "mcc", "mco", "mri", "mrs")},
    "cit": f"{_ISO}/cit/2.0",
    "mrl": f"{_ISO}/mrl/2.0",
    "mdq": "http://standards.iso.org/iso/19157/-2/mdq/1.0",
    "gml": "http://www.opengis.net/gml/3.2",
}
_CODES: Final = f"{_ISO}/resources/Codelist/cat/codelists.xml#"
_TABLES: Final = (
    """CREATE TABLE gpkg_metadata (
  id INTEGER CONSTRAINT m_pk PRIMARY KEY ASC NOT NULL,
  md_scope TEXT NOT NULL DEFAULT 'dataset',
  md_standard_uri TEXT NOT NULL,
  mime_type TEXT NOT NULL DEFAULT 'text/xml',
  metadata TEXT NOT NULL DEFAULT ''
)""",
    """CREATE TABLE gpkg_metadata_reference (
  reference_scope TEXT NOT NULL,
  table_name TEXT,
  column_name TEXT,
  row_id_value INTEGER,
  timestamp DATETIME NOT NULL DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ','now')),
  md_file_id INTEGER NOT NULL,
  md_parent_id INTEGER,
  CONSTRAINT crmr_mfi_fk FOREIGN KEY (md_file_id) REFERENCES gpkg_metadata(id),
  CONSTRAINT crmr_mpi_fk FOREIGN KEY (md_parent_id) REFERENCES gpkg_metadata(id)
)""",
)

_LISTED: Final = 10  # statements of a kind; more are named by their number, and stand in lineage


@dataclass(frozen=True, slots=True)
class Extent:
    """Where the layers are, degrees on their datum; east < west across the antimeridian."""

    west: float
    east: float
    south: float
    north: float


@dataclass(frozen=True, slots=True)
class StatedAccuracy:
    """The largest 95 % figure of all lines, in metres; None when one of them has none."""

    lines: int
    without: int  # lines that nothing bounds, or that have no levels
    largest_m: float | None

    def words(self, what: str) -> str:
        """Return the figure in a sentence."""
        if self.largest_m is not None:
            return f"{what}: {self.largest_m:.3f} m at most, 95 %, over {self.lines} line(s)."
        if not self.lines:
            return f"{what}: no line is located."
        return f"{what}: not bounded or not known for {self.without} of {self.lines} line(s)."


def write_metadata(
    db: sqlite3.Connection, crs: pyproj.CRS | None, extent: Extent | None, stamp: datetime
) -> None:
    """Add the extension to an open GeoPackage of a record's layers, with one document of them all.

    `crs` is that of the layers, None for a sketch, which has no `extent` either.
    """
    for statement in _TABLES:
        db.execute(statement)
    db.executemany(
        "INSERT INTO gpkg_extensions VALUES (?, NULL, 'gpkg_metadata', ?, 'read-write')",
        [("gpkg_metadata", _DEFINITION), ("gpkg_metadata_reference", _DEFINITION)],
    )
    document = ET.tostring(_document(db, crs, extent, stamp), encoding="unicode")
    db.execute(
        "INSERT INTO gpkg_metadata VALUES (1, 'dataset', ?, 'text/xml', ?)", (_URI, document)
    )
    db.execute(
        "INSERT INTO gpkg_metadata_reference VALUES ('geopackage', NULL, NULL, NULL, ?, 1, NULL)",
        (stamp.strftime("%Y-%m-%dT%H:%M:%S.000Z"),),
    )


def plan_accuracy(db: sqlite3.Connection) -> StatedAccuracy:
    """Return the farthest that any line may be off in plan at 95 %."""
    return _accuracy(db, "SELECT position_95_max_m FROM pipe_centreline", 1.0)


def level_accuracy(db: sqlite3.Connection) -> StatedAccuracy:
    """Return the farthest that the level of any line may be off at 95 %."""
    levels = "CASE WHEN invert_down_level_m IS NULL THEN NULL ELSE invert_sigma_max_m END"
    return _accuracy(db, f"SELECT {levels} FROM pipe_centreline", INTERVAL_95)


def _accuracy(db: sqlite3.Connection, query: str, factor: float) -> StatedAccuracy:
    found = [value for (value,) in db.execute(query)]
    known = [float(value) for value in found if value is not None]
    whole = bool(found) and len(known) == len(found)
    largest = factor * max(known) if whole else None
    return StatedAccuracy(len(found), len(found) - len(known), largest)


# ---- the document ---------------------------------------------------------------------------


def _document(
    db: sqlite3.Connection, crs: pyproj.CRS | None, extent: Extent | None, stamp: datetime
) -> ET.Element:
    """Return the record; the order of elements is that of the schemas."""
    for prefix, space in _SPACES.items():
        ET.register_namespace(prefix, space)
    sites = [str(site) for (site,) in db.execute("SELECT DISTINCT site_id FROM lineage ORDER BY 1")]
    days = [
        str(day)
        for (day,) in db.execute(
            "SELECT value FROM lineage WHERE item = 'surveyed' OR item LIKE 'run %: surveyed'"
        )
    ]
    root = ET.Element(f"{{{_URI}}}MD_Metadata")
    uid = uuid.uuid5(uuid.NAMESPACE_URL, "urn:lateralline:record:" + ",".join(sites))
    _text(root, "mdb:metadataIdentifier/mcc:MD_Identifier/mcc:code", str(uid))
    locale = _add(root, "mdb:defaultLocale/lan:PT_Locale")
    _code(locale, "lan:language/lan:LanguageCode", "eng")
    _code(locale, "lan:characterEncoding/lan:MD_CharacterSetCode", "utf8")
    scope = _add(root, "mdb:metadataScope/mdb:MD_MetadataScope")
    _code(scope, "mdb:resourceScope/mcc:MD_ScopeCode", "dataset")
    _contact(root, "mdb:contact")
    _date(root, "mdb:dateInfo", stamp.strftime("%Y-%m-%dT%H:%M:%SZ"), "creation")
    standard = _add(root, "mdb:metadataStandard/cit:CI_Citation")
    _text(standard, "cit:title", "ISO 19115-1 Geographic information: Metadata: Fundamentals")
    _reference_systems(root, crs, _values(db, "crs", "vertical crs"))
    _identification(root, sites, days, extent, stamp)
    _quality(root, db)
    lineage = _add(root, "mdb:resourceLineage/mrl:LI_Lineage")
    _text(lineage, "mrl:statement", _lineage(db, len(sites)))
    _code(_add(lineage, "mrl:scope/mcc:MD_Scope"), "mcc:level/mcc:MD_ScopeCode", "dataset")
    return root


def _reference_systems(root: ET.Element, crs: pyproj.CRS | None, vertical: Iterable[str]) -> None:
    """Add the layers' CRS, and the vertical CRSs that levels count from."""
    systems = [] if crs is None else [crs]
    systems += [known_crs(v) for v in vertical if v not in ("relative", "none", "ellipsoidal")]
    for system in systems:
        code = crs_text(system)
        authority, _, number = code.partition(":") if code.count(":") == 1 else ("", "", code)
        made = _add(
            root,
            "mdb:referenceSystemInfo/mrs:MD_ReferenceSystem/mrs:referenceSystemIdentifier"
            "/mcc:MD_Identifier",
        )
        _text(made, "mcc:code", number)
        if authority:
            _text(made, "mcc:codeSpace", authority)
        _text(made, "mcc:description", system.name)


def _identification(
    root: ET.Element,
    sites: Sequence[str],
    days: Sequence[str],
    extent: Extent | None,
    stamp: datetime,
) -> None:
    made = _add(root, "mdb:identificationInfo/mri:MD_DataIdentification")
    named = ", ".join(sites) if len(sites) <= _LISTED else f"{len(sites)} sites"
    citation = _add(made, "mri:citation/cit:CI_Citation")
    _text(citation, "cit:title", f"As-built record of buried drains: {named}")
    _date(citation, "cit:date", stamp.strftime("%Y-%m-%dT%H:%M:%SZ"), "creation")
    layers = "; ".join(contract.load(name).title.lower() for name in contract.LAYERS)
    _text(
        made,
        "mri:abstract",
        f"Drains located from the surface by a camera's transmitter, adjusted: {layers}. {CAUTION}",
    )
    _contact(made, "mri:pointOfContact")
    _code(made, "mri:spatialRepresentationType/mcc:MD_SpatialRepresentationTypeCode", "vector")
    _add(made, "mri:topicCategory/mri:MD_TopicCategoryCode", "utilitiesCommunication")
    if extent is not None:
        box = _add(
            made, "mri:extent/gex:EX_Extent/gex:geographicElement/gex:EX_GeographicBoundingBox"
        )
        for name, value in (
            ("gex:westBoundLongitude", extent.west),
            ("gex:eastBoundLongitude", extent.east),
            ("gex:southBoundLatitude", extent.south),
            ("gex:northBoundLatitude", extent.north),
        ):
            _add(box, f"{name}/gco:Decimal", f"{value:.7f}")
    if days:
        period = _add(
            made,
            "mri:extent/gex:EX_Extent/gex:temporalElement/gex:EX_TemporalExtent/gex:extent"
            "/gml:TimePeriod",
        )
        period.set(f"{{{_SPACES['gml']}}}id", "surveyed")
        _add(period, "gml:beginPosition", min(days))
        _add(period, "gml:endPosition", max(days))
    limits = _add(made, "mri:resourceConstraints/mco:MD_LegalConstraints")
    _text(limits, "mco:useLimitation", CAUTION)


def _quality(root: ET.Element, db: sqlite3.Connection) -> None:
    made = _add(root, "mdb:dataQualityInfo/mdq:DQ_DataQuality")
    _code(_add(made, "mdq:scope/mcc:MD_Scope"), "mcc:level/mcc:MD_ScopeCode", "dataset")
    for name, what, found in (
        ("horizontal position, 95 %, metres", "Position in plan", plan_accuracy(db)),
        ("level of the invert, 95 %, metres", "Level", level_accuracy(db)),
    ):
        report = _add(made, "mdq:report/mdq:DQ_AbsoluteExternalPositionalAccuracy")
        _text(report, "mdq:measure/mdq:DQ_MeasureReference/mdq:nameOfMeasure", name)
        method = "mdq:evaluationMethod/mdq:DQ_EvaluationMethod/mdq:evaluationMethodDescription"
        _text(report, method, "Propagated through the adjustment of the survey's measurements.")
        if found.largest_m is not None:
            value = "mdq:result/mdq:DQ_QuantitativeResult/mdq:value/gco:Record"
            _add(report, value, f"{found.largest_m:.3f}")
        _text(report, "mdq:result/mdq:DQ_DescriptiveResult/mdq:statement", found.words(what))
    (missing,) = db.execute("SELECT count(*) FROM unlocated").fetchone()
    report = _add(made, "mdq:report/mdq:DQ_CompletenessOmission")
    _text(
        report,
        "mdq:result/mdq:DQ_DescriptiveResult/mdq:statement",
        f"{missing} part(s) of lines, runs or sites are not located: see layer unlocated. Pipes "
        "that no survey here was for are in no layer.",
    )


def _lineage(db: sqlite3.Connection, sites: int) -> str:
    """Return where it all comes from, in sentences; what is said of several sites once."""
    (inputs,) = db.execute("SELECT count(*) FROM lineage WHERE topic = 'input'").fetchone()
    ways = [
        f"{item} by {value}"
        + (f", good to {accuracy_m:g} m (1 σ)" if accuracy_m is not None else "")
        for item, value, accuracy_m in db.execute(
            "SELECT DISTINCT item, value, accuracy_m FROM lineage WHERE topic = 'operation' "
            "ORDER BY 1, 2"
        )
    ]
    parts = [
        f"Marks, readings and exposures of {sites} site(s) in {inputs} file(s), named with their "
        f"SHA-256 in table lineage, solved and adjusted by lateralline {__version__}.",
        *_short("Coordinates: ", ways),
        *_short("", _values(db, "statement", "levels")),
    ]
    return " ".join(parts)


def _short(head: str, said: Sequence[str]) -> list[str]:
    if not said:
        return []
    more = f"; {len(said) - _LISTED} more in table lineage" if len(said) > _LISTED else ""
    text = "; ".join(part.rstrip(".") for part in said[:_LISTED])
    return [f"{head}{text}{more}."]


def _values(db: sqlite3.Connection, topic: str, item: str) -> list[str]:
    """Return what lineage says of one thing, each value once."""
    query = "SELECT DISTINCT value FROM lineage WHERE topic = ? AND item = ? ORDER BY 1"
    return [str(value) for (value,) in db.execute(query, (topic, item))]


# ---- elements -------------------------------------------------------------------------------


def _add(parent: ET.Element, path: str, text: str = "") -> ET.Element:
    """Return the last of new elements, one inside the other, as "mdb:contact/cit:CI_Party"."""
    for name in path.split("/"):
        prefix, _, tag = name.partition(":")
        parent = ET.SubElement(parent, f"{{{_SPACES[prefix]}}}{tag}")
    parent.text = text or None
    return parent


def _text(parent: ET.Element, path: str, text: str) -> None:
    _add(parent, f"{path}/gco:CharacterString", text)


def _code(parent: ET.Element, path: str, value: str) -> None:
    made = _add(parent, path, value)
    made.set("codeList", _CODES + path.rpartition(":")[2])
    made.set("codeListValue", value)


def _date(parent: ET.Element, path: str, when: str, kind: str) -> None:
    made = _add(parent, f"{path}/cit:CI_Date")
    _add(made, "cit:date/gco:DateTime", when)
    _code(made, "cit:dateType/cit:CI_DateTypeCode", kind)


def _contact(parent: ET.Element, path: str) -> None:
    """Add a role without a person: who answers for a survey is for its user to say."""
    made = _add(parent, f"{path}/cit:CI_Responsibility")
    _code(made, "cit:role/cit:CI_RoleCode", "pointOfContact")
    party = _add(made, "cit:party/cit:CI_Organisation")
    _text(party, "cit:name", "Whoever commissioned the survey")
