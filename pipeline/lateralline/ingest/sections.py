"""The site's settings as written, in `site.toml` or on sheets: each key checked by the schema.

Both become `RawSection`s, which know file, line and cell; `site_of` gives them types and units.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from difflib import get_close_matches
from math import nan
from typing import Final, TypeAlias, cast

from lateralline import contract
from lateralline.contract import Column
from lateralline.ingest.cells import (
    UNKNOWN_UNIT,
    Value,
    accept,
    hint_for,
    in_decimals,
    must_be,
    row_model,
)
from lateralline.ingest.coordinate_system import Axes, read_axes
from lateralline.ingest.ledger import Ledger, nearest
from lateralline.ingest.limits import SECTIONS
from lateralline.ingest.rows import InputRow, explain
from lateralline.ingest.site_files import SECTION_SHEETS, SITE_FILE
from lateralline.ingest.tables import TextTable
from lateralline.ingest.toml_text import Lines, by_section, fault_of_toml, find_lines, load_toml
from lateralline.ingest.workbook import SITE_HEADER, SITE_SHEET, read_book, section_name
from lateralline.units import METRES_PER, symbol


@dataclass(frozen=True, slots=True)
class RawSection:
    """One section as it stands in a file or on a sheet, before its values mean anything."""

    file: str
    given: Mapping[str, object] = field(default_factory=dict)
    lines: Mapping[str, int] = field(default_factory=dict)  # of keys; "" = of the section
    letters: Mapping[str, str] = field(default_factory=dict)  # of keys, on a sheet
    units: Mapping[str, str] = field(default_factory=dict)  # claimed beside keys
    bad: frozenset[str] = frozenset()  # keys whose cells are at fault already
    strict: bool = False  # TOML keeps numbers and text apart; sheets do not


#: Every section by name; those that are not repeated stand there once, if only as empty ones.
Sections: TypeAlias = Mapping[str, tuple[RawSection, ...]]


@dataclass(frozen=True, slots=True)
class SiteSettings:
    """What could be read of the settings: whole when no fault was noted."""

    sections: Mapping[str, tuple[InputRow, ...]]
    units: dict[str, str]
    axes: Axes | None

    def one(self, section: str) -> InputRow:
        """Return a section written once; an empty one when it is not there."""
        return self.sections[section][0]

    def written_in(self, section: str) -> str:
        """Return where a repeated section is told, as messages name it."""
        file = self.one("site").file
        own = next(sheet for sheet, held in SECTION_SHEETS.items() if held == section)
        return file if file == SITE_FILE else f"the sheet {own}"

    def metres(self, unit: str) -> float:
        """Return the metres in one of a [units] key; NaN when that is at fault."""
        return METRES_PER.get(self.units.get(unit, ""), nan)

    def unit_of(self, column: Column) -> str:
        """Return the unit a column is filled in, "" when it differs by row."""
        if column.name in ("x", "y"):
            return self.axes.xy_unit if self.axes else ""
        if column.name == "z" and self.axes and self.axes.gnss_z_unit != self.units.get("level"):
            return ""
        return _unit_of(column, self.units)


def read_site_toml(text: str, ledger: Ledger) -> SiteSettings | None:
    """Return what `site.toml` says; None, with a fault, when it is not TOML at all."""
    written = toml_sections(SITE_FILE, text, ledger)
    return None if written is None else site_of(written, ledger)


def toml_sections(file: str, text: str, ledger: Ledger) -> Sections | None:
    """Return the sections of a text like `site.toml`; None, with a fault, when it is no TOML."""
    try:
        data = load_toml(text)
    except ValueError as e:
        fault_of_toml(file, text, e, ledger)
        return None
    table = contract.load("site")
    lines = find_lines(text)
    for name in data:
        if name not in section_names():
            line = lines.get((name, 0, ""), 0) or lines.get(("", 0, name), 0)
            must = "must be a known section"
            ledger.fault(file, line, name, "", must, heading(name))
    return {
        name: _sections(file, name, data.get(name), name in table.repeated, lines, ledger)
        for name in section_names()
    }


def site_of(written: Sections, ledger: Ledger) -> SiteSettings:
    """Return what the sections say, with a fault for every key that will not do.

    Raises SiteFaultsError when one stands there more often than the limit: nothing is worked on
    then.
    """
    for name, several in written.items():
        if len(several) > SECTIONS:
            first = several[SECTIONS]
            must, hint = f"must stand there at most {SECTIONS} times", "split the site"
            ledger.fault(first.file, first.lines.get("", 0), name, "", must, hint)
            ledger.raise_faults(first.file)
    [units_row] = [_section("units", w, {}, ledger) for w in written["units"]]
    units = {key: units_row.text(key) for key in unit_keys() if units_row.text(key)}
    if "pipe" not in units and not units_row.given("pipe") and "tape" in units:
        units["pipe"] = units["tape"]
    sections = {
        name: (units_row,)
        if name == "units"
        else tuple(_section(name, w, units, ledger) for w in written[name])
        for name in section_names()
    }
    return SiteSettings(sections, units, read_axes(sections["crs"][0], units, ledger))


def _sections(
    file: str, name: str, given: object, repeated: bool, lines: Lines, ledger: Ledger
) -> tuple[RawSection, ...]:
    """Return the section, or sections, of one name; always one when it is not repeated."""
    form = f"[[{name}]]" if repeated else f"[{name}]"
    right = isinstance(given, list if repeated else dict)
    if given is not None and not right:
        line = lines.get((name, 0, ""), 0) or lines.get(("", 0, name), 0)
        ledger.fault(file, line, name, "", "must be a section", f"write {form}")
    elif repeated and any(not isinstance(g, dict) for g in cast("list[object]", given or [])):
        ledger.fault(file, 0, name, "", "must hold keys with values", f"write {form}")
        right = False
    many = cast("list[object]", given or []) if repeated else [given]
    if not right:
        many = [] if repeated else [None]
    at = by_section(lines)
    return tuple(
        RawSection(file, _mapping(g), at.get((name, n), {}), strict=True)
        for n, g in enumerate(many)
    )


def _section(name: str, written: RawSection, units: Mapping[str, str], ledger: Ledger) -> InputRow:
    """Return one section as a InputRow: known keys typed, the others at fault."""
    columns = {c.name: c for c in contract.load("site").field if c.section == name}
    at, given = written.lines, written.given

    def unit_of(column: Column) -> str:
        return _unit_of(column, units)

    def row(cells: Mapping[str, Value], bad: frozenset[str] = frozenset()) -> InputRow:
        return InputRow(written.file, at.get("", 0), cells, bad, at, written.letters)

    bare = row({})
    for key in given:
        if key not in columns:
            must = f"must be a key of [{name}]"
            hint = _home(key) or nearest(key, columns)
            ledger.fault(bare.file, at.get(key, 0), key, "", must, hint, bare.cell_of(key))
    for key in written.units.keys() & columns.keys():
        claimed, unit = written.units[key], unit_of(columns[key])
        if unit != UNKNOWN_UNIT and symbol(claimed) != symbol(unit):
            must = f"must be in {unit}, as [units] says" if unit else "must name no unit"
            hint = "mend the unit beside it or [units], whichever is wrong"
            bare.fault(ledger, key, f"{must}; {claimed} stands beside it", hint)
    known = {k: v for k, v in given.items() if k in columns and k not in written.bad}
    strict = row_model("site", name, strict=written.strict)
    good, bad = accept(strict, in_decimals(columns.values(), known, unit_of))
    explain(row(good, bad), [columns[b] for b in bad], known, unit_of, ledger)
    bad |= written.bad
    for c in columns.values():
        empty = good.get(c.name) == ""
        if c.required and c.name not in bad and (c.name not in known or empty):
            form = f"[[{name}]]" if name in contract.load("site").repeated else f"[{name}]"
            must = f"must be given in {form}"
            hint = must_be(c, unit_of(c)) if c.values else hint_for(c, "") or c.title
            row(good).fault(ledger, c.name, must, hint)
            bad |= {c.name}
    return row(good, bad)


def _unit_of(column: Column, units: Mapping[str, str]) -> str:
    """Return the unit a column is filled in; UNKNOWN_UNIT when [units] should tell and does not."""
    return column.unit or (column.unit_from and units.get(column.unit_from, UNKNOWN_UNIT))


def _mapping(given: object) -> Mapping[str, object]:
    return given if isinstance(given, dict) else {}


def section_names() -> tuple[str, ...]:
    """Return the names of the sections in declared order."""
    return tuple(dict.fromkeys(c.section for c in contract.load("site").field))


def heading(name: str) -> str:
    """Name the nearest section, or the section a stray key belongs to."""
    known = section_names()
    if close := get_close_matches(name, known, n=1):
        return f"did you mean [{close[0]}]?"
    return _home(name) or nearest(name, known)


def _home(key: str) -> str:
    """Name the section a stray key belongs to; "" when it belongs to none."""
    homes = (c.section for c in contract.load("site").field if c.name == key)
    return next((f"{key} stands under [{home}]" for home in homes), "")


def unit_keys() -> tuple[str, ...]:
    """Return the keys of [units] that name a unit of length."""
    columns = contract.load("site").field
    return tuple(c.name for c in columns if c.section == "units" and c.values)


# ---- sheets: a row for each key, a table for what repeats ---------------------------------

_NEEDED: Final = SITE_HEADER[:3]


def sheet_sections(
    file: str, sheets: Mapping[str, TextTable | None], ledger: Ledger
) -> Sections | None:
    """Return the settings on the sheets of a workbook; None, with faults, when there are none.

    `sheets` are those of `workbook.Book.site`. Without a sheet of runs there are none, and whatever
    names one is at fault.
    """
    site = sheets.get(SITE_SHEET)
    if SITE_SHEET not in sheets:
        must, hint = "must be in the workbook: the settings of the site", "`new --xlsx` makes one"
        ledger.fault(file, 0, f"sheet {SITE_SHEET}", "", must, hint)
    if site is None or any(sheet is None for sheet in sheets.values()):
        return None
    if missing := [name for name in _NEEDED if name not in site.header]:
        must = f"must name the columns {', '.join(_NEEDED)}; missing: {', '.join(missing)}"
        ledger.fault(site.file, site.header_line, "header", "", must)
        return None
    written: dict[str, tuple[RawSection, ...]] = {
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

    def written(self) -> RawSection:
        letters = dict.fromkeys(self.lines, self.letter)
        bad = frozenset(self.bad)
        return RawSection(self.file, self.given, self.lines, letters, self.units, bad)


def _keys(sheet: TextTable, ledger: Ledger) -> dict[str, _Section]:
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


def _rows(sheet: TextTable) -> tuple[RawSection, ...]:
    """Return the rows of what may repeat: every row a section."""
    return tuple(
        RawSection(
            sheet.file,
            {name: text for name, text in zip(sheet.header, cells, strict=True) if name and text},
            dict.fromkeys(("", *sheet.header), line),
            sheet.letters,
            sheet.units,
            frozenset(name for at, name in sheet.bad if at == line),
        )
        for line, cells in sheet.rows
    )
