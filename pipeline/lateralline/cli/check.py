"""`lateralline check`: everything `build` does, except writing."""

from __future__ import annotations

import typer

from lateralline.cli.command import NOTHING
from lateralline.cli.options import AsJson, Full, Quiet, Replace, ReportFile, Sites, Terms, Workers
from lateralline.cli.report import Manner, Outcome, find_sites, print_outcome, reported


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
