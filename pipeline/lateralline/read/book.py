"""Workbooks in place of csv files: sheets of the same names, brought to the same text cells."""

from __future__ import annotations

import io
import warnings
from datetime import date, datetime, time

from openpyxl import load_workbook

from lateralline.read.ledger import Ledger
from lateralline.read.sheets import Sheet, tidy


def book_sheets(
    file: str, data: bytes, names: tuple[str, ...], ledger: Ledger
) -> dict[str, Sheet | None]:
    """Return the sheets of a workbook that bear one of `names`; others are left alone.

    A sheet that cannot be used is None, with its faults noted.
    """
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # styling a reader of cells need not know
            values = load_workbook(io.BytesIO(data), data_only=True)
            formulas = load_workbook(io.BytesIO(data), data_only=False)
    except Exception as e:  # a damaged workbook raises whatever zip, XML or openpyxl trip over
        ledger.fault(file, 0, "file", type(e).__name__, "must be a readable .xlsx workbook")
        return {}
    sheets: dict[str, Sheet | None] = {}
    for sheet in values.worksheets:
        name = sheet.title.strip().casefold()
        if name not in names:
            continue
        where = f"{file}[{name}]"
        if name in sheets:
            ledger.fault(where, 0, "sheet", sheet.title, "must stand in the workbook once")
            continue
        records: list[tuple[int, list[str]]] = []
        for cells in sheet.iter_rows():
            texts: list[str] = []
            for cell in cells:
                kind = formulas[sheet.title][cell.coordinate].data_type
                if cell.data_type == "e":
                    ledger.fault(where, cell.row, cell.coordinate, cell.value, "must be a value")
                elif cell.value is None and kind == "f":
                    hint = "open it in a spreadsheet program and save it again"
                    must = "must be a value; it is a formula without a stored result"
                    ledger.fault(where, cell.row, cell.coordinate, "", must, hint)
                texts.append(as_text(cell.value))
            if cells:
                records.append((cells[0].row, texts))
        sheets[name] = tidy(where, records, ledger)
    return sheets


def as_text(value: object) -> str:
    """Return a workbook cell as it would stand in a csv file.

    >>> as_text(3.0), as_text(2.5), as_text(None), as_text("CO1")
    ('3', '2.5', '', 'CO1')
    """
    match value:
        case None:
            return ""
        case bool():
            return str(value).lower()
        case float() if value.is_integer():
            return str(int(value))
        case datetime() | date() | time():
            return value.isoformat()
        case _:
            return str(value)
