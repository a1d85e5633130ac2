"""`lateralline practice`: an invented site whose true pipe is known."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from lateralline.cli.options import NewFolder, option


def practice(
    folder: Annotated[Path | None, NewFolder] = None,
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
