"""`lateralline prove`: simulated stops with known truth against what the solver claims."""

from __future__ import annotations

from typing import Annotated

import typer

from lateralline.cli.options import WITH_ERRORS


def prove(
    stops: Annotated[int, typer.Option(min=100, help="Stops simulated per scenario.")] = 10_000,
    seed: Annotated[int, typer.Option(min=0, help="Same seed, same tables.")] = 1,
) -> None:
    """Prove error bars and accuracy on simulated stops.

    Prints how often 95 % regions hold the truth, errors against the theoretical bound, the rule of
    hand on the same stops, and what wrong assumptions do. Ends with exit code 1 when a bound is
    missed. Ten thousand stops a scenario take a few minutes.

    \b
    Example:
      lateralline prove
      lateralline prove --stops 2000 --seed 7
    """
    from lateralline.proof import tables
    from lateralline.proof.coverage import prove as prove_one
    from lateralline.proof.scenarios import GUESSED, SCENARIOS, WRONG

    bounded = [prove_one(s, stops, seed) for s in SCENARIOS]
    guessed = [prove_one(s, stops, seed) for s in GUESSED]
    wrong = [prove_one(s, stops, seed) for s in (SCENARIOS[0], *WRONG)]
    misses = [miss for outcome in bounded for miss in outcome.misses]
    for title, table in (
        (f"Error bars and accuracy ({tables.bounds()})", tables.coverage_table(bounded)),
        ("Heading only guessed from neighbours (no bound)", tables.coverage_table(guessed)),
        ("Root mean square error, adjusted and by the rule of hand", tables.hand_table(bounded)),
        ("Told wrongly", tables.wrong_table(wrong)),
    ):
        typer.echo(f"{title}\n\n{table}\n")
    for miss in misses:
        typer.echo(f"missed: {miss}", err=True)
    if misses:
        raise typer.Exit(WITH_ERRORS)
    typer.echo("every bound holds")
