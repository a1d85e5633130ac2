"""Practice sites with known truth, and what simulated stops and lines prove of the claims."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from lateralline.errors import extra
from lateralline.simulate import ADDITIONS, SCENARIOS, make_addition, make_site

if TYPE_CHECKING:
    from lateralline.proof.city import CityFigure
    from lateralline.register.speed import PublishSpeed

__all__ = [
    "ADDITIONS",
    "SCENARIOS",
    "ProofTables",
    "city_speed",
    "make_addition",
    "make_site",
    "prove_lines",
    "prove_register",
    "prove_stops",
    "prove_world",
    "publish_speed",
    "register_speed",
    "speed",
    "world_cases",
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


def prove_register(count: int = 2_000, seed: int = 1) -> ProofTables:
    """Return how often one pipe, drawn by a record and by a register, is called moved.

    Beside it how far a line must lie off to be seen, and how often the chainage of a lateral on its
    main is held. `count` pairs of each kind; the same seed gives the same table.
    """
    from lateralline.proof import lines, tables
    from lateralline.proof.register_truth import prove_register as prove_pairs

    rows = prove_pairs(count, seed)
    title = f"Records against registers ({count:,} pairs of each kind)"
    return ProofTables({title: tables.lines_table(rows)}, lines.misses(rows))


def prove_world(
    count: int | None = None,
    seed: int = 1,
    only: Sequence[str] = (),
    on_case: Callable[[str, float], None] | None = None,
    workers: int | None = 1,
) -> ProofTables:
    """Return what the claims come to where the ground is not the model, case by case.

    `count` lines of each case, or as many as the bounds are meant for; all cases, or those named in
    `only`. `on_case` gets the name of each as it is done, and the seconds of CPU a line took to
    build. The same seed gives the same tables, however many processes `workers` are; None for all
    cores.
    """
    from lateralline.proof import lines, tables, world

    results = []
    for result in world.prove_world(count, seed, only, workers):
        results.append(result)
        if on_case is not None:
            on_case(result.case.name, result.cpu_s)
    asked = [r for r in results if not only or r.case.name in only]
    rows = world.world_bounds(asked)
    made = {
        "Lines outside the model": tables.world_table(results),
        "What is said of them": tables.said_table(results),
        "Bounds outside the model": tables.lines_table(rows),
    }
    return ProofTables(made, lines.misses(rows))


def world_cases() -> tuple[str, ...]:
    """Return the names of the cases of `prove_world`."""
    from lateralline.proof.world import CASES

    return tuple(case.name for case in CASES)


def register_speed(count: int = 10_000, seed: int = 1) -> float:
    """Return seconds of CPU that matching `count` lines against as many of a register takes."""
    from lateralline.proof.register_truth import cpu_seconds

    return cpu_seconds(count, seed)


def publish_speed(url: str, record: Path | str, runs: int = 3) -> PublishSpeed:
    """Return rows a second that publishing a record takes, beside plain COPY of the same rows.

    In databases of its own on the server of `url`, dropped again; whoever asks may make databases
    there. Raises RegisterError, NotARecordError, MissingExtraError.
    """
    with extra("postgis", "a register"):
        from lateralline.register.speed import publish_speed as measured
    from lateralline.api.records import load

    return measured(url, load(record).asbuilt, runs)


def speed(seed: int = 1) -> str:
    """Return stops per second as a table: the batched solver beside a loop over scipy's own."""
    from lateralline.proof import tables
    from lateralline.proof.speed import measure

    return tables.speed_table(list(measure(seed)))


def city_speed(
    sizes: Sequence[int] = (),
    publish: str = "",
    on_figure: Callable[[CityFigure], None] | None = None,
) -> str:
    """Return what cities of so many invented sites cost, as a Markdown table beside its floors.

    With `publish`, the URL of a server, the record of the largest is published beside plain COPY
    (`publish_speed`). `on_figure` gets each row as it is known. Raises as `publish_speed`,
    RuntimeError for a command that fails.
    """
    from lateralline.proof.city import SIZES, CityFigure, city_table

    def published(record: Path) -> Iterator[CityFigure]:
        if publish:
            found = publish_speed(publish, record)
            beside = f"{found.published_per_s:,.0f} rows a second over {found.copied_per_s:,.0f}"
            yield CityFigure("publish over plain COPY", f"{found.ratio:.2f} ×", beside)

    return city_table(sizes or SIZES, on_figure, published)
