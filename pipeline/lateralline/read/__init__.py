"""Read a site, a folder or a workbook: all parsed, checked, brought to SI, all faults at once."""

from lateralline.read.book import holds_settings
from lateralline.read.files import is_book
from lateralline.read.record import read_site
from lateralline.read.site_sheets import book_value

__all__ = ["book_value", "holds_settings", "is_book", "read_site"]
