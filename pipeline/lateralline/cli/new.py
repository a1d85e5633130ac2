"""`lateralline new`: a site ready to be filled in, as a folder or as a workbook."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Annotated

import typer

from lateralline.cli.options import refuse_overwriting

_BOOK = ".xlsx"


def new(
    folder: Annotated[
        Path,
        typer.Argument(
            metavar="FOLDER",
            help="Folder to make, or workbook; it must not be there yet.",
            show_default=False,
        ),
    ],
    xlsx: Annotated[
        bool,
        typer.Option("--xlsx", help="Make one workbook, FOLDER.xlsx, that holds all of the site."),
    ] = False,
    source: Annotated[
        Path | None,
        typer.Option(
            "--from",
            metavar="SITE",
            exists=True,
            help="Site to copy into the workbook: a folder of text files, or another workbook.",
            show_default=False,
        ),
    ] = None,
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
    """Make a site to fill in: a folder or a workbook.

    Comments say what goes where; `lateralline schema` tells the same at length. A workbook has
    drop-downs and units in its headers, and is a site by itself wherever a folder is.

    \b
    Example:
      lateralline new sites/EX-001 --units ft --crs EPSG:2264 --surveyed 2026-05-06
      lateralline new sites/EX-002 --xlsx --units ft
      lateralline new EX-003.xlsx --from sites/EX-001 --id EX-003
    """
    from lateralline.output import whole_file, whole_folder
    from lateralline.template import new_site_files, new_site_settings
    from lateralline.write.workbook import site_book

    xlsx = xlsx or source is not None or folder.suffix.casefold() == _BOOK
    named = folder.with_suffix("") if folder.suffix.casefold() == _BOOK else folder
    made_at = named.with_name(named.name + _BOOK) if xlsx else folder
    refuse_overwriting(made_at)
    if source is not None:
        if units or crs or surveyed or vertical != "none":
            said = "they are those of the site copied; only --id and --name may differ"
            raise typer.BadParameter(f"no --units, --crs, --vertical, --surveyed: {said}")
        _copy(source, made_at, site_id or "", name)
        return
    unit, horizontal = units or "m", crs or "local"
    site = site_id or named.resolve().name
    day = _refuse(site, name, unit, surveyed, horizontal, vertical)
    given = (site, name, day, unit, horizontal, vertical)
    if xlsx:
        with whole_file(made_at) as made:
            made.write_bytes(site_book(new_site_settings(*given)))
        typer.echo(f"wrote {made_at}")
    else:
        files = new_site_files(*given)
        with whole_folder(folder) as made:
            for file, text in files.items():
                (made / file).write_text(text, encoding="utf-8", newline="\n")
        typer.echo(f"wrote {', '.join(files)} into {folder}")
    _say_what_was_chosen(made_at, units, crs, day)


def _say_what_was_chosen(
    made_at: Path, units: str | None, crs: str | None, day: date | None
) -> None:
    settings = "the sheet site" if made_at.suffix == _BOOK else "site.toml"
    if units is None:
        change = "" if made_at.suffix == _BOOK else ", or change [units] in site.toml"
        typer.echo(f"units: m was chosen; --units ft for feet{change}")
    if crs is None:
        typer.echo(
            "crs: local was chosen, a taped sketch with no place on the map; "
            f"--crs EPSG:32617, say, or change [crs] in {settings}"
        )
    if day is None:
        typer.echo(f"surveyed is still to be written into {settings}: the day the marks were made")
    typer.echo(f"fill it in, then: lateralline check {made_at}")


def _copy(source: Path, book: Path, site_id: str, name: str) -> None:
    """Copy a sound site into a workbook, under another id and name if asked."""
    from lateralline.output import whole_file
    from lateralline.read import read_site
    from lateralline.read.raw import raw_site
    from lateralline.write.workbook import site_book

    read_site(source)  # whatever is at fault there would be lost on the way
    raw = raw_site(source)
    [site] = raw.settings["site"]
    _raise(_refused_names(site_id or str(site["id"]), name))
    renamed = {key: new for key, new in (("id", site_id), ("name", name)) if new}
    with whole_file(book) as made:
        made.write_bytes(site_book({**raw.settings, "site": [{**site, **renamed}]}, raw.tables))
    typer.echo(f"wrote {book}, a copy of {source}")
    typer.echo(f"next: lateralline check {book}")


def _refuse(
    site: str, name: str, unit: str, surveyed: str, horizontal: str, vertical: str
) -> date | None:
    """Return the day given; refuse all that `check` would refuse, at once and sooner."""
    from difflib import get_close_matches

    from lateralline import contract
    from lateralline.errors import FrameError
    from lateralline.frames import horizontal_crs, vertical_crs

    table, wrong, day = contract.load("site"), _refused_names(site, name), None
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
    _raise(wrong)
    return day


def _refused_names(site: str, name: str) -> list[str]:
    """Return what is wrong with the id and the name of a site."""
    import re
    import unicodedata

    from lateralline import contract
    from lateralline.names import wrong_name
    from lateralline.read.ledger import one_line

    wrong = []
    hint = wrong_name(site, file=True)
    if hint or not re.fullmatch(contract.load("site").column("id", "site").pattern, site):
        said = f'--id must be letters, digits, - and _; got "{one_line(site)}"'
        wrong.append(f"{said} — {hint}" if hint else said)
    if any(unicodedata.category(sign) in ("Cc", "Cs") for sign in name):
        wrong.append(f'--name must be text without control characters; got "{name}"')
    return wrong


def _raise(wrong: list[str]) -> None:
    from lateralline.errors import LaterallineError

    if wrong:
        raise LaterallineError("nothing was made\n" + "\n".join(f"  {w}" for w in wrong))
