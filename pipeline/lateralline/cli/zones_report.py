"""What `zones` says: the rules there are, and what was drawn."""

from __future__ import annotations

import json
from pathlib import Path

import typer

from lateralline import __version__
from lateralline.cli.options import console, print_indented
from lateralline.cli.report import print_last_words
from lateralline.derive.dig import UNKNOWN_DIAMETER_M, UNKNOWN_WALLS_RATIO, Tolerance
from lateralline.published import dig_rules
from lateralline.summary import CAUTION
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
            "lateralline": __version__,
            "command": "zones",
            "caution": CAUTION,
            "out": None,
            "exit_code": 2,
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
        print_indented(out, r.said, 10)
    out.print()
    print_indented(out, _JURISDICTION)


def print_zones(
    rule: Tolerance,
    unit: str,
    lines: int,
    bare: list[tuple[str, str]],
    assumed: int,
    folder: Path,
    picture: Path | None,
    *,
    as_json: bool,
    exit_code: int,
) -> None:
    """Print what was drawn, by which rule, in `unit` with metres beside feet, and what it lacks."""
    if as_json:
        content = {
            "lateralline": __version__,
            "command": "zones",
            "caution": CAUTION,
            "out": str(folder) if lines else None,
            "exit_code": exit_code,
            "rule": rule.rule,
            "source": rule.source,
            "from_memory": rule.from_memory,
            "tolerance_m": rule.distance_m,
            "lines": lines,
            "without_corridor": [f"{site} {line}" for site, line in bare],
            "diameters_assumed": assumed,
        }
        typer.echo(json.dumps(content, indent=2, ensure_ascii=False))
        return
    out = console()
    each = f"{in_both(rule.distance_m, unit, 3)} each side of the pipe's outside"
    print_indented(out, f"{rule.title}: {each}")
    print_indented(out, rule.source, 2)
    if assumed:
        said = f"{assumed} line(s) of unknown outside diameter are drawn with a wide one: "
        said += (
            f"{in_both(UNKNOWN_DIAMETER_M, unit, 3)}, or {UNKNOWN_WALLS_RATIO:g} times the inside"
        )
        print_indented(out, said, 2, "yellow")
    if bare:
        names = ", ".join(f"{site} {line}" for site, line in bare[:20])
        said = "no corridor, so no zone that takes the error of position in: " + names
        print_indented(out, said, 2, "bold red")
    if not lines:
        out.print("No line is there: nothing was written.")
    also = f" and {picture}" if picture is not None else ""
    wrote = "nothing written"
    if lines:
        wrote = f"dig zones of {lines} line(s) written to {folder}{also}"
    print_last_words(out, wrote, CAUTION)
