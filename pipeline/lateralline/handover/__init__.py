"""Handing a record over in a register's own names, and reading the register's lines by them.

profile   what may stand in a mapping profile: layers, columns, codes, units, domains
loaded    profiles that come with lateralline, and files; `checked` is what no record could have
mapped    a record as a register has it; `columns` one column of it
losses    what does not come through, or comes changed
formats   what a file format does to names, types and places; `files` writes and reads back
register  the lines of a register, read by the profile that also writes them
schema    JSON Schemas of a profile's file and of what is written by it

Decisions, with reasons
-----------------------
One profile serves both directions, so that what a town hands in and what it gets cannot part: a
column is turned round by its own codes and unit. `factor` is for writing alone, because a σ that is
written as 95 % comes back as 95 %, which `reads` says.

What the register requires and the record has not, or what lies outside a domain, is a fault: all
are told, and nothing is written. What the record has and the register has no place for is told, in
the dry run and in HANDOVER.md beside the files, ± and source first; nothing is dropped unsaid.

± are rounded up to the decimals of the register, other figures to the nearest; how far off that is
stands among what is lost. Every layer with a place has the caution as a column: features are copied
singly, and a shapefile or CSV has no other place for it. A profile whose width would cut it, or
that leaves it out, is refused.

A shift of datum is refused here: what it may be off by belongs into every ±, area and band, and
`build --crs` puts it there. A projection on one datum is exact, and done here. GeoJSON is WGS 84.

A code nobody mapped is nothing known when a register is read, and told; kinds of sewers of others
are not guessed at. Ids that are missing or there twice are faults: nothing could be matched.
"""

from lateralline.handover.loaded import LoadedProfile, load_profile, profile_text, shipped
from lateralline.handover.profile import Profile
from lateralline.handover.register import read_register

__all__ = [
    "LoadedProfile",
    "Profile",
    "load_profile",
    "profile_text",
    "read_register",
    "shipped",
]
