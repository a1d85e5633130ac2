"""`lateralline register`: a PostGIS register made, or brought up to date."""

from __future__ import annotations

from typing import Annotated

import typer

from lateralline.cli.options import DatabaseUrl, option


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
