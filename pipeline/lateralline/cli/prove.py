"""`lateralline prove`: simulated stops and lines with known truth against what is claimed."""

from __future__ import annotations

from enum import StrEnum
from typing import TYPE_CHECKING, Annotated

import typer

from lateralline.cli.command import WITH_ERRORS
from lateralline.cli.options import argument

if TYPE_CHECKING:
    from lateralline.api.evidence import ProofTables


class What(StrEnum):
    """What is proven."""

    STOPS = "stops"
    LINES = "lines"
    WORLD = "world"
    REGISTER = "register"


def prove(
    what: Annotated[
        What | None, argument("Only stops, lines, world or register; all when left out.")
    ] = None,
    stops: Annotated[int, typer.Option(min=100, help="Stops simulated per scenario.")] = 10_000,
    lines: Annotated[
        int | None,
        typer.Option(
            min=1,
            help="Lines simulated; of world for each case.",
            show_default="500; of world 300, of curved cases 500",
        ),
    ] = None,
    pairs: Annotated[
        int, typer.Option(min=100, help="Pairs of lines simulated of each kind of register.")
    ] = 2_000,
    only: Annotated[
        list[str] | None,
        typer.Option(metavar="CASE", help="Of world only this case; may be repeated."),
    ] = None,
    seed: Annotated[int, typer.Option(min=0, help="Same seed, same tables.")] = 1,
) -> None:
    """Prove error bars and accuracy on simulated stops and lines.

    Of stops: how often 95 % regions hold the truth, errors against the theoretical bound, the rule
    of hand on the same stops, and what wrong assumptions do. Of lines: how far the adjusted
    centreline is from the true one and how far a draftsman's would be, whether the corridor holds
    the whole pipe, bends found, planted blunders named. Of world the same claims where the ground
    is not as lateralline assumes: pipe in sweeps, steel nearby, a receiver held up and more, one
    case each. Ends with exit code 1 when a bound is missed. Ten thousand stops a scenario, and
    five hundred lines, take a few minutes each; the world takes an hour.

    \b
    Example:
      lateralline prove
      lateralline prove stops --stops 2000 --seed 7
      lateralline prove lines --lines 100
      lateralline prove world --only sweeps --lines 100
    """
    from lateralline.api import evidence

    cases = only or []
    if cases and what not in (None, What.WORLD):
        raise typer.BadParameter("names cases of world", param_hint="--only")
    for unknown in sorted(set(cases) - set(evidence.world_cases())):
        known = ", ".join(evidence.world_cases())
        raise typer.BadParameter(f"no {unknown!r}; there are: {known}", param_hint="--only")
    missed: list[str] = []
    if what in (None, What.STOPS):
        missed += _print_proof(evidence.prove_stops(stops, seed))
    if what in (None, What.LINES):
        missed += _print_proof(evidence.prove_lines(lines or 500, seed))
    if what in (None, What.REGISTER):
        missed += _print_proof(evidence.prove_register(pairs, seed))
    if what in (None, What.WORLD):
        missed += _print_proof(evidence.prove_world(lines, seed, cases, _progress))
    for miss in missed:
        typer.echo(f"missed: {miss}", err=True)
    if missed:
        raise typer.Exit(WITH_ERRORS)
    typer.echo("every bound holds")


def _progress(case: str, cpu_s: float) -> None:
    typer.echo(f"{case} done, {cpu_s:.2f} s of CPU a line", err=True)


def _print_proof(proof: ProofTables) -> list[str]:
    for title, table in proof.tables.items():
        typer.echo(f"{title}\n\n{table}\n")
    return proof.missed
