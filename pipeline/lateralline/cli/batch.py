"""Find the sites a person named, run them, and sum up: shared by `build` and `check`."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

import typer
from rich.progress import Progress

from lateralline import stages
from lateralline.cli import document, report
from lateralline.cli.options import CLEAN, NOTHING, WITH_ERRORS, console
from lateralline.errors import LaterallineError
from lateralline.read import book_value, holds_settings, is_book
from lateralline.read.files import entries, read_input
from lateralline.read.intake import decode, is_file
from lateralline.read.ledger import Ledger
from lateralline.read.toml_lines import load_toml
from lateralline.record.summary import CAUTION, SiteSummary, summarise
from lateralline.stages import Sink, SiteFailure

_SITE_FILES = ("site.toml", "marks.csv", "stops.csv")  # any of these makes a folder a site


def find_sites(paths: Iterable[Path]) -> list[Path]:
    """Return every site under `paths`: sites themselves, or the sites in a folder of sites.

    A workbook is a site; without settings of its own it stands for the folder it is in, where its
    site.toml is. Raises typer.BadParameter for a path that holds no site, before anything is
    computed.
    """
    found: list[Path] = []
    for path in paths:
        inside = [_of_book(path)] if _is_book(path) else [path] if _is_site(path) else []
        inside = inside or _sites_in(path)
        if not inside:
            raise typer.BadParameter(
                f"no site in {path}: a site is a folder with a site.toml, and marks and stops "
                "as .csv or in an .xlsx, or an .xlsx that holds all of it; "
                "`lateralline new FOLDER` makes one to fill in, with --xlsx a workbook",
                param_hint="SITE",
            )
        found += inside
    return list(dict.fromkeys(found))


def sketches_last(sources: list[Path]) -> list[Path]:
    """Return the sites with sketches on invented axes at the end, else in the same order.

    The first site of a batch settles the CRS of its layers, and no site on the map can go into
    layers without one: a sketch that came first would keep out all the others.
    """
    return sources if len(sources) < 2 else sorted(sources, key=_is_sketch)


@dataclass(slots=True)
class Outcome:
    """How a batch went: only what is reported later is kept of each site."""

    summaries: list[tuple[Path, SiteSummary]] = field(default_factory=list)
    failures: list[SiteFailure] = field(default_factory=list)

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


def run_batch(
    sources: list[Path], *, until: str, sink: Sink | None, quiet: bool, as_json: bool
) -> Outcome:
    """Run the sites, say how each went as it comes, and return the outcome.

    With a progress bar when several sites run on a terminal; silent when `as_json`.
    """
    out, outcome = console(), Outcome()
    off = quiet or as_json or len(sources) < 2 or not out.is_terminal
    with Progress(console=out, transient=True, disable=off) as progress:
        task = progress.add_task("sites", total=len(sources))
        for result in stages.run_sites(sources, until=until, sink=sink):
            progress.advance(task)
            if isinstance(result, SiteFailure):
                outcome.failures.append(result)
                if not as_json:
                    report.print_failure(out, result, errors_only=quiet)
                continue
            work = result.work
            summary = summarise(work["record"], work["products"], result.findings)
            outcome.summaries.append((result.source, summary))
            if not as_json:
                report.print_summary(out, summary, errors_only=quiet)
            del result, work
    return outcome


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
        report.print_last_words(console(), said, CAUTION)


def _is_site(path: Path) -> bool:
    return any(is_file(path / name) for name in _SITE_FILES)


def _is_book(path: Path) -> bool:
    return is_file(path) and is_book(path)


def _of_book(book: Path) -> Path:
    """Return the site a workbook is: itself, unless its settings are those of its folder."""
    alone = not _is_site(book.parent) or _holds_settings(book)
    return book if alone else book.parent


def _holds_settings(book: Path) -> bool:
    """Tell whether a workbook is a site by itself; one that cannot be read is told as one."""
    data = read_input(book, Ledger())
    return data is None or holds_settings(data)


def _is_sketch(site: Path) -> bool:
    """Tell whether a site names invented axes; what is wrong with its settings is told later."""
    ledger = Ledger()
    try:
        if is_file(site):
            horizontal = book_value(read_input(site, ledger) or b"", "crs", "horizontal")
        else:
            data = read_input(site / "site.toml", ledger) or b""
            said = load_toml(decode("site.toml", data, ledger) or "")
            horizontal = str(said["crs"]["horizontal"])
        return horizontal.strip().casefold() == "local"
    except (LaterallineError, ValueError, LookupError, TypeError):
        return False


def _sites_in(folder: Path) -> list[Path]:
    """Return the sites in a folder of sites, those that are workbooks among them.

    A folder that is closed may be one: it is tried, told, and the others go on. Hidden ones are
    none: what a program puts aside while it works begins with a dot.
    """
    ledger = Ledger()
    paths = entries(folder, ledger) if folder.is_dir() else []
    ledger.raise_faults(str(folder))
    return [
        path
        for path in paths
        if not path.name.startswith(".")
        and ((_is_book(path) and _holds_settings(path)) or _is_site(path) or _is_closed(path))
    ]


def _is_closed(path: Path) -> bool:
    """Tell whether a path is a folder that nobody lets us look into."""
    try:
        if not path.is_dir():
            return False
        next(path.iterdir(), None)
        (path / "site.toml").stat()
    except FileNotFoundError:
        return False
    except OSError:
        return True
    return False
