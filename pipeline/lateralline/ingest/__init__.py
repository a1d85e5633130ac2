"""Read a site, a folder or a workbook: all parsed, checked, brought to SI, all faults at once."""

from lateralline.ingest.record import read_site
from lateralline.ingest.sections import book_value
from lateralline.ingest.site_files import is_book
from lateralline.ingest.workbook import holds_settings

__all__ = ["book_value", "holds_settings", "is_book", "read_site"]
