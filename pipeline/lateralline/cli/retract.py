"""`lateralline retract`: the version of a site that a register holds, taken back."""

from __future__ import annotations

from datetime import date
from typing import Annotated

import typer

from lateralline.cli.history import words
from lateralline.cli.options import DatabaseUrl, SiteId, option


def retract(
    site: SiteId,
    url: DatabaseUrl,
    reason: Annotated[str, option("Why; it stands in the history.", metavar="TEXT")],
    day: Annotated[
        str | None,
        option("First day on which it holds no more, as 2026-06-13; else today.", metavar="DATE"),
    ] = None,
) -> None:
    """Take back the version of a site that holds.

    It stays in the history of the PostGIS register, with the reason and who gave it; nothing is
    deleted. The next record
    that is published of the site holds again, whichever version it is.

    Exit code: 0 retracted; 2 nothing changed.

    \b
    Example:
      lateralline retract QH-022 postgresql://crew@db/gis --reason "base on the wrong point"
    """
    from lateralline.api import registers

    try:
        ends = None if day is None else date.fromisoformat(day)
    except ValueError as e:
        raise typer.BadParameter(
            f"must be a day such as 2026-06-13; got {day!r}", param_hint="--day"
        ) from e
    typer.echo(f"{site}: {words(registers.retract(url, site, reason, ends))}")
