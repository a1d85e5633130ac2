"""Sites one by one and in a batch, in plain words and in the units the crew measured in."""

from __future__ import annotations

import io
import math
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from time import monotonic
from typing import TYPE_CHECKING, Final, Literal

import typer
from rich.console import Console
from rich.text import Text

from lateralline import api
from lateralline.cli.command import CLEAN, NOTHING, WITH_ERRORS, batch_document
from lateralline.cli.terminal import console, console_into, print_indented
from lateralline.measure import Measure
from lateralline.units import METRES_PER
from lateralline.wording import (
    SEVERITY_NAMES,
    counted,
    rounded_up,
    shown,
    sign_shown,
    with_own_unit,
)

if TYPE_CHECKING:
    from lateralline.api import Finding, LineSummary, SiteFailure, SiteResult, SiteSummary

_DECIMALS: Final = {"ft": 2, "us-ft": 2, "in": 1}
_METRIC: Final = Measure("m")
_REPORT_WIDTH: Final = 100  # columns of a report
_NOTED_EVERY_S: Final = 30.0  # how far a batch is, where that goes to a log
#: What each stage does to a site, in the words of a crew.
_STEPS: Final = {
    "read": "read",
    "place": "put in place",
    "solve": "solved",
    "link": "joined into lines",
    "derive": "worked out",
    "write": "written",
    "process": "worked on",
}
STYLES: Final = {"error": "bold red", "warning": "yellow", "info": "cyan"}


def length(metres: float, unit: str, *, off: bool = False) -> str:
    """Say a length in the site's own unit, with metres beside it when that is feet or inches.

    How far `off` something may be is rounded up.

    >>> length(1.5, "m"), length(0.9144, "ft"), length(float("nan"), "m")
    ('1.50 m', '3.00 ft (0.91 m)', 'unknown')
    """
    own = own_length(metres, unit, off=off)
    if unit not in _DECIMALS or not math.isfinite(metres):
        return own
    return f"{own} ({own_length(metres, 'm', off=off)})"


def own_length(metres: float, unit: str, *, off: bool = False) -> str:
    """Say a length in the site's own unit alone; how far `off` something may be, rounded up.

    >>> own_length(0.9, "m"), own_length(0.9144, "ft"), own_length(0.9101, "ft", off=True)
    ('0.90 m', '3.00 ft', '2.99 ft')
    """
    if not math.isfinite(metres):
        return "unknown"
    shown = unit if unit in _DECIMALS else "m"
    value, decimals = metres / METRES_PER[shown], _DECIMALS.get(shown, 2)
    return f"{rounded_up(value, decimals) if off else value:.{decimals}f} {shown}"


def taped_range(least_m: float, most_m: float, tape: Measure) -> str:
    r"""Say a range of depths or taped lengths as the tape reads them.

    >>> taped_range(0.9, 1.2, Measure("m")), taped_range(0.9144, 1.2, Measure("ft-in"))
    ('0.90 to 1.20 m', '3\' 0" to 3\' 11 1/4"')
    """
    if not (math.isfinite(least_m) and math.isfinite(most_m)):
        return "unknown"
    return said_range(tape.length(least_m), tape.length(most_m), tape)


def said_range(low: str, high: str, tape: Measure) -> str:
    """Say a range of two lengths in words, its unit once."""
    return high if low == high else f"{low.removesuffix(' ' + tape.unit)} to {high}"


def taped(least_m: float, most_m: float, tape: Measure) -> str:
    r"""Say a range of depths as the tape reads them, metres beside feet.

    >>> taped(0.9144, 0.9144, Measure("ft-in")), taped(0.9, 1.2, Measure("m"))
    ('3\' 0" (0.91 m)', '0.90 to 1.20 m')
    """
    said = taped_range(least_m, most_m, tape)
    if tape.unit == "m" or not (math.isfinite(least_m) and math.isfinite(most_m)):
        return said
    return f"{said} ({said_range(f'{least_m:.2f}', f'{most_m:.2f}', tape)} m)"


def print_summary(
    out: Console,
    summary: SiteSummary,
    *,
    errors_only: bool = False,
    terms: Literal["metric", "us"] | None = None,
) -> None:
    """Print one site in the words of a region, else of its tape; or just the errors."""
    from lateralline.api.screens import spoken

    with spoken(terms):
        _print_site(out, summary, errors_only=errors_only)


def _print_site(out: Console, summary: SiteSummary, *, errors_only: bool) -> None:
    shown = _shown(summary.findings, errors_only=errors_only)
    if errors_only:
        if shown:
            out.print(_named(summary), style="bold")
            print_findings(out, shown, summary.length_unit)
        return
    out.print(f"{_named(summary)}, surveyed {summary.surveyed}", style="bold")
    for line in summary.lines:
        _print_line(out, line, summary)
    if not summary.lines:
        out.print("  No line could be drawn: see the findings.")
    counts = [counted(n, word) for word in STYLES if (n := summary.count(word))]
    if summary.accepted:
        counts.append(f"{len(summary.accepted)} accepted")
    out.print(f"  Findings: {', '.join(counts) or 'none'}")
    print_findings(out, shown, summary.length_unit)
    out.print()


def print_failure(out: Console, failure: SiteFailure, *, errors_only: bool = False) -> None:
    """Print why a site stopped: its faults one to a line, as `folder/file:row: …`.

    A site that is a workbook is named by the faults themselves: `folder/book.xlsx marks!D14: …`.

    Below another reason stand the findings up to there, or only those that are errors.
    """
    for fault in failure.faults:
        book = fault.file.startswith(failure.source.name)
        of_many = (
            failure.home == str(failure.source) and not failure.source.exists()
        )  # a site whose rows stand in tables of many
        text = f"{fault} (site {failure.source.name})" if of_many else f"{fault}"
        home = failure.home.removesuffix(f"/{failure.source.name}") if book else failure.home
        home = str(failure.source.parent) if of_many else home
        _one_line(out, f"{home}/{text}")
    if not failure.faults:
        step = _STEPS.get(failure.stage, failure.stage)
        _one_line(out, f"{failure.home}: could not be {step}: {failure.message}")
    print_findings(out, _shown(failure.findings, errors_only=errors_only))


def print_last_words(text: str) -> None:
    """Print what came of it all, and the caution below it."""
    out = console()
    _one_line(out, text)
    print_indented(out, api.CAUTION, style="bold")


def _print_line(out: Console, line: LineSummary, summary: SiteSummary) -> None:
    from lateralline.api.screens import located_alone, region_of, word

    unit, region = summary.length_unit, region_of(summary.length_unit)
    tape, down = (Measure.of_record(u, taped=summary.taped) for u in (unit, summary.depth_unit))
    depth = taped(line.shallowest_m, line.deepest_m, down)
    level = length(line.level_95_m, unit, off=True)
    rows = [
        ("length", length(line.length_m, unit)),
        ("depth", f"{depth}, ground to transmitter"),
        *_cover(line, down),
    ]
    rows += [
        ("", located_alone(line.carried_on)),
        (word("position ±", region), f"{_widest(line.sideways_95_m, tape)}, {line.sideways_95_at}"),
        (word("level ±", region), f"{level} (both: 95 of 100 times)"),
        ("stops used", summary.stops_of(line)),
    ]
    if line.nodes:
        rows.append(("on it", _nodes(line, unit)))
    if line.undecided:
        many = "segment" if line.undecided == 1 else "segments"
        rows.append(("shape", f"not shown of {line.undecided} {many}: see the findings"))
    out.print(f"  Line {line.line}  {line.pipe}".rstrip())
    for label, message in rows:
        out.print(f"    {label:<12}{message}")


def _cover(line: LineSummary, tape: Measure) -> list[tuple[str, str]]:
    """Say the least cover and its bound, which is what a digger reads "at least" as."""
    least, bound = line.cover_min_m, line.cover_lower_95_m
    if not math.isfinite(least):
        return [("cover", "unknown")]
    if not math.isfinite(bound):
        sure = "nothing says how much less it may be"
    elif bound <= 0.0:
        sure = "nothing rules out a pipe at the surface (95 of 100 times)"
    else:
        beside = f" ({_METRIC.least(bound)})" if tape.unit != "m" else ""
        sure = f"at least {tape.least(bound)}{beside}, 95 of 100 times"
    return [
        ("cover", f"{taped(least, least, tape)} where least, ground to top of pipe"),
        ("", sure),
    ]


def _widest(metres: float, tape: Measure) -> str:
    """Say how far off sideways at 95 %; NaN is where not even the counted length bounds it."""
    if not math.isfinite(metres):
        return "not bounded by the counter"
    return tape.off(metres) + (f" ({_METRIC.off(metres)})" if tape.unit != "m" else "")


def _nodes(line: LineSummary, unit: str) -> str:
    """Say which bends and junctions were found: "1 bend: 46° at 13.95 m; 1 junction: …"."""
    bends = [n for n in line.nodes if n.kind == "bend"]
    joins = [n for n in line.nodes if n.kind == "junction"]
    each_kind = (
        ("bend", [f"{n.bend_deg:.0f}° at {length(n.chainage_m, unit)}" for n in bends]),
        (
            "junction",
            [f"with {n.other or 'a branch'} at {length(n.chainage_m, unit)}" for n in joins],
        ),
    )
    return "; ".join(
        f"{counted(len(each), word)}: {', '.join(each)}" for word, each in each_kind if each
    )


def _shown(findings: Iterable[Finding], *, errors_only: bool) -> list[Finding]:
    return [f for f in findings if f.open_error or not errors_only]


def _named(summary: SiteSummary) -> str:
    own = "" if summary.name in ("", summary.site_id) else f"  {summary.name}"
    return summary.site_id + own


def print_findings(out: Console, findings: Iterable[Finding], unit: str = "m") -> None:
    """Print each finding: title and subject, what and by how much, and what to do.

    Lengths are in the site's own unit too.
    """
    from lateralline.api.screens import region_of, reworded

    region = region_of(unit)
    for f in findings:
        head = ": ".join(filter(None, (f.title, f.subject))) + (f" ({f.where})" if f.where else "")
        message, what_to_do = (
            reworded(with_own_unit(text, unit), region) for text in (f.message, f.what_to_do)
        )
        style = STYLES[f.severity] if f.asked else "dim"
        said = SEVERITY_NAMES.get(f.severity, f.severity) if f.asked else "accepted"
        out.print(Text(f"    {said:<8}", style=style), end="")
        print_indented(out, head, 12, hanging=True, tail=f.code)
        print_indented(out, message, 12)
        if not f.asked:
            answered = f"accepted by {f.accepted_by} on {f.accepted_on}: {f.accepted_reason}"
            print_indented(out, f"{answered} ({SEVERITY_NAMES.get(f.severity, f.severity)})", 12)
        elif what_to_do:
            print_indented(out, f"→ {what_to_do}", 12)


def _one_line(to: Console, text: str) -> None:
    """Print without wrapping, so other programs can take it line by line."""
    to.print(text.replace("\n", sign_shown("\n")), soft_wrap=True)


# ---- a batch of sites, as `build` and `check` run them -------------------------------------


def find_sites(paths: Iterable[Path]) -> list[Path]:
    """Return every site under `paths`; raises typer.BadParameter for a path that holds none."""
    try:
        return api.find_sites(paths)
    except api.UnknownSiteError as e:
        raise typer.BadParameter(str(e), param_hint="SITE") from e


def only_site(path: Path) -> Path:
    """Return the one site under a path; raises typer.BadParameter where there is none, or more."""
    source, *others = find_sites([path])
    if others:
        message = f"{path} holds {len(others) + 1} sites; name one"
        raise typer.BadParameter(message, param_hint="SITE")
    return source


@dataclass(slots=True)
class Outcome:
    """How a batch went: only what is reported later is kept of each site."""

    summaries: list[tuple[str, SiteSummary]] = field(default_factory=list)
    failures: list[SiteFailure] = field(default_factory=list)

    def counted(self, done: str, where: str = "") -> str:
        """Return how many sites were `done`: "3 sites built into out; 1 not built (12 faults)"."""
        good, bad = len(self.summaries), len(self.failures)
        faults = sum(len(failure.faults) for failure in self.failures)
        message = "1 site" if good == 1 else f"{good or 'no'} sites"
        message += f" {done}"
        message += where if good else ""
        if bad:
            message += f"; {bad} not {done}"
        many = "1 fault" if faults == 1 else f"{faults} faults"
        return message + (f" ({many})" if faults else "")

    @property
    def exit_code(self) -> int:
        """0 no error findings, 1 with some or some sites failed, 2 when no site came through."""
        if not self.summaries:
            return NOTHING
        errors = any(summary.count("error") for _, summary in self.summaries)
        return WITH_ERRORS if errors or self.failures else CLEAN


@dataclass(frozen=True, slots=True)
class Manner:
    """How much of a batch is printed, and where all of it is written."""

    quiet: bool = False
    as_json: bool = False
    full: bool = False
    report: Path | None = None
    replace: bool = False
    terms: Literal["metric", "us"] | None = None

    @property
    def screen(self) -> bool:
        """Whether what came of it all stands on one screen at the end."""
        return not (self.quiet or self.as_json or self.full)


@contextmanager
def reported(
    sources: list[Path], outcome: Outcome, manner: Manner
) -> Iterator[Callable[[SiteResult | SiteFailure], None]]:
    """Yield what takes each site into `outcome` as it comes, and prints how it went.

    With several sites it says how far and how fast, and what time is left: by a bar on a terminal,
    else at times on stderr. Prints nothing when `as_json`, and only what failed where the rest
    stands on one screen.
    """
    out, quiet, as_json = console(), manner.quiet, manner.as_json
    if manner.report is not None:
        from lateralline.api.screens import refuse_report

        refuse_report(manner.report, replace=manner.replace)

    def take(result: SiteResult | SiteFailure) -> None:
        if isinstance(result, api.SiteFailure):
            outcome.failures.append(result)
            if not as_json:
                print_failure(out, result, errors_only=quiet)
            return
        summary = result.summary()
        outcome.summaries.append((result.home, summary))
        if quiet or manner.full:
            print_summary(out, summary, errors_only=quiet, terms=manner.terms)

    if quiet or as_json or len(sources) < 2:
        yield take
        return
    if not out.is_terminal:
        yield _with_notes(take, len(sources))
        return
    from rich.progress import MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (
        *Progress.get_default_columns()[:2],
        MofNCompleteColumn(),
        TextColumn("{task.fields[rate]}"),
        TimeRemainingColumn(),
    )
    with Progress(*columns, console=out, transient=True) as progress:
        task = progress.add_task("sites", total=len(sources), rate="")
        begun_s = monotonic()

        def advance(result: SiteResult | SiteFailure) -> None:
            done = int(progress.tasks[0].completed) + 1
            progress.update(task, advance=1, rate=_rate(done, monotonic() - begun_s))
            take(result)

        yield advance


def _with_notes(
    take: Callable[[SiteResult | SiteFailure], None], total: int
) -> Callable[[SiteResult | SiteFailure], None]:
    """Return what takes sites as `take` does, and at times says on stderr how far the batch is."""
    begun_s = noted_s = monotonic()
    done = 0

    def noting(result: SiteResult | SiteFailure) -> None:
        nonlocal done, noted_s
        done += 1
        now_s = monotonic()
        if now_s - noted_s >= _NOTED_EVERY_S and done < total:
            noted_s = now_s
            left_s = (total - done) * (now_s - begun_s) / done
            left = timedelta(seconds=round(left_s))
            rate = _rate(done, now_s - begun_s)
            typer.echo(f"note: {done} of {total} sites, {rate}, {left} left", err=True)
        take(result)

    return noting


def _rate(done: int, seconds: float) -> str:
    """Say how fast sites are done.

    >>> _rate(30, 10.0), _rate(3, 90.0)
    ('3.0 sites/s', '2.0 sites/min')
    """
    each_s = done / max(seconds, 1e-9)
    return f"{each_s:.1f} sites/s" if each_s >= 1.0 else f"{60.0 * each_s:.1f} sites/min"


def print_outcome(
    outcome: Outcome,
    command: str,
    message: str,
    manner: Manner,
    *,
    exit_code: int,
    out: Path | None = None,
) -> None:
    """Print how a batch went: the JSON document, or the screen, `message` and the caution.

    `out` is the folder that was written, None when none was. The report is written first.
    """
    from lateralline.cli.screen import print_screen

    if manner.report is not None:
        _write_report(outcome, message, manner)
    if manner.screen:
        print_screen(console(), [s for _, s in outcome.summaries], manner.terms)
    if manner.as_json:
        typer.echo(batch_document(command, outcome.summaries, outcome.failures, out, exit_code))
    elif not manner.quiet:
        print_last_words(message)


def _write_report(outcome: Outcome, message: str, manner: Manner) -> None:
    """Write what `--full` prints into the file of `--report`."""
    from lateralline.api.screens import write_report

    text = io.StringIO()
    to = console_into(text, _REPORT_WIDTH)
    for failure in outcome.failures:
        print_failure(to, failure)
    for _, summary in outcome.summaries:
        print_summary(to, summary, terms=manner.terms)
    _one_line(to, message)
    print_indented(to, api.CAUTION)
    if manner.report is not None:
        write_report(manner.report, shown(text.getvalue()), replace=manner.replace)
