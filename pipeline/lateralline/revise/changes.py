"""The changes an update made, as plain data in metres; NaN where a figure is not known."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from lateralline.findings import Finding

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
    mean_grade: float
    grade_sigma: float
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
    tolerance_m: float = float("nan")  # of the rule the old dig zone was drawn with
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


@dataclass(frozen=True, slots=True)
class Noted:
    """A finding by what identifies it."""

    severity: str
    code: str
    subject: str
    what: str


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
