"""`lateralline export`: a built record as a drawing for CAD, or as KML."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Final

import typer

from lateralline.cli.options import Record, Replace

_SCALE: Final = 200.0


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
    from lateralline.cli import report
    from lateralline.cli.built import asbuilt_of, sites_of
    from lateralline.cli.options import console
    from lateralline.record.summary import CAUTION
    from lateralline.workspace import Workspace
    from lateralline.write.dxf import write_dxf
    from lateralline.write.kml import write_kml

    workspace = Workspace(built if built.is_dir() else built.parent)
    asbuilt = asbuilt_of(built)
    sites_of(asbuilt)  # says so where this is no built record
    suffix = out.suffix.lower()
    if suffix == ".dxf":
        write_dxf(asbuilt, out, site=site, scale=scale or _SCALE, replace=replace)
    elif suffix == ".kml":
        if scale is not None:
            raise typer.BadParameter("only a .dxf has a plot scale", param_hint="--scale")
        write_kml(workspace.geojson("pipe_nodes").parent, out, site=site, replace=replace)
    else:
        raise typer.BadParameter(f"must end in .dxf or .kml; got {out.name!r}", param_hint="--out")
    report.print_last_words(console(), f"wrote {out}", CAUTION)
