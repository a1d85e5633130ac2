"""Records in a PostGIS register: made, published to, asked for its history."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from lateralline.errors import RegisterError, extra
from lateralline.record import geopackages_in
from lateralline.record.assets import private_shown
from lateralline.record.connections import connections_by_record
from lateralline.revise import plain

if TYPE_CHECKING:
    from lateralline.register.history import SiteVersion
    from lateralline.register.prepare import Prepared
    from lateralline.register.publish import Published
    from lateralline.register.versions import VersionChanges

__all__ = [
    "Prepared",
    "Published",
    "SiteVersion",
    "diff",
    "history",
    "plain",
    "prepare",
    "publish",
    "retract",
]

_WHAT = "a register"


def prepare(url: str, *, crs: str | None = None, roles: bool = False) -> Prepared:
    """Make a register in a database, or bring one up to the schemas of today.

    `crs`, as "EPSG:32617", is that of all coordinates; None where the register is there. `roles`
    makes the groups asbuilt_reader and asbuilt_publisher and gives them their rights. Raises
    RegisterError, MissingExtraError.
    """
    with extra("postgis", _WHAT):
        from lateralline.register.prepare import prepare as made
    return made(url, None if crs is None else _srid(crs), roles=roles)


def publish(
    records: Iterable[Path | str],
    url: str,
    *,
    connections: Iterable[Path | str] = (),
    with_private: bool = False,
    on_site: Callable[[Published], None] | None = None,
) -> list[Published]:
    """Bring built records into a register, and return what became of each site.

    `records` are folders that build wrote, or their GeoPackages; `connections` what connect wrote
    of some of them. `on_site` gets each site as it comes. Raises RegisterError when nothing can
    come in, NotARecordError, NoConnectionsError, UnreadableError, MissingExtraError.
    """
    with extra("postgis", _WHAT):
        from lateralline.register.publish import publish as published
    from lateralline.api.records import load

    found = [load(one).asbuilt for given in records for one in geopackages_in(Path(given))]
    mains = connections_by_record(found, map(Path, connections))
    with private_shown(with_private):
        return [site for one in found for site in published(one, url, on_site, mains.get(one))]


def history(url: str, site: str) -> list[SiteVersion]:
    """Return the versions of a site in a register, first to last.

    Raises UnknownSiteError, RegisterError, MissingExtraError.
    """
    with extra("postgis", _WHAT):
        from lateralline.register.history import history as found
    return found(url, site)


def diff(url: str, site: str, old: int, new: int) -> VersionChanges:
    """Return what moved between two versions of a site in a register, old to new.

    Raises as `history`.
    """
    with extra("postgis", _WHAT):
        from lateralline.register.versions import diff as changes
    return changes(url, site, old, new)


def retract(url: str, site: str, reason: str, day: date | None = None) -> SiteVersion:
    """Let the version of a site that holds now hold no more, and return it.

    `day` is the first on which it holds no more; None for today. Raises as `history`.
    """
    with extra("postgis", _WHAT):
        from lateralline.register.history import retract as ended
    return ended(url, site, reason, day)


def _srid(crs: str) -> int:
    authority, _, code = crs.strip().partition(":")
    if authority.upper() != "EPSG" or not code.isdigit():
        raise RegisterError(f"the CRS of a register is a code such as EPSG:32617; got {crs!r}")
    return int(code)
