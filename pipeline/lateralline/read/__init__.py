"""Read a site folder: every file parsed, checked and brought to SI, all faults at once."""

from lateralline.read.record import read_site

__all__ = ["read_site"]
