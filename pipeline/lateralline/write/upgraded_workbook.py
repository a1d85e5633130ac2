"""A workbook with the names of version 2: cells of its tables changed, all else as it was.

Only the XML of sheets in which something changes is touched, and in it only those cells: styles,
rules, notes, drawings, other sheets and the results of formulas stay. Titles become text written in
the cell itself. What polar rows had in the columns of a baseline moves to columns behind the last.

Elements: ECMA-376, part 1, SpreadsheetML (from memory).
"""

from __future__ import annotations

import io
import re
from typing import Final
from xml.etree import ElementTree as ET
from xml.sax.saxutils import escape
from zipfile import ZipFile, ZipInfo

from openpyxl import load_workbook
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.worksheet import Worksheet

from lateralline.errors import Fault, SiteFaultsError
from lateralline.ingest.tables import column_title, trimmed
from lateralline.ingest.version_1 import POLAR, as_key
from lateralline.ingest.workbook import SECTION_SHEETS, TABLES, as_text
from lateralline.renamed import input_columns, input_values, polar_columns, section_values

_LINKS: Final = "{http://schemas.openxmlformats.org/officeDocument/2006/relationships}id"
_HEADER_WITHIN: Final = 100  # rows: titles and remarks may stand above a table


class _Changes:
    """What changes on one sheet: texts of cells, and cells that move along their row."""

    def __init__(self) -> None:
        """Begin with none."""
        self.texts: dict[str, str] = {}  # address → new text
        self.copies: dict[str, str] = {}  # new address → cell whose style it takes
        self.moves: dict[str, str] = {}  # address → new address

    def __bool__(self) -> bool:
        """Whether anything changes."""
        return bool(self.texts or self.moves)


def upgraded_workbook(file: str, data: bytes) -> bytes | None:
    """Return a workbook with the names of version 2; None when it has them.

    Raises SiteFaultsError when a sheet's table is one of the spreadsheet's own ("format as table"):
    its titles are kept twice.
    """
    book = load_workbook(io.BytesIO(data), data_only=True)
    changed = {
        sheet.title: changes
        for sheet in book.worksheets
        if (name := sheet.title.strip().casefold()) in (*TABLES, *SECTION_SHEETS)
        and (changes := _changes(name, sheet))
    }
    if not changed:
        return None
    formatted = [title for title in changed if book[title].tables]
    if formatted:
        must = "must not be formatted as a table: its titles would be kept twice"
        hint = "convert it to a range, save and upgrade again"
        raise SiteFaultsError(
            file, [Fault(file, 0, f"sheet {title}", "", must, hint) for title in formatted]
        )
    with ZipFile(io.BytesIO(data)) as old:
        parts = _sheet_parts(old)
        new = {parts[title]: changes for title, changes in changed.items()}
        made = io.BytesIO()
        with ZipFile(made, "w") as out:
            for entry in old.infolist():
                content = old.read(entry)
                if entry.filename in new:
                    content = _applied(content.decode("utf-8"), new[entry.filename]).encode()
                kept = ZipInfo(entry.filename, entry.date_time)
                kept.compress_type, kept.external_attr = entry.compress_type, entry.external_attr
                out.writestr(kept, content)
        return made.getvalue()


def _sheet_parts(book: ZipFile) -> dict[str, str]:
    """Return title of a sheet → name of its part of the zip."""
    links = ET.fromstring(book.read("xl/_rels/workbook.xml.rels"))
    targets = {link.get("Id"): link.get("Target", "") for link in links}
    found = {}
    for sheet in ET.fromstring(book.read("xl/workbook.xml")).iter():
        if sheet.tag.endswith("}sheet"):
            target = targets.get(sheet.get(_LINKS), "")
            found[str(sheet.get("name"))] = (
                target.lstrip("/") if target.startswith("/") else f"xl/{target}"
            )
    return found


def _changes(table: str, sheet: Worksheet) -> _Changes:
    """Return what is to be changed on the sheet of an input table."""
    changes = _Changes()
    names: dict[int, str] = {}
    head = 0
    for row in sheet.iter_rows(max_row=min(sheet.max_row, _HEADER_WITHIN)):
        texts = [trimmed(as_text(cell.value)) for cell in row]
        first = next((text for text in texts if text), "")
        if first and not first.startswith("#"):
            head = row[0].row
            names = {n: column_title(text)[0] for n, text in enumerate(texts, start=1) if text}
            break
    columns, polar = input_columns(table), polar_columns(table)
    at = {name: n for n, name in names.items()}
    for name, new in columns.items():
        if name in at:
            title = as_text(sheet.cell(head, at[name]).value)
            changes.texts[f"{get_column_letter(at[name])}{head}"] = retitled(title, name, new)
    there = [old for old in polar if old in at] if "method" in at else []
    compass = [
        line
        for line in range(head + 1, sheet.max_row + 1)
        if there and as_key(as_text(sheet.cell(line, at["method"]).value)) == POLAR
    ]
    if compass:
        free = max(sheet.max_column, *names) + 1
        for n, old in enumerate(there):
            own, new = get_column_letter(at[old]), get_column_letter(free + n)
            title = as_text(sheet.cell(head, at[old]).value)
            changes.texts[f"{new}{head}"] = retitled(title, old, polar[old])
            changes.copies[f"{new}{head}"] = f"{own}{head}"
            for line in compass:
                changes.moves[f"{own}{line}"] = f"{new}{line}"
    section = SECTION_SHEETS.get(table)
    renamed = section_values("site", section) if section else input_values(table)
    for column, names_of in renamed.items():
        values = {as_key(old): new for old, new in names_of.items()}
        for line in range(head + 1, sheet.max_row + 1) if column in at else ():
            new_value = values.get(as_key(as_text(sheet.cell(line, at[column]).value)))
            if new_value is not None:
                changes.texts[f"{get_column_letter(at[column])}{line}"] = new_value
    return changes


def retitled(title: str, name: str, new: str) -> str:
    """Return the title of a column under another name; an angle's unit stands in its name.

    >>> retitled('"Station [ft]"', "station", "base_distance")
    '"base_distance [ft]"'
    >>> retitled("offset (ft)", "offset", "polar_azimuth_deg")
    'polar_azimuth_deg'
    """
    title = re.sub(re.escape(name), new, title, count=1, flags=re.IGNORECASE)
    return re.sub(r"\s*[\[(][^\])]*[\])]", "", title) if new.endswith("_deg") else title


# ---- XML ------------------------------------------------------------------------------------


_ROW: Final = re.compile(r"(<(?:\w+:)?row\b[^>]*?)(/>|>(.*?)</(?:\w+:)?row>)", re.S)
_CELL: Final = re.compile(
    r"<(?P<tag>(?:\w+:)?c)\b(?P<attributes>[^>]*?)(?:/>|>(?P<inner>.*?)</(?P=tag)>)", re.S
)
_FORMULA: Final = re.compile(r"<((?:\w+:)?f)\b[^>]*?(?:/>|>.*?</\1>)", re.S)


def _applied(xml: str, changes: _Changes) -> str:
    """Return the XML of a sheet with its cells changed."""
    xml = re.sub(r"<(?:\w+:)?dimension\b[^>]*/>", "", xml, count=1)  # a hint, no longer true
    rows = {int(re.sub(r"\D", "", address)) for address in (*changes.texts, *changes.moves)}

    def row(m: re.Match[str]) -> str:
        number = re.search(r'\br="(\d+)"', m[1])
        if number is None or int(number[1]) not in rows or m[3] is None:
            return m[0]
        head = re.sub(r'\s+spans="[^"]*"', "", m[1])
        behind: list[str] = []
        styles: dict[str, str] = {}

        def cell(c: re.Match[str]) -> str:
            address = _attribute(c["attributes"], "r")
            styles[address] = _attribute(c["attributes"], "s")
            if address in changes.moves:
                inner = _FORMULA.sub("", c["inner"] or "")  # its result stays
                moved = c["attributes"].replace(f'"{address}"', f'"{changes.moves[address]}"')
                behind.append(f"<{c['tag']}{moved}>{inner}</{c['tag']}>")
                return _empty(c["tag"], address, styles[address])
            if address in changes.texts:
                return _text(c["tag"], address, styles[address], changes.texts[address])
            return c[0]

        inner = _CELL.sub(cell, m[3])
        tag = re.match(r"<((?:\w+:)?)row", m[1])
        prefix = tag[1] if tag else ""
        for address, source in changes.copies.items():
            if int(re.sub(r"\D", "", address)) == int(number[1]):
                text = changes.texts[address]
                behind.append(_text(f"{prefix}c", address, styles.get(source, ""), text))
        return f"{head}>{inner}{''.join(behind)}</{prefix}row>"

    return _ROW.sub(row, xml)


def _attribute(attributes: str, name: str) -> str:
    m = re.search(rf'(?<![\w:]){name}="([^"]*)"', attributes)
    return m[1] if m else ""


def _empty(tag: str, address: str, style: str) -> str:
    own = f' s="{style}"' if style else ""
    return f'<{tag} r="{address}"{own}/>'


def _text(tag: str, address: str, style: str, text: str) -> str:
    own, prefix = f' s="{style}"' if style else "", tag.removesuffix("c")
    inner = f"<{prefix}is><{prefix}t>{escape(text)}</{prefix}t></{prefix}is>"
    return f'<{tag} r="{address}"{own} t="inlineStr">{inner}</{tag}>'
