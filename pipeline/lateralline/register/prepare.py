"""A register made, and brought up to the schemas of today, by whoever owns the database.

A new one is made whole from the declaration. One that is there is first taken through the revisions
it has not had (`revisions/`): renamed, parted and converted columns, which nobody can tell from two
declarations. Then what is only new is added: layers, columns, keys and indexes that the comparison
of declaration and database shows. Constraints, comments, value lists, views and rights are set anew
every time.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import Any, Final

from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.operations import Operations
from alembic.runtime.environment import EnvironmentContext
from alembic.script import ScriptDirectory
from psycopg import errors as said
from sqlalchemy import CheckConstraint, Column, Connection, Constraint, Index, MetaData, Table, text
from sqlalchemy.exc import DBAPIError
from sqlalchemy.schema import AddConstraint, SetColumnComment, SetTableComment

from lateralline.errors import RegisterError
from lateralline.register import declare
from lateralline.register.declare import HELD, SCHEMA, VALUES, VERSIONS
from lateralline.register.server import cause_of, connected, lock

REVISIONS: Final = Path(__file__).with_name("revisions")
REVISION_TABLE: Final = "schema_revision"
READER: Final = "asbuilt_reader"
PUBLISHER: Final = "asbuilt_publisher"
_IN_DATABASE: Final = {"version_table": REVISION_TABLE, "version_table_schema": SCHEMA}


@dataclass(frozen=True, slots=True)
class Prepared:
    """What was done to a database."""

    srid: int
    made: bool  # it was no register before
    changes: tuple[str, ...]  # "column pipe_nodes.tie_side", for each thing added


def prepare(
    url: str, srid: int | None, *, roles: bool = False, revisions: Path = REVISIONS
) -> Prepared:
    """Make a register in a database, or bring the one there up to the schemas of today.

    `srid` is the EPSG code of all coordinates; None for that of the register there. With `roles`
    the groups of who reads and who publishes are made and given their rights. All of it is done in
    one transaction. Raises RegisterError.
    """
    with connected(url) as connection:
        lock(connection, "register")
        _postgis(connection)
        there = srid_of(connection)
        if there is not None and srid not in (None, there):
            raise RegisterError(f"the register there is in EPSG:{there}, not EPSG:{srid}")
        wanted = srid if there is None else there
        if wanted is None:
            raise RegisterError("a new register needs the CRS of all its coordinates: --crs")
        declared = declare.metadata(wanted)
        if there is None:
            _make(connection, declared, wanted, revisions)
            changes: list[str] = []
        else:
            _run_revisions(connection, revisions)
            changes = list(_add_what_is_new(connection, declared))
        _say_anew(connection, declared, made=there is None)
        if roles:
            _make_roles(connection)
        _grant(connection, asked=roles)
        connection.commit()
    return Prepared(wanted, there is None, tuple(changes))


def srid_of(connection: Connection) -> int | None:
    """Return the EPSG code of the coordinates of the register there; None where there is none."""
    there = connection.execute(text("SELECT to_regclass(:t)"), {"t": f"{SCHEMA}.{REVISION_TABLE}"})
    if there.scalar() is None:
        return None
    found = "SELECT srid FROM geometry_columns WHERE f_table_schema = :s AND f_table_name = :t"
    return connection.execute(text(found), {"s": SCHEMA, "t": "field_marks"}).scalar()


def refuse_unprepared(connection: Connection) -> int:
    """Return the EPSG code of a register that is ready for records of today's schemas.

    Raises RegisterError for no register, one of other schemas, and one that lacks columns.
    """
    srid = srid_of(connection)
    if srid is None:
        raise RegisterError("no register in this database: make one with `lateralline register`")
    there = {
        (table, column)
        for table, column in connection.execute(
            text("SELECT relname, attname FROM pg_attribute a JOIN pg_class c ON c.oid = attrelid "
                 "WHERE relnamespace = CAST(:s AS regnamespace) AND attnum > 0"),
            {"s": SCHEMA},
        )
    }  # fmt: skip
    wanted = {(layer, c) for layer in HELD for c in declare.names_of(layer)}
    script = ScriptDirectory(str(REVISIONS.parent), version_locations=[str(REVISIONS)])
    now = connection.execute(text(f"SELECT version_num FROM {SCHEMA}.{REVISION_TABLE}")).scalar()
    known = {revision.revision for revision in script.walk_revisions()}
    if now not in known:
        raise RegisterError(
            "the register is of later schemas than this lateralline knows: install the newer one"
        )
    if now != script.get_current_head() or not wanted <= there:
        raise RegisterError(
            "the register is of earlier schemas than this lateralline: its owner brings it up to "
            "date with `lateralline register`"
        )
    return srid


# ---- making and changing ------------------------------------------------------------------


def _postgis(connection: Connection) -> None:
    installed = "SELECT 1 FROM pg_extension WHERE extname = 'postgis'"
    if connection.execute(text(installed)).scalar():
        return
    try:
        connection.execute(text("CREATE EXTENSION postgis"))
    except DBAPIError as e:
        missing = isinstance(cause_of(e), said.FeatureNotSupported | said.UndefinedFile)
        who = "the server has no PostGIS installed" if missing else "an administrator must make it"
        raise RegisterError(
            f"this database has no PostGIS ({who}): CREATE EXTENSION postgis"
        ) from None


def _make(connection: Connection, declared: MetaData, srid: int, revisions: Path) -> None:
    known = "SELECT 1 FROM spatial_ref_sys WHERE srid = :srid"
    if not connection.execute(text(known), {"srid": srid}).scalar():
        raise RegisterError(f"this database does not know EPSG:{srid}")
    strange = text("SELECT string_agg(relname, ', ') FROM pg_class WHERE relkind IN ('r', 'v') "
                   "AND relnamespace = to_regnamespace(:s)")  # fmt: skip
    if tables := connection.execute(strange, {"s": SCHEMA}).scalar():
        raise RegisterError(
            f'schema "{SCHEMA}" of this database holds tables that `lateralline register` did not '
            f"make: {str(tables)[:200]}; move or rename it"
        )
    connection.execute(text(f"CREATE SCHEMA IF NOT EXISTS {SCHEMA}"))
    declared.create_all(connection)
    script = _script(revisions)
    MigrationContext.configure(connection, opts=_IN_DATABASE).stamp(script, "head")


def _script(revisions: Path) -> ScriptDirectory:
    return ScriptDirectory(str(revisions.parent), version_locations=[str(revisions)])


def _run_revisions(connection: Connection, revisions: Path) -> None:
    script = _script(revisions)
    now = MigrationContext.configure(connection, opts=_IN_DATABASE).get_current_revision()
    if now == script.get_current_head():
        return
    for layer in HELD:  # a view keeps the names its columns had
        connection.execute(text(f"DROP FUNCTION IF EXISTS {SCHEMA}.{layer}_as_of(date)"))
        connection.execute(text(f"DROP VIEW IF EXISTS {SCHEMA}.current_{layer}"))

    def wanted(now: Any, _: object) -> Any:
        return script._upgrade_revs("head", now)

    with EnvironmentContext(Config(), script, fn=wanted) as environment:
        environment.configure(connection, version_table=REVISION_TABLE, version_table_schema=SCHEMA)
        environment.run_migrations()


def _ours(_: object, name: str | None, kind: str, reflected: bool, other: object) -> bool:
    """Leave alone what is in the database and not declared: columns and tables of the users'."""
    return not (reflected and other is None)


def _in_register(name: str | None, kind: str, _: object) -> bool:
    return kind != "schema" or name == SCHEMA


def _add_what_is_new(connection: Connection, declared: MetaData) -> Iterator[str]:
    """Add what the declaration has and the database has not; yield each in words."""
    context = MigrationContext.configure(
        connection,
        opts={
            **_IN_DATABASE,
            "include_schemas": True,
            "include_name": _in_register,
            "include_object": _ours,
            "compare_type": False,
        },
    )
    do = Operations(context)
    later: list[Constraint | Index] = []
    for found in compare_metadata(context, declared):
        if not isinstance(found, tuple):
            continue  # comments and nullability of columns: set anew, or a revision's
        match found:
            case ("add_table", Table() as table):
                table.create(connection)
                yield f"layer {table.name}"
            case ("add_column", _, str(layer), Column() as column):
                _add_column(do, layer, column)
                yield f"column {layer}.{column.name}"
            case ("add_index" | "add_constraint" | "add_fk", Constraint() | Index() as one):
                later.append(one)
    for one in later:
        if isinstance(one, Index):
            one.create(connection, checkfirst=True)
        else:
            connection.execute(AddConstraint(one))
        yield f"{type(one).__name__} {one.name}"


def _add_column(do: Operations, layer: str, column: Column[Any]) -> None:
    """Add a column; rows that are there have nothing in it, so that it cannot be required."""
    added = column._copy()
    if not column.nullable:
        raise RegisterError(
            f"{layer}.{column.name} is required, and rows that are there have nothing in it: "
            "a revision must say what they get"
        )
    do.add_column(layer, added, schema=SCHEMA)


def _say_anew(connection: Connection, declared: MetaData, *, made: bool) -> None:
    """Set checks, comments, value lists and views as they are declared today."""
    for table in declared.sorted_tables if not made else ():
        connection.execute(SetTableComment(table))
        for column in table.columns:
            if column.comment:
                connection.execute(SetColumnComment(column))
        for check in table.constraints:
            if isinstance(check, CheckConstraint):
                drop = f'ALTER TABLE {table.fullname} DROP CONSTRAINT IF EXISTS "{check.name}"'
                connection.execute(text(drop))
                connection.execute(AddConstraint(check))
    values = declared.tables[f"{SCHEMA}.{VALUES}"]
    connection.execute(values.delete())
    connection.execute(values.insert(), declare.value_rows())
    sql = files("lateralline.register").joinpath("views.sql").read_text(encoding="utf-8")
    connection.exec_driver_sql(sql.replace("%", "%%"))
    for layer in HELD:
        connection.execute(text(f"SELECT {SCHEMA}.make_views(:layer)"), {"layer": layer})


# ---- rights -------------------------------------------------------------------------------


def _make_roles(connection: Connection) -> None:
    there = text("SELECT rolname FROM pg_roles WHERE rolname IN (:reader, :publisher)")
    names = {"reader": READER, "publisher": PUBLISHER}
    missing = set(names.values()) - set(connection.execute(there, names).scalars())
    orders = [f"CREATE ROLE {role} NOLOGIN" for role in sorted(missing)]
    try:
        for order in orders:
            connection.execute(text(order))
    except DBAPIError as e:
        if isinstance(cause_of(e), said.InsufficientPrivilege):
            raise RegisterError(
                f"making roles needs CREATEROLE; an administrator runs: {'; '.join(orders)}"
            ) from None
        raise


def _grant(connection: Connection, *, asked: bool) -> None:
    """Give both groups their rights, where they are asked for or were given before."""
    before = text("SELECT 1 FROM pg_roles WHERE rolname = :role "
                  "AND has_schema_privilege(oid, :schema, 'USAGE')")  # fmt: skip
    known = connection.execute(before, {"role": READER, "schema": SCHEMA}).scalar()
    if not asked and not known:
        return
    layers = ", ".join(f"{SCHEMA}.{name}" for name in (*HELD, VERSIONS))
    ending = "valid_to, retracted_at, retracted_by, reason"
    for order in (
        f"GRANT USAGE ON SCHEMA {SCHEMA} TO {READER}, {PUBLISHER}",
        f"GRANT SELECT ON ALL TABLES IN SCHEMA {SCHEMA} TO {READER}, {PUBLISHER}",
        f"GRANT INSERT ON {layers} TO {PUBLISHER}",
        f"GRANT UPDATE ({ending}) ON {SCHEMA}.{VERSIONS} TO {PUBLISHER}",
        f"GRANT EXECUTE ON FUNCTION {SCHEMA}.add_own_column TO {PUBLISHER}",
    ):
        connection.execute(text(order))
    # Anybody has this right unless it was taken from all; who owns the database gives it back.
    database = connection.execute(
        text("SELECT quote_ident(current_database()) WHERE has_database_privilege("
             "current_database(), 'TEMPORARY WITH GRANT OPTION')")
    ).scalar()  # fmt: skip
    if database is not None:
        connection.execute(text(f"GRANT TEMPORARY ON DATABASE {database} TO {PUBLISHER}"))
