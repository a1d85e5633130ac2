"""The page: plan, profile and tables of a built site that speak to one another, in one HTML file.

facts    → numbers with ± 95 % and unit, as Python writes them and the page's script again
works    → planned works near the pipe, as `lateralline clearance` found them
places   → what can be picked: stops, nodes, observations, and where each finding points
profile  → ground, top, crown and invert with its 95 % band, over chainage
figures  → the two drawings, as bokeh models
paint    → every colour, in light and in dark
document → one HTML document; index → the page that searches many; book → files
Needs the extra `page`.
"""

from lateralline.write.page.book import write_page, write_pages

__all__ = ["write_page", "write_pages"]
