"""`lateralline prove`: simulated stops and lines with known truth against what is claimed."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated

import typer

from lateralline.cli.options import WITH_ERRORS


class What(StrEnum):
    """What is proven."""

    STOPS = "stops"
    LINES = "lines"


def prove(
    what: Annotated[
        What | None,
        typer.Argument(help="Only stops, or only lines; both when left out.", show_default=False),
    ] = None,
    stops: Annotated[int, typer.Option(min=100, help="Stops simulated per scenario.")] = 10_000,
    lines: Annotated[int, typer.Option(min=1, help="Lines simulated.")] = 500,
    seed: Annotated[int, typer.Option(min=0, help="Same seed, same tables.")] = 1,
) -> None:
    """Prove error bars and accuracy on simulated stops and lines.

    Of stops: how often 95 % regions hold the truth, errors against the theoretical bound, the rule
    of hand on the same stops, and what wrong assumptions do. Of lines: how far the adjusted
    centreline is from the true one and how far a draftsman's would be, whether the corridor holds
    the whole pipe, bends found, planted blunders named. Ends with exit code 1 when a bound is
    missed. Ten thousand stops a scenario, and five hundred lines, take a few minutes each.

    \b
    Example:
      lateralline prove
      lateralline prove stops --stops 2000 --seed 7
      lateralline prove lines --lines 100
    """
    missed: list[str] = []
    if what in (None, What.STOPS):
        missed += _stops(stops, seed)
    if what in (None, What.LINES):
        missed += _lines(lines, seed)
    for miss in missed:
        typer.echo(f"missed: {miss}", err=True)
    if missed:
        raise typer.Exit(WITH_ERRORS)
    typer.echo("every bound holds")


def _stops(count: int, seed: int) -> list[str]:
    from lateralline.proof import tables
    from lateralline.proof.coverage import prove as prove_one
    from lateralline.proof.scenarios import GUESSED, SCENARIOS, WRONG

    bounded = [prove_one(s, count, seed) for s in SCENARIOS]
    guessed = [prove_one(s, count, seed) for s in GUESSED]
    wrong = [prove_one(s, count, seed) for s in (SCENARIOS[0], *WRONG)]
    for title, table in (
        (f"Error bars and accuracy ({tables.bounds()})", tables.coverage_table(bounded)),
        ("Heading only guessed from neighbours (no bound)", tables.coverage_table(guessed)),
        ("Root mean square error, adjusted and by the rule of hand", tables.hand_table(bounded)),
        ("Told wrongly", tables.wrong_table(wrong)),
    ):
        typer.echo(f"{title}\n\n{table}\n")
    return [miss for outcome in bounded for miss in outcome.misses]


def _lines(count: int, seed: int) -> list[str]:
    from lateralline.proof.lines import misses, prove_lines
    from lateralline.proof.tables import lines_table

    rows = prove_lines(count, seed)
    typer.echo(f"Adjusted lines against their truth ({count:,} lines)\n\n{lines_table(rows)}\n")
    return misses(rows)
