"""What `import-points` does, step by step: points understood, shown, written and checked."""

from __future__ import annotations

import re
import sys
from collections.abc import Iterable, Sequence
from datetime import date
from pathlib import Path
from typing import Final

import typer

from lateralline.api import SiteFailure, fieldwork, points
from lateralline.cli import points_report
from lateralline.cli.command import CLEAN, NOTHING, WITH_ERRORS
from lateralline.cli.import_points import ImportRequest
from lateralline.cli.report import print_failure, print_last_words
from lateralline.cli.screen import print_screen
from lateralline.cli.terminal import console
from lateralline.errors import FrameError, LaterallineError, SiteFaultsError
from lateralline.wording import counted

_FLOWS: Final = ("with", "against", "unknown")


def write_default_codes(path: Path, *, replace: bool) -> None:
    """Write the mapping file used by default, to be changed."""
    points.write_default_codes(path, replace=replace)
    typer.echo(f"wrote {path}: change it, then give it with --codes {path}")


def run(request: ImportRequest) -> int:
    """Import the points and return the exit code."""
    refuse_unusable(request)
    if request.out is not None and not request.dry_run:
        points.refuse_site(request.out, replace=request.replace)
    site_file = request.about.site
    site_text = None if site_file is None else points.text_of(site_file)
    try:
        imported = points.gather(
            _task(request, site_text), lambda detection: _confirm(request, detection)
        )
    except points.OrderNotConfirmedError as e:
        points_report.print_detections(console(), e.detections, request.points.yes)
        return NOTHING
    except SiteFaultsError as e:  # what the options lack is said with it, not a round later
        gaps = [] if request.dry_run else _gaps(request, ())
        raise LaterallineError("\n".join([str(e), *gaps])) from e
    stops = points.stops_of(imported, request.stops)
    points_report.print_files(console(), imported)
    if request.dry_run:
        points_report.print_points(console(), imported)
        points_report.print_counts(console(), imported, stops)
        typer.echo("Nothing was written.")
        return CLEAN
    _refuse(_gaps(request, imported.found))
    assert request.out is not None  # refused otherwise
    points_report.print_counts(console(), imported, stops)
    systems = imported.horizontal, imported.vertical, imported.level_unit
    about = site_text if site_text is not None else site_given(request, *systems)
    try:
        made = points.write_site(request.out, imported, stops, about, replace_site=request.replace)
    except points.PointsRefusedError as e:
        print_failure(console(), e.failure)
        typer.echo(
            f"{request.out} was not written: what is said above of its files comes from the "
            "points, their codes, or the options.",
            err=True,
        )
        return NOTHING
    return _say(request.out, made)


def _task(request: ImportRequest, site_text: str | None) -> points.ImportTask:
    p = request.points
    horizontal, vertical = p.crs, p.vertical
    if site_text is not None and request.about.site is not None:
        horizontal, vertical = points.crs_of(site_text, request.about.site)
    return points.ImportTask(
        files=request.files,
        codes=points.codes_of(request.codes),
        order=next((order for order in points.ORDERS if order == p.order), None),
        choice=points.ColumnChoice(p.x, p.y, p.z, p.code, p.name, p.sigma_h, p.sigma_v),
        layer=p.layer,
        horizontal=horizontal,
        vertical=vertical,
        file_crs=p.file_crs,
        file_vertical=p.file_vertical.strip(),
        z_unit=p.z_unit,
        prefix=request.prefix,
    )


def _confirm(request: ImportRequest, detection: points.OrderDetection) -> points.Order | None:
    """Return the order a person agreed to beforehand, or agrees to now; None when nobody did."""
    if request.points.yes and detection.unambiguous:
        return detection.order
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        return None
    points_report.print_detections(console(), [detection], request.points.yes, asking=True)
    answer = typer.prompt("pnezd, penzd, or stop", default=detection.order or "stop")
    return next((order for order in points.ORDERS if order == answer.strip().casefold()), None)


def _say(out: Path, made: points.WrittenSite) -> int:
    to, result = console(), made.result
    if isinstance(result, SiteFailure):
        for fault in made.to_fill:
            to.print(f"{out}/{fault}", soft_wrap=True)
        missing = counted(len(made.to_fill), "cell")
        message = f"wrote {out}; still to be filled in, as said above: {missing}. "
        print_last_words(message + f"Then: lateralline check {out}")
        return WITH_ERRORS
    summary = result.summary()
    print_screen(to, [summary])
    print_last_words(f"wrote {out}; next: lateralline build {out} -o OUT")
    return WITH_ERRORS if summary.count("error") else CLEAN


# ---- options judged all at once: values nobody can use, and gaps ---------------------------


def refuse_unusable(request: ImportRequest) -> None:
    """Raise LaterallineError naming every value that cannot be used, whatever the points are."""
    wrong: list[str] = []
    if not request.files:
        wrong.append("name at least one file of points, as day1.txt")
    if request.points.order and request.points.order not in points.ORDERS:
        wrong.append(f'--order must be {" or ".join(points.ORDERS)}; got "{request.points.order}"')
    textual = (
        any(file.suffix.casefold() in points.TEXT_SUFFIXES for file in request.files)
        and not request.points.layer
    )
    if request.files and not textual:
        wrong += [
            f"{option} does not apply: no file here is read as text"
            for option, given in (("--order", request.points.order), ("--yes", request.points.yes))
            if given
        ]
    if request.replace and request.dry_run:
        wrong.append("--replace does not apply: --dry-run writes nothing")
    known = fieldwork.known_units()
    for option, unit in (("--units", request.about.units), ("--z-unit", request.points.z_unit)):
        if unit and unit not in known:
            hint = points.nearest(unit, known)
            wrong.append(f'{option} must be one of {", ".join(known)}; got "{unit}" — {hint}')
    for option, text, understand in (
        ("--crs", request.points.crs, fieldwork.horizontal_crs),
        ("--file-crs", request.points.file_crs, fieldwork.horizontal_crs),
        ("--vertical", request.points.vertical, fieldwork.vertical_crs),
        ("--file-vertical", request.points.file_vertical, fieldwork.vertical_crs),
    ):
        try:
            if text:
                understand(text)
        except FrameError as e:
            wrong.append(f"{option}: {e}")
    if request.points.file_vertical.strip().casefold() == "none":
        wrong.append("--file-vertical: levels that count from nothing known want --vertical none")
    if request.about.surveyed and _day(request.about.surveyed) is None:
        wrong.append(f'--surveyed must be a day such as 2026-05-06; got "{request.about.surveyed}"')
    wrong += [
        f'--run must be RUN:LINE:ENTRY:FLOW[:LAG[:RIDE]], as R1:L1:CO1:with; got "{text}"'
        for text in request.about.runs or ()
        if _run(text) is None
    ]
    wrong += [
        f'--run must have {points.MUST_BE}; got "{points.one_line(name)}" — {hint}'
        for run in _runs(request.about.runs or ())
        for name in (run.id, run.line, run.entry)
        if (hint := points.wrong_name(name))
    ]
    if request.about.site is not None:
        own = {
            "--crs": request.points.crs,
            "--vertical": request.points.vertical,
            "--units": request.about.units,
            "--id": request.about.site_id,
            "--name": request.about.site_name,
            "--surveyed": request.about.surveyed,
            "--run": request.about.runs or (),
        }
        wrong += [f"{o} stands in the file of --site: give one of the two" for o in own if own[o]]
    _refuse(wrong)


def _gaps(request: ImportRequest, found: Iterable[points.ClassifiedPoint]) -> list[str]:
    """Return everything a site needs that neither the options nor any point tells."""
    wrong = (
        [] if request.out is not None else ["say where to write the site: -o SITE, or --dry-run"]
    )
    if request.about.site is None:
        if not request.about.units:
            wrong.append("--units: what the counter and depths read in (m, ft, us-ft, …)")
        pattern = fieldwork.id_pattern()
        hint = points.wrong_name(site_id(request), file=True)
        if request.out is not None and (hint or not re.fullmatch(pattern, site_id(request))):
            wrong.append(
                f'--id must be letters, digits, - and _; got "{points.one_line(site_id(request))}"'
                + (f" — {hint}" if hint else "")
            )
        known = {run.id for run in _runs(request.about.runs or ())}
        used = dict.fromkeys(s.run for s in found if s.run)
        wrong += [
            f"--run {run}:LINE:ENTRY:FLOW: its line, where the camera went in, and whether it went "
            "with or against the flow, or unknown"
            for run in used
            if run not in known
        ]
    return wrong


def site_given(
    request: ImportRequest, horizontal: str, vertical: str, level_unit: str
) -> points.SiteGiven:
    """Return what a new site.toml says; `level_unit` is the points' own, or ""."""
    return points.SiteGiven(
        id=site_id(request),
        name=request.about.site_name,
        surveyed=_day(request.about.surveyed),
        horizontal=horizontal,
        vertical=vertical,
        unit=request.about.units,
        level_unit=level_unit or request.points.z_unit or request.about.units,
        runs=_runs(request.about.runs or ()),
    )


def site_id(request: ImportRequest) -> str:
    """Return the id of the site: as given, else the name of its folder."""
    return request.about.site_id or (request.out.resolve().name if request.out is not None else "")


def _runs(texts: Sequence[str]) -> tuple[points.RunGiven, ...]:
    return tuple(run for text in texts if (run := _run(text)) is not None)


def _run(text: str) -> points.RunGiven | None:
    parts = [p.strip() for p in text.split(":")]
    good = 4 <= len(parts) <= 6 and all(parts) and parts[3] in _FLOWS
    lengths = all(re.fullmatch(r"[+-]?\d+(\.\d+)?", p) for p in parts[4:])
    return points.RunGiven(*parts) if good and lengths else None


def _day(text: str) -> date | None:
    try:
        return date.fromisoformat(text)
    except ValueError:
        return None


def _refuse(wrong: Sequence[str]) -> None:
    if wrong:
        raise LaterallineError("nothing was written\n" + "\n".join(f"  {w}" for w in wrong))
