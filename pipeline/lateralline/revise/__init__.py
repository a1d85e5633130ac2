"""What is added to a site that is there already, and what that changes.

merge       rows of both checked together, and written as the files of a new site
conflicts   what the added rows say that the site says already, or otherwise
folder      the new site on the disk, whole or not at all
compare     old and new lines: what moved, by how much, and whether the old regions held
containment lines and exposures against the old corridor and the old band of levels
verdicts    that in words: findings with what to do
files       the changes as files of an output folder
"""

from __future__ import annotations

from lateralline.revise.changes import SiteChanges
from lateralline.revise.compare import compare
from lateralline.revise.files import plain, write_changes
from lateralline.revise.folder import NewSite, RefusedError, keep_apart, new_site

__all__ = [
    "NewSite",
    "RefusedError",
    "SiteChanges",
    "compare",
    "keep_apart",
    "new_site",
    "plain",
    "write_changes",
]
