"""Which way a line flows where nobody knows: by its other runs, else by levels, else left open.

A run whose flow is unknown is laid the way the stops of the line's other runs say. Where no run of
a line tells, water is taken to run the way the stops' levels fall, if they fall surely; else
chainage counts from the entry and nothing is said of falls. Either way a finding asks.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import sqrt
from typing import Final

import numpy as np

from lateralline.derive.grades import SURELY_ADVERSE
from lateralline.findings import Finding, finding
from lateralline.link.gather import gather_fixes
from lateralline.link.lines import LocatedPoint
from lateralline.link.order import settled
from lateralline.place import Placed
from lateralline.records import FieldRecord, Floats, Solved
from lateralline.settings import Run, TakenFlow

#: A line needs as much length to show a fall, in metres.
_TELLING_M: Final = 1.0


@dataclass(frozen=True, slots=True)
class SettledFlow:
    """The way each run is taken whose flow nobody knows, and the findings that ask."""

    ways: Mapping[str, TakenFlow]  # by run
    findings: tuple[Finding, ...]


def unknown_flow(record: FieldRecord, placed: Placed, solved: Solved) -> SettledFlow:
    """Return which way runs of unknown flow are taken to go; nothing for a site without any."""
    settings = record.settings
    ways: dict[str, TakenFlow] = {}
    findings: list[Finding] = []
    for line in dict.fromkeys(r.line for r in settings.runs if r.flow == "unknown"):
        points, _ = gather_fixes(line, solved.fixes, settings)
        runs = settled(points, [r for r in settings.runs if r.line == line])
        open_ = [r for r in runs if r.flow == "unknown"]
        if len(open_) == len(runs) and runs:
            rise, sigma = _rise(points, runs, _levelled(placed))
            by_levels = abs(rise) > SURELY_ADVERSE * sigma
            if by_levels and rise < 0.0:
                open_ = [
                    replace(r, taken="with" if r.upstream_sign > 0 else "against") for r in open_
                ]
            findings.append(_asks(line, open_, 100 * rise if by_levels else None, 100 * sigma))
            if not by_levels:
                continue
        ways |= {r.id: "against" if r.upstream_sign > 0 else "with" for r in open_}
    return SettledFlow(ways, tuple(findings))


def _asks(line: str, runs: Sequence[Run], percent: float | None, sigma: float) -> Finding:
    """Return the finding that asks for the flow of a line."""
    names = [f"run {r.id}" for r in runs]
    if percent is None:
        return finding("flow-unknown", f"line {line}", entry=runs[0].entry, runs=names)
    flows = {r.id: "against" if r.upstream_sign > 0 else "with" for r in runs}
    given = [f'flow = "{flow}" for run {run}' for run, flow in flows.items()]
    values = {"gradient_percent": abs(percent), "sigma_percent": sigma}
    return finding("flow-by-levels", f"line {line}", flows=given, more=values)


def _levelled(placed: Placed) -> frozenset[str]:
    """Return the stops, as "R1/3", that have a mark whose ground level was measured."""
    marks = placed.marks
    known = zip(marks.run[marks.level_known], marks.stop[marks.level_known], strict=True)
    return frozenset(f"{run}/{stop}" for run, stop in known)


def _rise(
    points: Sequence[LocatedPoint], runs: Sequence[Run], levelled: frozenset[str]
) -> tuple[float, float]:
    """Return the rise over run of a line, upstream as its runs are taken, and its σ.

    By the stops with a ground level alone; (0, ∞) where they tell nothing.
    """
    along: list[float] = []
    level: list[float] = []
    variance: list[float] = []
    for run in runs:
        for p in points:
            if run.id in p.readings and p.ref in levelled and np.isfinite(p.xyz_m[2]):
                along.append(run.upstream_sign * (p.readings[run.id] - run.counter_at_entry_m))
                level.append(float(p.xyz_m[2]))
                variance.append(float(p.cov[2, 2]))
    x: Floats = np.array(along) - np.mean(along) if along else np.zeros(0)
    if len(x) < 2 or float(np.ptp(x)) < _TELLING_M:
        return 0.0, float("inf")
    square = float(x @ x)
    return float(x @ np.array(level)) / square, sqrt(float(x**2 @ np.array(variance))) / square
