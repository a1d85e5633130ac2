"""What is added to a site that is there already, and what that changes.

visit       its day, who and with what, in the new site; the next version of the record
added       what is added, and what of it the site says already, or otherwise
merge       rows of both checked together, and written as the files of a new site
compare     old and new lines: what moved, by how much
containment lines and exposures against the old corridor and the old band of levels
changes     the changes, and what follows: findings with what to do
files       the changes as files of an output folder
upgrade     the files of a site of version 1 of the schemas, with the names of today

Decisions, with reasons
-----------------------
What is added is in the site's units and CRS; `added.toml` may hold only `[visit]`,
`[[run]]`, `[[branch]]`, `[[pipe]]`. The day of the visit is written to added runs and exposures
without one, never to rows of the site; a stop added to a run of the site has that run's day.
Added rows go below the site's own, so its lines keep their numbers and every fault of the merged
site is reported by file, row and cell of what was added. Both records
are compared in the old site frame: what is added moves the new frame's origin. Beyond the old
ends, and between located points where the new shape is undecided, nothing is judged. Outside
the old corridor or level band by more than the new line's own 95 % interval is an error
(withdraw overlays); by less is a warning (reissue). New exposures are judged as measured,
before any adjustment, since the adjustment may outvote them. Where the new record has errors on
a line, or on one that joins it, which of the two records is wrong is not judged: a base set up
on the wrong point looks just like an old line in the wrong place. What moved is a GeoPackage too,
a line from the old place to the new: an arrow can be drawn and filtered where a pair of points
cannot. It is in plan, since levels of both records need not count from one datum.
"""

from __future__ import annotations

from lateralline.revise.changes import SiteChanges
from lateralline.revise.compare import compare
from lateralline.revise.files import plain, write_changes, write_layers
from lateralline.revise.merge import NewSite, RefusedError, keep_apart, new_site

__all__ = [
    "NewSite",
    "RefusedError",
    "SiteChanges",
    "compare",
    "keep_apart",
    "new_site",
    "plain",
    "write_changes",
    "write_layers",
]
