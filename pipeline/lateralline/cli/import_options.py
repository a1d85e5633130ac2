"""What is asked for on the command line, judged all at once: values nobody can use, and gaps."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from datetime import date
from typing import Final

from lateralline.api.fieldwork import horizontal_crs, id_pattern, known_units, vertical_crs
from lateralline.api.points import (
    MUST_BE,
    ORDERS,
    TEXT_SUFFIXES,
    ClassifiedPoint,
    ColumnChoice,
    RunGiven,
    SiteGiven,
    nearest,
    one_line,
    wrong_name,
)
from lateralline.cli.import_points import ImportRequest, PointOptions
from lateralline.errors import FrameError, LaterallineError

_FLOWS: Final = ("with", "against")


def choice_of(points: PointOptions) -> ColumnChoice:
    """Return the columns a person named."""
    p = points
    return ColumnChoice(p.x, p.y, p.z, p.code, p.name, p.sigma_h, p.sigma_v)


def refuse_unusable(request: ImportRequest) -> None:
    """Raise LaterallineError naming every value that cannot be used, whatever the points are."""
    wrong: list[str] = []
    if not request.files:
        wrong.append("name at least one file of points, as day1.txt")
    if request.points.order and request.points.order not in ORDERS:
        wrong.append(f'--order must be {" or ".join(ORDERS)}; got "{request.points.order}"')
    textual = (
        any(file.suffix.casefold() in TEXT_SUFFIXES for file in request.files)
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
    known = known_units()
    for option, unit in (("--units", request.about.units), ("--z-unit", request.points.z_unit)):
        if unit and unit not in known:
            hint = nearest(unit, known)
            wrong.append(f'{option} must be one of {", ".join(known)}; got "{unit}" — {hint}')
    for option, text, understand in (
        ("--crs", request.points.crs, horizontal_crs),
        ("--file-crs", request.points.file_crs, horizontal_crs),
        ("--vertical", request.points.vertical, vertical_crs),
        ("--file-vertical", request.points.file_vertical, vertical_crs),
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
        f'--run must have {MUST_BE}; got "{one_line(name)}" — {hint}'
        for run in _runs(request.about.runs or ())
        for name in (run.id, run.line, run.entry)
        if (hint := wrong_name(name))
    ]
    if request.about.site is not None:
        own = {
            "--crs": request.points.crs,
            "--vertical": request.points.vertical,
            "--units": request.about.units,
            "--id": request.about.site_id,
            "--site-name": request.about.site_name,
            "--surveyed": request.about.surveyed,
            "--run": request.about.runs or (),
        }
        wrong += [f"{o} stands in the file of --site: give one of the two" for o in own if own[o]]
    _refuse(wrong)


def refuse_gaps(request: ImportRequest, found: Iterable[ClassifiedPoint]) -> None:
    """Raise LaterallineError naming everything a site needs that no point can tell."""
    wrong = (
        [] if request.out is not None else ["say where to write the site: -o SITE, or --dry-run"]
    )
    if request.about.site is None:
        if not request.about.units:
            wrong.append("--units: what the counter and depths read in (m, ft, us-ft, …)")
        pattern = id_pattern()
        hint = wrong_name(site_id(request), file=True)
        if request.out is not None and (hint or not re.fullmatch(pattern, site_id(request))):
            wrong.append(
                f'--id must be letters, digits, - and _; got "{one_line(site_id(request))}"'
                + (f" — {hint}" if hint else "")
            )
        known = {run.id for run in _runs(request.about.runs or ())}
        used = dict.fromkeys(s.run for s in found if s.run)
        wrong += [
            f"--run {run}:LINE:ENTRY:FLOW: its line, where the camera went in, and whether it went "
            "with or against the flow"
            for run in used
            if run not in known
        ]
    _refuse(wrong)


def site_given(
    request: ImportRequest, horizontal: str, vertical: str, level_unit: str
) -> SiteGiven:
    """Return what a new site.toml says; `level_unit` is the points' own, or ""."""
    return SiteGiven(
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


def _runs(texts: Sequence[str]) -> tuple[RunGiven, ...]:
    return tuple(run for text in texts if (run := _run(text)) is not None)


def _run(text: str) -> RunGiven | None:
    parts = [p.strip() for p in text.split(":")]
    good = 4 <= len(parts) <= 6 and all(parts) and parts[3] in _FLOWS
    lengths = all(re.fullmatch(r"[+-]?\d+(\.\d+)?", p) for p in parts[4:])
    return RunGiven(*parts) if good and lengths else None


def _day(text: str) -> date | None:
    try:
        return date.fromisoformat(text)
    except ValueError:
        return None


def _refuse(wrong: Sequence[str]) -> None:
    if wrong:
        raise LaterallineError("nothing was written\n" + "\n".join(f"  {w}" for w in wrong))
