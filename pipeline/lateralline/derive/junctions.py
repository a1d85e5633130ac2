"""Junctions without a counter: what the camera saw that may be one, and what its absence costs.

Where `at_counter` is not given, a junction lies where the branch's last direction meets the main,
and is as unsure as that. A wye, tee or connection that the camera saw on the main nearby is offered
as it. What inspectors call one is common practice, no source; BCA is a connection in EN 13508-2,
from memory.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from math import isnan
from typing import Final

import numpy as np

from lateralline.catalogue import Given
from lateralline.derive.axis import Axis
from lateralline.derive.chainage import reach
from lateralline.derive.ellipses import ellipses_95
from lateralline.findings import Finding, finding
from lateralline.records import Flags, ObservationRows
from lateralline.settings import Branch, Settings
from lateralline.units import METRES_PER

_CODES: Final = frozenset(["wye", "y", "tee", "t", "tap", "jn", "jct", "bca", "branch", "junction"])
_WORDS: Final = re.compile(r"\b(wye|tee|tap|junction|connection|lateral|saddle|branch)\b", re.I)
#: How far from where the branch leads a connection may be seen and still be offered, in metres:
#: common practice, no source; more where the junction is less sure than that.
_NEAR_M: Final = 2.0
#: A junction less sure than this along the main widens what is claimed of both lines.
_WIDE_M: Final = 0.5


def junction_advice(
    settings: Settings, seen: ObservationRows, axes: Sequence[Axis]
) -> Iterator[Finding]:
    """Yield for each branch without `at_counter` what would be written, or that it is missing."""
    of_line = {axis.line.line: axis for axis in axes}
    for branch in settings.branches:
        own, main = of_line.get(branch.line), of_line.get(branch.joins)
        if own is None or main is None or not isnan(branch.at_counter_m):
            continue
        yield from _of_branch(branch, own, main, settings, seen)


def _of_branch(
    branch: Branch, own: Axis, main: Axis, settings: Settings, seen: ObservationRows
) -> Iterator[Finding]:
    unsure_m = float(ellipses_95(own.vertices.cov_m2[:1]).semi_major_m[0])
    here, connection = own.line.xyz_m[0, :2], _connections(seen)
    near: list[tuple[float, int, str]] = []
    for run in settings.runs:
        rows = np.flatnonzero((seen.run == run.id) & connection)
        if run.line != main.line.line or not len(rows):
            continue
        found = reach(main, run, seen.counter_m[rows], settings.accuracy)
        on = found.status == "located"
        there = main.at(np.where(on, found.chainage_m, 0.0)).xyz_m[:, :2]
        away = np.where(on, np.linalg.norm(there - here, axis=1), np.inf)
        near += [(float(d), int(i), run.id) for d, i in zip(away, rows, strict=True)]
    subject = f"line {branch.line}"
    about: dict[str, Given] = {"joins": f"line {branch.joins}", "unsure_95_m": unsure_m}
    best = min(near, default=None)
    if best is not None and best[0] <= max(_NEAR_M, unsure_m):
        _, row, run_id = best
        unit = settings.units.get("counter", "m")
        counter = float(seen.counter_m[row]) / METRES_PER[unit]
        about |= {"seen": str(seen.code[row]), "run": run_id, "counter": counter}
        where = f"{seen.file}:{seen.row[row]}"
        yield finding("junction-counter/seen", subject, where=where, more=about)
    elif unsure_m > _WIDE_M:
        yield finding("junction-counter/missing", subject, more=about)


def _connections(seen: ObservationRows) -> Flags:
    """Return which observations (n,) are of a pipe that joins, by code or in words."""
    rows = zip(seen.code.tolist(), seen.text.tolist(), strict=True)
    return np.array(
        [code.strip().casefold() in _CODES or bool(_WORDS.search(f"{code} {text}"))
         for code, text in rows],
        dtype=np.bool_,
    )  # fmt: skip
