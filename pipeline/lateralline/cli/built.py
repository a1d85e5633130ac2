"""What a command is pointed at when it is given a built record: its GeoPackage, its sites."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import typer

from lateralline.workspace import Workspace


def asbuilt_of(built: Path) -> Path:
    """Return the GeoPackage of a folder that `build` wrote, or the file itself."""
    return Workspace(built).asbuilt if built.is_dir() else built


def one_site(asbuilt: Path, site: str) -> str:
    """Return the site asked for, or the only one there is; raises typer.BadParameter."""
    there = sites_of(asbuilt)
    if site in there:
        return site
    if not site and len(there) == 1:
        return there[0]
    known = ", ".join(there[:20]) + (", …" if len(there) > 20 else "")
    what = f"no site {site!r} in {asbuilt}" if site else f"{asbuilt} holds {len(there)} sites"
    raise typer.BadParameter(f"{what}; choose one of: {known}", param_hint="--site")


def sites_of(asbuilt: Path) -> list[str]:
    """Return the ids of the sites in a GeoPackage; raises typer.BadParameter when it is none."""
    from lateralline.output.sqlite import reading

    if not asbuilt.is_file():
        raise typer.BadParameter(_no_record(asbuilt), param_hint="OUT")
    try:
        with reading(asbuilt) as db:
            rows = db.execute("SELECT DISTINCT site_id FROM lineage ORDER BY site_id").fetchall()
    except sqlite3.Error as e:
        raise typer.BadParameter(_no_record(asbuilt), param_hint="OUT") from e
    return [str(site_id) for (site_id,) in rows]


def _no_record(asbuilt: Path) -> str:
    """Say what is wanted in place of what is no built record; of an overlay, that it is one."""
    wants = "wanted is a folder that lateralline build wrote, or its .gpkg"
    if (asbuilt.parent / "OVERLAY.md").is_file():
        return f"{asbuilt.parent} is an overlay that clearance or zones made; {wants}"
    return f"{asbuilt} is no output of lateralline build; {wants}"
