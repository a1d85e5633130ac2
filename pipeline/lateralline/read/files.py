"""Which files are a site's input, and what stands in them: a folder's, or one workbook."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from typing import Final

from lateralline import contract
from lateralline.read.ledger import Ledger

SITE_FILE: Final = "site.toml"
TABLES: Final = tuple(name for name in contract.INPUTS if name != "site")
#: Sheets of a book for what stands in `site.toml` as often as needed: a row for each.
SECTION_SHEETS: Final[Mapping[str, str]] = {"pipes": "pipe", "runs": "run", "branches": "branch"}
NEEDED: Final = ("marks", "stops")  # a site without these tables is none

_WANTED: Final = (SITE_FILE, *(f"{name}.csv" for name in TABLES))
_BOOK: Final = ".xlsx"
_TABULAR: Final = (".csv", ".txt", ".tsv", ".toml", ".xls", ".ods")


@dataclass(frozen=True, slots=True)
class Files:
    """Content by file name, and names that nearly are one of ours: the name meant → as found."""

    content: Mapping[str, bytes]
    near: Mapping[str, str]
    book: str = ""  # the workbook, when the site is one by itself

    def home(self, table: str) -> str:
        """Return where a table that is not there would stand, as messages name it."""
        return f"{self.book} {table}" if self.book else f"{table}.csv"

    def missing(self, name: str, sheet: str, must: str, ledger: Ledger) -> None:
        """Note that a file must be there, and which one may be it under another name."""
        if self.book:
            ledger.fault(self.book, 0, f"sheet {sheet}", "", "must be in the workbook")
            return
        near = self.near.get(name)
        ledger.fault(name, 0, "file", "", must, f"is {near} meant?" if near else "")


def is_book(path: Path) -> bool:
    """Return whether a path names a workbook, and not what a program leaves beside an open one."""
    return path.suffix.casefold() == _BOOK and path.name[0] not in "~."  # as ~$… and .~…


def read_files(source: Path, ledger: Ledger) -> Files:
    """Return the input files of a site; raises SiteFaultsError when there is no such site."""
    if source.is_file() and is_book(source):
        try:
            return Files({source.name: source.read_bytes()}, {}, source.name)
        except OSError as e:
            ledger.fault(source.name, 0, "file", e.strerror or "", "must be readable")
            ledger.raise_faults(source.name)
    return _read_folder(source, ledger)


def _read_folder(folder: Path, ledger: Ledger) -> Files:
    content: dict[str, bytes] = {}
    try:
        paths = sorted(p for p in folder.iterdir() if p.is_file())
    except OSError as e:
        must = "must be a folder that can be read"
        ledger.fault(folder.name or str(folder), 0, "folder", e.strerror or "", must)
        ledger.raise_faults(folder.name)
        raise  # not reached: there is a fault
    for path in paths:
        if path.name in _WANTED or is_book(path):
            try:
                content[path.name] = path.read_bytes()
            except OSError as e:
                ledger.fault(path.name, 0, "file", e.strerror or "", "must be readable")
    others = [p for p in paths if p.name not in content and p.suffix.casefold() in _TABULAR]
    return Files(content, _near_misses(others, [w for w in _WANTED if w not in content], ledger))


def _near_misses(paths: Sequence[Path], absent: Sequence[str], ledger: Ledger) -> dict[str, str]:
    stems = {Path(name).stem: name for name in absent}
    near: dict[str, str] = {}
    for path in paths:
        if close := get_close_matches(path.stem.casefold(), stems, n=1, cutoff=0.75):
            meant = stems[close[0]]
            near[meant] = path.name
            ledger.finding(
                "info",
                "file-ignored",
                f"file {path.name}",
                f"{path.name} is not read; a file named {meant} would be",
                f"rename it to {meant} if that is what it is",
            )
    return near
