"""Which files are a site's input, and what stands in them: a folder's, or one workbook."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from typing import Final

from lateralline import contract
from lateralline.findings import finding
from lateralline.ingest.intake import is_file, read_bytes
from lateralline.ingest.ledger import Ledger
from lateralline.ingest.limits import BOOK_BYTES, TEXT_BYTES, TOML_BYTES

SITE_FILE: Final = "site.toml"
TABLES: Final = tuple(name for name in contract.INPUTS if name != "site")
#: Sheets of a book for what stands in `site.toml` as often as needed: a row for each.
SECTION_SHEETS: Final[Mapping[str, str]] = {"pipes": "pipe", "runs": "run", "branches": "branch"}
NEEDED: Final = ("marks", "stops")  # a site without these tables is none

_WANTED: Final = (SITE_FILE, *(f"{name}.csv" for name in TABLES))
_BOOK: Final = ".xlsx"
_TABULAR: Final = (".csv", ".txt", ".tsv", ".toml", ".xls", ".ods")


@dataclass(frozen=True, slots=True)
class SiteFiles:
    """Content by file name, and names that nearly are one of ours: the name meant → as found."""

    content: Mapping[str, bytes]
    near: Mapping[str, str]
    book: str = ""  # the workbook, when the site is one by itself
    lost: frozenset[str] = frozenset()  # at fault already: there, and not readable

    def home(self, table: str) -> str:
        """Return where a table that is not there would stand, as messages name it."""
        return f"{self.book} {table}" if self.book else f"{table}.csv"

    def is_lost(self, name: str) -> bool:
        """Return whether a file is there, or may stand in a workbook, that could not be read."""
        return name in self.lost or any(is_book(Path(lost)) for lost in self.lost)

    def missing(self, name: str, sheet: str, must: str, ledger: Ledger) -> None:
        """Note that a file must be there, and which one may be it under another name."""
        if self.book:
            ledger.fault(self.book, 0, f"sheet {sheet}", "", "must be in the workbook")
            return
        if self.is_lost(name):
            return
        near = self.near.get(name)
        ledger.fault(name, 0, "file", "", must, f"is {near} meant?" if near else "")


def is_book(path: Path) -> bool:
    """Return whether a path names a workbook, and not what a program leaves beside an open one."""
    return path.suffix.casefold() == _BOOK and path.name[0] not in "~."  # as ~$… and .~…


def read_files(source: Path, ledger: Ledger) -> SiteFiles:
    """Return the input files of a site; raises SiteFaultsError when there is no such site."""
    if is_file(source) and is_book(source):
        data = read_input(source, ledger)
        ledger.raise_faults(source.name)
        assert data is not None  # else there is a fault
        return SiteFiles({source.name: data}, {}, source.name)
    return _read_folder(source, ledger)


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


def _read_folder(folder: Path, ledger: Ledger) -> SiteFiles:
    content: dict[str, bytes] = {}
    paths = entries(folder, ledger)
    ledger.raise_faults(folder.name)
    ours = [p for p in paths if p.name in _WANTED or is_book(p)]
    for path in ours:
        if (data := read_input(path, ledger)) is not None:
            content[path.name] = data
    # What is there and cannot be read is not missing: the site is only judged without it.
    there = {p.name for p in ours}
    lost = there - content.keys()
    others = [
        p for p in paths if p.name not in there and p.suffix.casefold() in _TABULAR and is_file(p)
    ]
    return SiteFiles(
        content,
        _near_misses(others, [w for w in _WANTED if w not in there], ledger),
        lost=frozenset(lost),
    )


def _near_misses(paths: Sequence[Path], absent: Sequence[str], ledger: Ledger) -> dict[str, str]:
    stems = {Path(name).stem: name for name in absent}
    near: dict[str, str] = {}
    for path in paths:
        if close := get_close_matches(path.stem.casefold(), stems, n=1, cutoff=0.75):
            meant = stems[close[0]]
            near[meant] = path.name
            ledger.findings.append(finding("file-ignored", f"file {path.name}", meant=meant))
    return near
