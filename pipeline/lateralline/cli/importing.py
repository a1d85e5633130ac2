"""What `import-points` does, step by step: points understood, shown, written and checked."""

from __future__ import annotations

import sys
from pathlib import Path

import typer

from lateralline.api import CAUTION, SiteFailure
from lateralline.api import points as importing
from lateralline.api.points import ORDERS, Order, OrderDetection, WrittenSite
from lateralline.cli import points_report, report
from lateralline.cli.import_options import choice_of, refuse_gaps, refuse_unusable, site_given
from lateralline.cli.import_points import ImportRequest
from lateralline.cli.options import CLEAN, NOTHING, WITH_ERRORS, console


def write_default_codes(path: Path, *, replace: bool) -> None:
    """Write the mapping file used by default, to be changed."""
    importing.write_default_codes(path, replace=replace)
    typer.echo(f"wrote {path}: change it, then give it with --codes {path}")


def run(request: ImportRequest) -> int:
    """Import the points and return the exit code."""
    refuse_unusable(request)
    if request.out is not None and not request.dry_run:
        importing.refuse_site(request.out, replace=request.replace)
    site_file = request.about.site
    site_text = None if site_file is None else importing.text_of(site_file)
    try:
        imported = importing.gather(
            _task(request, site_text), lambda detection: _confirm(request, detection)
        )
    except importing.OrderNotConfirmedError as e:
        points_report.print_detections(console(), e.detections, request.points.yes)
        return NOTHING
    stops = importing.stops_of(imported, request.stops)
    points_report.print_files(console(), imported)
    if request.dry_run:
        points_report.print_points(console(), imported)
        points_report.print_counts(console(), imported, stops)
        typer.echo("Nothing was written.")
        return CLEAN
    refuse_gaps(request, imported.found)
    assert request.out is not None  # refused otherwise
    points_report.print_counts(console(), imported, stops)
    systems = imported.horizontal, imported.vertical, imported.level_unit
    about = site_text if site_text is not None else site_given(request, *systems)
    try:
        made = importing.write_site(
            request.out, imported, stops, about, replace_site=request.replace
        )
    except importing.PointsRefusedError as e:
        report.print_failure(console(), e.failure)
        typer.echo(
            f"{request.out} was not written: what is said above of its files comes from the "
            "points, their codes, or the options.",
            err=True,
        )
        return NOTHING
    return _say(request.out, made)


def _task(request: ImportRequest, site_text: str | None) -> importing.ImportTask:
    horizontal, vertical = request.points.crs, request.points.vertical
    if site_text is not None and request.about.site is not None:
        horizontal, vertical = importing.crs_of(site_text, request.about.site)
    return importing.ImportTask(
        files=request.files,
        codes=importing.codes_of(request.codes),
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


def _confirm(request: ImportRequest, detection: OrderDetection) -> Order | None:
    """Return the order a person agreed to beforehand, or agrees to now; None when nobody did."""
    if request.points.yes and detection.unambiguous:
        return detection.order
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        return None
    points_report.print_detections(console(), [detection], request.points.yes, asking=True)
    answer = typer.prompt("pnezd, penzd, or stop", default=detection.order or "stop")
    return next((order for order in ORDERS if order == answer.strip().casefold()), None)


def _say(out: Path, made: WrittenSite) -> int:
    to, result = console(), made.result
    if isinstance(result, SiteFailure):
        for fault in made.to_fill:
            to.print(f"{out}/{fault}", soft_wrap=True)
        said = (
            f"wrote {out}; {len(made.to_fill)} cell(s) are still to be filled in, as said above. "
        )
        report.print_last_words(to, said + f"Then: lateralline check {out}", CAUTION)
        return WITH_ERRORS
    summary = result.summary()
    report.print_summary(to, summary)
    report.print_last_words(to, f"wrote {out}; next: lateralline build {out} -o OUT", CAUTION)
    return WITH_ERRORS if summary.count("error") else CLEAN
