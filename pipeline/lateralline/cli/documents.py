"""`lateralline draw`, `page`, `sheet` and `export`: what people look at and hand on."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import typer

from lateralline.cli.options import (
    Connections,
    Record,
    Records,
    Replace,
    Terms,
    WithPrivate,
    Workers,
    argument,
    known_paper,
    one_site,
    option,
    refuse_picture,
    refuse_suffix,
    sites_of,
)
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


def page(
    built: Records,
    out: Annotated[
        Path,
        option(
            "File to write (.html) for one site; otherwise a folder of pages with an index.",
            "--out",
            "-o",
            metavar="PAGE",
        ),
    ],
    site: Annotated[str, option("Only this site of OUT.", metavar="ID")] = "",
    clearance: Annotated[
        Path | None,
        option(
            "Folder that `lateralline clearance` wrote for RECORD, or its .gpkg: planned works "
            "are drawn.",
            metavar="CLEARANCE",
            exists=True,
        ),
    ] = None,
    connections: Connections = None,
    note: Annotated[str, option("Words to stand at the top.", metavar="TEXT")] = "",
    terms: Terms = None,
    with_private: WithPrivate = False,
    workers: Workers = None,
    replace: Replace = False,
) -> None:
    """Write a page of plan, profile and tables for a browser.

    It is one file, needs no network, and can be handed over on a stick. Many sites become a
    folder of pages that share a script, with an index: a map of all lines, and a search by site,
    line, asset and more. A page is no clearance to dig and says so.

    \b
    Example:
      lateralline page out -o page.html
      lateralline page out --clearance near --connections joins -o page.html --replace
      lateralline page out-a out-b -o pages --note "Invented practice sites"
    """
    from lateralline.api import documents

    there = [one for record in built for one in sites_of(record)]
    sites = [(gpkg, s) for gpkg, s in there if site in ("", s)]
    if not sites:
        known = ", ".join(s for _, s in there[:20])
        raise typer.BadParameter(f"no site {site!r}; there are {known}", param_hint="--site")
    works = clearance / "clearance.gpkg" if clearance and clearance.is_dir() else clearance
    mains = connections or ()
    folder = out.suffix.lower() not in (".html", ".htm")
    if not folder and len(sites) > 1:
        raise typer.BadParameter(
            f"{len(sites)} sites need a folder, as -o pages; or choose one with --site",
            param_hint="--out",
        )
    made = f"wrote {out}"
    with documents.private_shown(with_private), documents.spoken(terms):
        if folder:
            documents.write_pages(
                sites, out, note=note, clearance=works, connections=mains, replace=replace,
                workers=workers,
            )  # fmt: skip
            made += f": {len(sites)} page{'s' * (len(sites) > 1)} and an index"
        else:
            documents.write_page(
                *sites[0], out, note=note, clearance=works, connections=mains, replace=replace
            )
    print_last_words(made)


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
    workers: Workers = None,
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
    with documents.private_shown(with_private), documents.spoken(terms):
        if apart:
            pages = documents.draw_sheets(chosen, out, options, replace=replace, workers=workers)
        else:
            pages = documents.draw_sheet(chosen, out, options, replace=replace)
    sites = f"{len(chosen)} site{'s' * (len(chosen) > 1)}"
    print_last_words(f"wrote {out}: {sites}, {pages} page{'s' * (pages != 1)}")


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
