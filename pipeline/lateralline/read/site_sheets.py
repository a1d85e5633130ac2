"""The site's settings from the sheets of a book: a row for each key, a table for what repeats."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

from lateralline.read.book import SITE_HEADER, SITE_SHEET, read_book, section_name
from lateralline.read.files import SECTION_SHEETS
from lateralline.read.ledger import Ledger, nearest
from lateralline.read.sections import Site, Written, section_names, site_of
from lateralline.read.sheets import Sheet

_NEEDED: Final = SITE_HEADER[:3]


def site_of_sheets(file: str, sheets: Mapping[str, Sheet | None], ledger: Ledger) -> Site | None:
    """Return what the settings of a book say; None, with faults, when they cannot be read.

    `sheets` are those of `book.Book.site`. Without a sheet of runs there are none, and whatever
    names one is at fault.
    """
    written = _written(file, sheets, ledger)
    return site_of(written, ledger) if written else None


def written_sections(
    file: str, sheets: Mapping[str, Sheet | None], ledger: Ledger
) -> dict[str, list[Mapping[str, object]]]:
    """Return the settings of a book as they stand there, by section; empty, with faults, if not."""
    written = _written(file, sheets, ledger)
    return {name: [w.given for w in sections if w.given] for name, sections in written.items()}


def _written(
    file: str, sheets: Mapping[str, Sheet | None], ledger: Ledger
) -> dict[str, tuple[Written, ...]]:
    site = sheets.get(SITE_SHEET)
    if SITE_SHEET not in sheets:
        must, hint = "must be in the workbook: the settings of the site", "`new --xlsx` makes one"
        ledger.fault(file, 0, f"sheet {SITE_SHEET}", "", must, hint)
    if site is None or any(sheet is None for sheet in sheets.values()):
        return {}
    if missing := [name for name in _NEEDED if name not in site.header]:
        must = f"must name the columns {', '.join(_NEEDED)}; missing: {', '.join(missing)}"
        ledger.fault(site.file, site.header_line, "header", "", must)
        return {}
    written: dict[str, tuple[Written, ...]] = {
        name: (section.written(),) for name, section in _keys(site, ledger).items()
    }
    for name in SECTION_SHEETS.values():
        sheet = sheets.get(name)
        written[name] = () if sheet is None else _rows(sheet)
    return written


def book_value(data: bytes, section: str, key: str) -> str:
    """Return one setting of a book as it stands there; "" when it does not."""
    ledger = Ledger()
    sheet = read_book("", data, ledger).site.get(SITE_SHEET)
    if sheet is None or not set(_NEEDED) <= set(sheet.header):
        return ""
    found = _keys(sheet, ledger).get(section)
    return "" if found is None else str(found.given.get(key, ""))


@dataclass(slots=True)
class _Section:
    """One section as its rows are met."""

    file: str
    letter: str  # of the column of values
    given: dict[str, object] = field(default_factory=dict)
    lines: dict[str, int] = field(default_factory=dict)
    units: dict[str, str] = field(default_factory=dict)
    bad: set[str] = field(default_factory=set)

    def written(self) -> Written:
        letters = dict.fromkeys(self.lines, self.letter)
        bad = frozenset(self.bad)
        return Written(self.file, self.given, self.lines, letters, self.units, bad)


def _keys(sheet: Sheet, ledger: Ledger) -> dict[str, _Section]:
    """Return the sections written once, each with the keys that are filled."""
    once = [name for name in section_names() if name not in SECTION_SHEETS.values()]
    sections = {name: _Section(sheet.file, sheet.letters.get("value", "")) for name in once}
    for line, cells in sheet.rows:
        row = dict(zip(sheet.header, cells, strict=True))
        name, key = section_name(row["section"]), row["key"].casefold()
        section = sections.get(name)
        if wrong := _wrong(name, key, section, once):
            column, must, hint = wrong
            cell = f"{sheet.letters.get(column, '')}{line}"
            ledger.fault(sheet.file, line, column, row[column], must, hint, cell)
        elif section is not None:
            section.lines[key] = line
            if row["value"]:
                section.given[key] = row["value"]
            if unit := row.get("unit", "").casefold():
                section.units[key] = unit
            if (line, "value") in sheet.bad:
                section.bad.add(key)
    return sections


def _wrong(
    name: str, key: str, section: _Section | None, once: list[str]
) -> tuple[str, str, str] | None:
    """Return the column at fault, what it must be and the way out; None when all is well."""
    if section is None:
        own = next((sheet for sheet, held in SECTION_SHEETS.items() if held == name), "")
        hint = f"it has a sheet of its own, {own}" if own else ""
        return "section", "must be a section of this sheet", hint or nearest(name, once)
    if not key:
        return "key", "must name a key", "empty the whole row when it is not needed"
    if key in section.lines:
        return "key", f"must stand under [{name}] once", f"see row {section.lines[key]}"
    return None


def _rows(sheet: Sheet) -> tuple[Written, ...]:
    """Return the rows of what may repeat: every row a section."""
    return tuple(
        Written(
            sheet.file,
            {name: text for name, text in zip(sheet.header, cells, strict=True) if name and text},
            dict.fromkeys(("", *sheet.header), line),
            sheet.letters,
            sheet.units,
            frozenset(name for at, name in sheet.bad if at == line),
        )
        for line, cells in sheet.rows
    )
