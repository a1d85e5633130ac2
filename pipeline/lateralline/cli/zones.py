"""`lateralline zones`: dig zones of built lines by a rule of your choice."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import typer

from lateralline.cli.options import (
    CLEAN,
    NOTHING,
    WITH_ERRORS,
    AnyRecord,
    AsJson,
    Picture,
    Replace,
    metres,
    refuse_suffix,
)


def zones(
    built: AnyRecord,
    out: Annotated[
        Path | None,
        typer.Option("--out", "-o", metavar="OUT", help="Folder to write.", show_default=False),
    ] = None,
    rule: Annotated[
        str,
        typer.Option(metavar="KEY", help="Published rule, as cga or hsg47.", show_default=False),
    ] = "",
    tolerance: Annotated[
        str,
        typer.Option(
            metavar="LENGTH",
            help="Distance from the outside of the pipe, with its unit: 0.5m, 18in, 2ft.",
            show_default=False,
        ),
    ] = "",
    dissolve: Annotated[
        Literal["line", "all"],
        typer.Option(help="One zone per line, or all of a region merged where they touch."),
    ] = "line",
    picture: Picture = None,
    replace: Replace = False,
    as_json: AsJson = False,
) -> None:
    """Draw dig zones around built lines.

    Two zones a line: its outside plus the tolerance, and the same about its 95 % corridor. There
    is no default rule: without one, the known ones are listed with their sources. No zone is a
    clearance to dig, and outside both a pipe may still lie.

    Pipe of the record that is not drawn has no zone: where it may be goes along as the layer
    unlocated, and every line is named.

    Exit code: 0 every line has both zones; 1 some have no corridor, or are not located; 2 nothing
    done.

    \b
    Example:
      lateralline zones out --rule cga -o dig-zones --picture dig-zones.png
      lateralline zones city --tolerance 0.5m --dissolve all -o dig-zones
    """
    from lateralline.api import overlays
    from lateralline.cli.zones_report import print_rules, print_zones

    if bool(rule) == bool(tolerance):
        print_rules("" if not rule else "give --rule or --tolerance, not both", as_json=as_json)
        raise typer.Exit(NOTHING)
    if rule and rule not in overlays.dig_rules():
        print_rules(f"no rule is called {rule!r}", as_json=as_json)
        raise typer.Exit(NOTHING)
    if out is None:
        raise typer.BadParameter("say where to write", param_hint="--out")
    chosen = rule or metres(tolerance, "--tolerance")
    refuse_suffix(picture)
    made = overlays.zones(
        built,
        out,
        chosen,
        as_given=tolerance,
        dissolve=dissolve,
        picture=picture,
        replace=replace,
    )
    nothing = not made.drawn.lines and not made.missing
    code = NOTHING if nothing else WITH_ERRORS if made.drawn.bare or made.missing else CLEAN
    print_zones(made, out, picture, as_json=as_json, exit_code=code)
    raise typer.Exit(code)
