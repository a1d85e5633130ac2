"""Survey point files and map layers as the rows of a site: nobody retypes a point file.

In: text files of points, or layers of any vector file. Out: control, marks, stops and exposures.

survey_points               points of one file; which column is what, and which coordinate is first
text_points, layer_points   text files and map layers as points, with every cell that will not do
transform                   points in the site's CRS; levels and places that cannot be
codes, classify             what a description says: mark, run, stop, counter, depth; unknown words
gather                      all of it for all files, every fault at once
new_site                    the files of the site

Decisions, with reasons
-----------------------
A file with its coordinates exchanged still looks like a survey, so the order is evidence for a
person and never a guess: header names, the area of use of the CRS, the distance to points
already known. `x, y` is a hint only, because some survey offices write northing as x. A
separator is what leaves two numbers where coordinates stand; blanks are tried last, as
descriptions hold them. The decimal sign is that of the whole file; `1,234` alone is a fault. A
file's own CRS is used, through the operation PROJ rates best for the place; a ballpark one is
refused, and a published accuracy becomes `gnss_common_m`, since it moves all points together.
GPX dilution figures are no sigmas. Nothing is dropped without a word: every filled column has a
role or is listed, with a warning when its name sounds like levels, names or descriptions. What
stands behind a key is taken whole and read as a cell of the site; a number beside it that would
be left over is a fault, and so is `1.350` in a file of decimal commas. Points that fit no
pattern are listed and left out, but one that begins like a mark of a known run, or is a word
for a mark and nothing but names and numbers, is a fault: a mark lost to a typing error would
not be missed. Levels that are all 0 or fillers are none, with a warning; a filler among levels is a
fault. Heights are what their format says: GeoJSON's are ellipsoidal (RFC 7946), GPX and KML do
not say, so neither becomes a level of a named system unless `--file-vertical` says so. Faults
of rows, cells, descriptions and places come at once, before anyone is asked for an order. The
folder goes through the whole check before it is put in place; only counters and the day may
stay open. `codes_default.toml` is both the default and what `--write-codes` writes, so the two
cannot differ.
"""

from lateralline.ingest.points.gather import (
    ImportedPoints,
    ImportTask,
    OrderNotConfirmedError,
    gather,
)

__all__ = ["ImportTask", "ImportedPoints", "OrderNotConfirmedError", "gather"]
