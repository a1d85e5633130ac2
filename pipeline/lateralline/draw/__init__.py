"""Drawings on paper and as pictures, from `record.view` and nothing else. Needs the extra `draw`.

paper        → papers, boxes in millimetres, round scales
canvas       → one page at its true size: axes, rules, words; letters the font has
symbols      → the symbology as matplotlib draws it
labels       → labels that find a free place; captions → what they say
plan         → the one plan drawer; windows → a plan cut along its lines
furniture    → scale bar, north arrow, grid
profile      → the one profile drawer, with the band of figures under it
layout       → which page holds what, to which scale
legend, title_block, tables, sections → what stands beside the drawings
sheet        → plan, profile and tables as PDF; picture → the first of them as PNG, SVG or PDF
cards        → tie cards; field_sheet… → blank sheets for the field
overlay…     → pictures of planned works and of dig zones

Decisions
- How a layer or state looks is declared in `styles.toml`; here only sizes of points are scaled.
- Signs are told apart by shape, filling and dash first, so that a grey print says the same.
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
size has no cover; without levels besides, the profile is of the transmitter and says so. Every
sign differs in shape or filling and every edge in dashes, so grey prints say the same.
"""
