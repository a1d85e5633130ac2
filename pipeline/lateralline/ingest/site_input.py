"""Which files are a site's, and what stands in them, before settings and cells mean anything.

A folder of text files, a workbook that is a site by itself, or text files and workbooks together:
all become sections of settings and tables of text, each knowing file, row and column.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from typing import Final

from lateralline import contract
from lateralline.ingest.bulk import bulk_content, bulk_of, bulk_sections, bulk_tables
from lateralline.ingest.conventions import read_table
from lateralline.ingest.intake import (
    SITE_FILE,
    TABULAR,
    decode,
    entries,
    is_book,
    is_file,
    read_input,
)
from lateralline.ingest.ledger import Ledger
from lateralline.ingest.sections import Sections, sheet_sections, toml_sections
from lateralline.ingest.tables import TextTable
from lateralline.ingest.workbook import SITE_SHEET, TABLES, SiteWorkbook, read_book

NEEDED: Final = ("marks", "stops")  # a site without these tables is none

_WANTED: Final = (SITE_FILE, *(f"{name}.csv" for name in (*TABLES, *contract.KEPT)))


@dataclass(frozen=True, slots=True)
class SiteFiles:
    """Content by file name, and names that nearly are one of ours: the name meant → as found."""

    content: Mapping[str, bytes]
    near: Mapping[str, str]
    book: str = ""  # the workbook, when the site is one by itself
    lost: frozenset[str] = frozenset()  # at fault already: there, and not readable

    def file_of(self, table: str) -> str:
        """Return the name of the csv file that holds a table; a workbook's ids lie beside it."""
        beside = self.book and table in contract.KEPT
        return kept_beside(Path(self.book), table) if beside else f"{table}.csv"

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


def kept_beside(book: Path, table: str) -> str:
    """Return the name of the file in which a build keeps a table of a site that is a workbook.

    A workbook is its owner's: nothing is written into it.
    """
    return f"{book.stem}.{table}.csv"


def read_files(source: Path, ledger: Ledger) -> SiteFiles:
    """Return the input files of a site; raises SiteFaultsError when there is no such site."""
    if is_file(source) and is_book(source):
        data = read_input(source, ledger)
        ledger.raise_faults(source.name)
        assert data is not None  # else there is a fault
        content = {source.name: data}
        for table in contract.KEPT:
            beside = source.with_name(kept_beside(source, table))
            if is_file(beside) and (kept := read_input(beside, ledger)) is not None:
                content[beside.name] = kept
        return SiteFiles(content, {}, source.name)
    return _read_folder(source, ledger)


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
        p for p in paths if p.name not in there and p.suffix.casefold() in TABULAR and is_file(p)
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
            ledger.note("input-unused/file", f"file {path.name}", meant=meant)
    return near


# ---- what stands in them -------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class SiteInput:
    """One site as it was written. Faults met on the way are in the ledger it was read with."""

    files: SiteFiles
    sections: Sections | None  # None = there are none that could be read
    #: Tables that are there; None = could not be read. Where a site and what is added to it are
    #: read together, both have their own.
    tables: Mapping[str, tuple[TextTable, ...] | None]
    damaged: bool  # a workbook that is a site by itself could not be opened

    def note_missing(self, ledger: Ledger) -> None:
        """Note the settings and the tables a site cannot be without, where they are not there."""
        if self.damaged:
            return
        for name in NEEDED:
            if name not in self.tables:
                must = "must be in the site folder, or be a sheet of a workbook there"
                self.files.missing(f"{name}.csv", name, must, ledger)

    def table(self, name: str) -> TextTable | None:
        """Return the only table of a name; None where there is none, or none that could be read."""
        tables = self.tables.get(name)
        return tables[0] if tables else None

    def may_be_lost(self, table: str) -> bool:
        """Return whether a table that is not there may stand in a file that could not be read."""
        return table in NEEDED or self.damaged or self.files.is_lost(f"{table}.csv")


def read_site_input(source: Path, ledger: Ledger) -> SiteInput:
    """Return what stands in a site's files; raises SiteFaultsError when there is no such site."""
    if bulk_of(source) is not None:
        return _of_bulk(source, ledger)
    files = read_files(source, ledger)
    books = {
        file: read_book(file, data, ledger)
        for file, data in files.content.items()
        if is_book(Path(file))
    }
    damaged = bool(files.book) and books[files.book].damaged
    return SiteInput(files, _sections(files, books, ledger), _tables(files, books, ledger), damaged)


def _of_bulk(source: Path, ledger: Ledger) -> SiteInput:
    """Return a site whose rows stand in tables of many, and its ids, which a build keeps apart."""
    tables = bulk_tables(source, ledger)
    content = bulk_content(source, ledger)
    for table in contract.KEPT:
        path = source.with_name(kept_beside(source, table))
        if is_file(path) and (data := read_input(path, ledger)) is not None:
            content[path.name] = data
            found = read_table(table, path.name, data, ledger)
            tables[table] = None if found is None else (found,)
    return SiteInput(SiteFiles(content, {}), bulk_sections(source, ledger), tables, damaged=False)


def _sections(
    files: SiteFiles, books: Mapping[str, SiteWorkbook], ledger: Ledger
) -> Sections | None:
    """Return the settings: site.toml, or the sheets of one workbook; None, with faults, if none."""
    given_in = [file for file, book in books.items() if book.site]
    if SITE_FILE in files.content:
        given_in.append(SITE_FILE)
    if len(given_in) > 1:
        must = "must stand in one place: site.toml, or the sheets of one workbook"
        ledger.fault(given_in[0], 0, "settings", ", ".join(given_in), must)
        return None
    if not given_in:
        if not any(book.damaged for file, book in books.items() if file == files.book):
            files.missing(SITE_FILE, SITE_SHEET, "must be in the site folder", ledger)
        return None
    if given_in[0] != SITE_FILE:
        return sheet_sections(given_in[0], books[given_in[0]].site, ledger)
    text = decode(SITE_FILE, files.content[SITE_FILE], ledger)
    return None if text is None else toml_sections(SITE_FILE, text, ledger)


def _tables(
    files: SiteFiles, books: Mapping[str, SiteWorkbook], ledger: Ledger
) -> dict[str, tuple[TextTable, ...] | None]:
    found: dict[str, list[TextTable | None]] = {}
    for name in (*TABLES, *contract.KEPT):
        if (data := files.content.get(file := files.file_of(name))) is not None:
            found.setdefault(name, []).append(read_table(name, file, data, ledger))
        for book in books.values():
            if name in book.tables:
                found.setdefault(name, []).append(book.tables[name])
    for name, several in found.items():
        if len(several) > 1:
            must = "must stand in one place: a csv file or a sheet of one workbook"
            ledger.fault(f"{name}.csv", 0, "table", "", must)
    return {name: None if one is None or more else (one,) for name, (one, *more) in found.items()}


# ---- for copying ---------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class RawSite:
    """Sections of the settings by name, each as often as it is there, and rows of tables as text.

    Values of `site.toml` are typed as TOML has them, those of a workbook are text.
    """

    settings: Mapping[str, Sequence[Mapping[str, object]]]
    tables: Mapping[str, Sequence[Mapping[str, str]]]


def raw_site(source: Path, *, for_sheets: bool = False) -> RawSite:
    """Return a site as it was written, for copying: what cells hold is not looked at.

    Raises SiteFaultsError for what cannot be taken apart, and with `for_sheets` for what no sheet
    has a place for. Only of a site that `read_site` finds
    sound is sure to be whole what comes out here.
    """
    ledger = Ledger()
    site = read_site_input(source, ledger)
    ledger.raise_faults(source.name)
    for section in (one for several in (site.sections or {}).values() for one in several):
        if for_sheets and (section.asset or isinstance(section.given.get("types"), dict)):
            must = "must be said under [asset], or of a line in assets.csv, to be copied"
            line = section.asset_lines.get("", section.lines.get("types", 0))
            ledger.fault(section.file, line, "asset", "", must, "a sheet has no place for it")
    ledger.raise_faults(source.name)
    return RawSite(
        {
            name: [section.given for section in several if section.given]
            for name, several in (site.sections or {}).items()
        },
        {
            name: [dict(zip(table.header, cells, strict=True)) for _, cells in table.rows]
            for name in site.tables
            if (table := site.table(name)) is not None
        },
    )
