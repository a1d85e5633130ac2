"""`lateralline accept`: a finding that somebody answers for, written into the site."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Annotated

import typer

from lateralline.cli.options import argument, option
from lateralline.cli.report import find_sites, print_last_words


def accept(
    site: Annotated[Path, argument("Site folder.", metavar="SITE", exists=True)],
    code: Annotated[
        str, argument("Code of the finding, as in the layer findings.", metavar="CODE")
    ],
    subject: Annotated[str, argument('What it is about, as "stop R1/4".', metavar="SUBJECT")],
    by: Annotated[str, option("Who answers for it.", metavar="NAME")],
    reason: Annotated[str, option("Why it is accepted.", metavar="TEXT")],
    on: Annotated[str, option("Since when, as 2026-05-06; else today.", metavar="DAY")] = "",
    cause: Annotated[
        str, option("Which of several with one code and subject.", metavar="CAUSE")
    ] = "",
) -> None:
    """Accept a finding by name, day and reason.

    [[accepted]] is added at the end of the site's site.toml; all else in it stays. The finding
    stays on record, is listed as accepted, and no longer counts as an error or warning. It holds
    for these figures alone: when they change, the finding is asked for again. What is not located
    stays not located, and no clearance changes. No acceptance is a clearance to dig.

    Exit code: 0 written; 2 nothing written.

    \b
    Example:
      lateralline accept sites/EX-001 mark-blunder "mark 3B" --by Crew-B --reason "kerb moved"
    """
    from lateralline.api import acceptances

    source, *others = find_sites([site])
    if others:
        raise typer.BadParameter(
            f"{site} holds {len(others) + 1} sites; name one", param_hint="SITE"
        )
    try:
        day = date.fromisoformat(on) if on else None
    except ValueError as e:
        message = f'must be a day such as 2026-05-06; got "{on}"'
        raise typer.BadParameter(message, param_hint="--on") from e
    found = acceptances.accept(source, code, subject, by=by, reason=reason, on=day, cause=cause)
    print_last_words(f"accepted: {found.title}, {found.subject} ({found.cause})")
