"""`lateralline zones`: hand-dig zones of built lines by a rule of your choice."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final, Literal

import typer
from rich.console import Console

from lateralline.cli.command import CLEAN, NOTHING, WITH_ERRORS, head, json_text
from lateralline.cli.options import (
    AnyRecord,
    AsJson,
    Out,
    Picture,
    Replace,
    Terms,
    Units,
    metres,
    option,
    refuse_picture,
)
from lateralline.cli.report import print_last_words
from lateralline.cli.terminal import console, print_indented
from lateralline.wording import as_written, counted

if TYPE_CHECKING:
    from lateralline.api.overlays import DigZones, UnlocatedRow

_JURISDICTION: Final = (
    "A rule holds where its source says so, and a larger local value prevails. None of them is a "
    "clearance to dig."
)


def zones(
    built: AnyRecord,
    out: Out = None,
    rule: Annotated[str, option("Published rule, as cga or hsg47.", metavar="KEY")] = "",
    tolerance: Annotated[
        str,
        option(
            "Distance from the outside of the pipe, with its unit: 0.5m, 18in, 2ft.",
            metavar="LENGTH",
        ),
    ] = "",
    dissolve: Annotated[
        Literal["line", "all"],
        typer.Option(help="One zone per line, or all of a region merged where they touch."),
    ] = "line",
    units: Units = None,
    terms: Terms = None,
    picture: Picture = None,
    replace: Replace = False,
    as_json: AsJson = False,
) -> None:
    """Draw hand-dig zones around built lines.

    Two zones a line: its outside plus the tolerance, and the same about its 95 % corridor. There
    is no default rule: without one, the known ones are listed with their sources. No zone is a
    clearance to dig, and outside both a pipe may still lie.

    Pipe of the record that is not drawn has no zone: where it may be goes along as the layer
    unlocated, and every line is named.

    Exit code: 0 every line has both zones; 1 some have no corridor, or are not located; 2 nothing
    done.

    \b
    Example:
      lateralline zones out --rule cga -o hand-dig-zones --picture hand-dig-zones.png
      lateralline zones city --tolerance 0.5m --dissolve all -o hand-dig-zones
    """
    from lateralline.api import overlays

    if bool(rule) == bool(tolerance):
        _print_rules("" if not rule else "give --rule or --tolerance, not both", as_json=as_json)
        raise typer.Exit(NOTHING)
    if rule and rule not in overlays.dig_rules():
        _print_rules(f"no rule is called {rule!r}", as_json=as_json)
        raise typer.Exit(NOTHING)
    if out is None:
        raise typer.BadParameter("say where to write", param_hint="--out")
    chosen = rule or metres(tolerance, "--tolerance")
    refuse_picture(picture)
    with overlays.spoken(terms):
        made = overlays.zones(
            built,
            out,
            chosen,
            as_given=tolerance,
            dissolve=dissolve,
            unit=units or "",
            picture=picture,
            replace=replace,
        )
    nothing = not made.drawn.lines and not made.missing
    code = NOTHING if nothing else WITH_ERRORS if made.drawn.bare or made.missing else CLEAN
    _print(made, out, picture, as_json=as_json, exit_code=code)
    raise typer.Exit(code)


def _print_rules(why: str, *, as_json: bool) -> None:
    """Print every known rule with its source, for someone who has to choose one."""
    from lateralline.api import overlays

    rules = overlays.dig_rules().values()
    if as_json:
        content = {
            **head("zones", None, NOTHING),
            "error": why or "choose --rule or --tolerance: there is no default",
            "rules": [r.model_dump() | {"tolerance_m": r.tolerance_m} for r in rules],
            "jurisdiction": _JURISDICTION,
        }
        typer.echo(json_text(content))
        return
    out = console()
    if why:
        out.print(f"lateralline: {why}")
    out.print("Choose a rule with --rule KEY, or a distance with --tolerance; there is no default.")
    for r in rules:
        out.print(f"  {r.key:<8}{r.title}: {r.tolerance:g} {r.unit} each side")
        print_indented(out, r.statement, 10)
    out.print()
    print_indented(out, _JURISDICTION)


def _print(
    made: DigZones, folder: Path, picture: Path | None, *, as_json: bool, exit_code: int
) -> None:
    """Print what was drawn, by which rule, in the crew's unit, and what it lacks."""
    from lateralline.api import overlays

    rule, unit, drawn, unlocated = made.rule, made.unit, made.drawn, made.unlocated
    wrote = drawn.lines > 0 or len(unlocated) > 0
    if as_json:
        content = {
            **head("zones", folder if wrote else None, exit_code),
            "rule": rule.rule,
            "source": rule.source,
            "from_memory": rule.from_memory,
            "tolerance_m": rule.distance_m,
            "lines": drawn.lines,
            "without_corridor": [f"{site} {line}" for site, line in drawn.bare],
            "not_located": [overlays.unlocated_cells(row) for row in unlocated],
            "diameters_assumed": drawn.assumed,
        }
        typer.echo(json_text(content))
        return
    out = console()
    each = f"{as_written(rule.distance_m, unit)} each side of the pipe's outside"
    print_indented(out, f"{rule.title}: {each}")
    print_indented(out, rule.source, 2)
    if drawn.assumed:
        wide = as_written(overlays.UNKNOWN_DIAMETER_M, unit)
        text = (
            f"{counted(drawn.assumed, 'line')} of unknown outside diameter, drawn with a wide one: "
        )
        text += f"{wide}, or {overlays.UNKNOWN_WALLS_RATIO:g} times the inside"
        print_indented(out, text, 2, "yellow")
    if drawn.bare:
        names = ", ".join(f"{site} {line}" for site, line in drawn.bare[:20])
        text = "no corridor, so no zone that takes the error of position in: " + names
        print_indented(out, text, 2, "bold red")
    _print_unlocated(out, unlocated)
    also = f" and {picture}" if picture is not None and drawn.lines else ""
    last = "nothing written"
    if not wrote:
        out.print("No line is there: nothing was written.")
    elif drawn.lines:
        last = f"hand-dig zones of {counted(drawn.lines, 'line')} written to {folder}{also}"
    else:
        last = f"no hand-dig zone could be drawn, nor a picture; what is not located is in {folder}"
    print_last_words(last)


def _print_unlocated(out: Console, rows: Sequence[UnlocatedRow]) -> None:
    """Name what has no zone: lines first, then what lies past the ends of those that have one."""
    from lateralline.api.overlays import named

    placed = [row for row in rows if row.geometry is not None]
    for some, text, style in (
        (
            [row for row in rows if row.geometry is None],
            "not located, no zone and no place: it may be anywhere",
            "bold red",
        ),
        (
            [row for row in placed if row.extent != "beyond_end"],
            "not located, no zone: anywhere in its area of layer unlocated",
            "bold red",
        ),
        (
            [row for row in placed if row.extent == "beyond_end"],
            "not located, where the camera went: see layer unlocated",
            "yellow",
        ),
    ):
        if some:
            print_indented(out, f"{text}: {named(some)}", 2, style)
