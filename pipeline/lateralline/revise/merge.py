"""A site and what is added to it as the files of one new site.

What the site says is kept: its rows, their order and lines, comments, the order of its columns.
Cells a spreadsheet would run are guarded (`csv_file`).
Added rows follow below; each keeps where it came from, so that a fault of the whole names it there.
"""

from __future__ import annotations

import io
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

from lateralline import csv_file
from lateralline.errors import Fault
from lateralline.read.files import SITE_FILE
from lateralline.read.ledger import Ledger, one_line
from lateralline.read.sheets import Sheet, bare, title
from lateralline.revise.conflicts import check_added
from lateralline.revise.sources import ADDED_FILE, Added, Place, read_added, site_texts

Places = dict[int, Place]

_BOM: Final = "\ufeff"
_SAID: Final = "# added by lateralline update from"


@dataclass(frozen=True, slots=True)
class Merged:
    """The input files of the new site, and where each of their rows came from."""

    texts: Mapping[str, str]  # by file name, with byte-order marks
    places: Mapping[str, Mapping[int, Place]]  # by file name and line; the site's own csv left out
    books: tuple[str, ...]  # workbooks of the site whose rows these files hold now
    added: Mapping[str, int]  # how many rows each table got, and runs, branches, pipes
    headers: Mapping[str, int]  # line of the header of each added table, by file
    faults: tuple[Fault, ...]  # of what is added, met so far

    def traced(self, faults: Iterable[Fault]) -> tuple[tuple[Fault, ...], tuple[Fault, ...]]:
        """Return all faults as those of what is added and those of the site.

        `faults` are those met in reading the merged files. What is known already is not said a
        second time: of the same cell, or of cells below a header that is at fault itself.
        """
        own, of_site = set(self.faults), set()
        told = {(f.file, f.row, f.column) for f in own}
        below = {(f.file, f.column) for f in own if self.headers.get(f.file) == f.row}
        for fault in faults:
            is_added, traced = self._origin(fault)
            at = traced.file, traced.row, traced.column
            if not is_added:
                of_site.add(traced)
            elif at not in told and (traced.file, traced.column) not in below:
                own.add(traced)
        return tuple(sorted(own)), tuple(sorted(of_site))

    def _origin(self, fault: Fault) -> tuple[bool, Fault]:
        place = self.places.get(fault.file, {}).get(fault.row)
        if place is None:
            return False, fault
        letter = place.letters.get(fault.column, "")
        cell = f"{letter}{place.line}" if letter else ""
        return place.added, replace(fault, file=place.file, row=place.line, cell=cell)


def merged_files(site: Path, added: Path, target: Path) -> Merged:
    """Return the files of a site that reads well with what a folder adds, to stand at `target`.

    Faults of what is added are in the result, not raised: the rest of them shows when the merged
    files are read. Raises SiteFaultsError when the site itself does not read.
    """
    base, ledger = site_texts(site, target), Ledger()
    new = read_added(added, ledger)
    sheets, sections = check_added(new, base, ledger)
    texts = {n: t if n == SITE_FILE else csv_file.neutral(t) for n, t in base.texts.items()}
    places = {name: dict(of) for name, of in base.places.items()}
    for table, sheet in sheets.items():
        file = f"{table}.csv"
        told = f"{_SAID} {one_line(new.name)}/{sheet.file}"
        texts[file], origin = _appended(texts.get(file, ""), base.sheets.get(table), sheet, told)
        places[file] = places.get(file, {}) | origin
        _refuse_comments(sheet, base.sheets.get(table), ledger)
    texts[SITE_FILE], places[SITE_FILE] = _with_sections(texts[SITE_FILE], new)
    return Merged(
        {name: _BOM + text if name in base.marked else text for name, text in texts.items()},
        places,
        base.books,
        {table: len(sheet.rows) for table, sheet in sheets.items()} | sections,
        {sheet.file: sheet.header_line for sheet in sheets.values()},
        tuple(ledger.faults),
    )


# ---- tables --------------------------------------------------------------------------------


def _appended(text: str, there: Sheet | None, new: Sheet, told: str) -> tuple[str, Places]:
    """Return a csv file with the rows of a sheet below its own, and where those come from.

    Columns only the sheet has come last, empty in the rows above.
    """
    newline = "\r\n" if "\r\n" in text else "\n"
    columns = [name for name in new.header if name]
    if there is not None:
        columns = _raw_columns(text, there.header_line)
        lacking = [name for name in new.header if name and name not in columns]
        if lacking:
            text, columns = _widened(text, there.header_line, lacking, newline)
        if not text.endswith(("\n", "\r")):
            text += newline
    if there is not None and not new.rows:
        return text, {}
    out, places, at = [], {}, _lines_in(text) + 1
    if there is None:
        places[at] = Place(True, new.file, new.header_line, new.letters)
        out.append(csv_file.record([_headed(name, new) for name in columns], newline))
        at += 1
    out.append(csv_file.record([told], newline))
    at += 1
    for line, cells in new.rows:
        given = dict(zip(new.header, cells, strict=True))
        places[at] = Place(True, new.file, line, new.letters)
        out.append(csv_file.record([given.get(name, "") for name in columns], newline))
        at += _lines_in(out[-1])
    return text + "".join(out), places


def _widened(
    text: str, header_line: int, lacking: list[str], newline: str
) -> tuple[str, list[str]]:
    """Return a csv file with more columns, and what they are called; comments stay as they are."""
    lines = list(io.StringIO(text, newline=""))
    columns = _raw_columns(text, header_line)
    while columns and not columns[-1]:
        columns.pop()  # spreadsheets leave empty columns behind
    out = []
    for first, end, cells in csv_file.records(text):
        if not any(map(bare, cells)) or bare(cells[0]).startswith("#"):
            out += lines[first - 1 : end - 1]
            continue
        more = lacking if first == header_line else [""] * len(lacking)
        out.append(csv_file.record([*cells[: len(columns)], *more], newline))
    return "".join(out), [*columns, *lacking]


def _raw_columns(text: str, header_line: int) -> list[str]:
    """Return the names over all columns, those a spreadsheet left empty too."""
    header = next(c for first, _, c in csv_file.records(text) if first == header_line)
    return [title(bare(cell))[0] for cell in header]


def _refuse_comments(new: Sheet, there: Sheet | None, ledger: Ledger) -> None:
    """A name that begins with # would make its row a comment where it comes to stand first."""
    first = (there or new).header[0]
    at = new.header.index(first) if first in new.header else -1
    for line, cells in new.rows if at > 0 else ():
        if cells[at].startswith("#"):
            must = "must not begin with #: first in its row, as in the site, that makes a comment"
            ledger.fault(new.file, line, first, cells[at], must)


def _headed(name: str, sheet: Sheet) -> str:
    return f"{name} [{sheet.units[name]}]" if name in sheet.units else name


def _lines_in(text: str) -> int:
    """Count the lines of a text whose last one is ended, as a reader of csv does."""
    return sum(1 for _ in io.StringIO(text, newline=""))


# ---- site.toml -----------------------------------------------------------------------------


def _with_sections(text: str, new: Added) -> tuple[str, Places]:
    """Return `site.toml` with the sections of `added.toml` below, and where those come from."""
    if not new.toml.strip():
        return text, {}
    newline = "\r\n" if "\r\n" in text else "\n"
    body = new.toml.replace("\r\n", "\n").splitlines()
    head = text if text.endswith("\n") else text + newline
    head += f"{newline}{_SAID} {one_line(new.name)}/{ADDED_FILE}{newline}"
    above = len(head.splitlines())
    places = {above + n: Place(True, ADDED_FILE, n) for n in range(1, len(body) + 1)}
    return head + "".join(line + newline for line in body), places
