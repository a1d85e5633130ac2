"""The way to a database: its URL, a connection, and what the server says in plain words.

Passwords come from the environment, a service or password file, or the URL; none is ever printed.
"""

from __future__ import annotations

import logging
import re
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final

import psycopg
from psycopg import errors as said
from psycopg.conninfo import conninfo_to_dict, make_conninfo
from sqlalchemy import Connection, create_engine
from sqlalchemy.exc import DBAPIError, SQLAlchemyError
from sqlalchemy.pool import NullPool

from lateralline.errors import RegisterError

_SCHEMES: Final = ("postgresql://", "postgres://")
_WANTED: Final = (
    "wanted is postgresql://USER@HOST/DATABASE, or postgresql:// alone with PGHOST, PGDATABASE, "
    "PGUSER or PGSERVICE in the environment"
)
_PATIENCE_S: Final = "10"
_PUBLISHER: Final = "asbuilt_publisher"
# What the driver logs of a lost connection is said in plain words here; who logs still gets it.
logging.getLogger("psycopg").addHandler(logging.NullHandler())


@contextmanager
def connected(url: str) -> Iterator[Connection]:
    """Yield a connection; what the server refuses in the block is a RegisterError.

    What was not committed in the block is undone. Raises RegisterError for a URL of another kind,
    a server that is not there, and rights that are missing; no message holds a password.
    """
    conninfo = _conninfo(url)

    def connect() -> psycopg.Connection:
        try:
            return psycopg.connect(make_conninfo(**conninfo))
        except psycopg.Error as e:
            raise RegisterError(f"no connection to {_place(conninfo)}: {_one_line(e)}") from None

    engine = create_engine(
        "postgresql+psycopg://",
        creator=connect,
        poolclass=NullPool,
        pool_reset_on_return=None,  # it is closed: what was not committed is undone by that
    )
    try:
        with engine.connect() as connection:
            yield connection
    except SQLAlchemyError as e:
        raise RegisterError(in_words(e)) from None
    except psycopg.Error as e:
        raise RegisterError(in_words(e)) from None
    finally:
        engine.dispose()


def driver(connection: Connection) -> psycopg.Connection:
    """Return the driver's own connection, in the same transaction: for COPY."""
    raw = connection.connection.driver_connection
    assert isinstance(raw, psycopg.Connection)
    return raw


def lock(connection: Connection, what: str) -> None:
    """Wait until nobody else works on `what`; it is free again when the transaction ends."""
    lock_session(driver(connection), what)


def lock_session(session: psycopg.Connection, what: str) -> None:
    """The same, by the driver's own connection."""
    order = "SELECT pg_advisory_xact_lock(hashtextextended(%s, 0))"
    session.execute(order, (f"lateralline {what}",))


def cause_of(error: BaseException) -> BaseException:
    """Return what the driver raised."""
    return error.orig if isinstance(error, DBAPIError) and error.orig is not None else error


def in_words(error: BaseException) -> str:
    """Return what the server said, and what would help."""
    cause = cause_of(error)
    message = _one_line(cause)
    if isinstance(cause, said.InsufficientPrivilege):
        return (
            f"the database user has no right to do this ({message}): who publishes needs "
            f"GRANT {_PUBLISHER} TO the user and the right to make TEMPORARY tables, and who "
            "prepares a register owns it"
        )
    if isinstance(cause, said.ReadOnlySqlTransaction):
        return f"the database takes no changes ({message}): name the server that is written to"
    if isinstance(cause, psycopg.OperationalError):
        return f"the connection to the database failed: {message}"
    return f"the database refused it: {message}"


def _conninfo(url: str) -> dict[str, str]:
    if not url.startswith(_SCHEMES):
        got = "" if "@" in url or "password" in url.casefold() else f"; got {url!r}"
        raise RegisterError(f"not the URL of a database{got}: {_WANTED}")
    try:
        given = {k: str(v) for k, v in conninfo_to_dict(url).items() if v is not None}
    except psycopg.Error:  # its message holds parts of the URL
        raise RegisterError(f"not the URL of a database: {_WANTED}") from None
    given.setdefault("connect_timeout", _PATIENCE_S)
    given.setdefault("application_name", "lateralline")
    return given


def _place(conninfo: dict[str, str]) -> str:
    shown = [
        conninfo[k] for k in ("service", "host", "hostaddr", "port", "dbname") if k in conninfo
    ]
    return f"the database {' '.join(shown)}".strip()


def _one_line(error: BaseException) -> str:
    """Return the first thing the server says, without statements and values of a password."""
    diag = getattr(error, "diag", None)
    primary = getattr(diag, "message_primary", None)
    detail = getattr(diag, "message_detail", None)
    if primary:
        return f"{primary} ({detail})" if detail else str(primary)
    lines = [line.strip() for line in str(error).splitlines() if line.strip()]
    words = "; ".join(dict.fromkeys(lines)) or type(error).__name__
    return re.sub(r"://[^@/\s]*@", "://", words)
