"""`lateralline update`: exposures or a new run added to a site, and what that moved."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

import typer
from rich.console import Console
from rich.table import Table
from rich.text import Text

from lateralline.cli.command import CLEAN, NOTHING, WITH_ERRORS, batch_document, head, json_text
from lateralline.cli.options import (
    Also,
    AsJson,
    Replace,
    Terms,
    argument,
    formats_asked,
    option,
    refuse_suffix,
)
from lateralline.cli.report import (
    length,
    only_site,
    print_failure,
    print_findings,
    print_last_words,
)
from lateralline.cli.terminal import console, print_indented
from lateralline.units import METRES_PER
from lateralline.wording import SEVERITY_NAMES, counted, off_by, with_own_unit

if TYPE_CHECKING:
    from lateralline.api.visits import (
        Containment,
        ExposureCheck,
        Figures,
        LineChange,
        Noted,
        SiteChanges,
    )

_DECIMALS: Final = {"ft": 3, "us-ft": 3, "in": 2}  # of moves: about a millimetre
#: Of a line judged, from where on it is called all of it.
_MOST: Final = 0.98
#: Heads the share a move is of what the old record allowed there.
_OF_OLD: Final = "of old ±"
_OF_BOTH: Final = "of both ±"
_WORDS: Final = {
    "held": "held",
    "left": "LEFT, by no more than the new line's own uncertainty",
    "failed": "DID NOT HOLD",
    "withheld": "LEFT, by a record with errors: not judged",
    "untested": "not judged",
}
_STYLES: Final = {
    "held": "green",
    "left": "yellow",
    "failed": "bold red",
    "withheld": "bold yellow",
    "untested": "cyan",
}
_TABLES: Final = {
    "run": "run",
    "branch": "branch",
    "pipe": "pipe",
    "stops": "stop",
    "marks": "mark",
    "exposures": "exposure",
    "control": "control point",
    "observations": "observation",
    "assets": "row of the register",
    "photos": "photo",
}


def update(
    site: Annotated[
        Path,
        argument(
            "The site as it is: a folder, or a workbook (.xlsx).", metavar="SITE", exists=True
        ),
    ],
    added: Annotated[
        Path, argument("Folder of what is added.", metavar="ADDED", exists=True, file_okay=False)
    ],
    out: Annotated[Path, option("Site folder to write.", "--out", "-o", metavar="NEWSITE")],
    build: Annotated[
        Path | None, option("Build NEWSITE into this folder too.", metavar="OUT")
    ] = None,
    changed: Annotated[
        Path | None,
        option("What moved, as a GeoPackage (.gpkg).", "--changes", metavar="FILE"),
    ] = None,
    also: Also = None,
    terms: Terms = None,
    replace: Replace = False,
    as_json: AsJson = False,
) -> None:
    """Add exposures or a new run to a site; show what moved.

    ADDED holds any of exposures.csv, marks.csv, stops.csv, control.csv and observations.csv, with
    a site's columns, in the units and CRS of SITE; and added.toml with the [[run]], [[branch]] and
    [[pipe]] that are new. NEWSITE is SITE with all of it, whole or not at all; SITE stays as it is.
    Both are adjusted, and the command tells how far each point moved and whether the new line lies
    where the old record said: within its 95 % corridor and its 95 % level band.

    OUT gets what `lateralline build` writes, with its --also, and changes/ with the same account as
    .json, .csv and .geojson, and as record_changes.gpkg: a line from each old place to the new one,
    how sure both are at 95 %, and what it says of the old record. --changes writes that GeoPackage
    alone.

    Exit code: 0 the old corridors and levels held everywhere; 1 one of them did not, or NEWSITE has
    error findings; 2 nothing written.

    \b
    Example:
      lateralline update sites/EX-001 dug-in-june -o sites/EX-001-june
      lateralline update sites/EX-001 second-run -o sites/EX-001-b --build out --replace
    """
    from lateralline.api import visits

    source = only_site(site)
    refuse_suffix(changed, (".gpkg",), "must end in {}", "--changes")
    formats = formats_asked(also)
    if formats and build is None:
        raise typer.BadParameter("goes with --build", param_hint="--also")
    try:
        changes = visits.update(
            source, added, out, build=build, also=formats, changed=changed, replace=replace
        )
    except visits.RefusedError as e:
        if as_json:
            typer.echo(batch_document("update", [], e.failures, None, NOTHING))
        else:
            for failure in e.failures:
                print_failure(console(), failure)
            print_last_words("nothing was written.")
        raise typer.Exit(NOTHING) from e
    from lateralline.api.screens import spoken

    code = CLEAN if changes.held and not changes.errors else WITH_ERRORS
    if as_json:
        folder = None if build is None else str(build)
        content = {**head("update", out, code), "built": folder, **visits.plain(changes)}
        typer.echo(json_text(content))
    else:
        with spoken(terms):
            print_changes(console(), changes)
        message = f"wrote {out}" + (f"; built into {build}" if build else "")
        message += f"; what moved is in {changed}" if changed else ""
        print_last_words(f"{message}. {verdict(changes)}")
    raise typer.Exit(code)


def print_changes(out: Console, changes: SiteChanges, between: str = "") -> None:
    """Print everything that changed on a site, in its own unit, with metres where that is feet.

    `between` names the two records where nothing was added to one.
    """
    from lateralline.api.screens import region_of, word

    unit = changes.length_unit
    region = region_of(unit)
    fall, along = (word(q, region) for q in ("fall of the pipe", "distance along pipe"))
    named = changes.site_id + (f"  {changes.name}" if changes.name != changes.site_id else "")
    out.print(f"{named}, {between or f'added: {_added(changes.added)}'}", style="bold")
    if not changes.levels_compared:
        print_indented(out, "Levels are not compared: both records count them otherwise.", 2)
    for line in changes.lines:
        _print_line(out, line, unit, fall, word("level ±", region), of_both=bool(between))
    for exposure in changes.exposures:
        _print_exposure(out, exposure, unit, along)
    if changes.warnings:
        out.print("  What follows")
        print_findings(out, changes.warnings, unit)
    _print_noted(out, "New findings", changes.findings_come, unit)
    _print_noted(out, "Findings gone", changes.findings_gone, unit)
    out.print()


def verdict(changes: SiteChanges) -> str:
    """Say in a sentence what came of it."""
    verdicts = {v for line in changes.lines for v in line.verdicts}
    verdicts |= {v for e in changes.exposures for v in (e.plan, e.level)}
    message = "The old corridors and levels held."
    if "failed" in verdicts:
        message = "The old record did NOT hold: withdraw overlays made from it."
    elif "withheld" in verdicts:
        message = "What is new leaves the old 95 % regions, but has errors: rely on neither record."
    elif "left" in verdicts:
        message = "The new line leaves the old 95 % regions, within its own uncertainty."
    elif "held" not in verdicts:
        message = "There was nothing to hold the old record to."
    if changes.errors:
        many = "1 error finding" if changes.errors == 1 else f"{changes.errors} error findings"
        message += f" The new site has {many}: lateralline check tells them."
    return message


def _added(added: dict[str, int]) -> str:
    counts = [(n, word) for table, word in _TABLES.items() if (n := added.get(table, 0))]
    return ", ".join(f"{n} {word}{'s' if n > 1 and word != 'branch' else ''}" for n, word in counts)


# ---- lines ---------------------------------------------------------------------------------


def _print_line(
    out: Console, line: LineChange, unit: str, fall: str, up_or_down: str, *, of_both: bool
) -> None:
    before, after = line.before, line.after
    if before is None or after is None:
        what = "new: the old record did not draw it" if after else "GONE: it is drawn no more"
        out.print(f"  Line {line.line}  {what}")
        if figures := after or before:
            _row(out, "length", length(figures.length_m, unit))
        return
    out.print(f"  Line {line.line}")
    _print_containment(out, "corridor", line.plan, after.length_m, unit)
    _print_containment(out, "levels", line.level, after.length_m, unit)
    rows = [
        ("length", f"{length(before.length_m, unit)} → {length(after.length_m, unit)}"),
        (fall, f"{_grade(before)} → {_grade(after)} (95 %)"),
        ("position ±", _half(before.sideways_95_m, after.sideways_95_m, unit)),
        (up_or_down, _half(before.level_95_m, after.level_95_m, unit)),
        ("misfit (χ²)", f"{_chi2(before)} → {_chi2(after)}"),
        ("located now", ", ".join(line.come)),
        ("no more", ", ".join(line.gone)),
        ("bends found", "; ".join(line.bends_come)),
        ("bends gone", "; ".join(line.bends_gone)),
    ]
    for label, message in rows:
        if message:
            _row(out, label, with_own_unit(message, unit) if label.startswith("bends") else message)
    _print_moves(out, line, unit, of_both=of_both)


def _print_containment(
    out: Console, label: str, found: Containment, whole_m: float, unit: str
) -> None:
    message = Text(f"    {label:<12}")
    message.append(_WORDS[found.verdict], style=_STYLES[found.verdict])
    if worst := found.worst:
        share = found.outside_m / found.tested_m if found.tested_m else math.nan
        message.append(f": up to {length(worst.off_m, unit)} outside, ")
        message.append(f"{share:.0%} of {length(found.tested_m, unit)}")
    elif found.verdict == "held":
        message.append(f" along {length(found.tested_m, unit)}")
        if found.tested_m < _MOST * whole_m:
            message.append(f" of {length(whole_m, unit)}; the rest is not located by both")
    out.print(message, soft_wrap=True)


def _print_moves(out: Console, line: LineChange, unit: str, *, of_both: bool) -> None:
    """Print how far each point moved, and the share of what the old record, or both, allowed."""
    if not line.moved:
        return
    own = unit if unit in _DECIMALS else "m"
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    table.add_column("    moved")
    share = _OF_BOTH if of_both else _OF_OLD
    for name in ("at " + own, "east", "north", "plan " + own, share, "up " + own, share):
        table.add_column(name, justify="right")
    for m in line.moved:
        moves = (_own(v, own) for v in (m.east_m, m.north_m, m.plan_m))
        east, north, plan = moves
        outside = "" if m.held is not False else "  outside"
        table.add_row(
            f"    {'bend' if m.kind == 'bend' else m.ref}{outside}",
            f"{m.chainage_m / METRES_PER[own]:.2f}",
            east,
            north,
            plan,
            f"{m.of_both_95 if of_both else m.of_old_95:.0%}",
            _own(m.up_m, own),
            ""
            if math.isnan(m.up_m)
            else f"{m.of_both_level_95 if of_both else m.of_old_level_95:.0%}",
        )
    out.print(table)
    who = "both allow together" if of_both else "the old record allowed"
    print_indented(out, f"{share}: share of how far off {who} at 95 %", 4)


def _own(metres: float, unit: str) -> str:
    if math.isnan(metres):
        return ""
    text = f"{metres / METRES_PER[unit]:.{_DECIMALS.get(unit, 3)}f}"
    return text.lstrip("-") if not text.strip("-0.") else text


def _half(before_m: float, after_m: float, unit: str) -> str:
    first, then = (
        length(v, unit, off=True) if math.isfinite(v) else "not bounded"
        for v in (before_m, after_m)
    )
    return f"{first} → {then} where worst (95 of 100 times)"


def _grade(figures: Figures) -> str:
    from lateralline.api.visits import INTERVAL_95

    if not math.isfinite(figures.gradient):
        return "unknown"
    half = off_by(100 * INTERVAL_95 * figures.gradient_sigma, 1)
    return f"{figures.gradient:.1%} ± {half}%"


def _chi2(figures: Figures) -> str:
    return f"{figures.chi2:.1f} of {figures.dof}"


# ---- exposures and findings ----------------------------------------------------------------


def _print_exposure(out: Console, e: ExposureCheck, unit: str, along: str) -> None:
    at = length(e.old_chainage_m, unit)
    out.print(f"  Exposure {e.name}, on line {e.line} at its old {along} {at}", soft_wrap=True)
    for label, verdict, off_m, from_m in (
        ("corridor", e.plan, e.off_m, e.from_line_m),
        ("levels", e.level, e.level_off_m, e.level_from_line_m),
    ):
        message = Text(f"    {label:<12}")
        message.append(_WORDS[verdict], style=_STYLES[verdict])
        if verdict in ("left", "failed"):
            message.append(f": {length(off_m, unit)} outside")
        if math.isfinite(from_m):
            where = "from the old line" if label == "corridor" else "against the old invert"
            message.append(f"; {length(from_m, unit)} {where}")
        out.print(message, soft_wrap=True)


def _print_noted(out: Console, title: str, noted: Sequence[Noted], unit: str) -> None:
    if not noted:
        return
    from lateralline.api.screens import region_of, reworded

    severities = [n.severity for n in noted]
    counts = ", ".join(counted(severities.count(s), s) for s in dict.fromkeys(severities))
    out.print(f"  {title}: {counts}")
    for n in noted:
        called = SEVERITY_NAMES.get(n.severity, n.severity)
        what = reworded(with_own_unit(n.what, unit), region_of(unit))
        print_indented(out, f"{called:<8}{n.subject}: {what}", 4)


def _row(out: Console, label: str, message: str) -> None:
    out.print(f"    {label:<12}{message}", soft_wrap=True)
