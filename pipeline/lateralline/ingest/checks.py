"""Rows checked against one another, and how spots were measured.

References lead somewhere, names are given once, counts are possible; of a spot, the columns of its
method are filled and those of the other methods empty.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from math import isnan, nan
from operator import itemgetter
from typing import Final, TypeAlias

from lateralline import contract
from lateralline.ingest.cells import (
    LARGEST,
    UNKNOWN_UNIT,
    length_hint,
    length_in,
    plain_number_hint,
)
from lateralline.ingest.coordinate_system import Axes
from lateralline.ingest.intake import SITE_FILE
from lateralline.ingest.ledger import Ledger, nearest
from lateralline.ingest.limits import STOPS_OF_LINE
from lateralline.ingest.photos import PhotoSubjects, check_photos
from lateralline.ingest.rows import InputRow, InputRows
from lateralline.ingest.sections import SiteSettings
from lateralline.settings import Settings

Stop: TypeAlias = tuple[str, str]  # run, stop


@dataclass(frozen=True, slots=True)
class KnownNames:
    """What may be referred to; None where the place of the names could not be read at all."""

    runs: Mapping[str, str] | None  # run → line
    lines: frozenset[str] | None
    control: frozenset[str] | None
    stops: frozenset[Stop] | None
    excused: frozenset[Stop]  # missing, but a row of stops at fault may be it
    runs_in: str  # where runs stand
    stops_of: Mapping[str, tuple[str, ...]]  # run → its stops

    def knows_run(self, row: InputRow) -> bool:
        """Whether the run of a row is known, or empty: `_check_run_names` tells of the others."""
        run = row.text("run")
        return not run or self.runs is None or run in self.runs


def check_references(
    site: SiteSettings | None, tables: Mapping[str, InputRows | None], ledger: Ledger
) -> None:
    """Note every reference to nothing, every name given twice, and what does not add up.

    A table that could not be read is None; what it would have named is then not missed.
    """
    names = _names(site, tables)
    if (points := tables["control"]) is not None and names.control is not None and not points:
        measured = (*(tables["marks"] or ()), *(tables["exposures"] or ()))
        if any(row.text("method") not in ("", "gnss", "level") for row in measured):
            must = "must name the control points that offset, ties and polar start from"
            ledger.fault(points.file, 0, "point", "", must)
        names = replace(names, control=None)  # reported once, not once a mark
    of_runs = ("stops", "marks", "observations", "exposures", "photos")
    naming = [row for table in of_runs for row in tables[table] or ()]
    _check_run_names([*(site.sections["branch"] if site else ()), *naming], names, ledger)
    if site is not None:
        _check_site(site, names, ledger)
    axes = site.axes if site else None
    tape = site.units.get("tape", UNKNOWN_UNIT) if site else UNKNOWN_UNIT
    control, marks, stops, exposures, observations = (
        InputRows(f"{t}.csv") if (rows := tables[t]) is None else rows
        for t in ("control", "marks", "stops", "exposures", "observations")
    )
    for rows, key, what in (
        (control, ("point",), "control point"),
        (marks, ("mark",), "mark"),
        (stops, ("run", "stop"), "stop of a run"),
        (exposures, ("name",), "exposure"),
        (tables["assets"] or InputRows("assets.csv"), ("line_id",), "line"),
    ):
        _once(rows, key, f"must name each {what} once", ledger)
    for row in control:
        check_lonlat(row, axes, ledger)
    for row in (*marks, *exposures):
        check_spot(row, names.control, axes, tape, ledger)
    for row in marks:
        _check_mark(row, names, ledger)
    _check_lengths(stops, names.runs or {}, ledger)
    _check_end_nulls(marks, ledger)
    for row in exposures:
        _check_exposure(row, names, ledger)
    check_photos(tables["photos"] or (), _subjects(names, tables), ledger)
    for row in tables["assets"] or ():
        if (line := row.text("line_id")) and names.lines is not None and line not in names.lines:
            row.fault(ledger, "line_id", "must be a line of the site", nearest(line, names.lines))
    for row in observations:
        if row.given("clock_to") and not row.given("clock_from"):
            row.fault(ledger, "clock_from", "must be given with clock_to")
    for row in marks:
        if row.text("kind") == "peak":
            ledger.note("mark-kind-assumed", f"mark {row.text('mark')}", where=row.where)
    if tables["stops"] is not None and tables["marks"] is not None:
        _note_stops(marks, stops, names, ledger)


def check_runs(settings: Settings, site: SiteSettings, stops: InputRows, ledger: Ledger) -> None:
    """Note run values in SI that cannot be, or hardly can."""
    entry_of: dict[str, float] = {}  # counter at the entry of each run
    for run, row in zip(settings.runs, site.sections["run"], strict=True):
        entry_of.setdefault(run.id, row.number("counter_at_entry", 0.0))
        inside = settings.pipe(run.line).inside_diameter_m
        inside = 5.0 if isnan(inside) else inside
        if run.ride_height_m >= inside:
            must = f"must be less than the inside diameter, {inside:.3f} m"
            hint = f"it comes out as {run.ride_height_m:.4g} m; the unit of pipe is"
            row.fault(ledger, "ride_height", must, f"{hint} {settings.units['pipe']}")
    for stop in stops:
        of = stop.text("run")
        counter, entry = stop.number("counter"), entry_of.get(of, nan)
        if counter < entry:
            ledger.note(
                "counter-wrong/before-entry",
                f"stop {of}/{stop.text('stop')}",
                where=stop.where,
                entry=entry,
                before=entry - counter,
                unit=settings.units["counter"],
            )


# ---- site.toml -----------------------------------------------------------------------------


def _names(site: SiteSettings | None, tables: Mapping[str, InputRows | None]) -> KnownNames:
    runs: dict[str, str] | None = None
    lines: frozenset[str] | None = None
    if site is not None:
        run_rows, pipe_rows = site.sections["run"], site.sections["pipe"]
        runs = {r.text("id"): r.text("line") for r in run_rows if r.text("id")}
        lines = frozenset(filter(None, (r.text("line") for r in (*run_rows, *pipe_rows))))
        if any("id" in r.bad for r in run_rows):
            runs = None
        if any("line" in r.bad for r in (*run_rows, *pipe_rows)):
            lines = None
    control = _complete(tables["control"], "point")
    stops = _complete(tables["stops"], "run", "stop")
    by_run = groupby(sorted((run, stop) for run, stop in stops or ()), key=itemgetter(0))
    return KnownNames(
        runs,
        lines,
        None if control is None else frozenset(point for (point,) in control),
        None if stops is None else frozenset((run, stop) for run, stop in stops),
        _excused(tables["stops"] or (), tables["marks"] or (), runs or {}),
        site.written_in("run") if site else SITE_FILE,
        {run: tuple(stop for _, stop in own) for run, own in by_run},
    )


def _subjects(names: KnownNames, tables: Mapping[str, InputRows | None]) -> PhotoSubjects:
    """Return what a picture may show."""
    seen = _complete(tables["observations"], "run", "counter")
    exposed = _complete(tables["exposures"], "name")
    counters: dict[str, tuple[float, ...]] = defaultdict(tuple)
    for row in tables["observations"] or ():
        counters[row.text("run")] += (row.number("counter"),)
    return PhotoSubjects(
        None if names.stops is None else {r: names.stops_of.get(r, ()) for r in names.runs or ()},
        None if seen is None else counters,
        None if exposed is None else frozenset(name for (name,) in exposed),
    )


def _excused(
    stops: Iterable[InputRow], marks: Iterable[InputRow], runs: Mapping[str, str]
) -> frozenset[Stop]:
    """Return the stops that marks name in vain because the stop's own row is at fault.

    A row at fault in another cell too, of an unknown run or named twice, that no mark belongs to,
    may be the one stop of its run that is missing; the one most marks belong to is taken.
    """
    belonging = Counter((r.text("run"), r.text("stop")) for r in marks)
    at_fault: Counter[str] = Counter()  # by run; "" where the run itself is unknown
    known: set[Stop] = set()
    for row in stops:
        at = run, _ = row.text("run"), row.text("stop")
        if run not in runs or at in known or (row.bad and at not in belonging):
            at_fault[run if run in runs else ""] += 1
        known.add(at)
    excused: set[Stop] = set()
    for at, _ in belonging.most_common():
        by = at[0] if at_fault[at[0]] else ""
        if at not in known and at_fault[by]:
            at_fault[by] -= 1
            excused.add(at)
    return frozenset(excused)


def _complete(rows: InputRows | None, *key: str) -> list[tuple[str, ...]] | None:
    """Return the names a table gives; None when some of them could not be read."""
    if rows is None or not rows.complete or any(k in row.bad for row in rows for k in key):
        return None
    return [tuple(row.text(k) for k in key) for row in rows]


def _check_site(site: SiteSettings, names: KnownNames, ledger: Ledger) -> None:
    runs, pipes, branches = (site.sections[s] for s in ("run", "pipe", "branch"))
    _once(runs, ("id",), "must name each run once", ledger)
    _once(pipes, ("line",), "must describe each line once", ledger)
    _once(branches, ("line",), "must join each line once", ledger)
    piped = {r.text("line") for r in pipes}
    for line in dict.fromkeys(r.text("line") for r in runs):
        if line and line not in piped:
            ledger.note("pipe-size-unsure/unknown", f"line {line}")
    for row in runs:
        if row.given("main") != row.given("counter_at_main"):
            lacking = "counter_at_main" if row.given("main") else "main"
            row.fault(ledger, lacking, "must be given too: the main, and the counter there")
    parent = {r.text("line"): r.text("joins") for r in branches}
    for row in branches:
        known = [
            _known(row, column, names.lines, "must be a line of a run or pipe", ledger)
            for column in ("line", "joins")
        ]
        if row.given("at_counter") and not row.given("run"):
            row.fault(ledger, "run", "must be given with at_counter: the run it was read on")
        line, joins = row.text("line"), row.text("joins")
        run_line = (names.runs or {}).get(row.text("run"), "")
        if all(known) and run_line and run_line not in (line, joins):
            row.fault(ledger, "run", f"must be a run of {line} or {joins}; its line is {run_line}")
        if line and _comes_back(line, parent):
            row.fault(ledger, "joins", "must lead away from the line, not back to it")


def _comes_back(line: str, parent: Mapping[str, str]) -> bool:
    at = parent.get(line, "")
    for _ in parent:
        if at == line:
            return True
        at = parent.get(at, "")
    return False


# ---- tables --------------------------------------------------------------------------------


def _once(rows: Iterable[InputRow], key: tuple[str, ...], must: str, ledger: Ledger) -> None:
    seen: dict[tuple[str, ...], InputRow] = {}
    for row in rows:
        name = tuple(row.text(k) for k in key)
        if not all(name):
            continue
        first = seen.setdefault(name, row)
        if first is not row:
            row.fault(ledger, key[-1], must, f"it stands in line {first.line_of(key[-1])} too")


def _check_run_names(rows: Sequence[InputRow], names: KnownNames, ledger: Ledger) -> None:
    """Note each run that is named and not described, once, however many rows name it."""
    strangers: defaultdict[str, list[InputRow]] = defaultdict(list)
    for row in rows:
        if not names.knows_run(row):
            strangers[row.text("run")].append(row)
    for run, (first, *others) in strangers.items():
        must = f"must be a run of {names.runs_in}"
        if others:
            must += f"; {len(others)} more row{'s name' if len(others) > 1 else ' names'} {run}"
        hint = nearest(run, names.runs or {})
        if not hint.startswith("did"):
            has = f"described there: {', '.join(names.runs)}" if names.runs else "none is described"
            hint = f"{has}; add [[run]] with id {run}, and line, entry and flow"
        first.fault(ledger, "run", must, hint)


def _known(
    row: InputRow, column: str, known: Collection[str] | None, must: str, ledger: Ledger
) -> bool:
    """Return whether a filled cell names something known, noting a fault when it does not."""
    name = row.text(column)
    if not name or known is None or name in known:
        return True
    row.fault(ledger, column, must, nearest(name, known))
    return False


def _check_mark(row: InputRow, names: KnownNames, ledger: Ledger) -> None:
    ground = row.text("kind") == "ground"
    for column in ("run", "stop"):
        if not row.given(column) and not (ground or "kind" in row.bad):
            row.fault(ledger, column, "must be given, except for a ground shot")
    run, stop = row.text("run"), row.text("stop")
    if not names.knows_run(row) or not run or not stop or names.stops is None:
        return
    if (run, stop) in names.stops or (run, stop) in names.excused:
        return
    of_run = names.stops_of.get(run, ())
    if of_run or names.runs is not None:
        row.fault(ledger, "stop", f"must be a stop of run {run} in stops", nearest(stop, of_run))


def _check_lengths(stops: InputRows, runs: Mapping[str, str], ledger: Ledger) -> None:
    """Note each line that has more stops than can be adjusted together."""
    count: Counter[str] = Counter()
    for row in stops:
        line = runs.get(row.text("run"), "")
        count[line] += 1
        if line and count[line] == STOPS_OF_LINE + 1:
            must = f"must be one of at most {STOPS_OF_LINE} stops of line {line}; more begin here"
            row.fault(
                ledger, "stop", must, "give each length of pipe between two entries its own line"
            )


def _check_end_nulls(marks: InputRows, ledger: Ledger) -> None:
    count: defaultdict[Stop, int] = defaultdict(int)
    for row in marks:
        at = (row.text("run"), row.text("stop"))
        if row.text("kind") == "end_null" and all(at):
            count[at] += 1
            if count[at] > 2:
                must = f"must be end_null at most twice at stop {'/'.join(at)}"
                hint = "a transmitter has two ends; is the id used for two stops?"
                row.fault(ledger, "kind", must, hint)


def _check_exposure(row: InputRow, names: KnownNames, ledger: Ledger) -> None:
    run, line = row.text("run"), row.text("line")
    if not row.given("run") and not row.given("line"):
        row.fault(ledger, "line", "must be given when run is not: what line was exposed")
    _known(row, "line", names.lines, "must be a line of a run or pipe", ledger)
    run_line = (names.runs or {}).get(run, "")
    if line and run_line and line != run_line:
        row.fault(ledger, "line", f"must be the line of run {run}, {run_line}")
    if row.given("counter") and not row.given("run"):
        row.fault(ledger, "run", "must be given with counter: the run it was read on")
    if row.text("method") == "level":
        for column in ("run", "counter", "z"):
            if not row.given(column):
                row.fault(ledger, column, "must be given for method level")
        if row.given("depth"):
            must = "must be empty for method level"
            row.fault(ledger, "depth", must, "z is the level of the very thing measured to")
    elif not row.given("z") and not row.given("depth"):
        ledger.note(
            "level-missing/exposure-in-plan", f"exposure {row.text('name')}", where=row.where
        )
        return
    if not row.given("measured_to"):
        must = "must be given where z or depth is: what was seen"
        targets = contract.load("exposures").column("measured_to").enum
        row.fault(ledger, "measured_to", must, f"one of {', '.join(targets)}")


# ---- findings ------------------------------------------------------------------------------


def _note_stops(marks: InputRows, stops: InputRows, names: KnownNames, ledger: Ledger) -> None:
    if not len(stops):
        ledger.note(
            "line-not-located/no-stops",
            "site",
            unmarked=not len(marks),
            stops_file=stops.file,
            marks_file=marks.file,
        )
        return
    marked = {(r.text("run"), r.text("stop")) for r in marks if r.text("kind") != "ground"}
    for row in stops:
        run, stop = row.text("run"), row.text("stop")
        if run and stop and (run, stop) not in marked:
            ledger.note("stop-not-located/unmarked", f"stop {run}/{stop}", where=row.where)
    stopped = {r.text("run") for r in stops}
    for run in names.runs or {}:
        if run not in stopped:
            ledger.note("line-not-located/empty-run", f"run {run}")


# ---- spots: marks and exposures share these columns ---------------------------------------

#: The columns a method needs filled; every other column of another method must be empty.
NEEDS: Final[Mapping[str, tuple[str, ...]]] = {
    "gnss": ("x", "y"),
    "offset": ("base_from", "base_to", "base_distance", "base_offset"),
    "ties": ("ties",),
    "polar": ("base_from", "polar_distance", "polar_azimuth_deg"),
    "level": (),
}
MAY: Final[Mapping[str, tuple[str, ...]]] = {"gnss": ("sigma_h",), "ties": ("side",)}
_OF_A_METHOD: Final = frozenset(sum((*NEEDS.values(), *MAY.values()), ()))

Ties = tuple[tuple[str, float], ...]
_AS_TIES: Final = "as P1:6.32;P2:4.85; a tape nobody read is left out"


def check_spot(
    row: InputRow, control: frozenset[str] | None, axes: Axes | None, tape: str, ledger: Ledger
) -> None:
    """Note what the row's method lacks, what belongs to another, and points nobody knows.

    `control` None means the control points could not be read, so none is missed. `tape` is the
    unit of taped lengths.
    """
    method = row.text("method")
    if not method:
        return
    needs = NEEDS[method]
    for column in needs:
        if not row.given(column):
            row.fault(ledger, column, f"must be given for method {method}")
    for column in sorted(_OF_A_METHOD - {*needs, *MAY.get(method, ())}):
        if row.given(column):
            others = " or ".join(m for m in NEEDS if column in NEEDS[m] + MAY.get(m, ()))
            row.fault(ledger, column, f"must be empty for method {method}", f"it is of {others}")
    if method == "ties" and row.given("ties"):
        check_ties(row, control, tape, ledger)
    for column in ("base_from", "base_to"):
        if column in needs and control is not None:
            name = row.text(column)
            if name and name not in control:
                row.fault(ledger, column, "must be a point of control", nearest(name, control))
    if (
        method == "offset"
        and row.text("base_from")
        and row.text("base_from") == row.text("base_to")
    ):
        row.fault(ledger, "base_to", "must be another point than base_from")
    if method == "gnss":
        check_lonlat(row, axes, ledger)


def check_lonlat(row: InputRow, axes: Axes | None, ledger: Ledger) -> None:
    """Note a longitude or latitude that cannot be one."""
    if axes is None or not axes.geographic:
        return
    x, y = row.number("x"), row.number("y")
    swapped = "x is longitude, y is latitude" if abs(y) > 90 and abs(x) <= 90 else ""
    if not -180 <= x <= 360:  # some count east all the way round
        row.fault(ledger, "x", "must be a longitude in degrees from -180 to 360", swapped)
    if abs(y) > 90:
        row.fault(ledger, "y", "must be a latitude in degrees from -90 to 90", swapped)


def check_ties(row: InputRow, control: frozenset[str] | None, tape: str, ledger: Ledger) -> None:
    """Note ties that cannot be read, repeat a point, or leave two places open."""
    must = "must be point:distance;point:distance"
    names: list[str] = []
    for part in filter(None, (p.strip() for p in row.text("ties").split(";"))):
        name, colon, length = (p.strip() for p in part.rpartition(":"))
        if not colon or not name:
            row.fault(ledger, "ties", f'{must}; "{part}" is not', _AS_TIES)
            return
        if isnan(_length(length, tape)):
            hint = length_hint(length, tape) or plain_number_hint(length) or _AS_TIES
            row.fault(ledger, "ties", f'must have a distance above 0 in "{part}"', hint)
            return
        if control is not None and name not in control:
            row.fault(
                ledger,
                "ties",
                f'must name points of control; "{name}" is not one',
                nearest(name, control),
            )
        names.append(name)
    for name in sorted(n for n, times in Counter(names).items() if times > 1):
        row.fault(ledger, "ties", f"must name each point once; {name} stands there twice")
    if len(names) < 2:
        row.fault(ledger, "ties", "must hold two ties or more", _AS_TIES)
    if len(names) == 2 and not row.given("side"):
        row.fault(
            ledger, "side", "must be left or right with two ties", "two circles meet in two places"
        )


def parse_ties(text: str, tape: str = "m") -> Ties:
    r"""Return the ties of a cell that was checked, lengths in the tape's unit.

    >>> parse_ties("P1:6.32; P2:4.85")
    (('P1', 6.32), ('P2', 4.85))
    >>> parse_ties("P1:21' 4 1/2\"; P2:15.25", "ft")
    (('P1', 21.375), ('P2', 15.25))
    """
    parts = (p.rpartition(":") for p in text.split(";") if p.strip())
    return tuple((name.strip(), _length(length, tape)) for name, _, length in parts)


def _length(text: str, tape: str) -> float:
    """Return a taped length; NaN when the text is none."""
    value = length_in(text, tape)
    return value if 0 < value <= LARGEST else nan
