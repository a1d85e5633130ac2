"""Survey point files and map layers as the rows of a site: nobody retypes a point file.

In: text files of points, or layers of any vector file. Out: control, marks, stops and exposures.

text_points, layer_points   a file as points: which column is what, every cell that will not do
columns                     names of columns; the order of the two coordinates, with its evidence
plausibility                fillers among levels; points and levels that lie where no site does
transform                   points in the site's CRS, and by which operation
codes, readings, classify   what a description says: mark, run, stop, counter, depth
gather                      all of it for all files, every fault at once
new_site                    the files of the site

Decided: the order of coordinates is never taken from the evidence without a person's word, because
a file with its coordinates exchanged still looks like a survey. Heights are levels only where file,
format or person say what they count from. A transformation that takes two datums for the same is
refused. A description that is no mark by the mapping, but looks like one, is told and left out.
"""

from lateralline.ingest.points.gather import (
    ImportedPoints,
    ImportTask,
    OrderNotConfirmedError,
    gather,
)

__all__ = ["ImportTask", "ImportedPoints", "OrderNotConfirmedError", "gather"]
