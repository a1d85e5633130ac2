"""`lateralline draw`: a plan picture of a built record."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Annotated

import typer


def draw(
    built: Annotated[
        Path,
        typer.Argument(
            metavar="OUT",
            exists=True,
            help="Folder that `lateralline build` wrote, or its .gpkg.",
            show_default=False,
        ),
    ],
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
    replace: Annotated[bool, typer.Option("--replace", help="Replace PICTURE.")] = False,
) -> None:
    """Draw plan and profile of a built site.

    A picture is for talking about a site. It is no clearance to dig and says so on its face.

    \b
    Example:
      lateralline draw out -o plan.png
      lateralline draw city -o plan.svg --site EX-001
    """
    from lateralline.cli import report
    from lateralline.cli.options import console
    from lateralline.summary import CAUTION
    from lateralline.workspace import Workspace
    from lateralline.write.picture import SUFFIXES, draw_picture

    if out.suffix.lower() not in SUFFIXES:
        raise typer.BadParameter(
            f"a picture ends in {', '.join(SUFFIXES)}; got {out.name!r}", param_hint="--out"
        )
    asbuilt = Workspace(built).asbuilt if built.is_dir() else built
    draw_picture(asbuilt, _one_site(asbuilt, site), out, replace=replace)
    report.print_last_words(console(), f"wrote {out}", CAUTION)


def _one_site(asbuilt: Path, site: str) -> str:
    """Return the site to draw: the one asked for, or the only one there is."""
    there = sites_of(asbuilt)
    if site in there:
        return site
    if not site and len(there) == 1:
        return there[0]
    known = ", ".join(there[:20]) + (", …" if len(there) > 20 else "")
    what = f"no site {site!r} in {asbuilt}" if site else f"{asbuilt} holds {len(there)} sites"
    raise typer.BadParameter(f"{what}; choose one of: {known}", param_hint="--site")


def sites_of(asbuilt: Path) -> list[str]:
    """Return the ids of the sites in a GeoPackage that `build` wrote."""
    try:
        with closing(sqlite3.connect(f"{asbuilt.absolute().as_uri()}?mode=ro", uri=True)) as db:
            rows = db.execute("SELECT DISTINCT site_id FROM lineage ORDER BY site_id").fetchall()
    except sqlite3.Error as e:
        raise typer.BadParameter(
            f"{asbuilt} is no output of lateralline build ({e})", param_hint="OUT"
        ) from e
    return [str(site_id) for (site_id,) in rows]
