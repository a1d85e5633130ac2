"""`lateralline calibrate`: accuracies learned from what built records' residuals say."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from lateralline.cli.command import CLEAN, NOTHING
from lateralline.cli.options import Records, Replace, option
from lateralline.cli.report import print_last_words
from lateralline.wording import counted

if TYPE_CHECKING:
    from collections.abc import Iterable

    from lateralline.api.records import Learned


def calibrate(
    built: Records,
    out: Annotated[Path, option("File to write (.toml).", "--out", "-o", metavar="FILE")],
    replace: Replace = False,
) -> None:
    """Learn accuracies from built records.

    How far receivers, marks, tilts, depth readings and counters really err, by what they left in
    the residuals: of all crews together, and of each receiver and surveyor; and how many bends a
    metre of pipe has. A site that says from = "FILE" under [accuracy] is solved with them.

    Exit code: 0 written; 2 the records hold too little, and nothing is written.

    \b
    Example:
      lateralline calibrate out -o accuracies.toml
      lateralline calibrate city-a city-b -o accuracies.toml --replace
    """
    from lateralline.api import records

    found = records.calibrate(built, out, replace=replace)
    _print("all crews", found.together)
    for (receiver, surveyor), learned in found.crews.items():
        name = ", ".join(filter(None, (receiver and f"receiver {receiver}", surveyor)))
        if name:
            _print(name, learned)
    if not found.told:
        print_last_words("nothing written: too few spare measurements to learn an accuracy from")
        raise typer.Exit(NOTHING)
    for one in found.once:
        left = ", ".join(map(str, one.left))
        typer.echo(f"site {one.site} counted once: from {one.counted}, not again from {left}")
    print_last_words(f"wrote {out}: accuracies of {counted(found.sites, 'site')}")
    raise typer.Exit(CLEAN)


def _print(title: str, learned: Iterable[Learned]) -> None:
    typer.echo(f"{title}:")
    for one in learned:
        few = "" if one.sure else ", too few to claim by"
        typer.echo(
            f"  {one.key} {one.value:.4g} (95 %: {one.lower_95:.4g} to {one.upper_95:.4g}; "
            f"{one.rests_on}{few})"
        )
