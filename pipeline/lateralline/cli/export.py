"""`lateralline export`: a built record as a drawing for CAD, or as KML."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from lateralline.cli.options import Record


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
        float,
        typer.Option(
            min=1.0, max=1e5, metavar="N", help="Plot scale 1:N that texts of a drawing are for."
        ),
    ] = 200.0,
    replace: Annotated[bool, typer.Option("--replace", help="Replace FILE.")] = False,
) -> None:
    """Write a built record as DXF or KML.

    A drawing is in the plan's own unit and CRS, levels too; KML lies on the ground. Both are
    no clearance to dig and say so.

    \b
    Example:
      lateralline export out -o site.dxf --scale 200
      lateralline export out -o site.kml
    """
    from lateralline.cli import report
    from lateralline.cli.options import console
    from lateralline.summary import CAUTION
    from lateralline.workspace import Workspace
    from lateralline.write.dxf import write_dxf
    from lateralline.write.kml import write_kml

    workspace = Workspace(built if built.is_dir() else built.parent)
    asbuilt = workspace.asbuilt if built.is_dir() else built
    suffix = out.suffix.lower()
    if suffix == ".dxf":
        write_dxf(asbuilt, out, site=site, scale=scale, replace=replace)
    elif suffix == ".kml":
        write_kml(workspace.geojson("pipe_nodes").parent, out, site=site, replace=replace)
    else:
        raise typer.BadParameter(f"must end in .dxf or .kml; got {out.name!r}", param_hint="--out")
    report.print_last_words(console(), f"wrote {out}", CAUTION)
