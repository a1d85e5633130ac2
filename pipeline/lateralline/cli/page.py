"""`lateralline page`: an interactive page of a built record, for a browser without a network."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def page(
    built: Annotated[
        list[Path],
        typer.Argument(
            metavar="OUT...",
            exists=True,
            help="Folders that `lateralline build` wrote, or their .gpkg.",
            show_default=False,
        ),
    ],
    out: Annotated[
        Path,
        typer.Option(
            "--out",
            "-o",
            metavar="PAGE",
            help="File to write (.html) for one site; otherwise a folder of pages with an index.",
            show_default=False,
        ),
    ],
    site: Annotated[
        str,
        typer.Option(metavar="ID", help="Only this site of OUT.", show_default=False),
    ] = "",
    note: Annotated[
        str,
        typer.Option(metavar="TEXT", help="Words to stand at the top.", show_default=False),
    ] = "",
    replace: Annotated[bool, typer.Option("--replace", help="Replace PAGE.")] = False,
) -> None:
    """Write a page of plan, profile and tables that answer one another.

    It is one file, needs no network, and can be handed over on a stick. Many sites become a
    folder of pages with an index to search. A page is no clearance to dig and says so.

    \b
    Example:
      lateralline page out -o page.html
      lateralline page out-a out-b -o pages --note "Invented practice sites"
    """
    from lateralline.cli import report
    from lateralline.cli.options import console
    from lateralline.summary import CAUTION
    from lateralline.workspace import Workspace
    from lateralline.write.page import write_page, write_pages

    records = [Workspace(b).asbuilt if b.is_dir() else b for b in built]
    sites = [(gpkg, s) for gpkg in records for s in _sites(gpkg) if site in ("", s)]
    if not sites:
        raise typer.BadParameter(f"no site {site!r} there", param_hint="--site")
    if out.suffix.lower() not in (".html", ".htm"):
        write_pages(sites, out, note=note, replace=replace)
        made = f"wrote {out}: {len(sites)} page{'s' * (len(sites) > 1)} and an index"
    elif len(sites) == 1:
        write_page(*sites[0], out, note=note, replace=replace)
        made = f"wrote {out}"
    else:
        raise typer.BadParameter(
            f"{len(sites)} sites need a folder, as -o pages; or choose one with --site",
            param_hint="--out",
        )
    report.print_last_words(console(), made, CAUTION)


def _sites(gpkg: Path) -> list[str]:
    """Return the sites of a record, or say that it is none."""
    from lateralline.write.page.book import sites_of

    try:
        return sites_of(gpkg)
    except (OSError, ValueError, RuntimeError, KeyError) as e:
        raise typer.BadParameter(
            f"{gpkg} is no output of lateralline build ({e})", param_hint="OUT"
        ) from e
