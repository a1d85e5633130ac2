"""A stop that does not fit: would it, with another kind, another stop's mark, or no reading?

Every hypothesis is solved as a stop of its own, all in one batch; only those that turn a rejected
stop into an unremarkable one are suggested. Nothing is changed: the person decides.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from lateralline.records import Flags, Ints, Marks
from lateralline.solve.batch import solve_batch
from lateralline.solve.kinds import END, KINDS, MID
from lateralline.solve.modes import ACCEPT
from lateralline.solve.problem import StopProblem
from lateralline.solve.starts import level_start
from lateralline.wording import metres

#: More failing stops than this point to a wrong accuracy or datum, not to booking errors.
MANY = 60


@dataclass(frozen=True, slots=True)
class Suspicion:
    """A booking error that would explain a stop."""

    stop: int  # of the problem
    what: str
    chi2_before: float
    chi2_after: float
    dof: int


@dataclass(frozen=True, slots=True)
class _Guess:
    """One hypothesis about one stop: other kinds, a mark from elsewhere, or a wrong reading."""

    stop: int
    kinds: tuple[tuple[int, int], ...]  # (mark of the problem, kind code)
    instead: tuple[tuple[int, int], ...]  # (mark, mark of another stop that takes its place)
    what: str
    unread: bool = False  # the depth reading left out
    partner: int = -1  # the guess about the other stop that must hold as well


def suspects(
    problem: StopProblem, objective: np.ndarray, rejected: Flags, marks: Marks
) -> list[Suspicion]:
    """Return the best explanation of each rejected stop (k,), if any is good enough."""
    stops = np.flatnonzero(rejected)
    if not stops.size or stops.size > MANY:
        return []
    guesses = _guesses(problem, stops, marks)
    if not guesses:
        return []
    variant = _variant(problem, guesses)
    solved = solve_batch(variant, level_start(variant))
    dof = variant.dof
    likely = solved.likelihood(dof)
    good = solved.converged & (dof > 0) & (likely > ACCEPT)
    good &= variant.ground(solved.p) > solved.p[2]
    out: list[Suspicion] = []
    for stop in stops:
        mine = [
            i
            for i, g in enumerate(guesses)
            if g.stop == stop and good[i] and (g.partner < 0 or good[g.partner])
        ]
        if mine:
            i = max(mine, key=lambda n: likely[n])
            out.append(
                Suspicion(
                    int(stop),
                    guesses[i].what,
                    float(objective[stop]),
                    float(solved.objective[i]),
                    int(dof[i]),
                )
            )
    return out


def _guesses(problem: StopProblem, stops: Ints, marks: Marks) -> list[_Guess]:
    kind, row = problem.marks.kind, problem.marks.row
    first = np.cumsum(problem.stops.count) - problem.stops.count
    own = {int(s): range(first[s], first[s] + problem.stops.count[s]) for s in stops}

    def label(i: int) -> str:
        return str(marks.mark[row[i]])

    def other(i: int) -> int:
        return MID if kind[i] == END else END

    out: list[_Guess] = []
    for s, mine in own.items():
        reading = problem.stops.depth_reading_m[s]
        if np.isfinite(reading):
            text = f"the depth reading of {metres(reading)} alone does not fit"
            out.append(_Guess(s, (), (), text, unread=True))
        nulls = [i for i in mine if kind[i] in (END, MID)]
        for i in nulls:
            text = f"{label(i)} booked as {KINDS[kind[i]]} fits as {KINDS[other(i)]}"
            out.append(_Guess(s, ((i, other(i)),), (), text))
        for i, j in combinations(nulls, 2):
            if kind[i] != kind[j]:
                text = f"the kinds of {label(i)} and {label(j)} look exchanged"
                out.append(_Guess(s, ((i, other(i)), (j, other(j))), (), text))
    for s, t in combinations(own, 2):
        for i in own[s]:
            for j in own[t]:
                if kind[i] == kind[j]:
                    there = f"stop {marks.run[row[j]]}/{marks.stop[row[j]]}"
                    here = f"stop {marks.run[row[i]]}/{marks.stop[row[i]]}"
                    n = len(out)
                    text = f"{label(i)} looks exchanged with {label(j)} of "
                    out.append(_Guess(s, (), ((i, j),), text + there, partner=n + 1))
                    text = f"{label(j)} looks exchanged with {label(i)} of "
                    out.append(_Guess(t, (), ((j, i),), text + here, partner=n))
    return out


def _variant(problem: StopProblem, guesses: list[_Guess]) -> StopProblem:
    """Return one stop per guess, changed as it says."""
    index = np.array([g.stop for g in guesses])
    variant = problem.pick(index)
    first = np.cumsum(problem.stops.count) - problem.stops.count
    begin = np.cumsum(variant.stops.count) - variant.stops.count
    kind = variant.marks.kind.copy()
    xyz, cov = variant.marks.xyz_m.copy(), variant.marks.cov_m2.copy()
    for n, g in enumerate(guesses):
        for i, code in g.kinds:
            kind[begin[n] + i - first[g.stop]] = code
        for i, j in g.instead:
            at = begin[n] + i - first[g.stop]
            xyz[:, at] = problem.marks.xyz_m[:, j]
            cov[:, :, at] = problem.marks.cov_m2[:, :, j]
    unread = np.array([g.unread for g in guesses])
    reading = np.where(unread, np.nan, variant.stops.depth_reading_m)
    changed = replace(
        variant,
        marks=replace(variant.marks, kind=kind, xyz_m=xyz, cov_m2=cov),
        stops=replace(variant.stops, depth_reading_m=reading),
    )
    lateral = (changed.tally(END) < 2)[changed.of_stop]
    return replace(changed, marks=replace(changed.marks, lateral=lateral))
