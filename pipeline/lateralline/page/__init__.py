"""The page: plan, profile and tables of a built site in one HTML file, picked together.

places   → what can be picked and is known of it: stops, nodes, observations, planned works
joined   → where lines meet mains, from the overlay of `connect`
sources  → the columns both drawings share, and what the script knows besides, as JSON
figures  → the frame of a drawing, the symbology in light and in dark, switches
drawings → plan and profile, as bokeh models
document → one HTML document; book → files: one page, or a folder with an index that searches
Needs the extra `page`.

Decisions, with reasons
-----------------------
Two bokeh drawings embedded as JSON; our script adds ticks that are round in the unit chosen,
names that give way to one another, one tip for all that lies under the pointer, and lengths
along the pipe. A content security policy names the hashes of the two scripts and lets nothing
be fetched: markup that slipped through the escaping could still not run. `places.fact_text` and
`units.js` write numbers alike, and a browser test holds them together. One glyph stands for all
states of a sign, and every renderer has its own view, because bokeh repaints no copies and
keeps in a view the rows of one source. Planned works come from the overlay's GeoPackage, which
must be in the record's CRS. Chromium is driven over its DevTools pipe: no port, no package.
"""

from lateralline.page.book import write_page, write_pages

__all__ = ["write_page", "write_pages"]
