"""Files as they come in: their bytes, within limits, and their text; each failure a fault.

Every file a user names or puts into a folder is opened here, so a folder called marks.csv, a pipe,
a dangling link, a disk that fails and a file of the wrong encoding are reported in one way.
"""

from __future__ import annotations

import re
import stat
from contextlib import suppress
from pathlib import Path
from typing import Final

from lateralline.ingest.ledger import Ledger
from lateralline.ingest.limits import BOOK_BYTES, TEXT_BYTES, TOML_BYTES, megabytes

#: The settings of a site folder.
SITE_FILE: Final = "site.toml"

_BOOK: Final = ".xlsx"
#: Files that hold tables or settings, or would.
TABULAR: Final = (".csv", ".txt", ".tsv", ".toml", ".xls", ".ods")
BOM: Final = "\ufeff"
UTF16: Final = (b"\xff\xfe", b"\xfe\xff")
_NOT_LATIN: Final = re.compile("[\x80-\x9f]")
_SAVE: Final = "save it as UTF-8"
_SMALLER: Final = "a site holds what one crew measured: split it into several sites"
_KINDS: Final = (
    (stat.S_ISDIR, "a folder"),
    (stat.S_ISFIFO, "a pipe"),
    (stat.S_ISSOCK, "a socket"),
    (stat.S_ISCHR, "a device"),
    (stat.S_ISBLK, "a device"),
)


def read_bytes(
    path: Path, ledger: Ledger, most: int = TEXT_BYTES, *, smaller: str = _SMALLER
) -> bytes | None:
    """Return what stands in a file; None, with a fault, when it cannot be read or is too large.

    `most` is the limit in bytes, `smaller` says how a file beyond it would get below.
    """
    try:
        if not may_be_read(path, ledger, most, smaller=smaller):
            return None
        return path.read_bytes()
    except OSError as e:
        _unreadable(path, e, ledger)
        return None


def read_input(path: Path, ledger: Ledger) -> bytes | None:
    """Return what stands in one of a site's files; None, with a fault, when that cannot be had."""
    most = {".toml": TOML_BYTES, _BOOK: BOOK_BYTES}.get(path.suffix.casefold(), TEXT_BYTES)
    return read_bytes(path, ledger, most)


def entries(folder: Path, ledger: Ledger) -> list[Path]:
    """Return what lies in a folder, in order of names; nothing, with a fault, when it is closed."""
    try:
        return sorted(folder.iterdir())
    except OSError as e:
        must = "must be a folder that can be read"
        ledger.fault(folder.name or str(folder), 0, "folder", e.strerror or "", must)
        return []


def may_be_read(path: Path, ledger: Ledger, most: int, *, smaller: str = _SMALLER) -> bool:
    """Return whether a path is a file within its limit that opens; False with a fault.

    For files that a library opens by their path; it never waits for the other end of a pipe.
    """
    try:
        about = path.stat()
        kind = next((kind for test, kind in _KINDS if test(about.st_mode)), "")
        if kind:
            ledger.fault(path.name, 0, "file", "", f"must be a file; it is {kind}")
            return False
        if about.st_size > most:
            size = megabytes(about.st_size)
            ledger.fault(path.name, 0, "file", size, f"must be at most {megabytes(most)}", smaller)
            return False
        with path.open("rb"):
            return True
    except (OSError, ValueError) as e:  # ValueError: a name no file can have
        _unreadable(path, e, ledger)
        return False


def is_file(path: Path) -> bool:
    """Return whether a path is a file, as far as one may look."""
    try:
        return path.is_file()
    except OSError:
        return False


def is_book(path: Path) -> bool:
    """Return whether a path names a workbook, and not what a program leaves beside an open one."""
    return path.suffix.casefold() == _BOOK and path.name[0] not in "~."  # as ~$… and .~…


def _unreadable(path: Path, error: OSError | ValueError, ledger: Ledger) -> None:
    reason = (error.strerror if isinstance(error, OSError) else None) or str(error)
    hint = "it is a link to nothing" if path.is_symlink() and not path.exists() else ""
    ledger.fault(path.name, 0, "file", reason, "must be readable", hint)


def decode(file: str, data: bytes, ledger: Ledger) -> str | None:
    """Return the text of a UTF-8 file; None, with a fault, when it is not."""
    if data.startswith(UTF16):
        ledger.fault(file, 1, "file", "UTF-16", "must be UTF-8 text", _SAVE)
        return None
    if _holds_nul(file, data, ledger):
        return None
    try:
        return data.decode("utf-8").removeprefix(BOM)
    except UnicodeDecodeError as e:
        byte, sign = data[e.start], data[e.start : e.start + 1].decode("cp1252", "replace")
        meant = f'; in Windows-1252 that is "{sign}"' if sign.isprintable() else ""
        ledger.fault(
            file,
            _line_at(data, e.start),
            "file",
            f"byte 0x{byte:02X}",
            "must be UTF-8 text",
            _SAVE + meant,
        )
        return None


def decode_any(file: str, data: bytes, notes: list[str], ledger: Ledger) -> str | None:
    """Return the text of a table or point file: UTF-8, UTF-16 with its mark, Latin-1.

    What is neither of the first two is read as Latin-1, which takes any byte, or as Windows-1252
    where bytes stand for signs that Latin-1 has not: `notes` gets a line about it. None, with
    a fault, when it is no text.
    """
    if data.startswith(UTF16):
        try:
            text = data.decode("utf-16")
        except UnicodeDecodeError as e:
            ledger.fault(file, 0, "file", "UTF-16", f"must be text: {e.reason}", _SAVE)
            return None
        return None if _holds_nul(file, text.encode(), ledger) else text
    if _holds_nul(file, data, ledger):
        return None
    try:
        return data.decode("utf-8").removeprefix(BOM)
    except UnicodeDecodeError as e:
        line = _line_at(data, e.start)
    name, text = "Latin-1", data.decode("latin-1")
    if _NOT_LATIN.search(text):
        with suppress(UnicodeDecodeError):  # then the signs no text holds are faults of their cells
            name, text = "Windows-1252", data.decode("cp1252")
    notes.append(f"as {name}, as it is not UTF-8 (line {line}): look at accents and signs")
    return text


def _holds_nul(file: str, data: bytes, ledger: Ledger) -> bool:
    if (at := data.find(b"\0")) < 0:
        return False
    must = "must be text; it holds a NUL byte"
    ledger.fault(file, _line_at(data, at), "file", "", must, "save it again")
    return True


def _line_at(data: bytes, at: int) -> int:
    return data.count(b"\n", 0, at) + 1
