"""What `zones` says: the rules there are, and what was drawn."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import typer
from rich.console import Console

from lateralline.api import CAUTION
from lateralline.api.overlays import (
    GEOMETRY,
    UNKNOWN_DIAMETER_M,
    UNKNOWN_WALLS_RATIO,
    DigZones,
    dig_rules,
    named,
    said,
)
from lateralline.cli.document import head
from lateralline.cli.options import NOTHING, console, print_indented
from lateralline.cli.report import print_last_words
from lateralline.wording import in_both

_JURISDICTION = (
    "A rule holds where its source says so, and a larger local value prevails. None of them is a "
    "clearance to dig."
)


def print_rules(why: str, *, as_json: bool) -> None:
    """Print every known rule with its source, for someone who has to choose one."""
    rules = dig_rules().values()
    if as_json:
        content = {
            **head("zones", None, NOTHING),
            "error": why or "choose --rule or --tolerance: there is no default",
            "rules": [r.model_dump() | {"tolerance_m": r.tolerance_m} for r in rules],
            "jurisdiction": _JURISDICTION,
        }
        typer.echo(json.dumps(content, indent=2, ensure_ascii=False))
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


def print_zones(
    made: DigZones, folder: Path, picture: Path | None, *, as_json: bool, exit_code: int
) -> None:
    """Print what was drawn, by which rule, in the crew's unit, and what it lacks."""
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
            "not_located": [said(row) for row in unlocated],
            "diameters_assumed": drawn.assumed,
        }
        typer.echo(json.dumps(content, indent=2, ensure_ascii=False))
        return
    out = console()
    each = f"{in_both(rule.distance_m, unit, 3)} each side of the pipe's outside"
    print_indented(out, f"{rule.title}: {each}")
    print_indented(out, rule.source, 2)
    if drawn.assumed:
        wide = in_both(UNKNOWN_DIAMETER_M, unit, 3)
        told = f"{drawn.assumed} line(s) of unknown outside diameter are drawn with a wide one: "
        told += f"{wide}, or {UNKNOWN_WALLS_RATIO:g} times the inside"
        print_indented(out, told, 2, "yellow")
    if drawn.bare:
        names = ", ".join(f"{site} {line}" for site, line in drawn.bare[:20])
        told = "no corridor, so no zone that takes the error of position in: " + names
        print_indented(out, told, 2, "bold red")
    _print_unlocated(out, unlocated)
    also = f" and {picture}" if picture is not None and drawn.lines else ""
    last = "nothing written"
    if not wrote:
        out.print("No line is there: nothing was written.")
    elif drawn.lines:
        last = f"dig zones of {drawn.lines} line(s) written to {folder}{also}"
    else:
        last = f"no dig zone could be drawn, nor a picture; what is not located is in {folder}"
    print_last_words(out, last, CAUTION)


def _print_unlocated(out: Console, rows: Sequence[dict[str, Any]]) -> None:
    """Name what has no zone: lines first, then what lies past the ends of those that have one."""
    placeless = [row for row in rows if row[GEOMETRY] is None]
    areas = [row for row in rows if row[GEOMETRY] is not None and row["extent"] != "beyond_end"]
    ends = [row for row in rows if row[GEOMETRY] is not None and row["extent"] == "beyond_end"]
    for some, told, style in (
        (placeless, "not located, no zone and no place: it may be anywhere", "bold red"),
        (
            areas,
            "not located, no zone: anywhere in its area of layer unlocated",
            "bold red",
        ),
        (ends, "not located past an end, where the camera went: see layer unlocated", "yellow"),
    ):
        if some:
            print_indented(out, f"{told}: {named(some)}", 2, style)
