"""`lateralline export`: a built record and overlays as a drawing for CAD, or as KML."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from lateralline.cli.options import Replace, WithPrivate, argument, option, refuse_suffix
from lateralline.cli.report import print_last_words


def export(
    built: Annotated[
        list[Path],
        argument(
            "What is written: a folder that `lateralline build`, `zones`, `clearance` or `update` "
            "wrote, or its .gpkg; one record, its overlays, or both.",
            metavar="RECORD",
            exists=True,
        ),
    ],
    out: Annotated[Path, option("File to write: .dxf or .kml.", "--out", "-o", metavar="FILE")],
    site: Annotated[str, option("One site; else all of them.", metavar="ID")] = "",
    scale: Annotated[
        float | None,
        option(
            "Plot scale 1:N that texts of a drawing are for; else 1:200.",
            at_least=1.0,
            at_most=1e5,
            metavar="N",
        ),
    ] = None,
    with_private: WithPrivate = False,
    replace: Replace = False,
) -> None:
    """Write a built record and overlays as DXF or KML.

    A drawing is in the plan's own unit and CRS, levels too; each feature carries its site, line,
    kind and id as extended data, and the first three in the name of its layer. KML lies on the
    ground. Both are no clearance to dig and say so.

    \b
    Example:
      lateralline export out -o site.dxf --scale 200
      lateralline export out hand-dig-zones clearance -o works.dxf
      lateralline export asbuilt.gpkg -o site.kml
    """
    from lateralline.api import documents

    refuse_suffix(out, documents.EXPORT_SUFFIXES, "must end in {}", "--out")
    if scale is not None and out.suffix.casefold() != ".dxf":
        raise typer.BadParameter("only a .dxf has a plot scale", param_hint="--scale")
    plot_scale = scale or documents.PLOT_SCALE
    first, *overlays = built
    with documents.private_shown(with_private):
        documents.export(
            first, out, overlays=overlays, site=site, plot_scale=plot_scale, replace=replace
        )
    print_last_words(f"wrote {out}")
