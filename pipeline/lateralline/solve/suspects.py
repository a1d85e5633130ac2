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

from lateralline.catalogue import Given
from lateralline.records import Flags, Floats, Ints, Marks
from lateralline.solve.batch import solve_level
from lateralline.solve.modes import ACCEPT, DROP, REJECT, Modes
from lateralline.solve.problem import END, KINDS, MID, StopProblem

#: More failing stops than this point to a wrong accuracy or datum, not to booking errors.
MANY = 60


@dataclass(frozen=True, slots=True)
class Suspicion:
    """A booking error that would explain a stop."""

    stop: int  # of the problem
    variant: str  # of the finding `mark-blunder`
    values: dict[str, Given]
    marks: tuple[int, ...]  # rows of `Marks` it names
    proven: bool  # the stop cannot be as booked, and nothing else accounts for it


@dataclass(frozen=True, slots=True)
class _Hypothesis:
    """One booking error at one stop.

    Variants: `kind` and `kinds` exchange end and mid null, `marks` puts the mark of another stop
    in a mark's place, `mirrored` puts it across its baseline, `reading` does without the reading.
    """

    stop: int
    variant: str
    values: dict[str, Given]
    marks: tuple[int, ...]  # of the problem
    instead: int = -1  # mark of the other stop
    partner: int = -1  # the hypothesis about the other stop that must hold as well


def suspects(modes: Modes, rejected: Flags, marks: Marks, beside: Ints) -> list[Suspicion]:
    """Return the best explanation of each rejected stop (k,), if any is good enough.

    `beside` are marks of the problem far off the axis, which nothing else need show.
    """
    problem, fits = modes.problem, modes.chosen
    stops = np.union1d(np.flatnonzero(rejected), problem.of_stop[beside])
    if not stops.size or stops.size > MANY:
        return []
    ideas = _hypotheses(problem, np.flatnonzero(rejected), marks, beside)
    if not ideas:
        return []
    changed = _changed(problem, ideas, marks.mirror_m)
    solved, dof = solve_level(changed), changed.dof
    likely = solved.likelihood(dof)
    good = solved.converged & (dof > 0) & (likely > ACCEPT)
    good &= changed.ground(solved.p) > solved.p[2]
    torn = ~fits.converged | (fits.likelihood(problem.dof) < REJECT)
    torn[problem.of_stop[beside]] = True
    out: list[Suspicion] = []
    for stop in stops.tolist():
        mine = [
            n
            for n, idea in enumerate(ideas)
            if idea.stop == stop and good[n] and (idea.partner < 0 or good[idea.partner])
        ]
        if not mine:
            continue
        best = max(mine, key=lambda n: likely[n])
        idea = ideas[best]
        rivals = any(
            set(ideas[n].marks) != set(idea.marks)
            and solved.objective[n] - solved.objective[best] < DROP
            for n in mine
        )
        fit: dict[str, Given] = {
            "chi2_before": fits.objective[stop],
            "chi2_after": solved.objective[best],
            "dof": dof[best],
        }
        rows = tuple(problem.marks.row[list(idea.marks)].tolist())
        proven = bool(torn[stop]) and not rivals
        out.append(Suspicion(stop, idea.variant, idea.values | fit, rows, proven))
    return out


def _hypotheses(problem: StopProblem, stops: Ints, marks: Marks, beside: Ints) -> list[_Hypothesis]:
    kind, row = problem.marks.kind, problem.marks.row
    first = np.cumsum(problem.count) - problem.count
    own = {int(s): range(first[s], first[s] + problem.count[s]) for s in stops}
    name = marks.mark[row]
    out: list[_Hypothesis] = []
    if len(marks.mirror_m):
        known = np.asarray(np.isfinite(marks.mirror_m[row]).all(axis=1))
        for i in sorted({*(m for s in own for m in own[s]), *beside.tolist()}):
            if known[i]:
                stop = int(problem.of_stop[i])
                out.append(_Hypothesis(stop, "mirrored", {"mark": str(name[i])}, (i,)))
    for s, mine in own.items():
        reading = problem.stops.depth_reading_m[s]
        if np.isfinite(reading):
            out.append(_Hypothesis(s, "reading", {"reading_m": reading}, ()))
        nulls = [i for i in mine if kind[i] in (END, MID)]
        for i in nulls:
            kinds = {"kind": KINDS[kind[i]], "other_kind": KINDS[END + MID - kind[i]]}
            out.append(_Hypothesis(s, "kind", {"mark": str(name[i]), **kinds}, (i,)))
        for i, j in combinations(nulls, 2):
            if kind[i] != kind[j]:
                pair: dict[str, Given] = {"mark": str(name[i]), "other": str(name[j])}
                out.append(_Hypothesis(s, "kinds", pair, (i, j)))
    for s, t in combinations(own, 2):
        for i in own[s]:
            for j in own[t]:
                if kind[i] == kind[j]:
                    for stop, a, b, partner in ((s, i, j, 1), (t, j, i, -1)):
                        of = f"stop {marks.run[row[b]]}/{marks.stop[row[b]]}"
                        pair = {"mark": str(name[a]), "other": str(name[b]), "other_stop": of}
                        n = len(out) + partner
                        out.append(_Hypothesis(stop, "marks", pair, (a,), b, n))
    return out


def _changed(problem: StopProblem, ideas: list[_Hypothesis], mirror_m: Floats) -> StopProblem:
    """Return one stop per hypothesis, as it would have been booked."""
    out = problem.pick(np.array([idea.stop for idea in ideas]))
    first = np.cumsum(problem.count) - problem.count
    begin = np.cumsum(out.count) - out.count
    kind, reading = out.marks.kind.copy(), out.stops.depth_reading_m.copy()
    xyz, cov = out.marks.xyz_m.copy(), out.marks.cov_m2.copy()
    for n, idea in enumerate(ideas):
        at = [begin[n] + i - first[idea.stop] for i in idea.marks]
        match idea.variant:
            case "reading":
                reading[n] = np.nan
            case "mirrored":
                xyz[:2, at] = mirror_m[problem.marks.row[list(idea.marks)]].T
            case "marks":
                xyz[:, at] = problem.marks.xyz_m[:, [idea.instead]]
                cov[:, :, at] = problem.marks.cov_m2[:, :, [idea.instead]]
            case _:
                kind[at] = END + MID - kind[at]
    out = replace(out, marks=replace(out.marks, kind=kind, xyz_m=xyz, cov_m2=cov))
    lateral = (out.tally(END) < 2)[out.of_stop]
    out = replace(out, marks=replace(out.marks, lateral=lateral))
    return out.with_stops(depth_reading_m=reading)
