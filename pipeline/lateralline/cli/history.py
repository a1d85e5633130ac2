"""`lateralline history`: which versions of a site a register holds."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING

import typer

from lateralline.cli.command import CLEAN, head, json_text
from lateralline.cli.options import AsJson, DatabaseUrl, SiteId

if TYPE_CHECKING:
    from lateralline.api.registers import SiteVersion


def history(site: SiteId, url: DatabaseUrl, as_json: AsJson = False) -> None:
    """Show the versions of a site in a register.

    From and to are the days on which a version holds, as the record says; a version that another
    one corrected from its first day on never held.

    \b
    Example:
      lateralline history QH-022 postgresql://crew@db/gis
    """
    from lateralline.api import registers

    versions = registers.history(url, site)
    if as_json:
        rows = [
            {k: v if isinstance(v, int) or v is None else str(v) for k, v in asdict(one).items()}
            for one in versions
        ]
        content = {**head("history", None, CLEAN), "site_id": site, "versions": rows}
        typer.echo(json_text(content))
        return
    for one in versions:
        typer.echo(words(one))


def words(one: SiteVersion) -> str:
    """Say a version of a site in a line."""
    if one.valid_to is None:
        days = f"from {one.valid_from}, holds"
    elif one.valid_to == one.valid_from:
        days = f"from {one.valid_from}, never held"
    else:
        days = f"from {one.valid_from} until {one.valid_to}"
    came = f"published {one.published_at:%Y-%m-%d %H:%M} by {one.published_by}"
    said = f"version {one.version} (record version {one.record_version}) {days}; {came}"
    if one.retracted_at is None:
        return said
    return f"{said}; retracted {one.retracted_at:%Y-%m-%d} by {one.retracted_by}: {one.reason}"
