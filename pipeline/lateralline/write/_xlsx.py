"""Workbooks as they are saved: equal content gives equal bytes, and no cell is a formula."""

from __future__ import annotations

import io
import re
from typing import Final
from zipfile import ZIP_DEFLATED, ZipFile, ZipInfo

from openpyxl import Workbook

from lateralline.csv_file import guarded

_CORE: Final = "docProps/core.xml"
_TIMES: Final = re.compile(rb"<dcterms:(created|modified)\b[^>]*>[^<]*</dcterms:\1>")
_EARLIEST: Final = (1980, 1, 1, 0, 0, 0)  # the first day a zip archive can name


def steady_bytes(book: Workbook) -> bytes:
    """Return a workbook as it is saved, less the clock.

    Nothing written here is a formula: what begins like one is text, and stays text when it is
    edited (the spreadsheets' own mark for a cell typed behind an apostrophe).
    """
    for cell in (cell for sheet in book.worksheets for row in sheet.iter_rows() for cell in row):
        if isinstance(cell.value, str):
            cell.data_type = "s"  # neither a formula nor an error such as #N/A
            cell.quotePrefix = guarded(cell.value) != cell.value
    saved, steady = io.BytesIO(), io.BytesIO()
    book.properties.creator = "lateralline"
    book.save(saved)
    with ZipFile(saved) as old, ZipFile(steady, "w", ZIP_DEFLATED) as new:
        for name in old.namelist():
            data = old.read(name)
            if name == _CORE:
                data = _TIMES.sub(b"", data)
            entry = ZipInfo(name, _EARLIEST)
            entry.compress_type = ZIP_DEFLATED
            new.writestr(entry, data)
    return steady.getvalue()
