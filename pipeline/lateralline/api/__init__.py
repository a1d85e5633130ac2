"""What people import, and all that the command line is built on.

    >>> import lateralline
    >>> lateralline.read.__module__
    'lateralline.api.sites'

acceptances  accept a finding in a site's own file
sites       find, read and check field records: `Site`, `Findings`
records     build records, open built ones: `Record`
visits      a second visit to a site, and what it moves
documents   sheets, pages, pictures, exports, cards
handovers   records in a register's own names, and a register's lines
overlays    hand-dig zones and clearance to planned works
learning    accuracies learned from built records
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
    from lateralline.api.records import (
        NotARecordError,
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

#: Where each name is made.
_HOMES: Final = {
    "CAUTION": "record",
    "Finding": "findings",
    "Findings": "api.sites",
    "LineSummary": "record.summary",
    "NotARecordError": "api.records",
    "NothingBuiltError": "api.records",
    "Record": "api.records",
    "Site": "stages",
    "SiteFailure": "stages",
    "SiteResult": "stages",
    "SiteSummary": "record.summary",
    "UnknownSiteError": "errors",
    "accept": "api.acceptances",
    "build": "api.records",
    "build_per_crs": "api.records",
    "check": "api.sites",
    "find_sites": "api.sites",
    "hand_over": "api.handovers",
    "load": "api.records",
    "load_all": "api.records",
    "plan_handover": "api.handovers",
    "read": "api.sites",
    "read_register": "api.handovers",
    "upgrade": "revise.upgrade",
}

__all__ = [
    "CAUTION",
    "Finding",
    "Findings",
    "LineSummary",
    "NotARecordError",
    "NothingBuiltError",
    "Record",
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
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    made: object = getattr(import_module(f"lateralline.{_HOMES[name]}"), name)
    return made
