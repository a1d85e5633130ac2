"""What people import, and all that the command line is built on.

    >>> import lateralline
    >>> lateralline.read.__module__
    'lateralline.api.sites'

sites       find, read and check field records: `Site`, `Findings`
records     build records and open built ones: `Record`
"""

from __future__ import annotations

from lateralline.api.records import NotARecordError, NothingBuiltError, Record, build, load
from lateralline.api.sites import Findings, check, find_sites, read
from lateralline.errors import UnknownSiteError
from lateralline.findings import Finding
from lateralline.record.summary import CAUTION, LineSummary, SiteSummary
from lateralline.stages import Site, SiteFailure, SiteResult

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
    "build",
    "check",
    "find_sites",
    "load",
    "read",
]
