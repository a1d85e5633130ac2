"""The page: plan, profile and tables of a built site in one HTML file, picked together.

places   → what can be picked and is known of it: stops, nodes, observations, planned works
joined   → where lines meet mains, from the overlay of `connect`
signs    → colours in light and in dark, which rule of the symbology draws a row, switches
drawings → plan and profile as bokeh models, made once for all sites; figures → their parts
columns  → a site's numbers for both; payload → all that the script knows of a site, as JSON
document → one HTML document; index → map and search of many; book → files: a page, or a folder
Needs the extra `page`.

Decisions, with reasons
-----------------------
The drawings hold no site: the script fills sources by their names. So bokeh is asked once, a site
costs its own numbers, and pages of one folder share one script and one style sheet, while a page
alone stays one file. Our script adds ticks that are round in the unit chosen, names that give way
to one another, one tip for all that lies under the pointer, and lengths along the pipe. A content
security policy names the hashes of the scripts, or where they lie beside the page a nonce made of
all its text, and lets nothing else be fetched: markup that slipped through the escaping could still
not run. `places.fact_text` and `units.js` write numbers alike, and a browser test holds them
together. One glyph stands for all states of a sign, and every renderer has its own view, because
bokeh repaints no copies and keeps in a view the rows of one source. Planned works come from the
overlay's GeoPackage, which must be in the record's CRS. The index draws its map by itself, on a
canvas, since bokeh would be slow at twenty thousand lines and is not needed. Chromium is driven
over its DevTools pipe: no port, no package.
"""

from lateralline.page.book import write_page, write_pages

__all__ = ["write_page", "write_pages"]
