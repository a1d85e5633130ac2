"""What `import-points` does, step by step: points understood, shown, written and checked."""

from __future__ import annotations

import re
import sys
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from math import isnan
from pathlib import Path
from typing import Final

import typer
from rich.console import Console
from rich.table import Table
from rich.text import Text

from lateralline.api import SiteFailure, fieldwork, points
from lateralline.cli.command import CLEAN, NOTHING, WITH_ERRORS
from lateralline.cli.import_points import ImportRequest
from lateralline.cli.report import print_failure, print_last_words
from lateralline.cli.screen import print_screen
from lateralline.cli.terminal import console, print_indented
from lateralline.errors import FrameError, LaterallineError, SiteFaultsError
from lateralline.wording import counted

_FIRST_ROWS: Final = 5
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
        _print_detections(console(), e.detections, request.points.yes)
        return NOTHING
    except SiteFaultsError as e:  # what the options lack is said with it, not a round later
        gaps = [] if request.dry_run else _gaps(request, ())
        raise LaterallineError("\n".join([str(e), *gaps])) from e
    stops = points.stops_of(imported, request.stops)
    _print_files(console(), imported)
    if request.dry_run:
        _print_points(console(), imported)
        _print_counts(console(), imported, stops)
        typer.echo("Nothing was written.")
        return CLEAN
    _refuse(_gaps(request, imported.found))
    assert request.out is not None  # refused otherwise
    _print_counts(console(), imported, stops)
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
    _print_detections(console(), [detection], request.points.yes, asking=True)
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
        if request.out is not None:
            wrong += fieldwork.refused_id(site_id(request))
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


# ---- what is shown -------------------------------------------------------------------------


def _print_detections(
    out: Console, detections: Iterable[points.OrderDetection], yes: bool, *, asking: bool = False
) -> None:
    """Print what is known of each file's order, its first rows, and the option that settles it."""
    for d in detections:
        text = d.text
        out.print(f"{text.file}: {', '.join(text.notes)}", style="bold")
        for notes in d.evidence:
            print_indented(out, notes, 2)
        out.print(_first_rows(d))
        if d.order is None:
            out.print("  The order of the coordinates cannot be told from the file.")
        else:
            clear = "clearly" if d.unambiguous else "as it seems, not for certain"
            out.print(f"  This is {clear} {d.order}: {points.ORDER_WORDS[d.order]}.")
        if asking:
            continue
        if yes and not d.unambiguous:
            out.print("  --yes takes an order only where the evidence is clear.")
        if d.order is None:
            out.print("  Nothing was written. Say which it is: --order pnezd or --order penzd")
        else:
            out.print(f"  Nothing was written. If that is right, add: --order {d.order}")


def _print_files(out: Console, imported: points.ImportedPoints) -> None:
    """Print how each file was read and brought to the site's CRS."""
    for b in imported.transformed:
        out.print(f"{b.points.file}: {len(b.points)} points", style="bold")
        for notes in (*b.points.notes, *b.notes):
            print_indented(out, notes, 2)
        if b.z_unit:
            out.print(f"  levels in {b.z_unit}, {_level_base(imported)}")
        for warning in (*b.points.warnings, *b.warnings):
            print_indented(out, f"warning: {warning}", 2)


def _print_points(out: Console, imported: points.ImportedPoints) -> None:
    """Print what every point _becomes, file by file."""
    horizontal = imported.systems.horizontal
    decimals = 8 if horizontal is not None and horizontal.is_geographic else 3
    for f, b in enumerate(imported.transformed):
        out.print(b.points.file, style="bold")
        table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
        for heading in ("row", "point", "x", "y", "z"):
            right = heading != "point"
            table.add_column(heading, justify="right" if right else "left", no_wrap=True)
        for heading in ("code", "becomes"):
            table.add_column(heading, overflow="fold")
        for s in (s for s in imported.found if s.file == f):
            table.add_row(
                str(b.points.row[s.at]),
                str(b.points.name[s.at]),
                *(_number(v, decimals) for v in (b.x[s.at], b.y[s.at])),
                _number(b.z[s.at], 3),
                s.code,
                Text(_becomes(s), style="" if s.table else "dim"),
            )
        out.print(table)


def _print_counts(
    out: Console, imported: points.ImportedPoints, stops: Mapping[points.StopKey, points.Cells]
) -> None:
    """Print how many points went where, what fits nothing, and which stops lack their counter."""
    counts = Counter[str](s.table or "left out" for s in imported.found)
    words = {"marks": "mark", "control": "control point", "exposures": "exposure"}
    notes = [counted(counts[t], word) for t, word in words.items() if counts[t]]
    notes += [counted(len(stops), "stop")] if stops else []
    notes += [f"{counts['left out']} left out"] if counts["left out"] else []
    out.print("; ".join(notes) or "no points")
    for code, n in points.unmapped(imported.found).items():
        times = f" ({n} points)" if n > 1 else ""
        print_indented(out, f'left out, no pattern fits: "{code}"{times}', 2)
    bare = [f"{run}/{stop}" for (run, stop), row in stops.items() if not row.get("counter")]
    if bare:
        why = f"no counter reading: {', '.join(bare)}; give it as c=12.40 in a description, "
        print_indented(out, why + "in a file with --stops, or in stops.csv afterwards", 2)


def _becomes(s: points.ClassifiedPoint) -> str:
    """Say what a point _becomes: "R1/3 end_null, counter 12.40" or why it is left out."""
    if not s.table:
        return f"ignored: {s.reason}"
    head = {
        "marks": " ".join(filter(None, (f"{s.run}/{s.stop}" if s.belongs else "", s.kind))),
        "control": f"control {s.name}",
        "exposures": f"exposure {s.name} of {s.run or s.line}, {s.to}",
    }[s.table]
    readings = (("counter", s.counter), ("depth", s.depth), ("tilt", s.tilt_deg))
    readings_given = [f"{what} {value}" for what, value in readings if value]
    return ", ".join([head, *readings_given, *([f"note: {s.note}"] if s.note else [])])


def _first_rows(d: points.OrderDetection) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 2))
    for heading in d.text.header or ("1", "2", "3", "4", "5"):
        table.add_column(heading or " ")
    for _, cells in d.text.rows[:_FIRST_ROWS]:
        table.add_row(*cells)
    return table


def _level_base(imported: points.ImportedPoints) -> str:
    """Say what levels count from."""
    match imported.systems.levels:
        case "relative":
            return "relative: no vertical CRS is named"
        case "ellipsoidal":
            return "above the ellipsoid"
    vertical = imported.systems.vertical
    return vertical.name if vertical is not None else ""


def _number(value: float, decimals: int) -> Text:
    return Text("" if isnan(value) else f"{float(value):.{decimals}f}")
