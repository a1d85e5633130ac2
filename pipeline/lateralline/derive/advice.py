"""What to survey again, and the one measurement that would shrink a line's uncertainty most.

Survey again: weak stops, poor headings, undecided stretches. What to measure next is asked of every
line: more marks at a stop that lacks some, a stop midway in each stretch, an exposure at each
vertex or midway. Of those that do equally well the least work is named.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from math import degrees, isfinite
from typing import Final, NamedTuple

import numpy as np
from scipy import sparse

from lateralline.catalogue import Given
from lateralline.derive.axis import Along, Axis, influence, moved_with
from lateralline.derive.chainage import best_run, counters_at
from lateralline.derive.corridor import Corridor, envelope_levels
from lateralline.derive.ellipses import INTERVAL_95, ellipses_95
from lateralline.derive.path import UNMEASURED_RAD
from lateralline.findings import Finding, finding
from lateralline.records import Fixes, Flags, Floats, Ints, Marks
from lateralline.settings import Settings
from lateralline.units import METRES_PER

#: A heading worse than this does not tell straight from bent: common practice, no source.
POOR_HEADING_RAD: Final = UNMEASURED_RAD
#: Findings of solve that state already why a stop's heading is not to be had.
HEADING_CODES: Final = ("heading-unknown", "stop-two-positions")
#: Kinds of measurement, the least work first.
KINDS: Final = ("marks", "stop", "exposure")
#: No place is known better than this after a measurement.
_EXACT_M: Final = 0.001
#: Results this close are as good as each other; one that leaves more than this share is not worth
#: a trip. Common practice, no source.
AS_GOOD_M: Final = 0.005
WORTH: Final = 0.9

#: Places times candidates that are worked out at once: some ten megabytes each.
_AT_ONCE: Final = 100_000
#: Of a long line, how many numbers of its state times what is measured.
_MOVED_AT_ONCE: Final = 2_000_000

#: Of a line, so many of the least sure places are looked at first; others where these leave less.
_WIDEST: Final = 96
#: What numbers may make of a place that is as sure as can be.
_NEVER_LESS_M: Final = 4 * _EXACT_M

#: By number of end nulls and of mid nulls that a stop has, at most 2 and 1: which it lacks.
_MISSING: Final = {
    (2, 1): "",
    (1, 1): "the other end null",
    (0, 1): "both end nulls",
    (2, 0): "the mid null",
    (1, 0): "the other end null and the mid null",
    (0, 0): "both end nulls and the mid null",
}


class Candidate(NamedTuple):
    """A measurement that could be made at one place of a line."""

    kind: str  # marks | stop | exposure
    chainage_m: float
    cov_m2: Floats  # (3, 3) of what is measured
    vertex: int = -1  # where it is made at one; −1 = midway in a stretch
    stretch: int = -1  # the stretch it is midway in; −1 = at a vertex


class Outlook(NamedTuple):
    """Largest 95 % half-width of a line, as it is and after each candidate (k,); ∞ unbounded."""

    before_m: float
    at_m: float  # chainage; midway where it is as wide at many places
    after_m: Floats


# ---- survey again --------------------------------------------------------------------------


#: Code of the finding on a stop of each status that is not located.
_CODES: Final = {
    "weak": "stop-weak",
    "two_positions": "stop-two-positions",
    "not_located": "stop-not-located",
}


def stop_advice(fixes: Fixes, earlier: Collection[Finding]) -> tuple[Finding, ...]:
    """Return advice on stops: weak or missing fixes without a finding yet, and poor headings."""
    reported = {f.subject for f in earlier}
    heading_reported = {f.subject for f in earlier if f.code in HEADING_CODES}
    findings = []
    sigma = np.sqrt(fixes.cov[:, 3, 3])
    names = [f"stop {r}/{s}" for r, s in zip(fixes.run.tolist(), fixes.stop.tolist(), strict=True)]
    for i, subject in enumerate(names):
        status, reason = str(fixes.status[i]), str(fixes.reason[i])
        if status != "located" and subject not in reported:
            values: dict[str, Given] = {"why": reason, "marks": int(fixes.marks_used[i])}
            variant = "" if status == "weak" else "again"
            findings.append(finding(_CODES[status], subject, variant=variant, more=values))
        poor = status != "not_located" and not sigma[i] <= POOR_HEADING_RAD
        if poor and subject not in heading_reported:
            variant = "poor" if isfinite(sigma[i]) else "unknown"
            off_deg = degrees(sigma[i])
            findings.append(finding("heading-unknown", subject, variant=variant, sigma_deg=off_deg))
    return tuple(findings)


def line_advice(axis: Axis, region: Corridor) -> tuple[Finding, ...]:
    """Return a warning where the corridor of a line is all that reach allows, for want of paths."""
    undecided = [i for i, s in enumerate(axis.line.stretches) if s.shape == "undecided"]
    if not undecided or axis.sampled_paths is not None:
        return ()
    widest_m = float(np.nan_to_num(region.aside_m[undecided], nan=np.inf).max())
    reached = finding(
        "shape-undecided/reach",
        f"line {axis.line.line}",
        segments=[f"{axis.line.line}/{i + 1}" for i in undecided],
        widest_95_m=widest_m,
        unbounded=not isfinite(widest_m),
    )
    return (reached,)


# ---- measure next --------------------------------------------------------------------------


def next_advice(
    axis: Axis, region: Corridor, fixes: Fixes, marks: Marks, settings: Settings
) -> tuple[Finding, ...]:
    """Return what to measure next for the line's plan and for its level: two findings at most."""
    missing = missing_marks(marks)
    possible = candidates(axis, fixes, missing, settings)
    measured: dict[int, dict[str, Given]] = {}
    for name, seen in outlook(axis, region, possible).items() if possible else ():
        best = _best(possible, seen.before_m, seen.after_m)
        if best >= 0:
            measured.setdefault(best, {}).update(
                {
                    f"{name}_at_m": seen.at_m,
                    f"{name}_95_m": seen.before_m,
                    f"{name}_after_95_m": seen.after_m[best],
                    f"{name}_unbounded": not np.isfinite(seen.before_m),
                }
            )
    return tuple(
        _finding(axis, possible[best], missing, settings, gain) for best, gain in measured.items()
    )


def missing_marks(marks: Marks) -> dict[str, str]:
    """Return, for each stop "R1/3" with marks, which nulls it lacks, in words; "" = none."""
    names = [f"{run}/{stop}" for run, stop in zip(marks.run, marks.stop, strict=True)]
    kinds = np.where(marks.usable, marks.kind, "")
    shown = Counter(zip(names, kinds.tolist(), strict=True))
    return {
        stop: _MISSING[min(shown[stop, "end_null"], 2), min(shown[stop, "mid_null"], 1)]
        for stop in dict.fromkeys(names)
    }


def candidates(
    axis: Axis, fixes: Fixes, missing: Mapping[str, str], settings: Settings
) -> list[Candidate]:
    """Return every measurement that could be made on a line.

    An exposure is as good as the site says exposures are, a new stop as the median of the line's
    own; the missing marks of a stop bring as much again as those it has. Nothing is exposed midway
    in a stretch of undecided shape: nobody knows where to dig.
    """
    line = axis.line
    exposure = np.eye(3) * settings.accuracy.exposure_m**2
    found = []
    for v, (kind, ref) in enumerate(zip(line.kind.tolist(), line.ref.tolist(), strict=True)):
        if kind != "exposure":
            found.append(Candidate("exposure", axis.chainage_m[v], exposure, vertex=v))
        if line.fix[v] >= 0 and missing.get(ref):
            cov = fixes.cov[line.fix[v], :3, :3]
            found.append(Candidate("marks", axis.chainage_m[v], cov, vertex=v))
    own = fixes.cov[line.fix[line.fix >= 0]]
    for s, stretch in enumerate(line.stretches):
        middle = float(axis.chainage_m[[stretch.first, stretch.last]].mean())
        if stretch.shape != "undecided":
            found.append(Candidate("exposure", middle, exposure, stretch=s))
        if len(own):
            found.append(Candidate("stop", middle, typical_fix(own), stretch=s))
    return found


def typical_fix(cov: Floats) -> Floats:
    """Return the covariance (3, 3) of a stop like those of covariances (k, 5, 5), whichever way."""
    plan = np.median((cov[:, 0, 0] + cov[:, 1, 1]) / 2)
    return np.diag([plan, plan, np.median(cov[:, 2, 2])])


def _best(possible: Sequence[Candidate], before_m: float, after_m: Floats) -> int:
    """Return the best candidate, of equals the least work; −1 when none is worth it."""
    least = float(after_m.min())
    if not np.isfinite(least) or least > WORTH * before_m:
        return -1
    work = np.array([KINDS.index(candidate.kind) for candidate in possible])
    good = np.flatnonzero(after_m <= least + AS_GOOD_M)
    return int(good[np.lexsort((after_m[good], work[good]))[0]])


def _finding(
    axis: Axis,
    best: Candidate,
    missing: Mapping[str, str],
    settings: Settings,
    gain: dict[str, Given],
) -> Finding:
    """Return what to do and where, by counter as the crew reads it, and what it would bring."""
    values = gain | {"both": "plan_at_m" in gain and "level_at_m" in gain}
    if best.vertex >= 0:
        ref, kind = str(axis.line.ref[best.vertex]), str(axis.line.kind[best.vertex])
        values["at"] = {"fix": f"stop {ref}", "bend": "the bend"}.get(kind, ref)
        if best.kind == "marks":
            values["missing"] = missing[ref]
        variant, vertices = best.kind, [best.vertex]
    else:
        stretch = axis.line.stretches[best.stretch]
        variant = "stop" if best.kind == "stop" else "exposure-midway"
        vertices = [stretch.first, stretch.last]
    places = axis.chainage_m[vertices]
    values |= zip(("start_m", "end_m"), places.tolist(), strict=False)
    run = best_run(axis, settings.runs, places)
    if run is not None and (counters := counters_at(axis, run, places)) is not None:
        unit = settings.units.get("counter", "m")
        read = [counter / METRES_PER[unit] for counter in sorted(counters)]
        values |= {"unit": unit, "run": run.id}
        values |= zip(("start_counter", "end_counter"), read, strict=False)
    return finding("advice-next", f"line {axis.line.line}", variant=variant, more=values)


# ---- what a measurement would leave --------------------------------------------------------
# A line's errors are those of its vertices, with their joint covariance C, and of the pipe's slopes
# against its legs there (`path`); a place on it follows from both by a matrix B. A further
# measurement of a place H with covariance R takes from every other place's covariance
# B C Hᵀ (H C Hᵀ + R)⁻¹ H C Bᵀ, whatever it will read. The heading a new stop would bring is left
# out, so a stop does a little better than stated.


@dataclass(frozen=True, slots=True, eq=False)
class _Bounded:
    """All sampled points of a line (n,), and what bounds them."""

    points: Along
    stretch: Ints
    undecided: Flags
    off_m: Floats  # how far reach lets each be off in plan, ∞ unbounded
    low_m: Floats  # levels that reach allows
    high_m: Floats
    by_state: sparse.csr_array  # (3n, 5m) how they move with the line's state

    def widths(self, cov_m2: Floats, settled: Flags, at: Ints | None = None) -> Floats:
        """Return 95 % half-widths in plan and in level (2, k, n) of covariances (k, n, 3, 3).

        `at` (n,): of which of the points, all unless given. Where the shape is undecided they are
        reach alone, unless it is `settled` (k, n).
        """
        k, n = cov_m2.shape[:2]
        at = np.arange(len(self.stretch)) if at is None else at
        off_m = self.off_m[at]
        all_reach = self.undecided[at] & ~settled
        ellipse = ellipses_95(cov_m2.reshape(k * n, 3, 3)).semi_major_m.reshape(k, n)
        plan = np.where(all_reach, off_m, np.fmin(ellipse, off_m))
        level = self.points.xyz_m[at, 2]
        half = np.where(all_reach, np.inf, INTERVAL_95 * np.sqrt(cov_m2[..., 2, 2].clip(0.0)))
        high, low = np.fmin(level + half, self.high_m[at]), np.fmax(level - half, self.low_m[at])
        return np.stack([plan, (high - low) / 2])


def outlook(axis: Axis, region: Corridor, candidates: Sequence[Candidate]) -> dict[str, Outlook]:
    """Return what candidates would leave of a line's largest uncertainties, "plan" and "level"."""
    bounded = _bounded(axis, region)
    n, points = len(bounded.stretch), bounded.points
    nothing = np.zeros((1, n), dtype=np.bool_)
    now = bounded.widths(points.cov_m2[None], nothing)[:, 0]
    states = 15 * len(axis.line.kind)  # numbers that a place moves together with its line
    step = max(min(_AT_ONCE // min(n, 2 * _WIDEST), _MOVED_AT_ONCE // states), 1)
    after = [
        _largest(axis, bounded, now, candidates[first : first + step])
        for first in range(0, len(candidates), step)
    ]
    found = {}
    for name, widths, left in zip(("plan", "level"), now, np.hstack(after), strict=True):
        widest = np.flatnonzero(widths == widths.max())
        middle = int(widest[len(widest) // 2])
        found[name] = Outlook(float(widths[middle]), float(points.chainage_m[middle]), left)
    return found


def _left(cov_m2: Floats, taken_m2: Floats) -> Floats:
    """Return covariances (k, n, 3, 3) less what a measurement takes off, nowhere below nothing.

    What it takes follows from the vertices and slopes of the line that is drawn; the errors of its
    paths may be less between two of them.
    """
    value, vector = np.linalg.eigh(cov_m2 - taken_m2)
    return np.asarray(
        (vector * value.clip(_EXACT_M**2)[..., None, :]) @ np.swapaxes(vector, -1, -2)
    )


def _largest(axis: Axis, bounded: _Bounded, now: Floats, candidates: Sequence[Candidate]) -> Floats:
    """Return the largest half-widths in plan and in level (2, k) after each of some candidates.

    No measurement makes a place less sure than it is `now` (2, n), but where it settles a shape; so
    places less wide than what is left elsewhere need no look.
    """
    n = len(bounded.stretch)
    here = influence(axis, axis.at(np.array([c.chainage_m for c in candidates])))
    moved = moved_with(axis, here)  # (5m, 3k)
    own = here @ moved
    may = np.fmax(now * (1 + 1e-9), _NEVER_LESS_M)
    within = np.array([c.stretch if c.kind == "stop" else -1 for c in candidates])
    look: Flags = np.isin(bounded.stretch, within) & bounded.undecided
    for widths in now:
        look[np.argsort(widths)[-_WIDEST:]] = True
    seen, largest = np.zeros(n, dtype=np.bool_), np.zeros((2, len(candidates)))
    while look.any():
        at = np.flatnonzero(look)
        after = _after(bounded, own, moved, at, candidates)
        largest = np.fmax(largest, after.max(axis=2))
        seen |= look
        look = ~seen & (may > largest.min(axis=1)[:, None]).any(axis=0)
    return largest


def _after(
    bounded: _Bounded,
    own: Floats,
    moved: Floats,
    at: Ints,
    candidates: Sequence[Candidate],
) -> Floats:
    """Return half-widths in plan and in level (2, k, n) at places (n,) after candidates (k,)."""
    n, k, points = len(at), len(candidates), bounded.points
    measured = np.array([c.cov_m2 for c in candidates])
    own = own.reshape(k, 3, k, 3)[np.arange(k), :, np.arange(k)]
    shared = (bounded.by_state[(3 * at[:, None] + np.arange(3)).ravel()] @ moved).reshape(
        n, 3, k, 3
    )
    to = shared.transpose(2, 3, 0, 1).reshape(k, 3, 3 * n)
    gain = np.linalg.solve(own + measured, to).reshape(k, 3, n, 3)
    taken = shared.transpose(2, 0, 1, 3) @ gain.transpose(0, 2, 1, 3)  # (k, n, 3, 3)
    within = np.array([c.stretch if c.kind == "stop" else -1 for c in candidates])[:, None]
    settled = (within == bounded.stretch[at]) & bounded.undecided[at]
    widths = bounded.widths(_left(points.cov_m2[at], taken), settled, at)
    # A stretch that a stop decides is known there no better than by that stop.
    stop = [ellipses_95(measured).semi_major_m, INTERVAL_95 * np.sqrt(measured[:, 2, 2])]
    return np.where(settled, np.fmax(widths, np.stack(stop)[:, :, None]), widths)


def _bounded(axis: Axis, region: Corridor) -> _Bounded:
    stretches, parts = axis.line.stretches, axis.sampled
    number = np.repeat(np.arange(len(parts)), [len(part.chainage_m) for part in parts])
    limits = [envelope_levels(axis, s, part) for s, part in zip(stretches, parts, strict=True)]
    low, high = np.concatenate(limits, axis=1)
    undecided = np.array([stretch.shape == "undecided" for stretch in stretches])
    off_m = np.nan_to_num(region.aside_m, nan=np.inf)
    by_state = influence(axis, axis.samples)
    return _Bounded(axis.samples, number, undecided[number], off_m[number], low, high, by_state)
