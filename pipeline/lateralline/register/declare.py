"""The tables of a register, declared from the schemas: layers → SQLAlchemy.

A layer's table has its declared columns, `register_version` beside `uid` as primary key, its
geometry as `geom`, and what the schemas say of every column: not null, allowed values, limits, the
rows of other layers it names, its description with its unit as comment.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final

from geoalchemy2 import Geometry
from sqlalchemy import (
    BigInteger,
    Boolean,
    CheckConstraint,
    Column,
    Date,
    DateTime,
    Double,
    ForeignKeyConstraint,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    Table,
    Text,
    UniqueConstraint,
    Uuid,
    func,
    text,
)
from sqlalchemy.types import TypeEngine

from lateralline import contract
from lateralline.contract import CONNECTIONS, UID
from lateralline.record import CAUTION
from lateralline.write.geopackage import described

#: Schema of the database that holds a register.
SCHEMA: Final = "asbuilt"
VERSIONS: Final = "site_versions"
VALUES: Final = "value_lists"
#: What a register holds: the layers of records, and where laterals meet mains.
HELD: Final = (*contract.LAYERS, CONNECTIONS)
#: Which version of a site's record in this register a row is of.
VERSION: Final = "register_version"
#: Name of the geometry column of every table.
GEOMETRY: Final = "geom"
_SITE: Final = "site_id"
_SITES_VERSION: Final = (_SITE, VERSION)
_MOMENT: Final = DateTime(timezone=True)
_TYPES: Final[dict[str, type[TypeEngine[Any]] | TypeEngine[Any]]] = {
    "text": Text,
    "integer": BigInteger,
    "real": Double,
    "boolean": Boolean,
    "date": Date,
    "datetime": _MOMENT,
    "bytes": LargeBinary,
}


def metadata(srid: int) -> MetaData:
    """Return every table of a register whose coordinates are in EPSG:`srid`."""
    made = MetaData(schema=SCHEMA)
    _versions(made)
    Table(
        VALUES,
        made,
        Column("layer", Text, primary_key=True),
        Column("column_name", Text, primary_key=True),
        Column("value", Text, primary_key=True),
        Column("description", Text, nullable=False),
        comment="The values a column of a layer may hold, and what each means.",
    )
    referred = {r.layer for name in HELD for r in contract.load(name).refers}
    for name in HELD:
        _layer(made, contract.load(name), srid, referred=name in referred)
    return made


def value_rows() -> list[dict[str, str]]:
    """Return the rows of the table of values."""
    return [
        {"layer": name, "column_name": c.name, "value": v.value, "description": v.description}
        for name in HELD
        for c in contract.load(name).field
        for v in c.values
    ]


def names_of(layer: str) -> list[str]:
    """Return the declared columns of a layer's table, geometry last, without the version."""
    declared = contract.load(layer)
    return [*(c.name for c in declared.field), *[GEOMETRY] * bool(declared.geometry)]


def _versions(made: MetaData) -> None:
    def column(
        name: str, kind: type[TypeEngine[Any]] | TypeEngine[Any], comment: str, **more: Any
    ) -> Column[Any]:
        return Column(name, kind, comment=comment, **more)

    Table(
        VERSIONS,
        made,
        column(_SITE, Text, "Id of the site.", primary_key=True),
        column(VERSION, Integer, "Counts the records of a site as they came in, from 1.",
               primary_key=True, autoincrement=False),
        column("record_version", Integer, "Version of the record as the record itself counts.",
               nullable=False),
        column("valid_from", Date, "The day from which the record holds, as it says itself.",
               nullable=False),
        column("valid_to", Date, "The day from which it holds no more: another version does, or it "
               "was retracted. Null while it holds; valid_from for one that was corrected or "
               "retracted from its first day: no day is answered by it any more, though the "
               "register answered by it from published_at until the next version came or "
               "retracted_at."),
        column("published_at", _MOMENT, "When it came into the register.", nullable=False,
               server_default=func.now()),
        column("published_by", Text, "The database user who brought it.", nullable=False,
               server_default=text("session_user")),
        column("digest", Text, "SHA-256 of what all layers say: another one is another version. "
               "Then that of the connections to mains, where some were published with the record.",
               nullable=False),
        column("schema_version", Integer, "Version of the schemas it was made by.", nullable=False),
        column("lateralline", Text, "Version of lateralline that published it.", nullable=False),
        column("retracted_at", _MOMENT, "When it was retracted; null when it was not."),
        column("retracted_by", Text, "The database user who retracted it."),
        column("reason", Text, "Why it was retracted."),
        CheckConstraint("valid_to >= valid_from", name=f"ck_{VERSIONS}_valid_to"),
        CheckConstraint("(retracted_at IS NULL) = (reason IS NULL)", name=f"ck_{VERSIONS}_reason"),
        Index(f"ix_{VERSIONS}_current", _SITE, unique=True,
              postgresql_where=text("valid_to IS NULL")),
        comment="Every version of every site's record, and from when to when it holds.",
    )  # fmt: skip


def _layer(made: MetaData, declared: contract.Table, srid: int, *, referred: bool) -> None:
    parts: list[Any] = [
        Column(UID, Uuid(as_uuid=False), primary_key=True, comment=declared.column(UID).meaning),
        Column(
            VERSION,
            Integer,
            primary_key=True,
            autoincrement=False,
            comment=f"Version of the site's record in {VERSIONS}.",
        ),
    ]
    for c in declared.field:
        if c.name != UID:
            kind = _TYPES[c.type]
            parts.append(Column(c.name, kind, nullable=not c.required, comment=described(c)))
            parts += _check(declared.name, c)
    if declared.geometry:
        shape = declared.geometry.upper().replace(" ", "")
        dimension = 3 if shape.endswith("Z") else 2
        kind_of = Geometry(shape, srid=srid, dimension=dimension, spatial_index=False)
        words = f"{declared.geometry} in EPSG:{srid}" + "; z in metres" * (dimension == 3)
        parts.append(Column(GEOMETRY, kind_of, comment=f"{words}."))
        parts.append(Index(f"ix_{declared.name}_{GEOMETRY}", GEOMETRY, postgresql_using="gist"))
    parts.append(
        ForeignKeyConstraint(
            _SITES_VERSION,
            [f"{SCHEMA}.{VERSIONS}.{c}" for c in _SITES_VERSION],
            name=f"fk_{declared.name}_{VERSION}",
        )
    )
    parts += _references(declared)
    if referred:
        parts.append(UniqueConstraint(*_SITES_VERSION, *declared.key, name=f"uq_{declared.name}"))
    else:
        parts.append(Index(f"ix_{declared.name}_site", *_SITES_VERSION))
    about = " ".join(filter(None, (declared.description, declared.caution or CAUTION)))
    Table(declared.name, made, *parts, comment=f"{declared.title}. {about}")


def _references(declared: contract.Table) -> Iterator[ForeignKeyConstraint]:
    for reference in declared.refers:
        key = contract.load(reference.layer).key
        yield ForeignKeyConstraint(
            [*_SITES_VERSION, *reference.columns],
            [f"{SCHEMA}.{reference.layer}.{c}" for c in (*_SITES_VERSION, *key)],
            name=f"fk_{declared.name}_{'_'.join(reference.columns)}",
            deferrable=True,
            initially="DEFERRED",  # lines name nodes and nodes lines
            use_alter=True,
        )


def _check(layer: str, column: contract.Column) -> Iterator[CheckConstraint]:
    """Yield what the schema says of the values of a column, as a constraint."""
    quoted = f'"{column.name}"'
    limits = [
        f"{quoted} {sign} {limit!r}"
        for sign, limit in (
            (">=", column.minimum), (">", column.above), ("<=", column.maximum),
        )
        if limit is not None
    ]  # fmt: skip
    if column.values:
        listed = ", ".join("'" + value.replace("'", "''") + "'" for value in column.enum)
        limits.append(f"{quoted} IN ({listed})")
    if limits:
        words = text(" AND ".join(limits).replace(":", r"\:"))
        yield CheckConstraint(words, name=f"ck_{layer}_{column.name}")
