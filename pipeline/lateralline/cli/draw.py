"""`lateralline draw`: a plan picture of a built record."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from lateralline.cli.options import Record, Replace, refuse_suffix


def draw(
    built: Record,
    out: Annotated[
        Path,
        typer.Option(
            "--out",
            "-o",
            metavar="PICTURE",
            help="Picture to write: .png, .svg or .pdf.",
            show_default=False,
        ),
    ],
    site: Annotated[
        str,
        typer.Option(
            metavar="ID", help="Site to draw; needed when OUT holds several.", show_default=False
        ),
    ] = "",
    replace: Replace = False,
) -> None:
    """Draw plan and profile of a built site.

    A picture is for talking about a site. It is no clearance to dig and says so on its face.

    \b
    Example:
      lateralline draw out -o plan.png
      lateralline draw city -o plan.svg --site EX-001
    """
    from lateralline.api import CAUTION, documents
    from lateralline.cli import report
    from lateralline.cli.built import one_site
    from lateralline.cli.options import console

    refuse_suffix(out, "--out")
    documents.draw_picture(*one_site(built, site), out, replace=replace)
    report.print_last_words(console(), f"wrote {out}", CAUTION)
