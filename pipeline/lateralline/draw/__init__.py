"""Drawings on paper and as pictures, from `record.view` and nothing else. Needs the extra `draw`.

paper        → papers, boxes in millimetres, round scales
symbols      → the symbology as matplotlib draws it
canvas       → one page at its true size: axes, rules, words; letters the font has
labels       → the texts of labels, and how each finds a free place
furniture    → scale bar, north arrow, grid, key, caution and title block
plan         → the one plan drawer, and a plan cut along its lines into windows
profile      → the one profile drawer, with the band of figures under it
layout       → which page holds what, to which scale
tables       → tables, and how they run over pages; record_tables → those of a record
photos       → pages of pictures
sheet        → plan, profile, tables and pictures as PDF; the first of them as PNG, SVG or PDF
cards        → tie cards; field_sheet → blank sheets for the field
overlay      → what pictures of overlays share; overlay_plans → hand-dig zones, planned works

Decisions
- How a layer or state looks is declared in `styles.toml`; here only sizes of points are scaled.
- Signs differ by shape, filling and dash first, so that a grey print shows the same.
- The same record gives the same bytes: no date but SOURCE_DATE_EPOCH, fonts that come with
  matplotlib.
- The caution stands on every page, over the whole width.

Decisions, with reasons
-----------------------
Lengths on paper come from geodesics and the height factor, so a file in Web Mercator or degrees
is to scale too. The layout with the largest plan wins, then the fewest pages, then the largest
profile; a plan is cut into sheets rather than drawn smaller than 1:250, unless its zones are
too wide for a cut. Heights are never drawn flatter than they are. Points that tapes are hooked
to are in the plan when they stand within about a third of its size. A pipe without an outside
size has no cover; without levels besides, the profile is of the transmitter and says so. A
text of the title block that is too long for its cell is wrapped and its row made higher.
"""
