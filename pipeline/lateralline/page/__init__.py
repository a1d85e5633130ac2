"""The page: plan, profile and tables of a built site that speak to one another, in one HTML file.

facts    → numbers with ± 95 % and unit, as Python writes them and the page's script again
places   → what can be picked: stops, nodes, observations, and where each finding points
works    → planned works near the pipe, as `lateralline clearance` found them
sources  → the columns both drawings share; payload → what the script knows besides, as JSON
figures  → the frame of a drawing, and the symbology in light and in dark
plan, profile → the two drawings, as bokeh models; legend → their switches, and the opening view
document → one HTML document; book → files: one page, or a folder with an index that searches
Needs the extra `page`.
"""

from lateralline.page.book import write_page, write_pages

__all__ = ["write_page", "write_pages"]
