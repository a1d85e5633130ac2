"""A plain plan and profile of one built site, as PNG, SVG or PDF. Needs the extra `draw`."""

from lateralline.write.picture.draw import SUFFIXES, draw_picture

__all__ = ["SUFFIXES", "draw_picture"]
