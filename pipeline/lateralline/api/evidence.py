"""Practice sites with known truth, and what simulated stops and lines prove of the claims."""

from __future__ import annotations

from dataclasses import dataclass

from lateralline.simulate import ADDITIONS, SCENARIOS, make_addition, make_site

__all__ = [
    "ADDITIONS",
    "SCENARIOS",
    "ProofTables",
    "make_addition",
    "make_site",
    "prove_lines",
    "prove_stops",
    "speed",
]


@dataclass(frozen=True, slots=True)
class ProofTables:
    """Tables by title, as Markdown, and the bounds that were missed."""

    tables: dict[str, str]
    missed: list[str]


def prove_stops(count: int = 10_000, seed: int = 1) -> ProofTables:
    """Return how often 95 % regions hold the truth of `count` simulated stops a scenario.

    Beside it the errors against the theoretical bound, the rule of hand on the same stops, and
    what wrong assumptions do. The same seed gives the same tables.
    """
    from lateralline.proof import tables
    from lateralline.proof.coverage import prove as prove_scenario
    from lateralline.proof.scenarios import GUESSED, WRONG
    from lateralline.proof.scenarios import SCENARIOS as STOP_SCENARIOS

    bounded = [prove_scenario(s, count, seed) for s in STOP_SCENARIOS]
    guessed = [prove_scenario(s, count, seed) for s in GUESSED]
    wrong = [prove_scenario(s, count, seed) for s in (STOP_SCENARIOS[0], *WRONG)]
    made = {
        f"Error bars and accuracy ({tables.bounds()})": tables.coverage_table(bounded),
        "Heading only guessed from neighbours (no bound)": tables.coverage_table(guessed),
        "Root mean square error, adjusted and by the rule of hand": tables.hand_table(bounded),
        "Told wrongly": tables.wrong_table(wrong),
    }
    return ProofTables(made, [miss for outcome in bounded for miss in outcome.misses])


def prove_lines(count: int = 500, seed: int = 1) -> ProofTables:
    """Return how far `count` adjusted lines are from their truth, and what else is claimed of them.

    Corridors that hold the whole pipe, bends found, planted blunders named, false alarms. The same
    seed gives the same table.
    """
    from lateralline.proof import lines, tables

    rows = lines.prove_lines(count, seed)
    title = f"Adjusted lines against their truth ({count:,} lines)"
    return ProofTables({title: tables.lines_table(rows)}, lines.misses(rows))


def speed(seed: int = 1) -> str:
    """Return stops per second as a table: the batched solver beside a loop over scipy's own."""
    from lateralline.proof import tables
    from lateralline.proof.speed import measure

    return tables.speed_table(list(measure(seed)))
