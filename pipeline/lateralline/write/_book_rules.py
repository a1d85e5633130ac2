"""Drop-downs and limits of a book's cells, from what the schema says of a column."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from openpyxl.worksheet.datavalidation import DataValidation
from openpyxl.worksheet.worksheet import Worksheet

from lateralline.contract import Column
from lateralline.ingest.cells import LARGEST, must_be
from lateralline.units import PER_FOOT

#: Down to here cells have drop-downs and limits; more rows are read all the same.
LAST_ROW: Final = 1000

#: Columns that name something told on another sheet: which sheet, and its column there.
_TOLD_IN: Final[Mapping[str, str]] = {
    "run": "runs!$A$2:$A$1000",
    "line": "pipes!$A$2:$A$1000",
    "joins": "pipes!$A$2:$A$1000",
    "base_from": "control!$A$2:$A$1000",
    "base_to": "control!$A$2:$A$1000",
}
_LONGEST: Final = 255  # signs in a message of a spreadsheet


def add_rule(sheet: Worksheet, column: Column, cells: str, units: Mapping[str, str]) -> None:
    """Give cells the column's drop-down or limit, if it has one.

    What the schema refuses is refused; a name not told yet on its own sheet is only asked about,
    since sheets may be filled in any order.
    """
    unit = units.get(column.unit_from, "") or column.unit
    rule = _rule(sheet, column, cells.partition(":")[0], unit)
    if rule is None:
        return
    rule.allow_blank = True
    rule.showErrorMessage = True
    rule.errorTitle = column.name[:32]
    rule.error = rule.error or f"{column.name} {must_be(column, unit)}."[:_LONGEST]
    if column.values:
        rule.showInputMessage = True
        rule.promptTitle = column.title[:32]
        rule.prompt = "\n".join(f"{v.value}: {v.description}" for v in column.values)[:_LONGEST]
    rule.add(cells)
    sheet.add_data_validation(rule)


def _rule(sheet: Worksheet, column: Column, first: str, unit: str) -> DataValidation | None:
    told_in = _TOLD_IN.get(column.name, "")
    if column.values:
        return DataValidation("list", formula1=f'"{",".join(column.enum)}"')
    if told_in and told_in.partition("!")[0] != sheet.title:
        asked = f"No such name on the sheet {told_in.partition('!')[0]} yet. Keep it?"
        return DataValidation("list", formula1=told_in, errorStyle="warning", error=asked)
    match column.type:
        case "boolean":
            return DataValidation("list", formula1='"true,false"')
        case "date":
            return DataValidation("date", operator="greaterThan", formula1="36526")  # from 2000 on
        case "integer":
            low, high = column.minimum or 0, column.maximum or LARGEST
            return DataValidation("whole", formula1=f"{low:.0f}", formula2=f"{high:.0f}")
        case "real":
            return DataValidation("custom", formula1=_number(column, first, unit))
    return None


def _number(column: Column, cell: str, unit: str) -> str:
    """Return the formula of a number within limits, or of text where feet and inches may stand."""
    limits = [
        f"{cell}{sign}{limit:.15g}"
        for sign, limit in ((">=", column.minimum), (">", column.above), ("<=", column.maximum))
        if limit is not None
    ]
    number = f"AND({','.join([f'ISNUMBER({cell})', *limits])})"
    feet = column.unit_from and unit in PER_FOOT
    return f"OR(ISTEXT({cell}),{number})" if feet else number
