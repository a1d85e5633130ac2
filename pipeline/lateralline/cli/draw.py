"""`lateralline draw`: a plan picture of a built record."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from lateralline.cli.options import Record, Replace, Terms, one_site, option, refuse_picture
from lateralline.cli.report import print_last_words


def draw(
    built: Record,
    out: Annotated[
        Path, option("Picture to write: .png, .svg or .pdf.", "--out", "-o", metavar="PICTURE")
    ],
    site: Annotated[str, option("Site to draw; needed when OUT holds several.", metavar="ID")] = "",
    terms: Terms = None,
    replace: Replace = False,
) -> None:
    """Draw plan and profile of a built site.

    A picture is for talking about a site. It is no clearance to dig and says so on its face.

    \b
    Example:
      lateralline draw out -o plan.png
      lateralline draw city -o plan.svg --site EX-001
    """
    from lateralline.api import documents

    refuse_picture(out, "--out")
    with documents.spoken(terms):
        documents.draw_picture(*one_site(built, site), out, replace=replace)
    print_last_words(f"wrote {out}")
