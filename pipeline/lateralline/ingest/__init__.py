"""One way in: what a crew wrote, as rows that know file, line and column, checked by the schemas.

In: a site folder, a workbook, what is added to a site, point files, map layers, plans. Out: a
`FieldRecord` in SI; or every fault of every file at once, and nothing else.

intake, limits              the one door for files, and how large input may be
ledger                      faults and findings, noted as they are met
tables                      text files and sheets as rows of text cells
conventions                 names of columns and decimal signs as the trade writes them
version_1                   names of version 1 of the schemas, as those of today
workbook, worksheets        sheets as tables; dates, errors, merged and hidden cells
map_layers                  layers of vector files as features
cells, rows                 cells by the schemas: types, units, what would be right
sections                    settings, from TOML or from sheets
coordinate_system           what section [crs] means
photos                      pictures: what each shows, by row or by its name; where they lie
sketches                    taped sketches, and what sets one onto a map
learned                     the file of accuracies that `calibrate` wrote
assets                      what the owner's register says: keys of the user's own, typed
bulk                        tables of many sites, as a source of each one's rows
remote                      sites behind a URL, brought here while they are read
site_input                  which files are a site's, and what stands in them
checks                      rows checked against one another, and how spots were measured
record                      the checks in their order, and the record in SI
points                      points of other programs as the rows of a site

Decided:
* A table is read alike by every door (`tables`, `conventions`): comma, semicolon or tab; UTF-8,
  UTF-16 with its mark, else Windows-1252 or Latin-1; comments; names of the trade. How it was
  read, where that is not as plain comma-separated UTF-8, is a note of the record.
* A decimal comma is taken in files separated by semicolons or tabs, when all numbers have it.
  Where both signs occur the rarer is at fault; 1,234 alone is at fault: nobody guesses a
  thousandfold depth. In comma-separated files `3,2` stays a fault that says to write 3.2: every
  such comma is one that may have parted a cell.
* Names that mean something else elsewhere are not taken: a pitch is a tilt here and a fall there.
* Settings are TOML and so UTF-8.
* All faults at once, each with file, row, column, value and what to write; they are capped
  (`limits.FAULTS`), because looking on takes time and helps nobody.

Decisions, with reasons
-----------------------
Units of tape, level, depth and counter must be given: a default nobody sees costs a factor of 3.3.
`pipe` (inside diameter, wall, ride height) defaults to the tape unit. A column near a missing one's
name, or called as the trade calls it (`depth`, `RL`, `Elev.`), is a fault (a misspelt
`depth_reding` would lose every reading); any other extra column is kept as a note. So is a sheet of
another name with the columns of one the book lacks; a copy beside the real one is a warning. A row
longer than its header is a fault even when the surplus is empty: behind a decimal comma a shifted
row reads as another place. `transmitter_lag` and `ride_height` not given are 0 with a warning. An
exposure's counter refers to the camera face, unless it was measured to the transmitter.
"""

from lateralline.ingest.bulk import bulk_of, bulk_sites, bulk_state, is_bulk
from lateralline.ingest.intake import is_book
from lateralline.ingest.record import read_register, read_site, setting_of
from lateralline.ingest.workbook import holds_settings

__all__ = [
    "bulk_of",
    "bulk_sites",
    "bulk_state",
    "holds_settings",
    "is_book",
    "is_bulk",
    "read_register",
    "read_site",
    "setting_of",
]
