"""`lateralline check`: everything `build` does, except writing."""

from __future__ import annotations

import typer

from lateralline.cli.command import NOTHING
from lateralline.cli.options import AsJson, Quiet, Sites
from lateralline.cli.report import Outcome, find_sites, print_outcome, reported


def check(sites: Sites, as_json: AsJson = False, quiet: Quiet = False) -> None:
    """Check field records; write nothing.

    Does all that build does except writing, and reports every fault and finding.

    Exit code: 0 no error findings (warnings may be there); 1 with error findings; 2 when a site has
    faults and cannot be built.

    \b
    Example:
      lateralline check sites/EX-001
      lateralline check sites --json
    """
    from lateralline import api

    sources, outcome = find_sites(sites), Outcome()
    with reported(sources, outcome, quiet=quiet, as_json=as_json) as on_site:
        api.check(sources, on_site=on_site)
    message = f"{outcome.counted('checked')}; nothing was written."
    code = NOTHING if outcome.failures else outcome.exit_code
    print_outcome(outcome, "check", message, quiet=quiet, as_json=as_json, exit_code=code)
    raise typer.Exit(code)
