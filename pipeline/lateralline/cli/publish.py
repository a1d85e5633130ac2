"""`lateralline publish`: built records into a PostGIS register."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING

import typer

from lateralline.cli.command import CLEAN, NOTHING, WITH_ERRORS, head, json_text
from lateralline.cli.options import AsJson, Connections, DatabaseUrl, Records, WithPrivate
from lateralline.cli.report import print_last_words
from lateralline.wording import counted

if TYPE_CHECKING:
    from lateralline.api.registers import Published


def publish(
    built: Records,
    url: DatabaseUrl,
    connections: Connections = None,
    with_private: WithPrivate = False,
    as_json: AsJson = False,
) -> None:
    """Bring built records into a PostGIS register.

    Each site is a transaction of its own. One that says what the register has already changes
    nothing; another becomes a new version, which holds from the record's valid_from on, and the
    versions before stay. Refused are an older version of a site than the one that holds, another
    CRS than the register's, and a sketch on axes of its own. Passwords come from the environment
    or a file, and are never printed.

    Exit code: 0 all sites are in the register; 1 some were refused; 2 nothing came in.

    \b
    Example:
      lateralline publish out postgresql://crew@db/gis
      lateralline publish out postgresql://crew@db/gis --connections connections
      PGSERVICE=register lateralline publish out out-june postgresql://
    """
    from lateralline.api import registers

    sites = registers.publish(
        built,
        url,
        connections=connections or (),
        with_private=with_private,
        on_site=None if as_json else _print,
    )
    refused = sum(site.outcome == "refused" for site in sites)
    code = CLEAN if not refused else WITH_ERRORS if refused < len(sites) else NOTHING
    if as_json:
        content = {**head("publish", None, code), "sites": [asdict(site) for site in sites]}
        typer.echo(json_text(content))
    else:
        came = sum(site.outcome == "published" for site in sites)
        same = len(sites) - came - refused
        words = (
            f"published {counted(came, 'site')}, {same} as the register has them, {refused} refused"
        )
        print_last_words(words)
    raise typer.Exit(code)


def _print(site: Published) -> None:
    match site.outcome:
        case "published":
            typer.echo(f"{site.site_id}: version {site.version}, {site.rows} rows")
        case "unchanged":
            typer.echo(f"{site.site_id}: as version {site.version} says already")
        case _:
            typer.echo(f"{site.site_id}: refused: {site.reason}", err=True)
