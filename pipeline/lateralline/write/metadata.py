"""The GeoPackage metadata extension: one ISO 19115-1 record of the whole file, as ISO 19115-3 XML.

What it says is `described`'s; here it is put into elements. Extension: OGC 12-128r17 (GeoPackage
1.3), F.8, tables as GDAL makes them. Elements and their order: the published schemas `mds` 2.0 of
ISO 19115-3 and `mdq` 1.0 of ISO 19157-2, which the tests hold documents to. The contact is a role
without a name: who commissioned a survey is for its user to say.
"""

from __future__ import annotations

import sqlite3
import uuid
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Final
from xml.etree import ElementTree as ET

import pyproj

from lateralline.frames.systems import crs_text, known_crs
from lateralline.record import CAUTION
from lateralline.write.described import Described

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


@dataclass(frozen=True, slots=True)
class Extent:
    """Where the layers are, degrees on their datum; east < west across the antimeridian."""

    west: float
    east: float
    south: float
    north: float


def write_metadata(
    db: sqlite3.Connection,
    about: Described,
    crs: pyproj.CRS | None,
    extent: Extent | None,
    stamp: datetime,
) -> None:
    """Add the extension to an open GeoPackage, with one document of all its layers.

    `crs` is that of the layers, None for a sketch, which has no `extent` either.
    """
    for statement in _TABLES:
        db.execute(statement)
    db.executemany(
        "INSERT INTO gpkg_extensions VALUES (?, NULL, 'gpkg_metadata', ?, 'read-write')",
        [("gpkg_metadata", _DEFINITION), ("gpkg_metadata_reference", _DEFINITION)],
    )
    document = ET.tostring(_document(about, crs, extent, stamp), encoding="unicode")
    db.execute(
        "INSERT INTO gpkg_metadata VALUES (1, 'dataset', ?, 'text/xml', ?)", (_URI, document)
    )
    db.execute(
        "INSERT INTO gpkg_metadata_reference VALUES ('geopackage', NULL, NULL, NULL, ?, 1, NULL)",
        (stamp.strftime("%Y-%m-%dT%H:%M:%S.000Z"),),
    )


# ---- the document ---------------------------------------------------------------------------


def _document(
    about: Described, crs: pyproj.CRS | None, extent: Extent | None, stamp: datetime
) -> ET.Element:
    """Return the record; the order of elements is that of the schemas."""
    for prefix, space in _SPACES.items():
        ET.register_namespace(prefix, space)
    root = ET.Element(f"{{{_URI}}}MD_Metadata")
    uid = uuid.uuid5(uuid.NAMESPACE_URL, f"urn:lateralline:{about.named}")
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
    _reference_systems(root, crs, about.vertical)
    _identification(root, about, extent, stamp)
    _quality(root, about)
    lineage = _add(root, "mdb:resourceLineage/mrl:LI_Lineage")
    _text(lineage, "mrl:statement", about.lineage)
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
    root: ET.Element, about: Described, extent: Extent | None, stamp: datetime
) -> None:
    made = _add(root, "mdb:identificationInfo/mri:MD_DataIdentification")
    citation = _add(made, "mri:citation/cit:CI_Citation")
    _text(citation, "cit:title", about.title)
    _date(citation, "cit:date", stamp.strftime("%Y-%m-%dT%H:%M:%SZ"), "creation")
    _text(made, "mri:abstract", about.abstract)
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
    if about.days:
        period = _add(
            made,
            "mri:extent/gex:EX_Extent/gex:temporalElement/gex:EX_TemporalExtent/gex:extent"
            "/gml:TimePeriod",
        )
        period.set(f"{{{_SPACES['gml']}}}id", "surveyed")
        _add(period, "gml:beginPosition", min(about.days))
        _add(period, "gml:endPosition", max(about.days))
    limits = _add(made, "mri:resourceConstraints/mco:MD_LegalConstraints")
    _text(limits, "mco:useLimitation", CAUTION)


def _quality(root: ET.Element, about: Described) -> None:
    made = _add(root, "mdb:dataQualityInfo/mdq:DQ_DataQuality")
    _code(_add(made, "mdq:scope/mcc:MD_Scope"), "mcc:level/mcc:MD_ScopeCode", "dataset")
    for name, what, found in (
        ("horizontal position, 95 %, metres", "Position in plan", about.plan),
        ("level of the invert, 95 %, metres", "Level", about.level),
    ):
        report = _add(made, "mdq:report/mdq:DQ_AbsoluteExternalPositionalAccuracy")
        _text(report, "mdq:measure/mdq:DQ_MeasureReference/mdq:nameOfMeasure", name)
        method = "mdq:evaluationMethod/mdq:DQ_EvaluationMethod/mdq:evaluationMethodDescription"
        _text(report, method, "Propagated through the adjustment of the survey's measurements.")
        if found.largest_m is not None:
            value = "mdq:result/mdq:DQ_QuantitativeResult/mdq:value/gco:Record"
            _add(report, value, f"{found.largest_m:.3f}")
        _text(report, "mdq:result/mdq:DQ_DescriptiveResult/mdq:statement", found.words(what))
    report = _add(made, "mdq:report/mdq:DQ_CompletenessOmission")
    _text(report, "mdq:result/mdq:DQ_DescriptiveResult/mdq:statement", about.omitted)


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
