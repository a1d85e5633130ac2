"""The sheet to hand over: plan and profile to true scales with tables, as PDF. Extra `draw`."""

from lateralline.write.sheet.draw import SheetOptions, draw_sheet, draw_sheets
from lateralline.write.sheet.paper import PAPERS, Scale, SheetError, parse_scale

__all__ = [
    "PAPERS",
    "Scale",
    "SheetError",
    "SheetOptions",
    "draw_sheet",
    "draw_sheets",
    "parse_scale",
]
