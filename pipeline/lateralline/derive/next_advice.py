"""The one measurement that would shrink a line's largest uncertainty most, in words for a crew.

Asked of every line: more marks at a stop that lacks some, a stop midway in each stretch, an
exposure at each vertex or midway. Of those that do equally well the least work is named.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from lateralline.derive.axis import Axis
from lateralline.derive.candidates import Candidates, outlook
from lateralline.derive.chainage import best_run, counters_at
from lateralline.derive.corridor import Corridor
from lateralline.findings import Finding, Given, finding
from lateralline.records import Fixes, Floats, Marks
from lateralline.settings import Settings
from lateralline.units import METRES_PER

#: Kinds of measurement, the least work first.
KINDS: Final = ("marks", "stop", "exposure")
#: Results this close are as good as each other; one that leaves more than this share is not worth
#: a trip. Common practice, no source.
AS_GOOD_M: Final = 0.005
WORTH: Final = 0.9

_WANTED: Final = {"end_null": 2, "mid_null": 1}
_MISSING: Final = {
    (0, 0): "",
    (1, 0): "the other end null",
    (2, 0): "both end nulls",
    (0, 1): "the mid null",
    (1, 1): "the other end null and the mid null",
    (2, 1): "both end nulls and the mid null",
}


def next_advice(
    axis: Axis, region: Corridor, fixes: Fixes, marks: Marks, settings: Settings
) -> tuple[Finding, ...]:
    """Return what to measure next for the line's plan and for its level: two findings at most."""
    missing = missing_marks(marks)
    possible = candidates(axis, fixes, missing, settings)
    if not len(possible.kind):
        return ()
    seen = outlook(axis, region, possible)
    measures = (
        ("plan", seen.plan_m, seen.plan_at_m, seen.plan_after_m),
        ("level", seen.level_m, seen.level_at_m, seen.level_after_m),
    )
    measured: dict[int, dict[str, Given]] = {}
    for name, before, at, after in measures:
        best = _best(possible, before, after)
        if best >= 0:
            values = measured.setdefault(best, {})
            values |= {f"{name}_at_m": at, f"{name}_95_m": before}
            values |= {f"{name}_after_95_m": after[best]}
            values |= {f"{name}_unbounded": not np.isfinite(before)}
    return tuple(
        _finding(axis, possible, best, missing, settings, values)
        for best, values in measured.items()
    )


def missing_marks(marks: Marks) -> dict[str, str]:
    """Return, for each stop "R1/3" with marks, which nulls it lacks, in words; "" = none."""
    number: dict[str, dict[str, int]] = {}
    rows = zip(marks.run.tolist(), marks.stop.tolist(), marks.kind.tolist(), strict=True)
    for (run, stop, kind), placed in zip(rows, marks.usable.tolist(), strict=True):
        counts = number.setdefault(f"{run}/{stop}", dict.fromkeys(_WANTED, 0))
        if placed and kind in counts:
            counts[kind] += 1
    return {
        stop: _MISSING[
            max(_WANTED["end_null"] - counts["end_null"], 0),
            max(_WANTED["mid_null"] - counts["mid_null"], 0),
        ]
        for stop, counts in number.items()
    }


def candidates(axis: Axis, fixes: Fixes, missing: dict[str, str], settings: Settings) -> Candidates:
    """Return every measurement that could be made on a line.

    An exposure is as good as the site says exposures are, a new stop as the median of the line's
    own; the missing marks of a stop bring as much again as those it has. Nothing is exposed midway
    in a stretch of undecided shape: nobody knows where to dig.
    """
    line = axis.line
    exposure = np.eye(3) * settings.accuracy.exposure_m**2
    found: list[tuple[str, float, Floats, int, int]] = []
    for v, (kind, ref) in enumerate(zip(line.kind.tolist(), line.ref.tolist(), strict=True)):
        if kind != "exposure":
            found.append(("exposure", axis.chainage_m[v], exposure, v, -1))
        if line.fix[v] >= 0 and missing.get(ref):
            found.append(("marks", axis.chainage_m[v], fixes.cov[line.fix[v], :3, :3], v, -1))
    own = fixes.cov[line.fix[line.fix >= 0]]
    for s, stretch in enumerate(line.stretches):
        middle = float(axis.chainage_m[[stretch.first, stretch.last]].mean())
        if stretch.shape != "undecided":
            found.append(("exposure", middle, exposure, -1, s))
        if len(own):
            found.append(("stop", middle, typical_fix(own), -1, s))
    return Candidates(
        kind=np.array([f[0] for f in found], np.str_),
        chainage_m=np.array([f[1] for f in found], float),
        cov_m2=np.array([f[2] for f in found], float).reshape(-1, 3, 3),
        vertex=np.array([f[3] for f in found], np.int64),
        stretch=np.array([f[4] for f in found], np.int64),
    )


def typical_fix(cov: Floats) -> Floats:
    """Return the covariance (3, 3) of a stop like those of covariances (k, 5, 5), whichever way."""
    plan = np.median((cov[:, 0, 0] + cov[:, 1, 1]) / 2)
    return np.diag([plan, plan, np.median(cov[:, 2, 2])])


def _best(possible: Candidates, before_m: float, after_m: Floats) -> int:
    """Return the best candidate, of equals the least work; −1 when none is worth it."""
    least = float(after_m.min())
    if not np.isfinite(least) or least > WORTH * before_m:
        return -1
    work = np.array([KINDS.index(kind) for kind in possible.kind.tolist()])
    good = np.flatnonzero(after_m <= least + AS_GOOD_M)
    return int(good[np.lexsort((after_m[good], work[good]))[0]])


def _finding(
    axis: Axis,
    possible: Candidates,
    best: int,
    missing: dict[str, str],
    settings: Settings,
    gain: dict[str, Given],
) -> Finding:
    """Return what to do and where, and what it would bring."""
    kind, vertex = str(possible.kind[best]), int(possible.vertex[best])
    values = gain | {"both": "plan_at_m" in gain and "level_at_m" in gain}
    if vertex >= 0:
        ref = str(axis.line.ref[vertex])
        name = {"fix": f"stop {ref}", "bend": "the bend"}.get(str(axis.line.kind[vertex]), ref)
        values |= {"at": name} | _place(axis, [vertex], settings)
        if kind == "marks":
            values["missing"] = missing[ref]
        variant = kind
    else:
        stretch = axis.line.stretches[int(possible.stretch[best])]
        values |= _place(axis, [stretch.first, stretch.last], settings)
        variant = "stop" if kind == "stop" else "exposure-midway"
    return finding("advice-next", f"line {axis.line.line}", variant=variant, more=values)


def _place(axis: Axis, vertices: list[int], settings: Settings) -> dict[str, Given]:
    """Return one place, or two, by counter as the crew reads it and by chainage."""
    places = axis.chainage_m[vertices]
    values: dict[str, Given] = dict(zip(("start_m", "end_m"), places.tolist(), strict=False))
    run = best_run(axis, settings.runs, places)
    counters = counters_at(axis, run, places) if run is not None else None
    if run is None or counters is None:
        return values
    unit = settings.units.get("counter", "m")
    read = [counter / METRES_PER[unit] for counter in sorted(counters)]
    values |= zip(("start_counter", "end_counter"), read, strict=False)
    return values | {"unit": unit, "run": run.id}
