"""`lateralline export`: a built record as a drawing for CAD, or as KML."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from lateralline.cli.options import Record, Replace


def export(
    built: Record,
    out: Annotated[
        Path,
        typer.Option(
            "--out", "-o", metavar="FILE", help="File to write: .dxf or .kml.", show_default=False
        ),
    ],
    site: Annotated[
        str, typer.Option(metavar="ID", help="One site; else all of them.", show_default=False)
    ] = "",
    scale: Annotated[
        float | None,
        typer.Option(
            min=1.0,
            max=1e5,
            metavar="N",
            help="Plot scale 1:N that texts of a drawing are for; else 1:200.",
            show_default=False,
        ),
    ] = None,
    replace: Replace = False,
) -> None:
    """Write a built record as DXF or KML.

    A drawing is in the plan's own unit and CRS, levels too; KML lies on the ground. Both are
    no clearance to dig and say so.

    \b
    Example:
      lateralline export out -o site.dxf --scale 200
      lateralline export out -o site.kml
    """
    from lateralline.api import CAUTION, documents
    from lateralline.cli import report
    from lateralline.cli.built import sites_of
    from lateralline.cli.options import console

    [(asbuilt, _), *_] = sites_of(built)
    suffix = out.suffix.lower()
    if suffix not in documents.EXPORT_SUFFIXES:
        kinds = " or ".join(documents.EXPORT_SUFFIXES)
        raise typer.BadParameter(f"must end in {kinds}; got {out.name!r}", param_hint="--out")
    if scale is not None and suffix != ".dxf":
        raise typer.BadParameter("only a .dxf has a plot scale", param_hint="--scale")
    plot_scale = scale or documents.PLOT_SCALE
    documents.export(asbuilt, out, site=site, plot_scale=plot_scale, replace=replace)
    report.print_last_words(console(), f"wrote {out}", CAUTION)
