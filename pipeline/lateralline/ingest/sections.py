"""The settings as written, in TOML or on sheets: each key checked by the schema.

Both become `RawSection`s, which know file, line and cell; `site_of` gives them types and units.
`codes.toml` is read the same way. The TOML parser keeps values and no lines, and stops at the first
sign it cannot place; a fault says how the key on that line is written.
"""

from __future__ import annotations

import re
import tomllib
from collections import Counter, defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from difflib import get_close_matches
from math import nan
from typing import Any, Final, TypeAlias, cast

from lateralline import contract
from lateralline.contract import Column
from lateralline.ingest.cells import (
    UNKNOWN_UNIT,
    Value,
    accept,
    declared_unit,
    hint_for,
    in_decimals,
    is_unknown,
    must_be,
    row_model,
)
from lateralline.ingest.coordinate_system import Axes, read_axes
from lateralline.ingest.intake import SITE_FILE
from lateralline.ingest.ledger import Ledger, nearest
from lateralline.ingest.limits import NESTED, SECTIONS
from lateralline.ingest.rows import IN_THE_PLANE, InputRow, UnitOf, explain
from lateralline.ingest.tables import TextTable
from lateralline.ingest.version_1 import section_of_today
from lateralline.ingest.workbook import (
    SECTION_SHEETS,
    SITE_HEADER,
    SITE_SHEET,
    read_book,
    section_name,
)
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
    asset: Mapping[str, object] = field(
        default_factory=dict
    )  # keys of its own sub-section [.asset]
    asset_lines: Mapping[str, int] = field(default_factory=dict)


#: Every section by name; those that are not repeated stand there once, if only as empty ones.
Sections: TypeAlias = Mapping[str, tuple[RawSection, ...]]


@dataclass(frozen=True, slots=True)
class SiteSettings:
    """What could be read of the settings: whole when no fault was noted."""

    sections: Mapping[str, tuple[InputRow, ...]]
    units: dict[str, str]
    axes: Axes | None
    #: What stands under [run.asset] and [pipe.asset]: a row for each of those sections.
    assets: Mapping[str, tuple[InputRow, ...]] = field(default_factory=dict)

    def one(self, section: str) -> InputRow:
        """Return a section written once; an empty one when it is not there."""
        return self.sections[section][0]

    def written_in(self, section: str) -> str:
        """Return where a repeated section stands, as messages name it."""
        file = self.one("site").file
        own = next(sheet for sheet, name in SECTION_SHEETS.items() if name == section)
        return file if file == SITE_FILE else f"the sheet {own}"

    def metres(self, unit: str) -> float:
        """Return the metres in one of a [units] key; NaN when that is at fault."""
        return METRES_PER.get(self.units.get(unit, ""), nan)

    def metres_of(self, column: Column) -> float:
        """Return the metres in one unit of a column; 1 for coordinates that stay as they are."""
        if column.name == "sigma_h":
            return self.axes.sigma_h_m if self.axes else nan
        if column.name in ("map_x", "map_y"):
            return 1.0
        if column.name in ("x", "y"):
            return 1.0 if self.axes and self.axes.keeps_xy else self.metres("tape")
        return 1.0 if column.unit == "m" else self.metres(column.unit_from)

    def unit_of(self, column: Column) -> str:
        """Return the unit a column is filled in, "" when it differs by row."""
        if column.name in IN_THE_PLANE and self.axes is not None and not self.axes.keeps_xy:
            return self.axes.xy_unit or UNKNOWN_UNIT
        if column.name in ("x", "y"):
            return self.axes.xy_unit if self.axes else ""
        of_spot = column.name == "sigma_v" and not column.unit_from  # in the unit of its z
        if column.name == "z" or of_spot:
            differs = self.axes is not None and self.axes.gnss_z_unit != self.units.get("level")
            return "" if differs else self.units.get("level", UNKNOWN_UNIT)
        return declared_unit(column, self.units)


def read_site_toml(text: str, ledger: Ledger) -> SiteSettings | None:
    """Return what `site.toml` says; None, with a fault, when it is not TOML at all."""
    written = toml_sections(SITE_FILE, text, ledger)
    return None if written is None else site_of(written, ledger)


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
    units: dict[str, str] = {}

    def unit_of(column: Column) -> str:
        return declared_unit(column, units)

    def rows(name: str) -> tuple[InputRow, ...]:
        return tuple(checked("site", name, section, unit_of, ledger) for section in written[name])

    [row] = units_row = rows("units")  # first: the others are read in its units
    units |= {key: row.text(key) for key in unit_keys() if row.text(key)}
    if "pipe" not in units and not row.given("pipe") and "tape" in units:
        units["pipe"] = units["tape"]
    sections = {name: units_row if name == "units" else rows(name) for name in section_names()}
    assets = {
        name: tuple(
            InputRow(one.file, at.get("", 0), cast(Any, one.asset), lines=at)
            for one in written[name]
            for at in [one.asset_lines]
        )
        for name in _WITH_ASSETS
    }
    return SiteSettings(sections, units, read_axes(sections["crs"][0], units, ledger), assets)


def checked(
    table: str, name: str, written: RawSection, unit_of: UnitOf, ledger: Ledger
) -> InputRow:
    """Return one section of a table as a row: known keys typed, the others at fault."""
    columns = {c.name: c for c in contract.load(table).field if c.section == name}
    at, given = written.lines, written.given
    bare = InputRow(written.file, at.get("", 0), {}, lines=at, letters=written.letters)
    free = name in contract.load(table).free
    for key in given:
        if key not in columns and not free:
            must, hint = f"must be a key of [{name}]", _home(table, key) or nearest(key, columns)
            ledger.fault(bare.file, at.get(key, 0), key, "", must, hint, bare.cell_of(key))
    for key in [key for key in columns if key in written.units]:
        claimed, unit = written.units[key], unit_of(columns[key])
        if unit != UNKNOWN_UNIT and symbol(claimed) != symbol(unit):
            must = f"must be in {unit}, as [units] says" if unit else "must name no unit"
            hint = "mend the unit beside it or [units], whichever is wrong"
            bare.fault(ledger, key, f"{must}; {claimed} stands beside it", hint)
    known = {k: v for k, v in given.items() if k in columns and k not in written.bad}
    known = {k: v for k, v in known.items() if not is_unknown(columns[k], v)}
    if free:
        known = {k: v for k, v in known.items() if not isinstance(v, list)}
    good, bad = dict[str, Value](), frozenset[str]()
    if known:  # else no model need be made: most sites say nothing in most sections
        model = row_model(table, name, strict=written.strict)
        good, bad = accept(model, in_decimals(columns.values(), known, unit_of))
    explain(bare, [c for c in columns.values() if c.name in bad], known, unit_of, ledger)
    bad |= written.bad
    if free:  # whoever reads them knows what they may be
        others = {k: v for k, v in given.items() if k not in known and k not in written.bad}
        good |= cast(dict[str, Value], others)
    row = replace(bare, cells=good)
    for c in columns.values():
        if c.required and c.name not in bad and good.get(c.name, "") == "":
            hint = must_be(c, unit_of(c)) if c.values else hint_for(c, "") or c.title
            row.fault(ledger, c.name, f"must be given in {_form(table, name)}", hint)
            bad |= {c.name}
    return replace(row, bad=bad)


def section_names(table: str = "site") -> tuple[str, ...]:
    """Return the names of the sections in declared order."""
    return tuple(dict.fromkeys(c.section for c in contract.load(table).field))


def _form(table: str, name: str) -> str:
    """Return how the heading of a section is written in TOML."""
    return f"[[{name}]]" if name in contract.load(table).repeated else f"[{name}]"


def _home(table: str, key: str) -> str:
    """Name the section a stray key belongs to; "" when it belongs to none."""
    homes = (c.section for c in contract.load(table).field if c.name == key)
    return next((f"{key} stands under [{home}]" for home in homes), "")


def unit_keys() -> tuple[str, ...]:
    """Return the keys of [units] that name a unit of length."""
    columns = contract.load("site").field
    return tuple(c.name for c in columns if c.section == "units" and c.values)


# ---- TOML ----------------------------------------------------------------------------------

#: (section, which of the repeated ones, key) → line; the key "" is the section's heading.
Lines: TypeAlias = dict[tuple[str, int, str], int]

_HEADING = re.compile(r"\s*\[{1,2}\s*\"?([^\]\"]+?)\"?\s*\]")
_TOO_DEEP = f"tables and lists stand in one another more than {NESTED} deep"
#: A key or heading of more parts than that: the reader takes minutes over one of thousands.
_MANY_PARTS = re.compile(rf"^[ \t]*\[*[ \t]*[\w-]+(?:[ \t]*\.[ \t]*[\w-]+){{{NESTED},}}", re.M)
_KEY = re.compile(r"\s*[\"']?([\w-]+)[\"']?\s*=")


def load_toml(text: str) -> dict[str, Any]:
    """Return what a text holds; raises ValueError, in words, for whatever it trips the reader.

    >>> load_toml("a = " + "[" * 50 + "]" * 50)
    Traceback (most recent call last):
        ...
    ValueError: tables and lists stand in one another more than 10 deep
    """
    if _MANY_PARTS.search(text):
        raise ValueError(_TOO_DEEP)
    try:
        data = tomllib.loads(text)
    except RecursionError:
        raise ValueError(_TOO_DEEP) from None
    within: list[object] = [data]
    for _ in range(NESTED):
        within = [v for one in within for v in _members(one)]
        if not within:
            return data
    raise ValueError(_TOO_DEEP)


def _members(value: object) -> list[object]:
    if isinstance(value, dict):
        return list(value.values())
    return value if isinstance(value, list) else []


def toml_sections(
    file: str, text: str, ledger: Ledger, table: str = "site", syntax_hint: str = ""
) -> Sections | None:
    """Return the sections of a TOML text as `table` declares them; None, with a fault, for none.

    `syntax_hint` says how to mend a text that is no TOML; without it the key on its line does.
    """
    try:
        data = load_toml(text)
    except ValueError as e:
        fault_of_toml(file, text, e, ledger, syntax_hint)
        return None
    names, lines = section_names(table), find_lines(text)
    at: defaultdict[tuple[str, int], dict[str, int]] = defaultdict(dict)
    for (name, n, key), line in lines.items():
        at[name, n][key] = line
    for name in data:
        if name not in names:
            close = get_close_matches(name, names, n=1)
            hint = f"did you mean [{close[0]}]?" if close else _home(table, name)
            must, line = "must be a known section", line_of_section(lines, name)
            ledger.fault(file, line, name, "", must, hint or nearest(name, names))
    sections: dict[str, tuple[RawSection, ...]] = {}
    for name in names:
        repeated = name in contract.load(table).repeated
        given = data.get(name, [] if repeated else {})
        several = given if repeated and isinstance(given, list) else [None if repeated else given]
        if not all(isinstance(one, dict) for one in several):
            line = line_of_section(lines, name)
            hint = f"write {_form(table, name)}"
            ledger.fault(file, line, name, "", "must be a section", hint)
            several = [] if repeated else [{}]
        sections[name] = tuple(
            _of_today(table, name, _raw(file, name, n, one, at, table))
            for n, one in enumerate(several)
        )
    return sections


def _raw(
    file: str,
    name: str,
    n: int,
    given: Mapping[str, object],
    at: Mapping[tuple[str, int], Mapping[str, int]],
    table: str,
) -> RawSection:
    """Return one section; what stands under [run.asset] apart from what is the run's own."""
    lines = dict(at.get((name, n), {}))
    asset = given.get("asset")
    if table != "site" or name not in _WITH_ASSETS or not isinstance(asset, dict):
        lines |= {f"types.{key}": line for key, line in at.get((f"{name}.types", n), {}).items()}
        return RawSection(file, given, lines, strict=True)
    own = {key: value for key, value in given.items() if key != "asset"}
    asset_lines = at.get((f"{name}.asset", n), {"": lines.get("asset", lines.get("", 0))})
    return RawSection(file, own, lines, strict=True, asset=asset, asset_lines=asset_lines)


#: Sections that may have a sub-section [.asset].
_WITH_ASSETS: Final = ("pipe", "run")


def _of_today(table: str, name: str, section: RawSection) -> RawSection:
    """Return a section as it is called today; keys stay on their lines."""
    given, renamed = section_of_today(table, name, section.given)
    lines = dict(section.lines)
    lines |= {new: lines[old] for new, old in renamed.items() if old in lines}
    return replace(section, given=given, lines=lines)


def line_of_section(lines: Lines, name: str) -> int:
    """Return the line of a section's heading, or of its key at the top; 0 for neither."""
    return lines.get((name, 0, ""), 0) or lines.get(("", 0, name), 0)


def find_lines(text: str) -> Lines:
    """Return the line of each key written the plain way; keys written otherwise are left out.

    >>> find_lines('[[run]]\\nid = "R1"\\n[[run]]\\nid = "R2"')[("run", 1, "id")]
    4
    """
    lines: Lines = {}
    seen: Counter[str] = Counter()
    section, at = "", 0
    for number, line in enumerate(text.splitlines(), start=1):
        if m := _HEADING.match(line):
            section, at = m[1], seen[m[1]]
            parent, _, inner = section.partition(".")
            if inner and seen[parent]:  # [run.asset] is of the last [[run]]
                at = seen[parent] - 1
            seen[section] += 1
            lines.setdefault((section, at, ""), number)
        elif m := _KEY.match(line):
            lines.setdefault((section, at, m[1]), number)
    return lines


# ---- faults of syntax ---------------------------------------------------------------------

_VALUE: Final = re.compile(r"[^=]*=\s*(.*?)\s*(?:#.*)?$")


def fault_of_toml(
    file: str, text: str, error: Exception, ledger: Ledger, syntax_hint: str = ""
) -> None:
    """Note why a text is no TOML: the key and its value, when the line holds one of `site.toml`."""
    at = re.search(r"line (\d+)", str(error))
    line = int(at[1]) if at else 0
    found = None if syntax_hint else _key_on(text, line)
    if found is None:
        hint = syntax_hint or ("text stands in quotes; see https://toml.io" if at else "")
        ledger.fault(file, line, "file", "", f"must be TOML: {error}", hint)
        return
    column, value = found
    must, hint = _written(column, value)
    ledger.fault(file, line, column.name, value, must, hint)


def _key_on(text: str, line: int) -> tuple[Column, str] | None:
    """Return the key that stands on a line, and what was written behind it; None = no known key."""
    named = ((section, key) for (section, _, key), n in find_lines(text).items() if n == line)
    section, key = next(named, ("", ""))
    columns = (c for c in contract.load("site").field if (c.section, c.name) == (section, key))
    value = _VALUE.match(text.splitlines()[line - 1]) if line else None
    if (column := next(columns, None)) is None or value is None:
        return None
    return column, value[1]


def _written(column: Column, value: str) -> tuple[str, str]:
    """Return what the value must be, and how it would be written."""
    must = must_be(column)
    bare = value.strip("\"'")
    if column.type == "text":
        return f"{must} in quotes", f'write {column.name} = "{bare}"' if bare else ""
    if column.type == "boolean":
        known = bare.casefold() if bare.casefold() in ("true", "false") else ""
        return must, f"write {known}" if known else ""
    if not bare.strip("?- "):
        return must, f"put # before {column.name} when it is not known"
    quoted = value.replace('"', '\\"')
    return must, hint_for(column, bare) or (f'write "{quoted}"' if column.unit_from else "")


# ---- sheets: a row for each key, a table for what repeats ---------------------------------

_NEEDED: Final = SITE_HEADER[:3]


def sheet_sections(
    file: str, sheets: Mapping[str, TextTable | None], ledger: Ledger
) -> Sections | None:
    """Return the settings on the sheets of a workbook; None, with faults, when there are none.

    `sheets` are those of `workbook.SiteWorkbook.site`. Without a sheet of runs there are none, and
    whatever names one is at fault.
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
    once = {name: (section,) for name, section in _keys(site, ledger).items()}
    repeated = {name: sheets.get(name) for name in SECTION_SHEETS.values()}
    return once | {name: table_rows(sheet) if sheet else () for name, sheet in repeated.items()}


def book_value(data: bytes, section: str, key: str) -> str:
    """Return one setting of a book as it stands there; "" when it does not."""
    ledger = Ledger()
    sheet = read_book("", data, ledger).site.get(SITE_SHEET)
    if sheet is None or not set(_NEEDED) <= set(sheet.header):
        return ""
    found = _keys(sheet, ledger).get(section)
    return "" if found is None else str(found.given.get(key, ""))


def _keys(sheet: TextTable, ledger: Ledger) -> dict[str, RawSection]:
    """Return the sections written once, each with the keys that are filled."""
    once = [name for name in section_names() if name not in SECTION_SHEETS.values()]
    found: dict[str, dict[str, tuple[int, dict[str, str]]]] = {name: {} for name in once}
    for line, cells in sheet.rows:
        row = dict(zip(sheet.header, cells, strict=True))
        name, key = section_name(row["section"]), row["key"].casefold()
        if wrong := _wrong(name, key, found):
            column, must, hint = wrong
            sheet.fault(ledger, line, column, row[column], must, hint)
        else:
            found[name][key] = line, row
    return {
        name: RawSection(
            sheet.file,
            {key: row["value"] for key, (_, row) in keys.items() if row["value"]},
            {key: line for key, (line, _) in keys.items()},
            dict.fromkeys(keys, sheet.letters.get("value", "")),
            {
                key: unit
                for key, (_, row) in keys.items()
                if (unit := row.get("unit", "").casefold())
            },
            frozenset(key for key, (line, _) in keys.items() if (line, "value") in sheet.bad),
        )
        for name, keys in found.items()
    }


def _wrong(
    name: str, key: str, found: Mapping[str, Mapping[str, tuple[int, object]]]
) -> tuple[str, str, str] | None:
    """Return the column at fault, what it must be and the way out; None when all is well."""
    if name not in found:
        own = next((sheet for sheet, section in SECTION_SHEETS.items() if section == name), "")
        hint = f"it has a sheet of its own, {own}" if own else nearest(name, list(found))
        return "section", "must be a section of this sheet", hint
    if not key:
        return "key", "must name a key", "empty the whole row when it is not needed"
    if key in found[name]:
        return "key", f"must stand under [{name}] once", f"see row {found[name][key][0]}"
    return None


def table_rows(sheet: TextTable) -> tuple[RawSection, ...]:
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
