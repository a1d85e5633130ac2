"""What a command is pointed at when it is given a built record: its GeoPackage, its sites."""

from __future__ import annotations

from pathlib import Path

import typer


def sites_of(built: Path) -> list[tuple[Path, str]]:
    """Return GeoPackage and id of each site of a built record; raises typer.BadParameter for none.

    `built` is the folder that `build` wrote, or its GeoPackage.
    """
    from lateralline import api

    try:
        record = api.load(built)
        return [(record.asbuilt, site) for site in record.sites]
    except api.NotARecordError as e:
        raise typer.BadParameter(str(e), param_hint="OUT") from e


def one_site(built: Path, site: str) -> tuple[Path, str]:
    """Return GeoPackage and id of the site asked for, or of the only one there is.

    Raises typer.BadParameter.
    """
    there = sites_of(built)
    asbuilt = there[0][0] if there else built
    ids = [known for _, known in there]
    if site in ids or (not site and len(ids) == 1):
        return asbuilt, site or ids[0]
    known = ", ".join(ids[:20]) + (", …" if len(ids) > 20 else "")
    what = f"no site {site!r} in {asbuilt}" if site else f"{asbuilt} holds {len(ids)} sites"
    raise typer.BadParameter(f"{what}; choose one of: {known}", param_hint="--site")
