"""GeoPackages as SQLite files: what their tables hold, read beside whoever has them open."""

from __future__ import annotations

import hashlib
import marshal
import re
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any, Final

from lateralline.errors import UnreadableError

#: What SQLite leaves beside a file that another program has open.
SCRAPS: Final = ("-wal", "-shm", "-journal")
#: How long a reader waits for a program that writes.
LOCKED_FOR_S: Final = 3.0
#: What a file written here carries in its metadata.
STAMP: Final = re.compile(rb"lateralline ([a-z-]+) ([0-9a-f]{64})")
_MAGIC: Final = b"SQLite format 3\0"


def is_sqlite(path: Path) -> bool:
    """Whether a file is a SQLite database, by how it begins."""
    with path.open("rb") as file:
        return file.read(len(_MAGIC)) == _MAGIC


@contextmanager
def reading(path: Path) -> Iterator[sqlite3.Connection]:
    """Yield a read-only connection to a GeoPackage that someone else may have open.

    Waits a moment for who writes. A file in write-ahead mode in a folder nobody may write to is
    taken as it stands where no log waits beside it. Raises UnreadableError saying whether it is
    locked, or no GeoPackage at all; nothing is read past a lock, since what is half written could
    lack a line.
    """
    uri = f"{path.absolute().as_uri()}?mode=ro"
    log = path.with_name(path.name + "-wal")
    for one in (uri, f"{uri}&immutable=1"):
        with closing(sqlite3.connect(one, uri=True, timeout=LOCKED_FOR_S)) as db:
            try:
                db.execute("SELECT count(*) FROM sqlite_master").fetchone()
            except sqlite3.Error as e:
                said = str(e)
                if "unable to open" in said and one == uri and not _filled(log):
                    continue
                raise UnreadableError(_unreadable(path, said)) from e
            yield db
            return


def _unreadable(path: Path, said: str) -> str:
    if "locked" in said or "busy" in said:
        return (
            f"{path} is locked by another program, as a desktop GIS that edits it: close it there, "
            "or copy the file, and try again"
        )
    if "not a database" in said:
        return f"{path} is no GeoPackage, so no output of lateralline build"
    return f"{path} cannot be read now ({said})"


def _filled(path: Path) -> bool:
    return path.is_file() and path.stat().st_size > 0


def settle_sqlite(path: Path) -> None:
    """Set SQLite's count of changes to 1: GDAL's depends on timing, and so would the file's bytes.

    From memory of SQLite's file format: the count stands at byte 24, and again at 92, where it says
    that what the header tells is up to date. Nobody has the file open.
    """
    with path.open("r+b") as file:
        for at in (24, 92):
            file.seek(at)
            file.write((1).to_bytes(4, "big"))


def tables_digest(path: Path) -> str:
    """Return the SHA-256 of what the tables of a SQLite file hold, whatever stamp is in it.

    Rows in the order of their ids, definitions of tables and triggers too; not the spatial indexes,
    which follow from the rows. Raises UnreadableError when another program holds the file.
    """
    made = hashlib.sha256()
    with reading(path) as db:
        db.text_factory = bytes
        known = db.execute("SELECT name, sql FROM sqlite_master WHERE type = 'table'")
        tables = {bytes(n).decode(): bytes(sql or b"") for n, sql in known.fetchall()}
        indexes = {n for n, sql in tables.items() if b"USING rtree" in sql}
        shadows = {i + end for i in indexes for end in ("", "_node", "_rowid", "_parent")}
        rest = "SELECT type, name, sql FROM sqlite_master WHERE type <> 'table' ORDER BY 1, 2"
        for row in db.execute(rest):
            made.update(marshal.dumps(row, 2))
        for name in sorted(n for n in tables.keys() - shadows if not n.startswith("sqlite_")):
            made.update(name.encode() + tables[name])
            quoted = '"' + name.replace('"', '""') + '"'
            order = "" if b"WITHOUT ROWID" in tables[name].upper() else " ORDER BY rowid"
            for row in db.execute(f"SELECT * FROM {quoted}{order}"):
                plain = tuple(map(_unstamped, row)) if name == "gpkg_contents" else row
                made.update(marshal.dumps(plain, 2))
    return made.hexdigest()


def _unstamped(value: Any) -> Any:
    return STAMP.sub(rb"", value) if isinstance(value, bytes) else value
