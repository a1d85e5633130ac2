"""Run the sites a person named, say how each went, and sum up: shared by `build` and `check`."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import typer
from rich.progress import Progress

from lateralline import api
from lateralline.cli import document, report
from lateralline.cli.options import CLEAN, NOTHING, WITH_ERRORS, console


def find_sites(paths: Iterable[Path]) -> list[Path]:
    """Return every site under `paths`; raises typer.BadParameter for a path that holds none."""
    try:
        return api.find_sites(paths)
    except api.UnknownSiteError as e:
        raise typer.BadParameter(str(e), param_hint="SITE") from e


@dataclass(slots=True)
class Outcome:
    """How a batch went: only what is reported later is kept of each site."""

    summaries: list[tuple[Path, api.SiteSummary]] = field(default_factory=list)
    failures: list[api.SiteFailure] = field(default_factory=list)

    def counted(self, done: str, where: str = "") -> str:
        """Say how many sites were `done`: "3 sites built into out; 1 not built (12 faults)"."""
        good, bad = len(self.summaries), len(self.failures)
        faults = sum(len(failure.faults) for failure in self.failures)
        said = "1 site" if good == 1 else f"{good or 'no'} sites"
        said += f" {done}"
        said += where if good else ""
        if bad:
            said += f"; {bad} not {done}"
        many = "1 fault" if faults == 1 else f"{faults} faults"
        return said + (f" ({many})" if faults else "")

    @property
    def exit_code(self) -> int:
        """0 no error findings, 1 with some or some sites failed, 2 when no site came through."""
        if not self.summaries:
            return NOTHING
        errors = any(summary.count("error") for _, summary in self.summaries)
        return WITH_ERRORS if errors or self.failures else CLEAN


@contextmanager
def reported(
    sources: list[Path], outcome: Outcome, *, quiet: bool, as_json: bool
) -> Iterator[Callable[[api.SiteResult | api.SiteFailure], None]]:
    """Yield what takes each site as it comes into `outcome`, and says how it went.

    With a progress bar when several sites run on a terminal; silent when `as_json`.
    """
    out = console()

    def take(result: api.SiteResult | api.SiteFailure) -> None:
        if isinstance(result, api.SiteFailure):
            outcome.failures.append(result)
            if not as_json:
                report.print_failure(out, result, errors_only=quiet)
            return
        summary = result.summary()
        outcome.summaries.append((result.source, summary))
        if not as_json:
            report.print_summary(out, summary, errors_only=quiet)

    if quiet or as_json or len(sources) < 2 or not out.is_terminal:
        yield take
        return
    with Progress(console=out, transient=True) as progress:
        task = progress.add_task("sites", total=len(sources))

        def advance(result: api.SiteResult | api.SiteFailure) -> None:
            progress.advance(task)
            take(result)

        yield advance


def print_outcome(
    outcome: Outcome,
    command: str,
    said: str,
    *,
    quiet: bool,
    as_json: bool,
    exit_code: int,
    out: Path | None = None,
) -> None:
    """Print how a batch went: the JSON document, or `said` and the caution.

    `out` is the folder that was written, None when none was.
    """
    if as_json:
        typer.echo(
            document.batch_document(command, outcome.summaries, outcome.failures, out, exit_code)
        )
    elif not quiet:
        report.print_last_words(console(), said, api.CAUTION)
