"""`lateralline build`: field records in, an output folder of open layers out."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from lateralline.cli.command import INTERRUPTED
from lateralline.cli.options import (
    Also,
    AsJson,
    Full,
    Quiet,
    Replace,
    ReportFile,
    Sites,
    Terms,
    Workers,
    areas_asked,
    formats_asked,
    option,
)
from lateralline.cli.report import Manner, Outcome, find_sites, print_outcome, reported
from lateralline.cli.terminal import interruptible

if TYPE_CHECKING:
    from lateralline.api import SiteFailure, SiteResult


def build(
    sites: Sites,
    out: Annotated[Path, option("Folder to write.", "--out", "-o", metavar="OUT")],
    crs: Annotated[
        str | None,
        option(
            "Coordinate reference system of the GeoPackage, as EPSG:32617; "
            "else the one most sites share, of those the most sites can be brought to.",
            metavar="CRS",
        ),
    ] = None,
    per_crs: Annotated[
        bool,
        option(
            "Write a record for each CRS into a folder of OUT, so that no site is shifted.",
            "--per-crs",
        ),
    ] = False,
    also: Also = None,
    areas: Annotated[
        str,
        option(
            "Divide geoparquet by area: the size of squares, as 1000m, or a column, as parcel. "
            "A square is called by its corner in metres, whatever unit x and y are in.",
            metavar="SIZE|COLUMN",
        ),
    ] = "",
    workers: Workers = None,
    cache: Annotated[
        Path | None,
        option(
            "Folder that keeps the result of each site, so that unchanged ones need not be built "
            "again; it may be removed at any time.",
            metavar="DIR",
        ),
    ] = None,
    cluster: Annotated[
        str,
        option(
            "Address of a dask.distributed scheduler, as tcp://HOST:8786, whose workers see the "
            "same disk; they build the sites, and OUT is written here.",
            metavar="ADDRESS",
        ),
    ] = "",
    replace: Replace = False,
    full: Full = False,
    terms: Terms = None,
    report: ReportFile = None,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Turn field records into GIS layers.

    OUT gets asbuilt.gpkg, geojson/ with the same layers, a data dictionary and manifest.json; with
    --also geoparquet/ and flatgeobuf/ too, in the CRS of the GeoPackage, and in the GeoPackage a
    project of QGIS with the layers in groups, styled. With --areas each layer of geoparquet/ is a
    folder with a file for each area, as area=E690500m_N270500m: its south-west corner in metres,
    whatever unit x and y are in. With --also photos the photos of sites are
    copied as handed in, with all that cameras write into files: place, time, perhaps a name; small
    copies without that are in every record. It is written whole or not at all. A site
    that fails is reported, and the others are built. A sketch on axes of its own needs an OUT of
    its own beside sites on the map, or --per-crs. The ids of nodes and segments are kept in ids.csv
    beside each site's files.

    Exit code: 0 built, no error findings (warnings may be there); 1 built, with error findings or
    without some of the sites; 2 nothing built; 130 interrupted: of many sites, those built so far
    are kept beside OUT, and the same command goes on from there.

    \b
    Example:
      lateralline build sites/EX-001 -o out
      lateralline build sites -o city --crs EPSG:32617 --replace
      lateralline build sites -o city-per-crs --per-crs
      lateralline build sites -o city-lake --also geoparquet,flatgeobuf
      lateralline build sites -o city-areas --also geoparquet --areas 1000m
    """
    from lateralline import api

    if per_crs and crs is not None:
        raise typer.BadParameter("does not go with --crs: say which one", param_hint="--per-crs")
    if cache is not None and cache.resolve().is_relative_to(out.resolve()):
        raise typer.BadParameter(f"must lie outside of {out}", param_hint="--cache")
    if cluster and workers is not None:
        raise typer.BadParameter("has workers of its own", param_hint="--cluster")
    formats = formats_asked(also)
    divided = areas_asked(areas, formats)
    sources, outcome = find_sites(sites), Outcome()
    records: list[api.Record] = []
    unbuilt: list[str] = []
    manner = Manner(quiet, as_json, full, report, replace, terms)
    with interruptible() as ask, reported(sources, outcome, manner) as take:

        def on_site(result: SiteResult | SiteFailure) -> None:
            ask()
            take(result)

        try:
            if per_crs:
                made = api.build_per_crs(
                    sources, out, also=formats, replace=replace, on_site=on_site, workers=workers,
                    cache=cache, cluster=cluster, areas=divided,
                )  # fmt: skip
                records += made.values()
                where = f" into {', '.join(str(out / name) for name in made)}"
                unbuilt = [f"{name} ({len(failed)})" for name, failed in made.missing.items()]
            else:
                made_one = api.build(
                    sources, out, crs=crs, also=formats, replace=replace, on_site=on_site,
                    workers=workers, cache=cache, cluster=cluster, areas=divided,
                )  # fmt: skip
                records.append(made_one)
                where = f" into {out}"
            written: Path | None = out
        except api.NothingBuiltError:
            written, where = None, ""  # each site has been reported
        except KeyboardInterrupt as e:
            typer.echo(_interrupted(out, kept=cache is not None), err=True)
            raise typer.Exit(INTERRUPTED) from e
    code = outcome.exit_code
    message = outcome.counted("built", where) + ("." if written else ": nothing was written.")
    if written and unbuilt:
        message += f"\nNo record of {', '.join(unbuilt)}: none of those sites could be built, and "
        message += "no other record names them."
    for file, why in (item for record in records for item in record.unkept.items()):
        message += f"\n{file} could not be written ({why}): ids may differ in the next build."
    print_outcome(outcome, "build", message, manner, exit_code=code, out=written)
    raise typer.Exit(code)


def _interrupted(out: Path, *, kept: bool) -> str:
    from lateralline.api.records import goes_on

    said = f"lateralline: interrupted: nothing was written into {out}"
    if kept or goes_on(out):
        return f"{said}. The sites built so far are kept: the same command goes on from there."
    return f"{said}."
