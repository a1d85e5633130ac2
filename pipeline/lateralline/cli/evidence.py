"""`lateralline practice`, `prove` and `bench`: how well it all works, on invented ground."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from lateralline.cli.command import WITH_ERRORS
from lateralline.cli.options import Workers, argument, option
from lateralline.wording import counted

if TYPE_CHECKING:
    from lateralline.api.evidence import ProofTables


def practice(
    folder: Annotated[
        Path | None, argument("Folder to make; it must not be there yet.", metavar="FOLDER")
    ] = None,
    scenario: Annotated[
        str, typer.Option(metavar="NAME", help="Kind of site; see --list.")
    ] = "tape-ties",
    seed: Annotated[
        int | None,
        option(
            "Same seed, same site; else the scenario's own, which gives the sample site.",
            at_least=0,
        ),
    ] = None,
    second_visit: Annotated[
        bool,
        typer.Option(
            "--added", help="What a second visit adds to that site, for update, in its place."
        ),
    ] = False,
    show_list: Annotated[bool, typer.Option("--list", help="List the scenarios and stop.")] = False,
) -> None:
    """Make a practice site with known truth.

    Ground, pipe and people are invented and the readings simulated. Build it, then compare with
    its truth.json to see how well such a survey can do.

    \b
    Example:
      lateralline practice --list
      lateralline practice sites/practice-1 --scenario slope-levels --seed 7
      lateralline practice second-visit --scenario gnss-bend-branch --added
    """
    from lateralline.api.evidence import ADDITIONS, SCENARIOS, make_addition, make_site

    if show_list:
        width = max(map(len, SCENARIOS))
        for known in SCENARIOS.values():
            typer.echo(f"{known.name:<{width}}  {known.description}")
        return
    if folder is None:
        raise typer.BadParameter(
            "say where to put the site, or ask for --list", param_hint="FOLDER"
        )
    if scenario not in SCENARIOS:
        known_names = ", ".join(SCENARIOS)
        raise typer.BadParameter(
            f"no {scenario!r}; there are: {known_names}", param_hint="--scenario"
        )
    if second_visit:
        if scenario not in ADDITIONS:
            raise typer.BadParameter(
                f"no second visit to {scenario!r}; there are: {', '.join(ADDITIONS)}",
                param_hint="--added",
            )
        added = ADDITIONS[scenario]
        make_addition(added, folder, seed=seed)
        typer.echo(f"wrote {folder}: {added.description}")
        typer.echo(f"next: lateralline update SITE {folder} -o NEWSITE")
        return
    chosen = SCENARIOS[scenario]
    make_site(chosen, chosen.seed if seed is None else seed, folder)
    typer.echo(f"wrote {folder}: {chosen.description}; its truth is in truth.json")
    typer.echo(f"next: lateralline check {folder}")


def prove(
    what: Annotated[
        Literal["stops", "lines", "world", "register"] | None,
        argument("Only stops, lines, world or register; all when left out."),
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
    workers: Workers = None,
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
    if cases and what not in (None, "world"):
        raise typer.BadParameter("names cases of world", param_hint="--only")
    for unknown in sorted(set(cases) - set(evidence.world_cases())):
        known = ", ".join(evidence.world_cases())
        raise typer.BadParameter(f"no {unknown!r}; there are: {known}", param_hint="--only")
    missed: list[str] = []
    if what in (None, "stops"):
        missed += _print_proof(evidence.prove_stops(stops, seed))
    if what in (None, "lines"):
        missed += _print_proof(evidence.prove_lines(lines or 500, seed))
    if what in (None, "register"):
        missed += _print_proof(evidence.prove_register(pairs, seed))
    if what in (None, "world"):
        missed += _print_proof(evidence.prove_world(lines, seed, cases, _print_progress, workers))
    for miss in missed:
        typer.echo(f"missed: {miss}", err=True)
    if missed:
        raise typer.Exit(WITH_ERRORS)
    typer.echo("every bound holds")


def _print_progress(case: str, cpu_s: float) -> None:
    typer.echo(f"{case} done, {cpu_s:.2f} s of CPU a line", err=True)


def _print_proof(proof: ProofTables) -> list[str]:
    for title, table in proof.tables.items():
        typer.echo(f"{title}\n\n{table}\n")
    return proof.missed


def bench(
    record: Annotated[
        Path | None, typer.Argument(help="A built record, for --publish.", show_default=False)
    ] = None,
    seed: Annotated[int, typer.Option(min=0, help="Seed of the simulated stops.")] = 1,
    register: Annotated[
        int, typer.Option(min=0, help="Time the match of so many lines against as many instead.")
    ] = 0,
    city: Annotated[
        str,
        typer.Option(
            metavar="N,N…",
            help="Time building and showing cities of so many sites instead, beside floors.",
        ),
    ] = "",
    publish: Annotated[
        str,
        typer.Option(
            metavar="URL", help="Time how RECORD is published, on the server of this database."
        ),
    ] = "",
) -> None:
    """Compare the batched solver with a loop over scipy's own.

    The same stops, residuals, weights and analytic Jacobian; the loop runs on one thread, the
    batch on one and on all. Figures are ratios on this machine at this time; the peak memory is
    that of the whole process so far, and apart is how far the two solutions lie from each other.

    With --register it is the CPU of holding lines against those of a register, in memory.

    With --city it is a Markdown table of what invented cities of so many sites cost: build, check,
    page, sheet and DXF as you run them, each beside a floor measured in the same run. 5,15 takes
    some minutes, 100,1000,10000,100000 many hours of processor time.

    With --publish it is rows a second of publishing RECORD, from the file to the last commit,
    beside plain COPY of the same rows from memory into the same tables, and into bare ones: the
    best of three runs each, in databases that are made for it on that server and dropped again.

    \b
    Example:
      lateralline bench
      lateralline bench --register 10000
      lateralline bench --city 5,15 > BENCH.md
      lateralline bench out --publish postgresql://owner@db/gis
    """
    from lateralline.api.evidence import city_speed, publish_speed, register_speed, speed

    if city:
        if record is not None or register:
            raise typer.BadParameter("makes its own sites", param_hint="--city")
        typer.echo(city_speed(_numbers(city), publish, lambda f: typer.echo(f.what, err=True)))
        return
    if (record is None) != (not publish):
        raise typer.BadParameter("a record and --publish go together")
    if record is not None:
        found = publish_speed(publish, record)
        typer.echo(
            f"{found.rows} rows of {counted(found.sites, 'site')}, a second:\n"
            f"  {found.published_per_s:9,.0f}  published, {found.ratio:.2f} of plain COPY\n"
            f"  {found.copied_per_s:9,.0f}  plain COPY into the same tables\n"
            f"  {found.bare_per_s:9,.0f}  plain COPY into bare tables\n"
            f"  {found.again_per_s:9,.0f}  published again, nothing new"
        )
        return
    if register:
        cpu_s = register_speed(register, seed)
        typer.echo(f"{register} lines against {register}: {cpu_s:.1f} s of CPU")
        return
    typer.echo(speed(seed))


def _numbers(text: str) -> list[int]:
    found = [part.strip() for part in text.split(",")]
    if not all(part.isdecimal() and 0 < int(part) <= 1_000_000 for part in found):
        must = f"must be numbers of sites up to a million, as 5,15; got {text!r}"
        raise typer.BadParameter(must, param_hint="--city")
    return [int(part) for part in found]
