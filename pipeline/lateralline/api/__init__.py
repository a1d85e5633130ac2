"""What people import, and all that the command line is built on.

    >>> import lateralline
    >>> lateralline.read.__module__
    'lateralline.api.sites'

acceptances  accept a finding in a site's own file
sites       find, read and check field records: `Site`, `Findings`
records     build records, open built ones, learn from them: `Record`
visits      a second visit to a site, and what it moves
documents   sheets, pages, pictures, exports, cards
handovers   records in a register's own names, and a register's lines
overlays    hand-dig zones and clearance to planned works
fieldwork   what a crew starts from, and what every column means
points      survey points into a site
evidence    practice sites and proofs
screens     what a command shows of sites: findings by cause

Each is loaded when it is first asked for: what makes a site to fill in needs no solver.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from lateralline.api.acceptances import accept
    from lateralline.api.handovers import hand_over, plan_handover, read_register
    from lateralline.api.layers import NotARecordError, RecordNotThereError
    from lateralline.api.records import (
        NothingBuiltError,
        Record,
        build,
        build_per_crs,
        load,
        load_all,
    )
    from lateralline.api.sites import Findings, check, find_sites, read
    from lateralline.errors import UnknownSiteError
    from lateralline.findings import Finding
    from lateralline.record import CAUTION
    from lateralline.record.summary import LineSummary, SiteSummary
    from lateralline.revise.upgrade import upgrade
    from lateralline.stages import Site, SiteFailure, SiteResult

#: The names that each module makes.
_HOMES: Final = {
    "api.acceptances": ("accept",),
    "api.handovers": ("hand_over", "plan_handover", "read_register"),
    "api.layers": ("NotARecordError", "RecordNotThereError"),
    "api.records": (
        "NothingBuiltError", "Record", "build", "build_per_crs", "load", "load_all",
    ),
    "api.sites": ("Findings", "check", "find_sites", "read"),
    "errors": ("UnknownSiteError",),
    "findings": ("Finding",),
    "record": ("CAUTION",),
    "record.summary": ("LineSummary", "SiteSummary"),
    "revise.upgrade": ("upgrade",),
    "stages": ("Site", "SiteFailure", "SiteResult"),
}  # fmt: skip

__all__ = [
    "CAUTION",
    "Finding",
    "Findings",
    "LineSummary",
    "NotARecordError",
    "NothingBuiltError",
    "Record",
    "RecordNotThereError",
    "Site",
    "SiteFailure",
    "SiteResult",
    "SiteSummary",
    "UnknownSiteError",
    "accept",
    "build",
    "build_per_crs",
    "check",
    "find_sites",
    "hand_over",
    "load",
    "load_all",
    "plan_handover",
    "read",
    "read_register",
    "upgrade",
]


def __getattr__(name: str) -> object:
    """Load what is asked for; raises AttributeError for what is not there."""
    for home, names in _HOMES.items():
        if name in names:
            made: object = getattr(import_module(f"lateralline.{home}"), name)
            return made
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
