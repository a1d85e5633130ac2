"""`lateralline new`: a site folder ready to be filled in."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Annotated

import typer

from lateralline.cli.options import NewFolder


def new(
    folder: Annotated[Path, NewFolder],
    site_id: Annotated[
        str | None,
        typer.Option("--id", help="Id of the site; else the folder's name.", show_default=False),
    ] = None,
    name: Annotated[
        str, typer.Option(help="What people call the site; else its id.", show_default=False)
    ] = "",
    surveyed: Annotated[
        str,
        typer.Option(metavar="DAY", help="Day of the survey, as 2026-05-06.", show_default=False),
    ] = "",
    units: Annotated[
        str | None,
        typer.Option(
            metavar="UNIT",
            help="What tapes, levels, depths and the counter read in: m, cm, ft, us-ft or in; "
            "else m.",
            show_default=False,
        ),
    ] = None,
    crs: Annotated[
        str | None,
        typer.Option(
            metavar="CRS",
            help="Horizontal CRS of control and GNSS, as EPSG:32617; else local, "
            "a taped sketch on axes of its own.",
            show_default=False,
        ),
    ] = None,
    vertical: Annotated[
        str,
        typer.Option(
            metavar="CRS", help="Vertical CRS, as EPSG:5703; ellipsoidal; none: relative levels."
        ),
    ] = "none",
) -> None:
    """Make a site folder ready to fill in.

    Comments in its files say what goes where. `lateralline schema` tells the same at length.

    \b
    Example:
      lateralline new sites/EX-001 --units ft --crs EPSG:2264 --surveyed 2026-05-06
      lateralline new sites/EX-002 --id EX-002
    """
    from lateralline.template import new_site_files
    from lateralline.write._atomic import whole_folder

    unit, horizontal = units or "m", crs or "local"
    site = site_id or folder.resolve().name
    day = _refuse(site, unit, surveyed, horizontal, vertical)
    files = new_site_files(
        site, name=name, surveyed=day, unit=unit, horizontal=horizontal, vertical=vertical
    )
    with whole_folder(folder) as made:
        for file, text in files.items():
            (made / file).write_text(text, encoding="utf-8", newline="\n")
    typer.echo(f"wrote {', '.join(files)} into {folder}")
    if units is None:
        typer.echo("units: m was chosen; --units ft for feet, or change [units] in site.toml")
    if crs is None:
        typer.echo(
            "crs: local was chosen, a taped sketch with no place on the map; "
            "--crs EPSG:32617, say, or change [crs] in site.toml"
        )
    if day is None:
        typer.echo("surveyed is still to be written into site.toml: the day the marks were made")
    typer.echo(f"fill them in, then: lateralline check {folder}")


def _refuse(site: str, unit: str, surveyed: str, horizontal: str, vertical: str) -> date | None:
    """Return the day given; refuse all that `check` would refuse, at once and sooner."""
    import re
    from difflib import get_close_matches

    from lateralline import contract
    from lateralline.errors import FrameError, LaterallineError
    from lateralline.frames import horizontal_crs, vertical_crs

    table, wrong, day = contract.load("site"), [], None
    if not re.fullmatch(table.column("id", "site").pattern, site):
        wrong.append(f'--id must be letters, digits, - and _; got "{site}"')
    known = table.column("tape", "units").enum
    if unit not in known:
        word = {"feet": "ft", "foot": "ft", "inches": "in", "metres": "m", "meters": "m"}
        near = word.get(unit.casefold()) or next(iter(get_close_matches(unit, known, 1)), "")
        hint = f'; did you mean "{near}"?' if near else ""
        wrong.append(f'--units must be one of {", ".join(known)}; got "{unit}"{hint}')
    if surveyed:
        try:
            day = date.fromisoformat(surveyed)
        except ValueError:
            wrong.append(f'--surveyed must be a day such as 2026-05-06; got "{surveyed}"')
    for option, text, understand in (
        ("--crs", horizontal, horizontal_crs),
        ("--vertical", vertical, vertical_crs),
    ):
        try:
            understand(text)
        except FrameError as e:
            wrong.append(f"{option}: {e}")
    if wrong:
        raise LaterallineError("nothing was made\n" + "\n".join(f"  {w}" for w in wrong))
    return day
