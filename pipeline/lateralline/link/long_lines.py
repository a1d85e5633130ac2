"""Networks too long for full matrices, side by side, for `kernels.long_network`.

Counter readings become states: what the counter would have read without its own error, each tied
to the one before by the length between them and the slack of the cable.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from lateralline.kernels.elimination import Cells
from lateralline.kernels.long_network import LongNetworks, LongSizes, Roots
from lateralline.link.equations import CounterStates, StepwiseEvaluator, side_by_side
from lateralline.link.network import NetworkModel
from lateralline.records import Flags, Floats, Ints

#: Slack (1 σ) of a cable between two readings that hardly differ: less is nothing beside the
#: error of a reading, and would tie two states beyond what numbers hold. The second has none then.
_LEAST_SLACK_M: Final = 1e-4


class LongStack:
    """Models of like size with the rows each is adjusted without; called, those it is asked for."""

    def __init__(self, models: Sequence[NetworkModel], without: Sequence[Sequence[int]]) -> None:
        """Make room for the largest."""
        self.models, self.without = models, without
        self.room = max(m.unknowns for m in models)
        self.observations = max(m.observations for m in models)
        self.readings = max(len(m.layout.reading_row) for m in models)
        self.unknowns = self.room + self.readings + max(len(rows) for rows in without)
        self.sizes = [
            LongSizes(m.observations, m.unknowns, len(rows), self.room + self.readings)
            for m, rows in zip(models, without, strict=True)
        ]

    def start(self, given: Sequence[Floats | None]) -> Floats:
        """Return where to start (g, n), from what is given or from the models' own."""
        out = np.zeros((len(self.models), self.unknowns))
        for row, model, start in zip(out, self.models, given, strict=True):
            row[: model.unknowns] = model.start() if start is None else start
            of = np.flatnonzero(_with_state(model))
            row[self.room + of] = model.layout.reading_m[of]
        return out

    def __call__(self, at: Ints) -> LongNetworks:
        """Return these of the networks."""
        some = [(self.models[i], self.without[i]) for i in at.tolist()]
        rows = self.observations + self.readings
        g, n = len(some), self.unknowns
        cell, used = np.full((g, n), -1), np.zeros((g, n), bool)
        blocks: list[tuple[Ints, Floats]] = []
        states: list[Ints] = []
        state_rows, before, groups, off, by = [], [], [], [], []
        cells = 0
        for i, (model, left_out) in enumerate(some):
            layout, (own, of_reading) = model.layout, model.cells()
            later = _with_state(model)  # the first of a piece has the piece's offset
            first = layout.reading_before == np.arange(len(later))
            count = np.arange(len(later))
            row, x = i * rows + self.observations + count, i * n + self.room + count
            slack = layout.reading_slack_m
            cell[i, : len(own)] = np.where(own < 0, -1, own + cells)
            cell[i, self.room + count] = of_reading + cells
            used[i, : len(own)] = True
            used[i, self.room + count] = later
            bias = self.room + self.readings + np.arange(len(left_out))
            used[i, bias] = True
            cells += int(own.max(initial=-1)) + 1
            blocks += [(at + i * rows, block) for at, block in model.blocks()]
            blocks += [(row[j : j + 1], slack[j : j + 1, None] ** 2) for j in np.flatnonzero(later)]
            state = np.where(first, layout.reading_offset + i * n, np.where(later, x, -1))
            state_rows.append(np.where(later, row, layout.reading_row + i * rows))
            last = np.maximum.accumulate(np.where(state >= 0, count, 0))
            before.append(last[layout.reading_before] + sum(map(len, states)))
            states.append(state)
            pairs = [a.rows for a in model.alternatives() if len(a.rows) == 2]
            groups.append(np.array(pairs, np.int64).reshape(-1, 2) + i * rows)
            off.append(np.array(left_out, np.int64) + i * rows)
            by.append(bias + i * n)
        every = np.concatenate(states)
        layout = side_by_side([m.layout for m, _ in some], n, rows)
        of = CounterStates(every, np.concatenate(before), np.concatenate(state_rows))
        own = (every >= 0) & (layout.reading_before != np.arange(len(every)))
        return LongNetworks(
            StepwiseEvaluator(layout, rows, of),
            rows,
            Roots.of(blocks),
            Cells(np.repeat(np.arange(g), n), cell.ravel(), used.ravel()),
            every[own],
            (np.concatenate(off), np.concatenate(by)),
            np.concatenate(groups),
        )


def _with_state(model: NetworkModel) -> Flags:
    """Which readings have a state of their own beside their piece's offset."""
    return np.asarray(model.layout.reading_slack_m > _LEAST_SLACK_M)
