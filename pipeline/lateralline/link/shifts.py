"""Stops that GNSS put beside the rest of their line, all from one on: two occupations that differ.

A base set up on another point, a radio fix to another mount point, a wrong initialisation: every
position from then on is off by the same. Such a shift leaves headings and counters what they were,
so that where it begins the chord agrees with neither. One unknown shift of all stops beyond a
stretch is compared with what the line would else need there: bends, steps, blunders. Where the pipe
itself could do the same (a step aside, its path a little longer than the chord), both are reported;
what no pipe can do is an error.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from lateralline.distributions import chi2
from lateralline.findings import Finding
from lateralline.kernels.network import Adjusted
from lateralline.link.gross_errors import stops_shifted
from lateralline.link.lines import LocatedPoint, NetworkLine, SuspectedBlunder
from lateralline.link.network import NetworkModel
from lateralline.link.search import AdjustmentRequest, Fit, Search
from lateralline.link.stochastic import ALPHA, BEND_FREEDOMS
from lateralline.records import Floats
from lateralline.settings import Accuracy

#: Stops on either side, at least: fewer are a blunder of their own.
_LEAST: Final = 2
#: Chance that a line with nothing wrong is given a shift, all its stretches together.
_ALPHA: Final = 0.005
#: One-sided, of what no pipe could do: a line has a handful of places where a shift may begin.
_SIGMAS: Final = 3.5
#: Δχ² by which the shift must be the better explanation to be taken for the cause, and what it owes
#: one of a single stop beside it, in the wrong place or its counter misread: one is likelier than
#: many.
_SURELY: Final = 3.84
_ONE_STOP: Final = 6.0
_OF_ONE_STOP: Final = frozenset({"plan", "counter"})
#: A shift known no better than this (1 σ) may as well be a bend that lies otherwise.
_KNOWN_M: Final = 0.3
#: What a pipe may do: its path longer than the chord by this part of a step aside (two bends of
#: 90°, the tightest there are), and no shorter.
_LONGER: Final = 1.0


@dataclass(frozen=True, slots=True)
class OccupationShift:
    """All stops beyond a stretch, off together."""

    stretch: int
    size_m: Floats  # (2,) east, north of those upstream against those downstream
    cov_m2: Floats  # (2, 2)
    way: Floats  # (2,) of the line there, pointing upstream
    statistic: float
    limit: float
    better: float = 0.0  # Δχ² by which it explains the line better than anything else

    @property
    def beside(self) -> tuple[int, int]:
        """The points at both ends of the stretch."""
        return self.stretch, self.stretch + 1

    @property
    def sure(self) -> bool:
        """Whether nothing else does it: a chord longer than its cable, or far too short."""
        along = float(self.size_m @ self.way)
        aside = abs(float(self.size_m @ [self.way[1], -self.way[0]]))
        loose = _SIGMAS * float(np.sqrt(self.way @ self.cov_m2 @ self.way))
        known = float(np.linalg.eigvalsh(self.cov_m2)[-1]) < _KNOWN_M**2
        return (
            known and self.better >= _SURELY and (along > loose or along < -_LONGER * aside - loose)
        )


def find_shift(line: NetworkLine, fit: Fit, accuracy: Accuracy) -> Search[OccupationShift | None]:
    """Return the shift that explains a line as well as its bends and blunders do, if one does.

    Either explanation pays for each of its freedoms what chance alone would gain it.
    """
    may = list(_places(line))
    if not may or not fit.result.converged:
        return None
    limit = float(chi2.isf(_ALPHA / len(may), 2))
    asked = [s for s in may if _else(line, fit, s)]
    trials = [_straight(line, s) for s in asked]
    models = [NetworkModel([trial], accuracy) for trial in trials]
    kept = [_elsewhere(fit, model, s) for model, s in zip(models, asked, strict=True)]
    wanted = [
        AdjustmentRequest(m, tuple(row for x in some for row in x.alternative.rows))
        for m, some in zip(models, kept, strict=True)
    ]
    results = (yield wanted) if wanted else []
    as_it_is = [s for s in may if s not in asked or line.shapes.shape[s] == "bend"]
    candidates = [
        (as_it_is, line, fit.model, fit.result, fit.left_out),
        *zip(([s] for s in asked), trials, models, results, kept, strict=True),
    ]
    found = []
    for places, trial, model, result, some in candidates:
        for shift in _tested(trial, model, result, places, limit):
            price = float(chi2.isf(ALPHA, 2)) + sum(x.limit for x in some) + _bends(trial)
            found.append((result.chi2 - shift.statistic + price, shift))
    found.sort(key=lambda f: f[0])
    if not found:
        return None
    price, shift = found[0]
    better = fit.score + _bends(line) - price
    one = (x.alternative.what for x in fit.suspects if x.alternative.point in shift.beside)
    if not _OF_ONE_STOP.isdisjoint(one):
        better -= _ONE_STOP
    return replace(shift, better=better) if better > 0.0 else None


def _places(line: NetworkLine) -> Iterator[int]:
    """Yield the stretches beyond which, on one side at least, GNSS put every stop."""
    stop = np.array([p.fix >= 0 for p in line.points])
    other = stop & np.array([not p.gnss for p in line.points])
    for s in range(len(stop) - 1):
        sides = (slice(s + 1), slice(s + 1, None))
        if all(stop[side].sum() >= _LEAST for side in sides) and not all(
            other[side].any() for side in sides
        ):
            yield s


def _stops(points: Sequence[LocatedPoint]) -> list[LocatedPoint]:
    return [p for p in points if p.fix >= 0]


def _else(line: NetworkLine, fit: Fit, s: int) -> bool:
    """Whether the line has something else at a stretch: a bend, a blunder, nothing that fits."""
    left = {x.alternative.point for x in fit.left_out}
    return line.shapes.shape[s] != "straight" or not left.isdisjoint((s, s + 1))


def _straight(line: NetworkLine, s: int) -> NetworkLine:
    """The line with a stretch straight, and those beside it that a turn at its ends set free."""
    turned = [t for t in (s - 1, s, s + 1) if 0 <= t < len(line.shapes.shape)]
    free = [t for t in turned if t == s or line.shapes.beside_turn[t]]
    return line.with_shapes(line.shapes.straightened(free))


def _elsewhere(fit: Fit, model: NetworkModel, s: int) -> list[SuspectedBlunder]:
    """What is left out of the line, away from a stretch."""
    there = {(a.subject.ref, a.what, a.run): a for a in model.alternatives()}
    out = []
    for x in fit.left_out:
        a = x.alternative
        again = there.get((a.subject.ref, a.what, a.run))
        if a.point not in (s, s + 1) and again is not None:
            out.append(SuspectedBlunder(again, x.statistic, x.limit, x.size, x.size_cov))
    return out


def _tested(
    trial: NetworkLine,
    model: NetworkModel,
    result: Adjusted,
    places: Sequence[int],
    limit: float,
) -> list[OccupationShift]:
    """Return the shifts of all stops beyond these stretches that are beyond their limit."""
    if not places or not np.isfinite(result.x).all():
        return []
    by_gnss = np.array([p.gnss for p in trial.points])
    stop = np.array([p.fix >= 0 for p in trial.points])
    plan = [
        (a.point, *a.rows)
        for a in model.alternatives()
        if a.what == "plan" and a.point >= 0 and by_gnss[a.point]
    ]
    put = np.array(plan, np.int64).reshape(-1, 3)
    last_other = int(np.flatnonzero(stop & ~by_gnss).max(initial=-1))
    upstream = [s >= last_other for s in places]  # else only those downstream may be shifted
    rows = [
        put[stop[put[:, 0]] & (put[:, 0] > s) if up else put[:, 0] <= s, 1:]
        for s, up in zip(places, upstream, strict=True)
    ]
    tests = result.test_columns(rows, 1.0)
    path = model.path(trial.id, result.x)[model.point_vertex[trial.id], :2]
    out = []
    for i, (s, up) in enumerate(zip(places, upstream, strict=True)):
        statistic = float(tests.statistic[i])
        if statistic > limit:
            way = path[s + 1] - path[s]
            way = way / max(float(np.hypot(*way)), 1e-9)
            size = tests.size[i] * (1.0 if up else -1.0)  # of those upstream against the others
            out.append(OccupationShift(s, size, tests.cov[i], way, statistic, limit))
    return out


def _bends(line: NetworkLine) -> float:
    """What the bends of a line have to gain, and each stretch that nothing fitted."""
    return sum(
        float(chi2.isf(ALPHA, BEND_FREEDOMS[len(bends)])) if len(bends) else _undecided(line, s)
        for s, bends in enumerate(line.shapes.bends_m)
    )


def _undecided(line: NetworkLine, s: int) -> float:
    """What a stretch that says nothing, because nothing fitted it, would have had to gain."""
    shapes = line.shapes
    free = shapes.contradicted[s] or shapes.beside_turn[s] or np.isfinite(shapes.step_m[s]).any()
    return float(chi2.isf(ALPHA, BEND_FREEDOMS[2])) if free and not shapes.kept_straight[s] else 0.0


def shift_finding(line: NetworkLine, shift: OccupationShift) -> Finding:
    """Return the finding on stops that lie beside the rest together, the fewer of both sides."""
    at = shift.stretch + 1
    before, after = _stops(line.points[:at]), _stops(line.points[at:])
    size = shift.size_m if len(after) <= len(before) else -shift.size_m
    few, many = (after, before) if len(after) <= len(before) else (before, after)
    ends = line.points[shift.stretch], line.points[at]
    test = shift.statistic, shift.limit
    return stops_shifted(line.id, ends, few, many, size, shift.cov_m2, test, sure=shift.sure)
