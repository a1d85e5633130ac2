"""A blank sheet to take into the field, as PDF: the columns of the contract, to be keyed in."""

from lateralline.write.field_sheet.draw import draw_field_sheet
from lateralline.write.field_sheet.pages import PAPERS, Blank, field_sheet_pages

__all__ = ["PAPERS", "Blank", "draw_field_sheet", "field_sheet_pages"]
