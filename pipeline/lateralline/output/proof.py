"""What proves that a file or folder was written here, and whether anyone changed it since.

A file carries `lateralline KIND DIGEST` in its metadata, where DIGEST is the SHA-256 of the file
with zeros in its place. A folder carries `manifest.json`, stamped in the same way, with the SHA-256
of every file that was written. Of a GeoPackage the digest is that of its tables: programs that only
look at one change its bytes.
"""

from __future__ import annotations

import hashlib
import json
import marshal
import re
import sqlite3
import struct
import zlib
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager
from dataclasses import dataclass
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
                message = str(e)
                if "unable to open" in message and one == uri and not _filled(log):
                    continue
                raise UnreadableError(_unreadable(path, message)) from e
            yield db
            return


def _unreadable(path: Path, message: str) -> str:
    if "locked" in message or "busy" in message:
        return (
            f"{path} is locked by another program, as a desktop GIS that edits it: close it there, "
            "or copy the file, and try again"
        )
    if "not a database" in message:
        return f"{path} is no GeoPackage, so no output of lateralline build"
    return f"{path} cannot be read now ({message})"


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


#: What stands in every folder written here, and says what was.
MANIFEST: Final = "manifest.json"
FORMAT: Final = "lateralline manifest 1"
#: What stands beside it in a folder that somebody signed: see `sealed`.
SEAL: Final = "seal.json"
SEAL_FORMAT: Final = "lateralline seal 1"
#: What is written, and by which command: a command replaces its own kind only.
KINDS: Final[Mapping[str, str]] = {
    "record": "build",
    "site": "import-points or update",
    "dig-zones": "zones",
    "clearance": "clearance",
    "sheets": "sheet",
    "pages": "page",
    "cards": "ties",
    "sheet": "sheet",
    "page": "page",
    "picture": "draw",
    "zones-picture": "zones --picture",
    "clearance-picture": "clearance --picture",
    "matches": "match",
    "matches-picture": "match --picture",
    "connections": "connect",
    "connections-picture": "connect --picture",
    "explanation": "explain",
    "tie-cards": "ties",
    "tie-tapes": "ties --tapes",
    "drawing": "export",
    "map": "export",
    "hand-over": "handover",
    "record-changes": "update --changes",
    "seal": "seal",
    "codes": "import-points --write-codes",
    "accuracies": "calibrate",
    "field-sheet": "field-sheet",
    "report": "check --report or build --report",
}

_ZEROS: Final = "0" * 64
_PNG: Final = b"\x89PNG\r\n\x1a\n"
_MOSTSTAMPS: Final = 100  # text of a user's may hold others; each costs a reading of the file


def stamp(kind: str) -> str:
    """Return what a writer puts into a file's metadata; its zeros are filled in at the end.

    >>> stamp("sheet")[:24]
    'lateralline sheet 000000'
    """
    assert kind in KINDS, kind
    return f"lateralline {kind} {_ZEROS}"


def figure_metadata(suffix: str, kind: str) -> dict[str, str | None]:
    """Return the metadata of a figure saved as .png, .svg or .pdf: the stamp, and no date."""
    known: dict[str, dict[str, str | None]] = {
        ".pdf": {"Keywords": stamp(kind), "CreationDate": None},
        ".svg": {"Identifier": stamp(kind), "Date": None},
        ".png": {"Comment": stamp(kind)},
    }
    return known[suffix.lower()]


# ---- a file --------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Proof:
    """That something was written here: its kind, and whether it is still as it was written."""

    kind: str
    unchanged: bool


def seal(path: Path) -> None:
    """Fill in the zeros of a file's stamp; ValueError when it has none.

    The copy of a file that was sealed, and not changed since, stays as it is.
    """
    if is_sqlite(path):
        digest = tables_digest(path)
        with closing(sqlite3.connect(path)) as db, db:
            done = db.execute(
                "UPDATE gpkg_contents SET description = replace(description, ?, ?) "
                "WHERE description LIKE '%lateralline % ' || ? || '%'",
                (_ZEROS, digest, _ZEROS),
            ).rowcount
        if not done:
            raise ValueError(f"{path.name} has no stamp")
        settle_sqlite(path)
        return
    data = path.read_bytes()
    at = next((m.start(2) for m in STAMP.finditer(data) if m[2] == _ZEROS.encode()), None)
    if at is None:
        found = proof_of(path)
        if found is not None and found.unchanged:
            return
        raise ValueError(f"{path.name} has no stamp")
    path.write_bytes(_with_digits(data, at, hashlib.sha256(data).hexdigest()))


def proof_of(path: Path) -> Proof | None:
    """Return what a file's stamp proves; None when it has none, and so was not written here."""
    if is_sqlite(path):
        return _proof_of_tables(path)
    data = path.read_bytes()
    found = [m for m, _ in zip(STAMP.finditer(data), range(_MOSTSTAMPS), strict=False)]
    found = [m for m in found if m[1].decode() in KINDS]
    for m in found:
        as_made = _with_digits(data, m.start(2), _ZEROS)
        if hashlib.sha256(as_made).hexdigest() == m[2].decode():
            return Proof(m[1].decode(), unchanged=True)
    return Proof(found[0][1].decode(), unchanged=False) if found else None


def _with_digits(data: bytes, at: int, digits: str) -> bytes:
    """Return `data` with a digest at `at`; a PNG's chunk gets the checksum that goes with it."""
    made = bytearray(data)
    made[at : at + 64] = digits.encode()
    if data.startswith(_PNG):
        for start, end in _png_chunks(data):
            if start <= at < end:
                made[end : end + 4] = struct.pack(">I", zlib.crc32(made[start + 4 : end]))
    return bytes(made)


def _png_chunks(data: bytes) -> Iterator[tuple[int, int]]:
    """Yield where each chunk starts, and where its data ends and its checksum stands."""
    at = len(_PNG)
    while at + 8 <= len(data):
        (length,) = struct.unpack_from(">I", data, at)
        yield at, at + 8 + length
        at += 12 + length


# ---- a GeoPackage --------------------------------------------------------------------------


def _proof_of_tables(path: Path) -> Proof | None:
    try:
        with reading(path) as db:
            rows = db.execute("SELECT description FROM gpkg_contents ORDER BY 1").fetchall()
    except sqlite3.Error:  # no GeoPackage
        return None
    text = "\n".join(str(row[0]) for row in rows).encode()
    found = next((m for m in STAMP.finditer(text) if m[1].decode() in KINDS), None)
    if found is None:
        return None
    return Proof(found[1].decode(), unchanged=tables_digest(path) == found[2].decode())


# ---- a folder ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Account:
    """What a folder's manifest says was written into it."""

    kind: str
    files: Mapping[str, Mapping[str, Any]]  # by path within the folder

    def unchanged(self, folder: Path, name: str) -> bool:
        """Whether a file of the folder is there as it was written."""
        path = folder / name
        if name == MANIFEST:
            proof = proof_of(path)
            return proof is None or proof.unchanged  # None: of a version that did not stamp it
        return same(path, self.files[name])


def same(path: Path, entry: Mapping[str, Any]) -> bool:
    """Whether a file holds what an entry of a manifest says of it.

    Of a GeoPackage its tables count: who only looked at it changed its bytes, and what a program
    that has it open wrote, or is about to, may stand beside bytes that are as they were.
    """
    tables = entry.get("tables_sha256")
    logged = any(_filled(path.with_name(path.name + end)) for end in ("-wal", "-journal"))
    if not (tables and logged) and sha256(path) == entry["sha256"]:
        return True
    return bool(tables) and is_sqlite(path) and tables_digest(path) == tables


def account_of(folder: Path) -> Account | None:
    """Return what a folder's manifest says; None when it has none that was written here."""
    try:
        about = _json_in(folder / MANIFEST)
        if about["format"] != FORMAT:
            return None
        files = {str(o["path"]): dict(o) for o in about["outputs"]}
        assert all(isinstance(o["sha256"], str) for o in files.values())
        return Account(str(about.get("kind", "record")), {**files, MANIFEST: {}})
    except (OSError, ValueError, KeyError, TypeError, AssertionError):
        return None


def changed_since(path: Path) -> bool | None:
    """Whether a file was changed since it was written, by the manifest beside it; None without."""
    account = account_of(path.parent)
    if account is None or path.name not in account.files:
        return None
    return not account.unchanged(path.parent, path.name)


def listed(folder: Path, kind: str) -> dict[str, object]:
    """Return what a manifest says of every file that is in `folder` now, and its stamp."""
    paths = sorted(p for p in folder.rglob("*") if p.is_file() and p != folder / MANIFEST)
    outputs = [entry_of(folder, path.relative_to(folder).as_posix()) for path in paths]
    return {"kind": kind, "stamp": stamp(kind), "outputs": outputs}


def entry_of(folder: Path, name: str) -> dict[str, object]:
    """Return what a manifest says of one file of a folder; see `same`."""
    path = folder / name
    entry: dict[str, object] = {
        "path": name,
        "sha256": sha256(path),
        "size_bytes": path.stat().st_size,
    }
    return entry | {"tables_sha256": tables_digest(path)} if is_sqlite(path) else entry


def seal_in(path: Path) -> dict[str, Any] | None:
    """Return what a seal holds; None for what is no seal of ours."""
    try:
        content = _json_in(path)
        return dict(content) if content["format"] == SEAL_FORMAT else None
    except (OSError, ValueError, KeyError, TypeError):
        return None


def _json_in(path: Path) -> Any:
    """Return what a file of JSON holds; ValueError for what is none, OSError for no file.

    It never waits for the other end of a pipe.
    """
    if not path.is_file():
        raise FileNotFoundError(path)
    try:
        return json.loads(path.read_text(encoding="utf-8"))
    except RecursionError:
        raise ValueError(f"{path} is nested too deep") from None


def write_manifest(folder: Path, kind: str) -> None:
    """Write the manifest of a folder whose writer has none of its own."""
    text = json.dumps({"format": FORMAT, **listed(folder, kind)}, indent=1, ensure_ascii=False)
    (folder / MANIFEST).write_text(text + "\n", encoding="utf-8", newline="\n")


def sha256(path: Path) -> str:
    """Return the SHA-256 of a file's bytes, in hexadecimal."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
