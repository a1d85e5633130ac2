"""Many searches at once: each says what it wants adjusted, and all of it is adjusted together.

Looking for blunders and bends is a story for each line by itself: adjust, look, leave something
out, adjust again. Written as a generator that *yields* what it wants adjusted, a search reads like
that story; run together, the adjustments all searches wait for become one stack of arrays.
"""

from __future__ import annotations

from collections.abc import Generator, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import TypeAlias, TypeVar

import numpy as np

from lateralline.kernels.network import Adjustment, adjust_stack
from lateralline.link.evaluate import Evaluator
from lateralline.link.layout import side_by_side
from lateralline.link.model import Model
from lateralline.records import Floats

T = TypeVar("T")

#: A step that moves nothing by more than this part of its own σ ends an adjustment.
_TOLERANCE = 1e-3
#: Networks are stacked when none has this many times the unknowns of another, and a little more.
_ALIKE, _ALIKE_PLUS = 1.25, 8
#: Numbers in one stack's Jacobian: bounds memory whatever the site.
_STACK = 4_000_000


@dataclass(frozen=True, slots=True)
class Request:
    """One network to be adjusted, with these observations left out."""

    model: Model
    without: tuple[int, ...] = ()  # rows, each with a bias of its own
    start: Floats | None = None


#: A search: yields what it wants adjusted, is sent the answers, returns what it found.
Search: TypeAlias = Generator[Sequence[Request], Sequence[Adjustment], T]


def together(searches: Iterable[Search[T]]) -> Search[list[T]]:
    """Return the search that runs several side by side, and finds what each of them finds."""
    found: dict[int, T] = {}
    waiting: list[tuple[int, Search[T], Sequence[Request]]] = []
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


def settled(searches: Iterable[Search[T]]) -> list[T]:
    """Return what each of several searches finds, adjusting together all they ask for."""
    search = together(searches)
    try:
        wanted = next(search)
        while True:
            wanted = search.send(adjust_together(wanted))
    except StopIteration as done:
        found: list[T] = done.value
        return found


def adjust_together(requests: Sequence[Request]) -> list[Adjustment]:
    """Return the adjustment of each request, those of like size stacked."""
    out: dict[int, Adjustment] = {}
    for group in _alike(requests):
        for i, result in zip(group, _adjust([requests[i] for i in group]), strict=True):
            out[i] = result
    return [out[i] for i in range(len(requests))]


def _alike(requests: Sequence[Request]) -> Iterator[list[int]]:
    """Yield indices of requests in groups of like size."""
    sizes = [r.model.unknowns for r in requests]
    group: list[int] = []
    for i in sorted(range(len(requests)), key=sizes.__getitem__):
        rows = max(requests[j].model.observations for j in (*group, i))
        full = (len(group) + 1) * rows * sizes[i] > _STACK
        if group and (full or sizes[i] > _ALIKE * sizes[group[0]] + _ALIKE_PLUS):
            yield group
            group = []
        group.append(i)
    if group:
        yield group


def _adjust(requests: Sequence[Request]) -> list[Adjustment]:
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
    layout = side_by_side([m.layout for m in models], unknowns, rows)
    return adjust_stack(Evaluator(layout, rows), cov, start, biases, sizes, tolerance=_TOLERANCE)
