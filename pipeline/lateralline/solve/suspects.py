"""A stop that does not fit: would it, with another kind, another stop's mark, or no reading?

Every hypothesis is solved as a stop of its own, all in one batch; only those that turn a rejected
stop into an unremarkable one are suggested. Nothing is put right: the person decides. But where a
stop cannot be as booked and one slip alone accounts for it, what it names is not used meanwhile: a
stop torn by it would be blamed on its counter, its heading and its neighbours.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from lateralline.findings import Given
from lateralline.records import Flags, Ints, Marks
from lateralline.solve.batch import Fits, solve_batch
from lateralline.solve.kinds import END, KINDS, MID
from lateralline.solve.modes import ACCEPT, DROP, REJECT
from lateralline.solve.problem import StopProblem
from lateralline.solve.starts import level_start

#: More failing stops than this point to a wrong accuracy or datum, not to booking errors.
MANY = 60


#: Variant of the finding `booking-suspected`, and its values.
Told = tuple[str, dict[str, Given]]


@dataclass(frozen=True, slots=True)
class Suspicion:
    """A booking error that would explain a stop."""

    stop: int  # of the problem
    told: Told
    chi2_before: float
    chi2_after: float
    dof: int
    marks: tuple[int, ...] = ()  # rows of `Marks` it names
    reading: bool = False  # it names the depth reading
    mirrored: bool = False  # one mark, on the wrong side of its baseline
    sure: bool = False  # the stop cannot be as booked, and nothing else accounts for it


@dataclass(frozen=True, slots=True)
class _Guess:
    """One hypothesis about one stop: other kinds, a mark from elsewhere, or a wrong reading."""

    stop: int
    kinds: tuple[tuple[int, int], ...]  # (mark of the problem, kind code)
    instead: tuple[tuple[int, int], ...]  # (mark, mark of another stop that takes its place)
    told: Told
    unread: bool = False  # the depth reading left out
    partner: int = -1  # the guess about the other stop that must hold as well
    mirrored: int = -1  # mark of the problem that is put where its baseline mirrors it

    @property
    def marks(self) -> tuple[int, ...]:
        """The marks of the problem it is about."""
        moved = (self.mirrored,) if self.mirrored >= 0 else ()
        return (*(i for i, _ in self.kinds), *(i for i, _ in self.instead), *moved)


def suspects(
    problem: StopProblem, fits: Fits, rejected: Flags, marks: Marks, beside: Ints
) -> list[Suspicion]:
    """Return the best explanation of each rejected stop (k,), if any is good enough.

    `fits` are the stops as booked; `beside` marks of the problem far off the axis, which nothing
    else need show.
    """
    stops = np.union1d(np.flatnonzero(rejected), problem.of_stop[beside])
    if not stops.size or stops.size > MANY:
        return []
    guesses = _guesses(problem, np.flatnonzero(rejected), marks, beside)
    if not guesses:
        return []
    variant = _variant(problem, guesses, marks)
    solved = solve_batch(variant, level_start(variant))
    dof = variant.dof
    likely = solved.likelihood(dof)
    good = solved.converged & (dof > 0) & (likely > ACCEPT)
    good &= variant.ground(solved.p) > solved.p[2]
    torn = ~fits.converged | (fits.likelihood(problem.dof) < REJECT)
    torn[problem.of_stop[beside]] = True
    out: list[Suspicion] = []
    for stop in stops.tolist():
        mine = [
            i
            for i, g in enumerate(guesses)
            if g.stop == stop and good[i] and (g.partner < 0 or good[g.partner])
        ]
        if not mine:
            continue
        i = max(mine, key=lambda n: likely[n])
        best = guesses[i]
        rivals = [
            n
            for n in mine
            if set(guesses[n].marks) != set(best.marks)
            and solved.objective[n] - solved.objective[i] < DROP
        ]
        out.append(
            Suspicion(
                stop,
                best.told,
                float(fits.objective[stop]),
                float(solved.objective[i]),
                int(dof[i]),
                tuple(int(problem.marks.row[m]) for m in best.marks),
                best.unread,
                best.mirrored >= 0,
                bool(torn[stop]) and not rivals,
            )
        )
    return out


def _guesses(problem: StopProblem, stops: Ints, marks: Marks, beside: Ints) -> list[_Guess]:
    kind, row = problem.marks.kind, problem.marks.row
    first = np.cumsum(problem.stops.count) - problem.stops.count
    own = {int(s): range(first[s], first[s] + problem.stops.count[s]) for s in stops}

    def label(i: int) -> str:
        return str(marks.mark[row[i]])

    def other(i: int) -> int:
        return MID if kind[i] == END else END

    def exchanged(i: int, j: int) -> Told:
        stop = f"stop {marks.run[row[j]]}/{marks.stop[row[j]]}"
        return "marks", {"mark": label(i), "other": label(j), "other_stop": stop}

    out: list[_Guess] = []
    may = _mirrored(marks)[row]
    for i in sorted({int(m) for s in own for m in own[s]} | {int(m) for m in beside}):
        if may[i]:
            told: Told = "mirrored", {"mark": label(i)}
            out.append(_Guess(int(problem.of_stop[i]), (), (), told, mirrored=i))
    for s, mine in own.items():
        reading = problem.stops.depth_reading_m[s]
        if np.isfinite(reading):
            out.append(_Guess(s, (), (), ("reading", {"reading_m": reading}), unread=True))
        nulls = [i for i in mine if kind[i] in (END, MID)]
        for i in nulls:
            kinds = {"kind": KINDS[kind[i]], "other_kind": KINDS[other(i)]}
            told = "kind", {"mark": label(i), **kinds}
            out.append(_Guess(s, ((i, other(i)),), (), told))
        for i, j in combinations(nulls, 2):
            if kind[i] != kind[j]:
                told = "kinds", {"mark": label(i), "other": label(j)}
                out.append(_Guess(s, ((i, other(i)), (j, other(j))), (), told))
    for s, t in combinations(own, 2):
        for i in own[s]:
            for j in own[t]:
                if kind[i] == kind[j]:
                    n = len(out)
                    out.append(_Guess(s, (), ((i, j),), exchanged(i, j), partner=n + 1))
                    out.append(_Guess(t, (), ((j, i),), exchanged(j, i), partner=n))
    return out


def _mirrored(marks: Marks) -> Flags:
    """Return the marks (n,) that have another place across their baseline."""
    if not len(marks.mirror_m):
        return np.zeros(len(marks.row), dtype=np.bool_)
    return np.asarray(np.isfinite(marks.mirror_m).all(axis=1))


def _variant(problem: StopProblem, guesses: list[_Guess], marks: Marks) -> StopProblem:
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
        if g.mirrored >= 0:
            at = begin[n] + g.mirrored - first[g.stop]
            xyz[:2, at] = marks.mirror_m[problem.marks.row[g.mirrored]]
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
