"""`lateralline import-points`: survey point files and map layers into a site folder."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated

import typer

from lateralline.cli.options import Layer, Replace, argument, grouped, option


@dataclass(frozen=True, slots=True)
class PointOptions:
    """How files of points are to be understood; "" where not given."""

    order: Annotated[
        str,
        option(
            "Coordinates of text files: pnezd (northing first) or penzd (easting first).",
            metavar="ORDER",
        ),
    ] = ""
    yes: Annotated[
        bool,
        typer.Option("--yes", help="Take the order that was found, where the evidence is clear."),
    ] = False
    x: Annotated[str, option("Column of easting or longitude.", metavar="FIELD")] = ""
    y: Annotated[str, option("Column of northing or latitude.", metavar="FIELD")] = ""
    z: Annotated[str, option("Column of levels.", metavar="FIELD")] = ""
    code: Annotated[str, option("Column of descriptions.", metavar="FIELD")] = ""
    name: Annotated[str, option("Column of point names.", "--point", metavar="FIELD")] = ""
    sigma_h: Annotated[str, option("Column of 1 sigma in plan.", metavar="FIELD")] = ""
    sigma_v: Annotated[str, option("Column of 1 sigma of levels.", metavar="FIELD")] = ""
    layer: Layer = ""
    crs: Annotated[
        str,
        option(
            "Horizontal CRS of the site, and of files that name none, as EPSG:3734; "
            "else that of the first file that names one.",
            metavar="CRS",
        ),
    ] = ""
    file_crs: Annotated[
        str, option("CRS of files that name none, where it is not the site's.", metavar="CRS")
    ] = ""
    vertical: Annotated[
        str,
        option(
            "Vertical CRS, as EPSG:5703; ellipsoidal; else none: a site zero.",
            metavar="CRS",
        ),
    ] = ""
    file_vertical: Annotated[
        str,
        option(
            "What levels count from in files that do not say: a vertical CRS, or ellipsoidal; "
            "else as the site's. GPX and KML never say; GeoJSON says ellipsoidal.",
            metavar="CRS",
        ),
    ] = ""
    z_unit: Annotated[
        str, option("Unit of levels: m, ft or us-ft; else that of the CRS.", metavar="UNIT")
    ] = ""


@dataclass(frozen=True, slots=True)
class SiteOptions:
    """What no point can tell of a site; "" or None where not given."""

    units: Annotated[
        str, option("What the counter and depths read in: m, cm, ft, us-ft or in.", metavar="UNIT")
    ] = ""
    site_id: Annotated[str, option("Id of the site; else the folder's name.", "--id")] = ""
    site_name: Annotated[str, option("What people call the site; else its id.", "--name")] = ""
    surveyed: Annotated[str, option("Day of the survey, as 2026-05-06.", metavar="DAY")] = ""
    runs: Annotated[
        list[str] | None,
        option(
            "What no point can tell of a run, as R1:L1:CO1:with; once for each. LAG: camera "
            "face to transmitter; RIDE: transmitter above the invert, both in --units.",
            "--run",
            metavar="RUN:LINE:ENTRY:FLOW[:LAG[:RIDE]]",
        ),
    ] = None
    site: Annotated[
        Path | None,
        option(
            "A site.toml to use in place of --crs, --vertical, --units, --id, --run …",
            metavar="FILE",
            exists=True,
            dir_okay=False,
        ),
    ] = None


@dataclass(frozen=True, slots=True)
class ImportRequest:
    """One call of `import-points`."""

    files: tuple[Path, ...]
    out: Path | None = None
    points: PointOptions = field(default_factory=PointOptions)
    about: SiteOptions = field(default_factory=SiteOptions)
    codes: Path | None = None
    stops: Path | None = None
    prefix: bool = False
    dry_run: bool = False
    replace: bool = False


@grouped
def import_points(
    files: Annotated[
        list[Path] | None,
        argument(
            "Text files of points, or vector files that GDAL opens.",
            metavar="FILE...",
            exists=True,
            dir_okay=False,
        ),
    ] = None,
    out: Annotated[
        Path | None, option("Site folder to write.", "--out", "-o", metavar="SITE")
    ] = None,
    *,
    points: PointOptions,
    about: SiteOptions,
    codes: Annotated[
        Path | None,
        option(
            "What descriptions mean; else as --write-codes writes it.",
            metavar="FILE",
            exists=True,
            dir_okay=False,
        ),
    ] = None,
    write_codes: Annotated[
        Path | None, option("Write the default of --codes, and stop.", metavar="FILE")
    ] = None,
    stops: Annotated[
        Path | None,
        option(
            "A stops.csv: run, stop, counter, depth_reading.",
            metavar="FILE",
            exists=True,
            dir_okay=False,
        ),
    ] = None,
    prefix: Annotated[
        bool, typer.Option("--prefix", help="Put each file's name before its points' names.")
    ] = False,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Show what each point becomes; write nothing.")
    ] = False,
    replace: Replace = False,
) -> None:
    """Make a site folder from surveyed points.

    Reads point, northing, easting, level, description in text files, in either order of the
    coordinates, and any vector file: GeoPackage, GeoJSON, Shapefile, GPX, FlatGeobuf, KML, CSV.
    The order of coordinates is found, shown and never taken without a word from you. Descriptions
    such as "R1 3 EN c=12.40 d=1.35" say run, stop and kind of a mark, and readings of its stop.

    Exit code: 0 written, and its check found no errors; 1 written, with error findings or with
    cells still to fill in; 2 nothing written.

    \b
    Example:
      lateralline import-points day1.txt day2.txt --dry-run --crs EPSG:3734 --order pnezd
      lateralline import-points day1.txt -o sites/EX-001 --crs EPSG:3734 --order pnezd \\
        --units us-ft --surveyed 2026-05-06 --run R1:L1:CO1:with:1.15:0.10
      lateralline import-points marks.gpkg --layer marks -o sites/EX-002 --site site.toml
      lateralline import-points --write-codes codes.toml
    """
    from lateralline.cli import importing

    if write_codes is not None:
        importing.write_default_codes(write_codes, replace=replace)
        return
    points = dataclasses.replace(points, order=points.order.casefold())
    request = ImportRequest(
        tuple(files or ()), out, points, about, codes, stops, prefix, dry_run, replace
    )
    raise typer.Exit(importing.run(request))
