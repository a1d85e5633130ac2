"""`lateralline check` and `accept`: what a build finds, and findings that somebody answers for."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Annotated

import typer

from lateralline.cli.command import NOTHING
from lateralline.cli.options import (
    AsJson,
    Full,
    Quiet,
    Replace,
    ReportFile,
    Sites,
    Terms,
    Workers,
    argument,
    option,
)
from lateralline.cli.report import (
    Manner,
    Outcome,
    find_sites,
    only_site,
    print_last_words,
    print_outcome,
    reported,
)


def check(
    sites: Sites,
    full: Full = False,
    terms: Terms = None,
    workers: Workers = None,
    report: ReportFile = None,
    replace: Replace = False,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Check field records; write nothing but a report.

    Does all that build does except writing; a report is written where it is asked for. Every
    fault is named; of the findings, those that ask for action stand on one screen, each cause
    once, and --full prints all.

    Exit code: 0 no error findings (warnings may be there); 1 with error findings; 2 when a site has
    faults and cannot be built.

    \b
    Example:
      lateralline check sites/EX-001
      lateralline check sites --report check.txt
      lateralline check sites --json
    """
    from lateralline import api

    sources, outcome = find_sites(sites), Outcome()
    manner = Manner(quiet, as_json, full, report, replace, terms)
    with reported(sources, outcome, manner) as on_site:
        api.check(sources, on_site=on_site, workers=workers)
    written = "nothing was written" if report is None else f"the report is {report}"
    message = f"{outcome.counted('checked')}; {written}."
    code = NOTHING if outcome.failures else outcome.exit_code
    print_outcome(outcome, "check", message, manner, exit_code=code)
    raise typer.Exit(code)


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

    source = only_site(site)
    try:
        day = date.fromisoformat(on) if on else None
    except ValueError as e:
        message = f'must be a day such as 2026-05-06; got "{on}"'
        raise typer.BadParameter(message, param_hint="--on") from e
    found = acceptances.accept(source, code, subject, by=by, reason=reason, on=day, cause=cause)
    print_last_words(f"accepted: {found.title}, {found.subject} ({found.cause})")
