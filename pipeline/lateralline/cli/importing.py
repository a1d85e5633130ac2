"""What `import-points` does, step by step: points understood, shown, written and checked."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import typer

from lateralline.cli import points_report, report
from lateralline.cli.import_options import choice_of, refuse_gaps, refuse_unusable, site_given
from lateralline.cli.import_points import ImportRequest
from lateralline.cli.options import CLEAN, NOTHING, WITH_ERRORS, console
from lateralline.errors import Fault, LaterallineError
from lateralline.ingest.conventions import read_table
from lateralline.ingest.coordinate_system import crs_texts
from lateralline.ingest.intake import decode
from lateralline.ingest.ledger import Ledger
from lateralline.ingest.points import ImportedPoints, ImportTask, OrderNotConfirmedError, gather
from lateralline.ingest.points.codes import Codes, default_codes, default_text, read_codes
from lateralline.ingest.points.columns import ORDERS, Order, OrderDetection
from lateralline.ingest.points.new_site import Cells, StopKey, site_toml, stop_rows, tables, traced
from lateralline.ingest.sections import read_site_toml
from lateralline.ingest.site_files import read_input
from lateralline.ingest.tables import TextTable
from lateralline.output import refuse_target, stamp, whole_file, whole_folder
from lateralline.record.summary import CAUTION, summarise
from lateralline.stages import SiteFailure, SiteResult, run_site


def write_default_codes(path: Path, *, replace: bool) -> None:
    """Write the mapping file used by default, to be changed."""
    with whole_file(path, "codes", replace=replace) as made:
        made.write_text(f"# {stamp('codes')}\n{default_text()}", encoding="utf-8", newline="\n")
    typer.echo(f"wrote {path}: change it, then give it with --codes {path}")


def run(request: ImportRequest) -> int:
    """Import the points and return the exit code."""
    refuse_unusable(request)
    if request.out is not None and not request.dry_run:
        refuse_target(request.out, "site", replace=request.replace, folder=True)
    site_text = None if request.about.site is None else _site_text(request.about.site)
    try:
        imported = gather(
            _wanted(request, site_text), lambda detection: _confirm(request, detection)
        )
    except OrderNotConfirmedError as e:
        points_report.print_detections(console(), e.detections, request.points.yes)
        return NOTHING
    ledger = Ledger()
    stops = stop_rows(imported.found, imported.transformed, _stops(request.stops, ledger), ledger)
    ledger.raise_faults("import-points")
    points_report.print_files(console(), imported)
    if request.dry_run:
        points_report.print_points(console(), imported)
        points_report.print_counts(console(), imported, stops)
        typer.echo("Nothing was written.")
        return CLEAN
    refuse_gaps(request, imported.found)
    assert request.out is not None  # refused otherwise
    points_report.print_counts(console(), imported, stops)
    return _write(request, request.out, imported, stops, site_text)


# ---- what is given -------------------------------------------------------------------------


def _wanted(request: ImportRequest, site_text: str | None) -> ImportTask:
    horizontal, vertical = request.points.crs, request.points.vertical
    if site_text is not None:
        ledger = Ledger()
        site = read_site_toml(site_text, ledger)
        ledger.raise_faults(str(request.about.site))
        assert site is not None
        horizontal, vertical = crs_texts(site.one("crs"))
    return ImportTask(
        files=request.files,
        codes=_codes(request.codes),
        order=next((order for order in ORDERS if order == request.points.order), None),
        choice=choice_of(request.points),
        layer=request.points.layer,
        horizontal=horizontal,
        vertical=vertical,
        file_crs=request.points.file_crs,
        file_vertical=request.points.file_vertical.strip(),
        z_unit=request.points.z_unit,
        prefix=request.prefix,
    )


def _text(path: Path, ledger: Ledger) -> str | None:
    """Return a text file of settings or a table; None, with a fault, when it is none."""
    data = read_input(path, ledger)
    return None if data is None else decode(path.name, data, ledger)


def _site_text(path: Path) -> str:
    ledger = Ledger()
    text = _text(path, ledger)
    ledger.raise_faults(str(path))
    return text or ""


def _codes(path: Path | None) -> Codes:
    if path is None:
        return default_codes()
    ledger = Ledger()
    text = _text(path, ledger)
    codes = None if text is None else read_codes(path.name, text, ledger)
    ledger.raise_faults(str(path))
    assert codes is not None  # else there is a fault
    return codes


def _stops(path: Path | None, ledger: Ledger) -> TextTable | None:
    if path is None:
        return None
    return read_table("stops", path.name, read_input(path, ledger), ledger)


def _confirm(request: ImportRequest, detection: OrderDetection) -> Order | None:
    """Return the order a person agreed to beforehand, or agrees to now; None when nobody did."""
    if request.points.yes and detection.unambiguous:
        return detection.order
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        return None
    points_report.print_detections(console(), [detection], request.points.yes, asking=True)
    answer = typer.prompt("pnezd, penzd, or stop", default=detection.order or "stop")
    return next((order for order in ORDERS if order == answer.strip().casefold()), None)


# ---- the site ------------------------------------------------------------------------------


def _write(
    request: ImportRequest,
    out: Path,
    imported: ImportedPoints,
    stops: Mapping[StopKey, Cells],
    site_text: str | None,
) -> int:
    """Write the site folder whole, unless its check finds faults that only the points explain."""
    if site_text is None:
        given = site_given(request, imported.horizontal, imported.vertical, imported.level_unit)
        site_text = site_toml(given, imported.transformed)
    site = read_site_toml(site_text, Ledger())  # what is wrong with it, the check says
    if site is None or site.axes is None:
        raise LaterallineError(f"the CRS of {request.about.site or 'the site'} cannot be used")
    files = tables(imported.found, imported.transformed, stops, site, imported.systems)
    with whole_folder(out, "site", replace=request.replace) as made:
        for name, text in {"site.toml": site_text, **files}.items():
            (made / name).write_text(text, encoding="utf-8", newline="\n")
        result = run_site(made, until="derive")
        to_fill = _to_fill(result)
        if isinstance(result, SiteFailure) and not to_fill:
            faults = tuple(traced(f, files) for f in result.faults)
            report.print_failure(console(), replace(result, source=out, faults=faults))
            typer.echo(
                f"{out} was not written: what is said above of its files comes from the "
                "points, their codes, or the options.",
                err=True,
            )
            raise typer.Exit(NOTHING)
    return _say(out, result, to_fill)


def _to_fill(result: SiteResult | SiteFailure) -> tuple[Fault, ...]:
    """Return the empty cells that only a person can fill, when nothing else is wrong."""
    if not isinstance(result, SiteFailure):
        return ()
    empty = {("stops.csv", "counter"), ("site.toml", "surveyed")}
    good = all(
        (f.file, f.column) in empty and f.value in ("", "write the day") for f in result.faults
    )
    return result.faults if good else ()


def _say(out: Path, result: SiteResult | SiteFailure, to_fill: tuple[Fault, ...]) -> int:
    to = console()
    if isinstance(result, SiteFailure):
        for fault in to_fill:
            to.print(f"{out}/{fault}", soft_wrap=True)
        said = f"wrote {out}; {len(to_fill)} cell(s) are still to be filled in, as said above. "
        report.print_last_words(to, said + f"Then: lateralline check {out}", CAUTION)
        return WITH_ERRORS
    work = result.work
    summary = summarise(work["record"], work["products"], result.findings)
    report.print_summary(to, summary)
    report.print_last_words(to, f"wrote {out}; next: lateralline build {out} -o OUT", CAUTION)
    return WITH_ERRORS if summary.count("error") else CLEAN
