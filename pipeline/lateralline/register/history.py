"""Versions of a site in a register: which there are, and taking back the one that holds."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy import Connection, text

from lateralline.errors import RegisterError, UnknownSiteError
from lateralline.register.declare import SCHEMA, VERSION, VERSIONS
from lateralline.register.prepare import refuse_unprepared
from lateralline.register.publish import end_at
from lateralline.register.server import connected, driver, lock


@dataclass(frozen=True, slots=True)
class SiteVersion:
    """One version of a site's record in a register."""

    version: int
    record_version: int  # as the record itself counts
    valid_from: date
    valid_to: date | None  # None while it holds; valid_from for one taken back from its first day
    published_at: datetime
    published_by: str
    lateralline: str
    retracted_at: datetime | None
    retracted_by: str | None
    reason: str | None
    followed_at: datetime | None = None  # when the version after it came in
    followed_by: int | None = None  # that version

    @property
    def told_until(self) -> datetime | None:
        """Until when the register answered with it; None while it does."""
        ends = (self.followed_at, self.retracted_at)
        return None if self.holds else min((end for end in ends if end), default=None)

    @property
    def holds(self) -> bool:
        """Whether no other version and no retraction ended it."""
        return self.valid_to is None


def history(url: str, site: str) -> list[SiteVersion]:
    """Return the versions of a site, first to last.

    Raises UnknownSiteError for a site the register never held, RegisterError.
    """
    with connected(url) as connection:
        refuse_unprepared(connection)
        return versions_of(connection, site)


def versions_of(connection: Connection, site: str) -> list[SiteVersion]:
    """Return the versions of a site, first to last; raises UnknownSiteError when there is none."""
    rows = connection.execute(
        text(f"SELECT {VERSION}, record_version, valid_from, valid_to, published_at, published_by, "
             "lateralline, retracted_at, retracted_by, reason, "
             f"lead(published_at) OVER w, lead({VERSION}) OVER w "
             f"FROM {SCHEMA}.{VERSIONS} WHERE site_id = :site "
             f"WINDOW w AS (ORDER BY {VERSION}) ORDER BY {VERSION}"),
        {"site": site},
    ).all()  # fmt: skip
    if not rows:
        raise UnknownSiteError(f"the register never held a site {site!r}")
    return [SiteVersion(*row) for row in rows]


def retract(url: str, site: str, reason: str, day: date | None = None) -> SiteVersion:
    """Let the version of a site that holds now hold no more, and return it.

    It stays in the history with the reason and who gave it; `day` is the first on which it holds
    no more, today by the server's clock when None. Raises RegisterError when none holds or the
    reason is empty, UnknownSiteError.
    """
    if not reason.strip():
        raise RegisterError("a retraction needs a reason: who reads the history must know why")
    with connected(url) as connection:
        refuse_unprepared(connection)
        lock(connection, f"site {site}")
        held = [one for one in versions_of(connection, site) if one.holds]
        if not held:
            raise RegisterError(f"no version of {site} holds now: there is nothing to retract")
        today = connection.execute(text("SELECT current_date")).scalar_one()
        end_at(driver(connection), site, day or today)
        connection.execute(
            text(f"UPDATE {SCHEMA}.{VERSIONS} SET retracted_at = now(), "
                 "retracted_by = session_user, reason = :reason "
                 f"WHERE site_id = :site AND {VERSION} = :version"),
            {"site": site, "version": held[0].version, "reason": reason.strip()},
        )  # fmt: skip
        (ended,) = (v for v in versions_of(connection, site) if v.version == held[0].version)
        connection.commit()
    return ended
