"""The search for blunders, and many searches adjusted together in batches.

The likeliest alternative is given a bias of its own, which leaves it out exactly, and the rest is
adjusted again. Where two culprits explain a misfit equally well, both are named and neither is left
out.

A search is a generator that *yields* what it wants adjusted and is sent the answers, so that it
reads as one line's sequence of adjustments; run together, the adjustments that all searches wait
for become one stack of arrays.
"""

from __future__ import annotations

from collections.abc import Generator, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TypeAlias, TypeVar

import numpy as np

from lateralline.findings import Finding
from lateralline.kernels.long_network import adjust_long
from lateralline.kernels.network import Adjusted, adjust_stack
from lateralline.link.equations import Evaluator, side_by_side
from lateralline.link.lines import Alternative, NetworkLine, PreparedLine, SuspectedBlunder
from lateralline.link.long_lines import LongStack
from lateralline.link.network import NetworkModel
from lateralline.link.stochastic import TIED, limit_of
from lateralline.records import Floats, Ints
from lateralline.settings import Accuracy

T = TypeVar("T")
#: A step that moves nothing by more than this part of its own σ ends an adjustment.
_TOLERANCE = 1e-3
#: Networks are stacked when none has this many times the unknowns of another, and a little more.
_ALIKE, _ALIKE_PLUS = 1.25, 8
#: Numbers in one stack's Jacobian, or products in that of long networks: bounds memory whatever the
#: site.
_STACK = 4_000_000
_PER_LONG_ROW = 300
#: Networks with more unknowns are adjusted as long ones: from here on that is faster.
_LONG = 200


@dataclass(frozen=True, slots=True)
class AdjustmentRequest:
    """One network to be adjusted, with these observations left out."""

    model: NetworkModel
    without: tuple[int, ...] = ()  # rows, each with a bias of its own
    start: Floats | None = None


#: A search: yields what it wants adjusted, is sent the answers, returns what it found.
Search: TypeAlias = Generator[Sequence[AdjustmentRequest], Sequence[Adjusted], T]


def together(searches: Iterable[Search[T]]) -> Search[list[T]]:
    """Return the search that runs several side by side, and finds what each of them finds."""
    found: dict[int, T] = {}
    waiting: list[tuple[int, Search[T], Sequence[AdjustmentRequest]]] = []
    count = 0
    for i, search in enumerate(searches):
        count += 1
        try:
            waiting.append((i, search, next(search)))
        except StopIteration as done:
            found[i] = done.value
    while waiting:
        answers = yield [r for _, _, wanted in waiting for r in wanted]
        still, at = [], 0
        for i, search, wanted in waiting:
            mine, at = answers[at : at + len(wanted)], at + len(wanted)
            try:
                still.append((i, search, search.send(mine)))
            except StopIteration as done:
                found[i] = done.value
        waiting = still
    return [found[i] for i in range(count)]


def run_searches(searches: Iterable[Search[T]]) -> list[T]:
    """Return what each of several searches finds, adjusting together all they ask for."""
    search = together(searches)
    try:
        wanted = next(search)
        while True:
            wanted = search.send(adjust_batch(wanted))
    except StopIteration as done:
        found: list[T] = done.value
        return found


def adjust_batch(requests: Sequence[AdjustmentRequest]) -> list[Adjusted]:
    """Return the adjustment of each request, those of like size stacked."""
    out: dict[int, Adjusted] = {}
    for group in _alike(requests):
        some = [requests[i] for i in group]
        adjusted = _adjust_long(some) if _long(some[0]) else _adjust(some)
        out |= dict(zip(group, adjusted, strict=True))
    return [out[i] for i in range(len(requests))]


def _alike(requests: Sequence[AdjustmentRequest]) -> Iterator[list[int]]:
    """Yield indices of requests in groups of like size."""
    sizes = [r.model.unknowns for r in requests]
    group: list[int] = []
    for i in sorted(range(len(requests)), key=sizes.__getitem__):
        rows = max(requests[j].model.observations for j in (*group, i))
        per_row = _PER_LONG_ROW if _long(requests[i]) else sizes[i]
        full = (len(group) + 1) * rows * per_row > _STACK
        full = full or (len(group) > 0 and _long(requests[i]) != _long(requests[group[0]]))
        if group and (full or sizes[i] > _ALIKE * sizes[group[0]] + _ALIKE_PLUS):
            yield group
            group = []
        group.append(i)
    if group:
        yield group


def _long(request: AdjustmentRequest) -> bool:
    return request.model.unknowns > _LONG


def _adjust_long(requests: Sequence[AdjustmentRequest]) -> Sequence[Adjusted]:
    stack = LongStack([r.model for r in requests], [r.without for r in requests])
    start = stack.start([r.start for r in requests])
    return adjust_long(stack, start, stack.sizes, tolerance=_TOLERANCE)


def _adjust(requests: Sequence[AdjustmentRequest]) -> Sequence[Adjusted]:
    models = [r.model for r in requests]
    rows = max(m.observations for m in models)
    unknowns = max(m.unknowns for m in models)
    without = max(len(r.without) for r in requests)
    g = len(requests)
    cov = np.tile(np.eye(rows), (g, 1, 1))
    start = np.zeros((g, unknowns))
    biases = np.zeros((g, rows, without))
    sizes = np.empty((g, 3), dtype=np.int64)
    for i, (request, model) in enumerate(zip(requests, models, strict=True)):
        m, n = model.observations, model.unknowns
        cov[i, :m, :m] = model.covariance()
        start[i, :n] = model.start() if request.start is None else request.start
        biases[i, list(request.without), np.arange(len(request.without))] = 1.0
        sizes[i] = m, n, len(request.without)

    def equations(at: Ints) -> Evaluator:
        some = [models[i].layout for i in at.tolist()]
        return Evaluator(side_by_side(some, unknowns, rows), rows)

    return adjust_stack(equations, cov, start, biases, sizes, tolerance=_TOLERANCE)


# ---- blunders ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Fit:
    """A network adjusted under one choice of shapes."""

    model: NetworkModel
    result: Adjusted
    left_out: tuple[SuspectedBlunder, ...]
    tied: tuple[SuspectedBlunder, ...]  # suspects the data cannot distinguish; none is left out

    @property
    def suspects(self) -> tuple[SuspectedBlunder, ...]:
        """Everything that does not fit, left out or not."""
        return self.left_out + self.tied

    @property
    def score(self) -> float:
        """χ² and what each thing left out had to gain; of those tied, the likeliest is left out."""
        left = sum(s.limit for s in self.left_out)
        return self.result.chi2 + left + sum(s.limit - s.statistic for s in self.tied[:1])


def least_squares(
    lines: Sequence[NetworkLine],
    accuracy: Accuracy,
    *,
    shared: bool = False,
    known: Sequence[SuspectedBlunder] = (),
) -> Search[Fit]:
    """Adjust, leaving out what is known to be wrong and one blunder after another.

    With a gross blunder still inside, least squares may creep; its tests point at the culprit all
    the same, so only the last adjustment has to have settled.
    """
    model = NetworkModel(lines, accuracy, shared=shared)
    alternatives = model.alternatives()
    found = [again for s in known if (again := _again(s, alternatives)) is not None]
    left_out = [*{id(s.alternative): s for s in found}.values()]  # each reading once
    (result,) = yield [AdjustmentRequest(model, _rows(left_out))]
    tied: tuple[SuspectedBlunder, ...] = ()
    for _ in range(max(1, sum(len(p.points) for p in lines) // 2)):
        suspects = _suspected(alternatives, result)
        if not suspects:
            break
        worst = replace(suspects[0], or_along=_or_along(suspects))
        rivals = [s for s in suspects[1:] if _rival(s, worst)]
        if rivals:
            tied = (worst, *rivals)
            break
        (trial,) = yield [AdjustmentRequest(model, _rows([*left_out, worst]))]
        if not np.isfinite(trial.x).all():
            break
        left_out.append(worst)
        result = trial
    while left_out:  # what came to nothing once the rest was left out is put back
        sized = _sized(left_out, result)
        least = min(sized, key=lambda s: s.statistic / s.limit)
        if not least.statistic < least.limit:
            return Fit(model, result, _on_way(model, result, sized), _on_way(model, result, tied))
        left_out = [s for s in sized if s is not least]
        (result,) = yield [AdjustmentRequest(model, _rows(left_out))]
    return Fit(model, result, (), _on_way(model, result, tied))


def _on_way(
    model: NetworkModel, result: Adjusted, suspects: Sequence[SuspectedBlunder]
) -> tuple[SuspectedBlunder, ...]:
    """The same, each with the way the pipe runs in plan past what it is about."""
    out = []
    for s in suspects:
        line_id, i = s.alternative.line, s.alternative.point
        if s.alternative.what == "plan" and i >= 0:
            path = model.path(line_id, result.x)[:, :2]
            v = int(model.point_vertex[line_id][i])
            chord = path[min(v + 1, len(path) - 1)] - path[max(v - 1, 0)]
            s = replace(s, way=chord / max(float(np.hypot(*chord)), 1e-9))
        out.append(s)
    return tuple(out)


def _sized(left_out: Sequence[SuspectedBlunder], result: Adjusted) -> list[SuspectedBlunder]:
    """What is left out with the error found of it, and how sure it is: b̂ᵀ C⁻¹ b̂ of its biases."""
    order = {row: i for i, row in enumerate(_rows(left_out))}
    first = len(result.x) - len(order)
    out = []
    for s in left_out:
        at = np.array([first + order[row] for row in s.alternative.rows])
        size, cov = result.x[at], result.cov_among(at)
        if np.isfinite(size).all():
            statistic = float(size @ np.linalg.solve(cov, size))
            s = replace(s, size=size, size_cov=cov, statistic=statistic)
        out.append(s)
    return out


def with_effects(fit: Fit) -> Search[Fit]:
    """Return the same with what leaving out each blunder did: each put back in by itself."""
    if not fit.left_out:
        return fit
    without = [_rows([s for s in fit.left_out if s is not one]) for one in fit.left_out]
    answers = yield [AdjustmentRequest(fit.model, rows) for rows in without]
    moved = [_moved(fit, s, a) for s, a in zip(fit.left_out, answers, strict=True)]
    return replace(fit, left_out=tuple(moved))


def _moved(fit: Fit, suspect: SuspectedBlunder, kept: Adjusted) -> SuspectedBlunder:
    """How far the points of its line move, furthest where, when a blunder is left out."""
    line_id = suspect.alternative.line
    line = next(p for p in fit.model.lines if p.id == line_id)
    away = fit.model.path(line_id, fit.result.x) - fit.model.path(line_id, kept.x)
    far = np.linalg.norm(away[fit.model.point_vertex[line_id]], axis=1)
    if not np.isfinite(far).all():
        return suspect
    most = int(np.argmax(far))
    return replace(suspect, moved_m=float(far[most]), moved_most=line.points[most].subject)


def _rows(suspects: Sequence[SuspectedBlunder]) -> tuple[int, ...]:
    return tuple(dict.fromkeys(row for s in suspects for row in s.alternative.rows))


def _again(known: SuspectedBlunder, alternatives: Sequence[Alternative]) -> SuspectedBlunder | None:
    """The same thing among the alternatives of another network."""
    was = known.alternative
    for a in alternatives:
        if a.subject.ref == was.subject.ref and (a.line, a.what, a.run) == (
            was.line,
            was.what,
            was.run,
        ):
            return replace(known, alternative=a)
    return None


def _rival(other: SuspectedBlunder, worst: SuspectedBlunder) -> bool:
    """True when another point explains the misfit as well, to the data."""
    return (
        other.alternative.subject.ref != worst.alternative.subject.ref
        and worst.statistic - other.statistic < TIED
    )


def _or_along(suspects: Sequence[SuspectedBlunder]) -> bool:
    """True when a counter is suspected most, and the place of its point as well, to the data."""
    worst = suspects[0]
    return worst.alternative.what == "counter" and any(
        s.alternative.subject.ref == worst.alternative.subject.ref
        and s.alternative.what == "plan"
        and worst.statistic - s.statistic < TIED
        for s in suspects[1:]
    )


def _suspected(alternatives: Sequence[Alternative], result: Adjusted) -> list[SuspectedBlunder]:
    """Alternatives beyond their limit, the likeliest first."""
    out: list[SuspectedBlunder] = []
    for q in (1, 2):
        group = [a for a in alternatives if len(a.rows) == q]
        if not group:
            continue
        tests = result.test_rows(np.array([a.rows for a in group]))
        for a, t, size, cov in zip(group, tests.statistic, tests.size, tests.cov, strict=True):
            limit = limit_of(a.what, q)
            if t > limit:
                out.append(SuspectedBlunder(a, float(t), limit, size, cov))
    return sorted(out, key=lambda s: -s.statistic / s.limit)


@dataclass(frozen=True, slots=True)
class AdjustedLine:
    """One line adjusted by itself."""

    prepared: PreparedLine
    line: NetworkLine
    fit: Fit
    turns: tuple[SuspectedBlunder, ...]  # stops the pipe turns at
    findings: tuple[Finding, ...]

    @property
    def id(self) -> str:
        """The line's id."""
        return self.line.id

    @property
    def agreed(self) -> bool:
        """True when what was measured could be adjusted together."""
        return not any(f.code == "adjustment-failed" for f in self.findings)

    @property
    def path_m(self) -> Floats:
        """Adjusted vertices (V, 3)."""
        return self.fit.model.path(self.line.id, self.fit.result.x)

    @property
    def path_cov_m2(self) -> Floats:
        """Covariance (3V, 3V) of all vertices."""
        at = self.fit.model.vertex_x[self.line.id][:, None] + np.arange(3)
        return self.fit.result.cov_among(at.ravel())

    @property
    def with_adjusted_bends(self) -> NetworkLine:
        """The line with its bends where the adjustment has them, to start from."""
        path, number = self.path_m, self.line.path[1]
        shapes = self.line.shapes
        bends = tuple(path[a + 1 : b] for a, b in pairwise(number.tolist()))
        return self.line.with_shapes(replace(shapes, bends_m=bends))


@dataclass(frozen=True, slots=True)
class AdjustedNetwork:
    """A connected set adjusted: as one, or where it would not settle, line by line."""

    fits: tuple[Fit, ...]
    turns: tuple[SuspectedBlunder, ...]  # stops the pipe turns at
    findings: tuple[Finding, ...] = ()
