"""What is asked for on the command line, judged all at once: values nobody can use, and gaps."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Final

from lateralline import contract
from lateralline.errors import FrameError, LaterallineError
from lateralline.frames import horizontal_crs, vertical_crs
from lateralline.ingest.ledger import nearest, one_line
from lateralline.ingest.points.columns import ORDERS, Choice
from lateralline.ingest.points.gather import TEXT_SUFFIXES
from lateralline.ingest.points.new_site import RunGiven, SiteGiven
from lateralline.ingest.points.sorting import Sorted
from lateralline.names import MUST_BE, wrong_name

_FLOWS: Final = ("with", "against")


@dataclass(frozen=True, slots=True)
class Told:
    """The options of one call, as given; "" or None where not."""

    files: tuple[Path, ...]
    out: Path | None = None
    order: str = ""
    yes: bool = False
    choice: Choice = field(default_factory=Choice)
    layer: str = ""
    crs: str = ""
    file_crs: str = ""
    vertical: str = ""
    file_vertical: str = ""
    z_unit: str = ""
    units: str = ""
    site_id: str = ""
    site_name: str = ""
    surveyed: str = ""
    runs: tuple[str, ...] = ()
    site: Path | None = None
    codes: Path | None = None
    stops: Path | None = None
    prefix: bool = False
    dry_run: bool = False
    replace: bool = False


def refuse_unusable(told: Told) -> None:
    """Raise LaterallineError naming every value that cannot be used, whatever the points are."""
    wrong: list[str] = []
    if not told.files:
        wrong.append("name at least one file of points, as day1.txt")
    if told.order and told.order not in ORDERS:
        wrong.append(f'--order must be {" or ".join(ORDERS)}; got "{told.order}"')
    textual = any(file.suffix.casefold() in TEXT_SUFFIXES for file in told.files) and not told.layer
    if told.files and not textual:
        wrong += [
            f"{option} does not apply: no file here is read as text"
            for option, given in (("--order", told.order), ("--yes", told.yes))
            if given
        ]
    if told.replace and told.dry_run:
        wrong.append("--replace does not apply: --dry-run writes nothing")
    known = contract.load("site").column("level", "units").enum
    for option, unit in (("--units", told.units), ("--z-unit", told.z_unit)):
        if unit and unit not in known:
            hint = nearest(unit, known)
            wrong.append(f'{option} must be one of {", ".join(known)}; got "{unit}" — {hint}')
    for option, text, understand in (
        ("--crs", told.crs, horizontal_crs),
        ("--file-crs", told.file_crs, horizontal_crs),
        ("--vertical", told.vertical, vertical_crs),
        ("--file-vertical", told.file_vertical, vertical_crs),
    ):
        try:
            if text:
                understand(text)
        except FrameError as e:
            wrong.append(f"{option}: {e}")
    if told.file_vertical.strip().casefold() == "none":
        wrong.append("--file-vertical: levels that count from nothing known want --vertical none")
    if told.surveyed and _day(told.surveyed) is None:
        wrong.append(f'--surveyed must be a day such as 2026-05-06; got "{told.surveyed}"')
    wrong += [
        f'--run must be RUN:LINE:ENTRY:FLOW[:LAG[:RIDE]], as R1:L1:CO1:with; got "{text}"'
        for text in told.runs
        if _run(text) is None
    ]
    wrong += [
        f'--run must have {MUST_BE}; got "{one_line(name)}" — {hint}'
        for run in _runs(told.runs)
        for name in (run.id, run.line, run.entry)
        if (hint := wrong_name(name))
    ]
    if told.site is not None:
        own = {
            "--crs": told.crs,
            "--vertical": told.vertical,
            "--units": told.units,
            "--id": told.site_id,
            "--site-name": told.site_name,
            "--surveyed": told.surveyed,
            "--run": told.runs,
        }
        wrong += [f"{o} stands in the file of --site: give one of the two" for o in own if own[o]]
    _refuse(wrong)


def refuse_gaps(told: Told, found: Iterable[Sorted]) -> None:
    """Raise LaterallineError naming everything a site needs that no point can tell."""
    wrong = [] if told.out is not None else ["say where to write the site: -o SITE, or --dry-run"]
    if told.site is None:
        if not told.units:
            wrong.append("--units: what the counter and depths read in (m, ft, us-ft, …)")
        pattern = contract.load("site").column("id", "site").pattern
        hint = wrong_name(site_id(told), file=True)
        if told.out is not None and (hint or not re.fullmatch(pattern, site_id(told))):
            wrong.append(
                f'--id must be letters, digits, - and _; got "{one_line(site_id(told))}"'
                + (f" — {hint}" if hint else "")
            )
        known = {run.id for run in _runs(told.runs)}
        used = dict.fromkeys(s.run for s in found if s.run)
        wrong += [
            f"--run {run}:LINE:ENTRY:FLOW: its line, where the camera went in, and whether it went "
            "with or against the flow"
            for run in used
            if run not in known
        ]
    _refuse(wrong)


def site_given(told: Told, horizontal: str, vertical: str, level_unit: str) -> SiteGiven:
    """Return what a new site.toml says; `level_unit` is the points' own, or ""."""
    return SiteGiven(
        id=site_id(told),
        name=told.site_name,
        surveyed=_day(told.surveyed),
        horizontal=horizontal,
        vertical=vertical,
        unit=told.units,
        level_unit=level_unit or told.z_unit or told.units,
        runs=_runs(told.runs),
    )


def site_id(told: Told) -> str:
    """Return the id of the site: as given, else the name of its folder."""
    return told.site_id or (told.out.resolve().name if told.out is not None else "")


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
