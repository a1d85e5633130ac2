"""Records that steps hand on: located points, shapes of stretches, lines of a network, blunders."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from lateralline.findings import Finding
from lateralline.kernels.conditions import by_field_turn
from lateralline.kernels.curves import angles, directions
from lateralline.records import Flags, Floats, Ints


@dataclass(frozen=True, slots=True)
class LocatedPoint:
    """One located point of a line, with what was observed there."""

    kind: str  # fix | exposure | junction
    ref: str  # "R1/3", an exposure's name, a line id
    where: str  # "stops.csv:14"
    fix: int  # index into Fixes, else −1
    xyz_m: Floats  # (3,) transmitter axis; level NaN = unknown
    heading_rad: float  # NaN when nothing gives a direction
    tilt_rad: float
    cov: Floats  # (5, 5) with the axis's own variance; only (3, 3) counts without a direction
    readings: Mapping[str, float]  # run → counter at which the transmitter stood here
    #: (5, c) what one σ of each error shared through the site does to it; part of `cov`
    shared: Floats = field(default_factory=lambda: np.zeros((5, 0)))
    gnss: bool = False  # GNSS put every mark it rests on
    depth_m: float = 0.0  # of a fix
    metal: bool = False  # seen beside it
    #: (2,) σ along and across the pipe, whichever way that lies, where the heading is only guessed
    axis_sigma_m: Floats = field(default_factory=lambda: np.full(2, np.nan))

    @property
    def by_turn(self) -> Floats:
        """What a field turned by one radian does to it (5, 2); nothing but to a fix."""
        heading = np.array([self.heading_rad if self.directed else 0.0])
        depth = np.array([self.depth_m if self.fix >= 0 else 0.0])
        return np.asarray(by_field_turn(depth, heading)[0])

    @property
    def directed(self) -> bool:
        """True when the point says which way the pipe runs."""
        return bool(np.isfinite(self.heading_rad))

    @property
    def subject(self) -> str:
        """The point as a finding names it."""
        return f"{'stop' if self.fix >= 0 and self.kind == 'fix' else self.kind} {self.ref}"

    @property
    def direction(self) -> Floats:
        """Unit vector (3,) of the axis."""
        return directions(self.heading_rad, self.tilt_rad)

    def of_run(self, run: str) -> bool:
        """Whether it is a stop of this run."""
        return self.kind == "fix" and self.fix >= 0 and self.ref.rpartition("/")[0] == run

    def reversed(self) -> LocatedPoint:
        """The same point looked at from the other end of the transmitter: α + π, −θ."""
        sign = np.array([1.0, 1.0, 1.0, 1.0, -1.0])
        return replace(
            self,
            heading_rad=(self.heading_rad + np.pi) % (2 * np.pi),
            tilt_rad=-self.tilt_rad,
            cov=self.cov * np.outer(sign, sign),
            shared=self.shared * sign[:, None],
        )


#: Tilt of a pipe, 1 σ, where only the order of its stops is asked after: common practice, no
#: source.
TILT_RAD = np.radians(5.0)


def likely_positions_m(points: Sequence[LocatedPoint]) -> Floats:
    """Return where points (k, 3) most likely lie, were the pipe nearly level.

    A stop whose tilt was hardly observed has been freed of its prior, which may carry it a metre
    along the pipe: right beside its covariance, of no use to order stops by.
    """
    out = np.array([p.xyz_m for p in points]).reshape(-1, 3)
    for i, p in enumerate(points):
        if p.directed:
            out[i] -= p.cov[:3, 4] * (p.tilt_rad / (p.cov[4, 4] + TILT_RAD**2))
    return out


#: A heading less certain than this starts along the chord.
_WEAK_HEADING_RAD = 0.35


@dataclass(frozen=True, slots=True)
class PointObservations:
    """What was observed at k points, downstream → upstream, axes pointing upstream."""

    xyz_m: Floats  # (k, 3)
    angles_rad: Floats  # (k, 2) heading, tilt; the chord's where nothing was observed
    cov: Floats  # (k, 5, 5)
    directed: Flags  # (k,)
    runs: tuple[str, ...]
    readings_m: Floats  # (runs, k) transmitter counters; NaN = this run has none here
    start_angles_rad: Floats  # (k, 2) where an iteration may safely start

    @classmethod
    def of(cls, points: Sequence[LocatedPoint]) -> PointObservations:
        """Return the arrays of ordered, turned points (at least two)."""
        xyz = np.array([p.xyz_m for p in points])
        cov = np.array([p.cov for p in points])
        directed = np.array([p.directed for p in points])
        runs = tuple(dict.fromkeys(r for p in points for r in p.readings))
        readings = np.array(
            [[p.readings.get(r, np.nan) for p in points] for r in runs], float
        ).reshape(len(runs), len(points))
        chord = np.stack(angles(_chords(xyz)), axis=-1)
        seen = np.array([[p.heading_rad, p.tilt_rad] for p in points])
        observed = np.where(directed[:, None], seen, chord)
        strong = directed & (cov[:, 3, 3] < _WEAK_HEADING_RAD**2)
        start_angles = np.where(strong[:, None], observed, chord)
        return cls(xyz, observed, cov, directed, runs, readings, start_angles)


def _chords(xyz: Floats) -> Floats:
    """Chord (k, 3) past each point, from the one before to the one after."""
    ends = np.concatenate([xyz[:1], xyz, xyz[-1:]])
    return np.asarray(ends[2:] - ends[:-2])


@dataclass(frozen=True, slots=True)
class Shapes:
    """The shape of each of s stretches, and the evidence."""

    shape: tuple[str, ...]
    bends_m: tuple[Floats, ...]  # per stretch (0|1|2, 3), to start the adjustment from
    contradicted: Flags  # undecided because nothing fits, not because nothing tells
    beside_turn: Flags  # undecided because the pipe turns at the stop at one end
    ambiguous: Flags  # undecided because the whole line bears two shapes equally well
    step_m: Floats  # (s, 2) across and up: undecided because the pipe steps by so much; else NaN
    kept_straight: Flags  # undecided, yet adjusted as the straight it may still be
    chi2: Floats  # (s, 3) of straight, bend, double bend; inf = does not exist, or not asked after
    dof: Ints  # (s, 3)
    hidden_bend: Floats  # (s,) non-centrality a 45° bend would have had

    def without(self, *shapes: str) -> Shapes:
        """The same with every stretch of these shapes undecided: what is left when they fail."""
        gone = np.array([s in shapes for s in self.shape], bool)
        loose = self._undecided(gone)
        return replace(
            loose, contradicted=self.contradicted | gone, kept_straight=self.kept_straight & False
        )

    def straightened(self, stretches: Sequence[int]) -> Shapes:
        """The same with these stretches straight."""
        straight = np.isin(np.arange(len(self.shape)), stretches)
        return replace(
            self,
            shape=tuple("straight" if t else s for t, s in zip(straight, self.shape, strict=True)),
            bends_m=tuple(b[:0] if t else b for t, b in zip(straight, self.bends_m, strict=True)),
            contradicted=self.contradicted & ~straight,
        )

    def left_undecided(self, stretch: int) -> Shapes:
        """The same with one stretch undecided, because no shape of it will settle."""
        gone = np.arange(len(self.shape)) == stretch
        return replace(self._undecided(gone), contradicted=self.contradicted | gone)

    def turning_at(self, stops: Sequence[int]) -> Shapes:
        """The same where the pipe turns at or near stops: both stretches of each are undecided."""
        beside = np.zeros(len(self.shape), bool)
        for i in stops:
            beside[i - 1 : i + 1] = True
        return replace(self._undecided(beside), beside_turn=self.beside_turn | beside)

    def ambiguous_at(self, stretch: int) -> Shapes:
        """The same with one stretch undecided, because the line bears two shapes equally well."""
        here = np.arange(len(self.shape)) == stretch
        return replace(
            self._undecided(here),
            contradicted=self.contradicted & ~here,
            ambiguous=self.ambiguous | here,
        )

    def stepping(self, stretches: Sequence[int], by_m: Floats, *, surely: bool) -> Shapes:
        """The same with stretches undecided in which the pipe steps aside or up by so much.

        One that steps surely says nothing any more; a doubt alone sets no stop beside it free.
        """
        here = np.isin(np.arange(len(self.shape)), stretches)
        step = self.step_m.copy()
        step[list(stretches)] = by_m
        return replace(
            self._undecided(here),
            step_m=step,
            kept_straight=self.kept_straight | (here & (not surely)),
        )

    def _undecided(self, gone: Flags) -> Shapes:
        return replace(
            self,
            shape=tuple("undecided" if g else s for g, s in zip(gone, self.shape, strict=True)),
            bends_m=tuple(b[:0] if g else b for g, b in zip(gone, self.bends_m, strict=True)),
        )

    def bent(self, stretch: int, bends_m: Floats) -> Shapes:
        """The same with one or two bends (b, 3) in a stretch."""
        shape, bends = list(self.shape), list(self.bends_m)
        shape[stretch], bends[stretch] = ("bend", "two_bends")[len(bends_m) - 1], bends_m
        clear = np.arange(len(shape)) != stretch
        return replace(
            self,
            shape=tuple(shape),
            bends_m=tuple(bends),
            contradicted=self.contradicted & clear,
        )


@dataclass(frozen=True, slots=True)
class IntermediatePoint:
    """A located point on its line that is no vertex: a stop of another run, a level."""

    point: LocatedPoint
    stretch: int  # of the line's points
    share: float  # of the stretch's path, to start from; beyond 0…1 where it lies past an end
    level_only: bool = False
    sigma_m: float = np.inf  # of its place along the leg, where nothing else tells it
    leg: int = -1  # of the stretch, where `share` is that of this leg alone


@dataclass(frozen=True, slots=True)
class JunctionConstraint:
    """Where the first point of a line hangs on a leg of another."""

    parent: str
    leg: int
    fraction: float
    run: str  # run of the parent whose counter is known here; "" = none
    counter_m: float
    sigma_m: float  # of the place along the leg, where nothing else tells it; inf = something does


@dataclass(frozen=True, slots=True)
class NetworkLine:
    """One line of a network, downstream → upstream."""

    id: str
    points: tuple[LocatedPoint, ...]  # the first one a junction when `join` is given
    shapes: Shapes
    intermediates: tuple[IntermediatePoint, ...] = ()
    join: JunctionConstraint | None = None
    bend_rad: tuple[tuple[int, float], ...] = ()  # vertex → turn it is constrained to

    def place(self, intermediate: IntermediatePoint) -> tuple[int, float]:
        """Return the leg of the path an intermediate point is on, and the fraction along it."""
        first, last = self.path[1][[intermediate.stretch, intermediate.stretch + 1]].tolist()
        if intermediate.leg >= 0:
            return min(first + intermediate.leg, last - 1), intermediate.share
        return self._along(intermediate.stretch, intermediate.share)

    def _along(self, stretch: int, share: float) -> tuple[int, float]:
        """The leg and the fraction along it at a share of a stretch's path."""
        length, first = self._legs(stretch)
        along = share * float(length.sum())
        before = np.concatenate([[0.0], np.cumsum(length)[:-1]])
        leg = max(int(np.searchsorted(before, along, side="right")) - 1, 0)
        return first + leg, float((along - before[leg]) / max(float(length[leg]), 1e-9))

    def _legs(self, stretch: int) -> tuple[Floats, int]:
        """Lengths of a stretch's legs, and the number of the first."""
        path, number = self.path
        first, last = int(number[stretch]), int(number[stretch + 1])
        return np.linalg.norm(np.diff(path[first : last + 1], axis=0), axis=1), first

    def carried(self, leg: int, fraction: float, to: NetworkLine) -> tuple[int, float]:
        """Return leg and fraction of a place on the path where the line has other bends."""
        stretch, of_stretch = self.at_leg(leg)
        length, _ = self._legs(stretch)
        along = float(length[:of_stretch].sum() + fraction * length[of_stretch])
        return to._along(stretch, along / max(float(length.sum()), 1e-9))

    def at_leg(self, leg: int) -> tuple[int, int]:
        """Return the stretch a leg of the path belongs to, and its number there."""
        number = self.path[1]
        stretch = int(np.searchsorted(number, leg, side="right")) - 1
        return stretch, leg - int(number[stretch])

    def with_shapes(self, shapes: Shapes) -> NetworkLine:
        """The same line under another choice of shapes."""
        return replace(self, shapes=shapes)

    @property
    def decided(self) -> list[bool]:
        """Whether each stretch gives observations of its direction and length."""
        shapes = zip(self.shapes.shape, self.shapes.kept_straight.tolist(), strict=True)
        return [s != "undecided" or kept for s, kept in shapes]

    @property
    def path(self) -> tuple[Floats, Ints]:
        """Vertices (V, 3) with the bends between the points; the vertex number (k,) of each."""
        rows, number, count = [], [], 0
        for i, point in enumerate(self.points):
            number.append(count)
            rows.append(point.xyz_m[None])
            count += 1
            if i < len(self.shapes.bends_m):
                rows.append(self.shapes.bends_m[i])
                count += len(self.shapes.bends_m[i])
        return np.concatenate(rows), np.array(number, int)


@dataclass(frozen=True, slots=True)
class Alternative:
    """One thing that may be wrong: the observations that would be off, each by itself."""

    line: str
    point: int  # of the line's points; −1 = an intermediate point
    subject: LocatedPoint
    what: str  # plan | level | heading | tilt | counter | kink
    run: str  # counter only
    rows: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class SuspectedBlunder:
    """An alternative that explains the misfit better than chance."""

    alternative: Alternative
    statistic: float  # χ² of as many degrees of freedom as the alternative has
    limit: float
    size: Floats  # (q,) estimated error of the observation
    size_cov: Floats = field(default_factory=lambda: np.zeros((0, 0)))  # (q, q) of that estimate
    way: Floats = field(default_factory=lambda: np.full(2, np.nan))  # (2,) of the pipe there
    moved_m: float = float("nan")  # how far the path moves when it is left out
    moved_most: str = ""  # the point that moves furthest
    or_along: bool = False  # of a counter: its stop put elsewhere along the pipe explains the same


# ---- lines before their adjustment -----------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Junction:
    """A place on a parent's path, as the parent alone gives it."""

    parent: str  # line id
    branch: str  # line id
    leg: int  # leg of the parent's path (AdjustedLine.path_m)
    fraction: float  # along that leg
    xyz_m: Floats  # (3,)
    cov_m2: Floats  # (3, 3)
    run: str  # run of the parent whose counter is known here; "" = none
    counter_m: float
    along_m: float  # σ of the place along the leg


@dataclass(frozen=True, slots=True)
class PreparedLine:
    """One line's located points: gathered, ordered, each place once; none = cannot be adjusted."""

    id: str
    points: tuple[LocatedPoint, ...]  # downstream → upstream, axes pointing upstream
    intermediates: tuple[IntermediatePoint, ...]
    junction: Junction | None  # on its parent: then the first point
    findings: tuple[Finding, ...]
    contested: frozenset[str]  # exposures that something contradicts
