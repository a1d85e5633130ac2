"""`lateralline update`: exposures or a new run added to a site, and what that moved."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from lateralline.cli.options import CLEAN, NOTHING, WITH_ERRORS, AsJson, Replace


def update(
    site: Annotated[
        Path,
        typer.Argument(
            metavar="SITE",
            exists=True,
            help="The site as it is: a folder, or a workbook (.xlsx).",
            show_default=False,
        ),
    ],
    added: Annotated[
        Path,
        typer.Argument(
            metavar="ADDED",
            exists=True,
            file_okay=False,
            help="Folder of what is added.",
            show_default=False,
        ),
    ],
    out: Annotated[
        Path,
        typer.Option(
            "--out", "-o", metavar="NEWSITE", help="Site folder to write.", show_default=False
        ),
    ],
    build: Annotated[
        Path | None,
        typer.Option(metavar="OUT", help="Build NEWSITE into this folder too.", show_default=False),
    ] = None,
    replace: Replace = False,
    as_json: AsJson = False,
) -> None:
    """Add exposures or a new run to a site; show what moved.

    ADDED holds any of exposures.csv, marks.csv, stops.csv, control.csv and observations.csv, with
    a site's columns, in the units and CRS of SITE; and added.toml with the [[run]], [[branch]] and
    [[pipe]] that are new. NEWSITE is SITE with all of it, whole or not at all; SITE stays as it is.
    Both are adjusted, and the command tells how far each point moved and whether the new line lies
    where the old record said: within its 95 % corridor and its 95 % band of levels.

    OUT gets what `lateralline build` writes, and changes/ with the same account as .json, .csv and
    .geojson.

    Exit code: 0 the old corridors and levels held everywhere; 1 one of them did not, or NEWSITE has
    error findings; 2 nothing written.

    \b
    Example:
      lateralline update sites/EX-001 dug-in-june -o sites/EX-001-june
      lateralline update sites/EX-001 second-run -o sites/EX-001-b --build out --replace
    """
    from lateralline.api import CAUTION
    from lateralline.api.records import RefusedError
    from lateralline.api.records import update as write_update
    from lateralline.cli import changed, document, report
    from lateralline.cli.batch import find_sites
    from lateralline.cli.options import console

    source, *others = find_sites([site])
    if others:
        raise typer.BadParameter(
            f"{site} holds {len(others) + 1} sites; name one", param_hint="SITE"
        )
    try:
        changes = write_update(source, added, out, build=build, replace=replace)
    except RefusedError as e:
        if as_json:
            typer.echo(document.batch_document("update", [], e.failures, None, NOTHING))
        else:
            for failure in e.failures:
                report.print_failure(console(), failure)
            report.print_last_words(console(), "nothing was written.", CAUTION)
        raise typer.Exit(NOTHING) from e
    code = CLEAN if changes.held and not changes.errors else WITH_ERRORS
    if as_json:
        typer.echo(document.update_document(changes, out, build, code))
    else:
        changed.print_changes(console(), changes)
        said = f"wrote {out}" + (f"; built into {build}" if build else "")
        report.print_last_words(console(), f"{said}. {changed.verdict(changes)}", CAUTION)
    raise typer.Exit(code)
