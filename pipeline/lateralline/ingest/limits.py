"""How large the input of one site may be: every limit of reading stands here, with its reason.

A site is a lot, a block or a street, walked by a crew; a city is a batch of sites, and a batch has
no limit. What lies beyond is no field record but a file of another kind, a damaged one, or one made
to fill a machine. It is a fault, with what would be right, before any of it is worked on.
The length of names stands in `lateralline.names`. All limits are common practice, no source.
"""

from __future__ import annotations

from typing import Final

MB: Final = 1_000_000

#: A text table or point file: 20,000 rows of 500 characters.
TEXT_BYTES: Final = 10 * MB
#: A file of settings or codes: 1,000 runs of 400 characters, with room for comments.
TOML_BYTES: Final = MB
#: A map layer or plan. GDAL holds a whole GeoJSON in memory, some ten times its size.
MAP_BYTES: Final = 100 * MB
#: A workbook as it lies on the disk; crews put photographs in.
BOOK_BYTES: Final = 100 * MB
#: The XML in a workbook, unpacked: twenty times what sheets of 20,000 rows need, and half a minute.
BOOK_XML_BYTES: Final = 60 * MB
#: Cells of all sheets of a workbook together; each takes half a kilobyte of memory once opened.
BOOK_CELLS: Final = 500_000

#: InputRows of one table: a crew marks some hundred spots a day.
ROWS: Final = 20_000
#: Lines of one table: those of its rows, with as many blank ones and comments again, and more.
LINES: Final = 100_000
#: Points of one file to import: all that an office has of a town quarter.
POINTS: Final = 50_000
#: Kilometres of a line of a register: it is sampled twice a metre beside a record's lines.
LINE_KM: Final = 200.0
#: Columns of a table; those of ours are fewer than 20, the others become notes.
COLUMNS: Final = 200
#: Characters of one cell, and of a note with the columns kept in it: a page of remarks. A column
#: of texts takes as much for each of its rows as for the longest.
CELL: Final = 2_000
#: Characters of a setting: a CRS written out as WKT has some thousands.
SETTING: Final = 20_000
#: Characters of a line of a point file, and of a field of a map layer that is used.
DESCRIPTION: Final = 500
#: Sections of one kind in site.toml, as [[run]]: a street has some dozens.
SECTIONS: Final = 1_000
#: Stops of all runs of one line, which are adjusted together: some two minutes and two gigabytes;
#: far more than a stop each metre from manhole to manhole.
STOPS_OF_LINE: Final = 1_000
#: Levels of tables within tables in TOML; ours need two.
NESTED: Final = 10
#: Faults that are reported at once: more than a person mends before the next try.
FAULTS: Final = 1_000
#: Known names compared with one that is not known, to find what was meant.
CANDIDATES: Final = 500


def megabytes(size: float) -> str:
    """Return a size in words.

    >>> megabytes(10_000_000), megabytes(35_240_000)
    ('10 MB', '35.2 MB')
    """
    return f"{round(size / MB, 1):g} MB"
