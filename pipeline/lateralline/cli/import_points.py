"""`lateralline import-points`: survey point files and map layers into a site folder."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated

import typer

from lateralline.cli.options import Replace, grouped


@dataclass(frozen=True, slots=True)
class PointOptions:
    """How files of points are to be understood; "" where not said."""

    order: Annotated[
        str,
        typer.Option(
            metavar="ORDER",
            help="Coordinates of text files: pnezd (northing first) or penzd (easting first).",
            show_default=False,
        ),
    ] = ""
    yes: Annotated[
        bool,
        typer.Option("--yes", help="Take the order that was found, where the evidence is clear."),
    ] = False
    x: Annotated[
        str,
        typer.Option(metavar="FIELD", help="Column of easting or longitude.", show_default=False),
    ] = ""
    y: Annotated[
        str,
        typer.Option(metavar="FIELD", help="Column of northing or latitude.", show_default=False),
    ] = ""
    z: Annotated[
        str, typer.Option(metavar="FIELD", help="Column of levels.", show_default=False)
    ] = ""
    code: Annotated[
        str, typer.Option(metavar="FIELD", help="Column of descriptions.", show_default=False)
    ] = ""
    name: Annotated[
        str, typer.Option(metavar="FIELD", help="Column of point names.", show_default=False)
    ] = ""
    sigma_h: Annotated[
        str, typer.Option(metavar="FIELD", help="Column of 1 sigma in plan.", show_default=False)
    ] = ""
    sigma_v: Annotated[
        str, typer.Option(metavar="FIELD", help="Column of 1 sigma of levels.", show_default=False)
    ] = ""
    layer: Annotated[
        str,
        typer.Option(metavar="NAME", help="Layer, where a file has several.", show_default=False),
    ] = ""
    crs: Annotated[
        str,
        typer.Option(
            metavar="CRS",
            help="Horizontal CRS of the site, and of files that name none, as EPSG:3734; "
            "else that of the first file that names one.",
            show_default=False,
        ),
    ] = ""
    file_crs: Annotated[
        str,
        typer.Option(
            metavar="CRS",
            help="CRS of files that name none, where it is not the site's.",
            show_default=False,
        ),
    ] = ""
    vertical: Annotated[
        str,
        typer.Option(
            metavar="CRS",
            help="Vertical CRS, as EPSG:5703; ellipsoidal; else none: relative levels.",
            show_default=False,
        ),
    ] = ""
    file_vertical: Annotated[
        str,
        typer.Option(
            metavar="CRS",
            help="What levels count from in files that do not say: a vertical CRS, or ellipsoidal; "
            "else as the site's. GPX and KML never say; GeoJSON says ellipsoidal.",
            show_default=False,
        ),
    ] = ""
    z_unit: Annotated[
        str,
        typer.Option(
            metavar="UNIT",
            help="Unit of levels: m, ft or us-ft; else that of the CRS.",
            show_default=False,
        ),
    ] = ""


@dataclass(frozen=True, slots=True)
class SiteOptions:
    """What no point can tell of a site; "" or None where not said."""

    units: Annotated[
        str,
        typer.Option(
            metavar="UNIT",
            help="What the counter and depths read in: m, cm, ft, us-ft or in.",
            show_default=False,
        ),
    ] = ""
    site_id: Annotated[
        str,
        typer.Option("--id", help="Id of the site; else the folder's name.", show_default=False),
    ] = ""
    site_name: Annotated[
        str, typer.Option(help="What people call the site; else its id.", show_default=False)
    ] = ""
    surveyed: Annotated[
        str,
        typer.Option(metavar="DAY", help="Day of the survey, as 2026-05-06.", show_default=False),
    ] = ""
    runs: Annotated[
        list[str] | None,
        typer.Option(
            "--run",
            metavar="RUN:LINE:ENTRY:FLOW[:LAG[:RIDE]]",
            help="What no point can tell of a run, as R1:L1:CO1:with; once for each. LAG: camera "
            "face to transmitter; RIDE: transmitter above the invert, both in --units.",
            show_default=False,
        ),
    ] = None
    site: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            exists=True,
            dir_okay=False,
            help="A site.toml to use in place of --crs, --vertical, --units, --id, --run …",
            show_default=False,
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
        typer.Argument(
            metavar="FILE...",
            exists=True,
            dir_okay=False,
            help="Text files of points, or vector files that GDAL opens.",
            show_default=False,
        ),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out", "-o", metavar="SITE", help="Site folder to write.", show_default=False
        ),
    ] = None,
    *,
    points: PointOptions,
    about: SiteOptions,
    codes: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            exists=True,
            dir_okay=False,
            help="What descriptions mean; else as --write-codes writes it.",
            show_default=False,
        ),
    ] = None,
    write_codes: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE", help="Write the default of --codes, and stop.", show_default=False
        ),
    ] = None,
    stops: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            exists=True,
            dir_okay=False,
            help="A stops.csv: run, stop, counter, depth_reading.",
            show_default=False,
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
