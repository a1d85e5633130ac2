"""The changes an update made, in metres, NaN where a figure is not known; and what to do."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from math import hypot, nan
from typing import Final, Literal

import numpy as np

from lateralline import contract
from lateralline.catalogue import Given
from lateralline.findings import Finding, finding
from lateralline.record.rows import FindingRow
from lateralline.records import Floats
from lateralline.revise.added import ADDED_FILE
from lateralline.settings import Settings

#: held: nothing lies outside. left: something does, by no more than the new line's own 95 %
#: uncertainty. failed: by more. withheld: something does, but the new record has errors there, so
#: which of the two is wrong is not judged. untested: there is no part both records locate.
Verdict = Literal["held", "left", "failed", "withheld", "untested"]


@dataclass(frozen=True, slots=True)
class Moved:
    """A point of the centreline that is in both records, and how far the new one lies from it."""

    line: str
    kind: str  # fix | exposure | junction | bend
    ref: str  # "R1/3", an exposure's name, the other line, "bend at 12.40 m"
    chainage_m: float  # on the new line
    old_chainage_m: float
    east_m: float
    north_m: float
    up_m: float
    plan_m: float
    of_old_95: float  # plan move over the old 95 % ellipse in its direction: 1 is on its edge
    of_old_level_95: float  # level move over half of the old 95 % interval
    held: bool | None  # the new point lies within the old corridor; None = not located before
    x: float  # of the new point in the site's CRS
    y: float
    invert_m: float  # new level of the pipe's inside bottom
    old_x: float  # of the old point in the site's CRS
    old_y: float
    old_position_95_m: float  # half the long axis of the 95 % ellipse
    new_position_95_m: float
    old_level_95_m: float  # half of the 95 % interval
    new_level_95_m: float

    @property
    def of_both_95(self) -> float:
        """Plan move over what both ± together allow at 95 %, each by its long axis."""
        return self.plan_m / hypot(self.old_position_95_m, self.new_position_95_m)

    @property
    def of_both_level_95(self) -> float:
        """Level move over what both ± together allow at 95 %; NaN where levels are not compared."""
        return abs(self.up_m) / hypot(self.old_level_95_m, self.new_level_95_m)


def moved_points(
    line: str,
    names: Iterable[tuple[str, str]],
    held: Iterable[bool | None],
    move_m: Floats,
    xy: Floats,
    old_xy: Floats,
    **figures: Floats,
) -> tuple[Moved, ...]:
    """Return the points (n) of a line that are in both records, each a row of these.

    `names` are kind and ref; `move_m` (n, 3) east, north and up; `figures` (n,) by field.
    """
    columns = figures | {
        "east_m": move_m[:, 0],
        "north_m": move_m[:, 1],
        "up_m": move_m[:, 2],
        "plan_m": np.hypot(move_m[:, 0], move_m[:, 1]),
        "x": xy[:, 0],
        "y": xy[:, 1],
        "old_x": old_xy[:, 0],
        "old_y": old_xy[:, 1],
    }
    rows = zip(*(column.tolist() for column in columns.values()), strict=True)
    return tuple(
        Moved(line=line, kind=kind, ref=ref, held=inside, **dict(zip(columns, row, strict=True)))
        for (kind, ref), inside, row in zip(names, held, rows, strict=True)
    )


@dataclass(frozen=True, slots=True)
class Departure:
    """A part of a new line outside the region the old record gave for it."""

    from_chainage_m: float  # on the new line
    to_chainage_m: float
    worst_chainage_m: float
    between: str  # "R1/3 and R1/4"
    off_m: float  # how far outside, at the worst
    own_95_m: float  # half of the new line's own 95 % interval there, in that direction
    x: float  # of the worst spot in the site's CRS
    y: float
    path: tuple[tuple[float, float], ...] = ()  # of the part, in the site's CRS

    @property
    def significant(self) -> bool:
        """True when the new line's own uncertainty does not reach back to the old region."""
        return self.off_m > self.own_95_m


@dataclass(frozen=True, slots=True)
class Containment:
    """How a new line stands to one region of the old record: its corridor, or its level band."""

    verdict: Verdict
    tested_m: float  # length of the new line that both records locate
    outside_m: float
    departures: tuple[Departure, ...] = ()

    @property
    def worst(self) -> Departure | None:
        """The departure that weighs most: a significant one first, then the farthest."""
        return max(self.departures, key=lambda d: (d.significant, d.off_m), default=None)


@dataclass(frozen=True, slots=True)
class Figures:
    """What one record says of a line as a whole."""

    length_m: float
    gradient: float
    gradient_sigma: float
    sideways_95_m: float  # farthest off in plan at 95 %; NaN without bound
    level_95_m: float  # widest half of the 95 % intervals in level
    chi2: float
    dof: int
    undecided: int  # stretches whose shape the data do not settle


@dataclass(frozen=True, slots=True)
class LineChange:
    """One line, before and after; None where it was not, or is no more, drawn."""

    line: str
    before: Figures | None
    after: Figures | None
    moved: tuple[Moved, ...] = ()  # from downstream
    come: tuple[str, ...] = ()  # located points that are new, by name
    gone: tuple[str, ...] = ()
    bends_come: tuple[str, ...] = ()  # "46° at 13.95 m"
    bends_gone: tuple[str, ...] = ()
    plan: Containment = Containment("untested", 0.0, 0.0)
    level: Containment = Containment("untested", 0.0, 0.0)
    tolerance_m: float = float("nan")  # of the rule the old hand-dig zone was drawn with
    doubts: tuple[Finding, ...] = ()  # errors of the new record: why no verdict is given

    @property
    def verdicts(self) -> tuple[Verdict, Verdict]:
        """Plan and level."""
        return self.plan.verdict, self.level.verdict


@dataclass(frozen=True, slots=True)
class ExposureCheck:
    """A new exposure as it was measured, against the old record of its line."""

    name: str
    line: str
    old_chainage_m: float  # on the old line, where the exposure lies nearest
    plan: Verdict
    off_m: float  # outside the old corridor; 0 inside
    own_95_m: float  # half of the exposure's own 95 % interval in that direction
    level: Verdict
    level_off_m: float
    level_own_95_m: float
    from_line_m: float  # plan distance from the old centreline
    level_from_line_m: float  # measured invert less the old one
    x: float = nan  # where it was measured, in the site's CRS
    y: float = nan
    old_x: float = nan  # of the nearest place of the old line
    old_y: float = nan
    old_position_95_m: float = nan  # half the long axis of the 95 % ellipse there
    new_position_95_m: float = nan  # of the exposure
    old_level_95_m: float = nan  # half of the 95 % interval
    new_level_95_m: float = nan


@dataclass(frozen=True, slots=True)
class Noted:
    """A finding by what identifies it."""

    severity: str
    code: str
    variant: str
    subject: str
    what: str


def noted(
    findings: Iterable[Finding] | Iterable[FindingRow],
    others: Iterable[Finding] | Iterable[FindingRow],
) -> tuple[Noted, ...]:
    """Return the findings whose like, same name and subject, is not among the others."""
    known = {(f.code, f.variant, f.subject) for f in others}
    fresh = {(f.code, f.variant, f.subject): f for f in findings}
    return tuple(
        Noted(f.severity, f.code, f.variant, f.subject, f.what)
        for key, f in fresh.items()
        if key not in known
    )


@dataclass(frozen=True, slots=True)
class SiteChanges:
    """All that an update changed on one site."""

    site_id: str
    name: str
    length_unit: str  # the site's own, a key of units.METRES_PER
    added: dict[str, int]  # rows by table, and runs
    levels_compared: bool  # False when both records do not count levels from the same datum
    lines: tuple[LineChange, ...]
    exposures: tuple[ExposureCheck, ...]
    findings_come: tuple[Noted, ...]
    findings_gone: tuple[Noted, ...]
    errors: int  # error findings of the new site
    warnings: tuple[Finding, ...]  # what to do where old regions did not hold

    @property
    def held(self) -> bool:
        """True when no old corridor and no old level band was left anywhere."""
        verdicts = [v for line in self.lines for v in line.verdicts]
        verdicts += [v for e in self.exposures for v in (e.plan, e.level)]
        return not {"left", "failed", "withheld"} & set(verdicts)


# ---- what follows: findings with what to do --------------------------------------------------

#: Stages whose errors put a line in doubt; files and coordinates of the outputs do not.
_IN_DOUBT: Final = ("solve", "link", "derive")
#: Code of the finding on an old region that something lies outside, by verdict.
_CODES: Final = {
    "left": "old-record-doubtful",
    "failed": "old-record-contradicted",
    "withheld": "old-record-not-judged",
}


def warnings(
    lines: Iterable[LineChange], exposures: Iterable[ExposureCheck]
) -> tuple[Finding, ...]:
    """Return a finding for each line and exposure that lies outside what was claimed."""
    found = [f for line in lines for f in _of_line(line)]
    found += [f for exposure in exposures for f in _of_exposure(exposure)]
    return tuple(sorted(found, key=lambda f: f.severity != "error"))


def doubts(
    findings: Iterable[Finding], settings: Settings, exposures: Mapping[str, str]
) -> dict[str, tuple[Finding, ...]]:
    """Return the error findings of a record on each line, its runs, stops and exposures.

    `exposures` gives the line of each by name. An error on the whole site is one on every line, and
    lines that join are adjusted together, so each has the other's.
    """
    runs = {run.id: run.line for run in settings.runs}
    lines = list(dict.fromkeys([*runs.values(), *exposures.values()]))
    errors = [f for f in findings if f.severity == "error" and f.stage in _IN_DOUBT]
    about = [_lines_of(f.subject, runs, exposures, lines) for f in errors]
    of_line = {x: {i for i, named in enumerate(about) if x in named} for x in lines}
    for _ in settings.branches:  # once for each, so that doubt reaches branches of branches
        for branch in settings.branches:
            both = of_line.get(branch.line, set()) | of_line.get(branch.joins, set())
            of_line[branch.line] = of_line[branch.joins] = both
    return {x: tuple(errors[i] for i in sorted(of)) for x, of in of_line.items()}


def _lines_of(
    subject: str, runs: Mapping[str, str], exposures: Mapping[str, str], lines: list[str]
) -> list[str]:
    """The lines a finding's subject is about: "stop R1/4", "lines L1, L2", "site"."""
    of, _, name = subject.partition(" ")
    if of in ("line", "lines"):
        return name.split(", ")
    if of == "segment":
        return [name.rpartition("/")[0]]
    if of == "exposure":
        return [exposures.get(name, "")]
    if of in ("run", "stop"):
        return [runs.get(name.partition("/")[0], "")]
    return lines if of == "site" else []


def shared_receivers(old: Settings, new: Settings) -> tuple[Finding, ...]:
    """Return a note for each added run that is taken to share receiver and day with older ones."""
    known = {run.id for run in old.runs}
    found = []
    for run in new.runs:
        others = [other.id for other in old.runs if other.receiver == run.receiver]
        if run.id not in known and others:
            subject = f"run {run.id}"
            found.append(finding("receiver-shared", subject, others=others, file=ADDED_FILE))
    return tuple(found)


def _of_line(line: LineChange) -> Iterator[Finding]:
    caution = contract.load("tolerance_zone").caution
    for containment, region, tolerance_m in (
        (line.plan, "corridor", line.tolerance_m),
        (line.level, "level band", nan),
    ):
        worst = containment.worst
        if worst is None:
            continue
        outcome = containment.verdict if containment.verdict in ("failed", "withheld") else "left"
        values: dict[str, Given] = {
            "region": region,
            "at_m": worst.worst_chainage_m,
            "between": worst.between,
            "off_m": worst.off_m,
            "own_95_m": worst.own_95_m,
            "outside_m": containment.outside_m,
            "tested_m": containment.tested_m,
            "tolerance_m": tolerance_m,
            "caution": caution,
        }
        if outcome == "withheld":
            values["errors"] = dict.fromkeys(f"{f.subject} ({f.code})" for f in line.doubts)
        yield finding(_CODES[outcome], f"line {line.line}", variant="line", more=values)


def _of_exposure(e: ExposureCheck) -> Iterator[Finding]:
    for verdict, off_m, own_m, region in (
        (e.plan, e.off_m, e.own_95_m, "corridor"),
        (e.level, e.level_off_m, e.level_own_95_m, "level band"),
    ):
        if verdict in ("left", "failed", "withheld"):
            yield finding(
                _CODES[verdict],
                f"exposure {e.name}",
                variant="exposure",
                region=region,
                line=f"line {e.line}",
                at_m=e.old_chainage_m,
                off_m=off_m,
                own_95_m=own_m,
                caution=contract.load("tolerance_zone").caution,
            )
