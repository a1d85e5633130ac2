"""`lateralline register`, `publish`, `history`, `diff` and `retract`: a PostGIS register."""

from __future__ import annotations

from dataclasses import asdict
from datetime import date
from math import isfinite
from typing import TYPE_CHECKING, Annotated

import typer

from lateralline.cli.command import CLEAN, NOTHING, WITH_ERRORS, head, json_text
from lateralline.cli.options import (
    AsJson,
    Connections,
    DatabaseUrl,
    Records,
    SiteId,
    WithPrivate,
    argument,
    option,
)
from lateralline.cli.report import print_last_words
from lateralline.cli.terminal import console
from lateralline.cli.update import print_changes
from lateralline.measure import Measure
from lateralline.wording import counted

if TYPE_CHECKING:
    from lateralline.api.registers import Published, SiteVersion


def register(
    url: DatabaseUrl,
    crs: Annotated[
        str | None,
        option("CRS of all coordinates, as EPSG:32617; a new register needs it.", metavar="CODE"),
    ] = None,
    roles: Annotated[
        bool,
        typer.Option(
            "--roles",
            help="Make the groups asbuilt_reader and asbuilt_publisher and give them their rights.",
        ),
    ] = False,
) -> None:
    """Make a PostGIS register, or bring one up to date.

    Whoever runs it owns the register: schema asbuilt, with a table for each layer, views of what
    holds now and functions of what held on a day. Run again after lateralline was updated, it adds
    what the schemas have since gained, and loses nothing. Who publishes needs only
    GRANT asbuilt_publisher TO USER; who reads, GRANT asbuilt_reader TO USER.

    Exit code: 0 done; 2 nothing changed.

    \b
    Example:
      lateralline register postgresql://owner@db/gis --crs EPSG:32617 --roles
    """
    from lateralline.api import registers

    done = registers.prepare(url, crs=crs, roles=roles)
    if done.made:
        typer.echo(f"made the register in EPSG:{done.srid}")
    elif done.changes:
        typer.echo(f"the register in EPSG:{done.srid} gained {', '.join(done.changes)}")
    else:
        typer.echo(f"the register in EPSG:{done.srid} is up to date")


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
        on_site=None if as_json else _print_outcome,
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


def _print_outcome(site: Published) -> None:
    match site.outcome:
        case "published":
            typer.echo(f"{site.site_id}: version {site.version}, {site.rows} rows")
        case "unchanged":
            typer.echo(f"{site.site_id}: as version {site.version} says already")
        case _:
            typer.echo(f"{site.site_id}: refused: {site.reason}", err=True)


def history(site: SiteId, url: DatabaseUrl, as_json: AsJson = False) -> None:
    """Show the versions of a site in a register.

    From and to are the days on which a version holds, as the record says. A version that another
    one corrected from its first day on answers for no day any more; it is told from when until when
    the register answered with it.

    \b
    Example:
      lateralline history QH-022 postgresql://crew@db/gis
    """
    from lateralline.api import registers

    versions = registers.history(url, site)
    if as_json:
        rows = [
            {
                k: v if isinstance(v, int) or v is None else str(v)
                for k, v in (asdict(one) | {"told_until": one.told_until}).items()
            }
            for one in versions
        ]
        content = {**head("history", None, CLEAN), "site_id": site, "versions": rows}
        typer.echo(json_text(content))
        return
    for one in versions:
        typer.echo(_version_words(one))


def _version_words(one: SiteVersion) -> str:
    """Say a version of a site in a line."""
    if one.valid_to is None:
        days = f"from {one.valid_from}, holds"
    elif one.valid_to == one.valid_from:
        ended = "retracted" if one.retracted_at else f"corrected by version {one.followed_by}"
        until = f" until {one.told_until:%Y-%m-%d %H:%M}" if one.told_until else ""
        days = f"from {one.valid_from}; the register answered with it{until}, since {ended} "
        days += "from its first day on"
    else:
        days = f"from {one.valid_from} until {one.valid_to}"
    came = f"published {one.published_at:%Y-%m-%d %H:%M} by {one.published_by}"
    said = f"version {one.version} (record version {one.record_version}) {days}; {came}"
    if one.retracted_at is None:
        return said
    return f"{said}; retracted {one.retracted_at:%Y-%m-%d} by {one.retracted_by}: {one.reason}"


Version = Annotated[int, argument("Number of a version, as `history` lists.", metavar="VERSION")]


def diff(
    site: SiteId, old: Version, new: Version, url: DatabaseUrl, as_json: AsJson = False
) -> None:
    """Show what moved between two versions of a site.

    Both are in a PostGIS register. Of each node that both have: by how much it moved in plan and
    in level, and what share that is of what both ± together allow at 95 %; how sure each line was
    and is; findings come and gone. And of each line how far it lies from where it was along its
    whole length, against both ±. Levels between nodes are judged by `lateralline update`, which has
    the measurements.

    Exit code: 0 nothing moved by more than both versions claim; 1 something did; 2 no such site or
    version.

    \b
    Example:
      lateralline diff QH-022 1 2 postgresql://crew@db/gis
    """
    from lateralline.api import registers
    from lateralline.api.overlays import length

    changes = registers.diff(url, site, old, new)
    code = WITH_ERRORS if changes.beyond else CLEAN
    if as_json:
        content = {**head("diff", None, code), **registers.plain(changes)}
        typer.echo(json_text(content | {"beyond": changes.beyond}))
        raise typer.Exit(code)
    print_changes(console(), changes, f"version {old} to {new}")
    unit = changes.length_unit
    for one in changes.along:
        said = "moved" if one.moved else "no more than chance explains"
        off, at = (f"{length(m, unit)} {unit}" for m in (one.off_m, one.chainage_m))
        was, now = (Measure(unit).off(m) for m in (one.old_95_m, one.new_95_m))
        typer.echo(
            f"line {one.line}, along its whole length: at most {off} aside of "
            f"where it was, at {at}; position ± 95 % there {was} before and {now} now: {said}"
            if isfinite(one.off_m)
            else f"line {one.line}: nothing bounds how far off it may be"
        )
    both = counted(sum(len(line.moved) for line in changes.lines), "node")
    said = "" if changes.levels_compared else " Levels are not compared."
    print_last_words(
        f"Moved by more than both versions claim: {', '.join(changes.beyond)}.{said}"
        if changes.beyond
        else f"Nothing moved by more than both versions claim; {both} in both.{said}"
    )
    raise typer.Exit(code)


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
    typer.echo(f"{site}: {_version_words(registers.retract(url, site, reason, ends))}")
