"""`lateralline page`: an interactive page of a built record, for a browser without a network."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from lateralline.cli.options import (
    Connections,
    Records,
    Replace,
    Terms,
    WithPrivate,
    option,
    sites_of,
)
from lateralline.cli.report import print_last_words


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
    replace: Replace = False,
) -> None:
    """Write a page of plan, profile and tables for a browser.

    It is one file, needs no network, and can be handed over on a stick. Many sites become a
    folder of pages with an index to search. A page is no clearance to dig and says so.

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
    if out.suffix.lower() not in (".html", ".htm"):
        with documents.private_shown(with_private), documents.spoken(terms):
            documents.write_pages(
                sites,
                out,
                note=note,
                clearance=works,
                connections=mains,
                replace=replace,
            )
        made = f"wrote {out}: {len(sites)} page{'s' * (len(sites) > 1)} and an index"
    elif len(sites) == 1:
        with documents.private_shown(with_private), documents.spoken(terms):
            documents.write_page(
                *sites[0],
                out,
                note=note,
                clearance=works,
                connections=mains,
                replace=replace,
            )
        made = f"wrote {out}"
    else:
        raise typer.BadParameter(
            f"{len(sites)} sites need a folder, as -o pages; or choose one with --site",
            param_hint="--out",
        )
    print_last_words(made)
