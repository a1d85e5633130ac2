"""`lateralline build`: field records in, an output folder of open layers out."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from lateralline.cli.options import AsJson, Quiet, Replace, Sites, option
from lateralline.cli.report import Outcome, find_sites, print_outcome, reported


def build(
    sites: Sites,
    out: Annotated[Path, option("Folder to write.", "--out", "-o", metavar="OUT")],
    crs: Annotated[
        str | None,
        option(
            "Coordinate reference system of the GeoPackage, as EPSG:32617; "
            "else that of the first site.",
            metavar="CRS",
        ),
    ] = None,
    replace: Replace = False,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Turn field records into GIS layers.

    OUT gets asbuilt.gpkg, geojson/ with the same layers, a data dictionary and manifest.json. It
    is written whole or not at all. A site that fails is reported, and the others are built. A
    sketch on axes of its own needs an OUT of its own beside sites on the map.

    Exit code: 0 built, no error findings (warnings may be there); 1 built, with error findings or
    without some of the sites; 2 nothing built.

    \b
    Example:
      lateralline build sites/EX-001 -o out
      lateralline build sites -o city --crs EPSG:32617 --replace
    """
    from lateralline import api

    sources, outcome = find_sites(sites), Outcome()
    with reported(sources, outcome, quiet=quiet, as_json=as_json) as on_site:
        try:
            api.build(sources, out, crs=crs, replace=replace, on_site=on_site)
        except api.NothingBuiltError:
            written = None  # each site has said why
        else:
            written = out
    code = outcome.exit_code
    message = outcome.counted("built", f" into {out}") + (
        "." if written else ": nothing was written."
    )
    print_outcome(
        outcome, "build", message, quiet=quiet, as_json=as_json, exit_code=code, out=written
    )
    raise typer.Exit(code)
