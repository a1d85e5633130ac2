"""`lateralline sheet`: plan and profile to scale, with tables, to hand over."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import typer

from lateralline.cli.options import (
    Records,
    Replace,
    Terms,
    WithPrivate,
    known_paper,
    option,
    refuse_suffix,
    sites_of,
)
from lateralline.cli.report import print_last_words


def sheet(
    built: Records,
    out: Annotated[
        Path,
        option(
            "PDF to write; of several sites a folder, unless --together.",
            "--out",
            "-o",
            metavar="PDF",
        ),
    ],
    paper: Annotated[str, typer.Option(metavar="PAPER", help="A4, A3, letter or tabloid.")] = "A3",
    orientation: Annotated[
        Literal["auto", "portrait", "landscape"],
        typer.Option(help="How the paper lies; auto draws the plan largest."),
    ] = "auto",
    scale: Annotated[
        str,
        option(
            "Scale of the plan, as 1:100 or 1in=20ft; else the largest round one that fits.",
            metavar="SCALE",
        ),
    ] = "",
    site: Annotated[
        list[str] | None, option("Only this site; may be repeated.", metavar="ID")
    ] = None,
    together: Annotated[
        bool, typer.Option("--together", help="All sites in one PDF, one after another.")
    ] = False,
    crew: Annotated[
        bool,
        typer.Option(
            "--crew",
            help="One side of A4 or letter for the crew that digs: plan with tapes from the "
            "house corners, depth to top, and where to expose the pipe first.",
        ),
    ] = False,
    terms: Terms = None,
    with_private: WithPrivate = False,
    replace: Replace = False,
) -> None:
    """Draw plan, profile and tables to scale, as a PDF.

    Everything comes from the GeoPackage, with its uncertainty drawn. A plan too long for one paper
    is cut into sheets with match lines. It is no clearance to dig and says so on every page.

    \b
    Example:
      lateralline sheet out -o sheet.pdf
      lateralline sheet out -o sheet.pdf --paper letter --scale 1in=10ft --replace
      lateralline sheet out -o crew.pdf --crew
      lateralline sheet city -o sheets
      lateralline sheet city -o city.pdf --together
    """
    from lateralline.api import documents

    paper = known_paper(paper, documents.PAPERS)
    try:
        asked = documents.parse_scale(scale) if scale else None
    except ValueError as e:
        raise typer.BadParameter(str(e), param_hint="--scale") from e
    there = [one for record in built for one in sites_of(record)]
    missing = set(site or ()) - {site_id for _, site_id in there}
    if missing:
        raise typer.BadParameter(f"no site {', '.join(sorted(missing))}", param_hint="--site")
    chosen = [(path, site_id) for path, site_id in there if not site or site_id in site]
    options = documents.SheetOptions(paper, orientation, asked, crew)
    apart = len(chosen) > 1 and not together
    if not apart:
        refuse_suffix(out, (".pdf",), "a sheet ends in {}", "--out")
    elif out.suffix.casefold() == ".pdf":
        must = f"{len(chosen)} sites go into a folder, or into one PDF with --together"
        raise typer.BadParameter(f"{must}; got {out.name!r}", param_hint="--out")
    draw = documents.draw_sheets if apart else documents.draw_sheet
    with documents.private_shown(with_private), documents.spoken(terms):
        pages = draw(chosen, out, options, replace=replace)
    sites = f"{len(chosen)} site{'s' * (len(chosen) > 1)}"
    print_last_words(f"wrote {out}: {sites}, {pages} page{'s' * (pages != 1)}")
