"""Counter readings that cannot be right, found before anything is adjusted by them.

The counter orders the stops of a run and gives the length of pipe between them, so one reading with
a slipped decimal point puts its stop at the wrong end of the line, and readings in another unit
stretch all of it. Where the marks lie tells both. What is only a little off is left for the
adjustment to find, which weighs it against everything else.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Final, NamedTuple

import numpy as np

from lateralline.findings import Finding, finding
from lateralline.link.lines import TILT_RAD, LocatedPoint, likely_positions_m
from lateralline.link.stochastic import counter_variance
from lateralline.records import Flags, Floats, Ints
from lateralline.settings import Accuracy, Run

#: A chord this much longer than its cable, beyond errors, is no bad mark; nor is a reading half as
#: much again off where the marks put it. Common practice, no source.
GROSS_M = 1.0
#: Hardly a pipe between neighbouring stops is longer than its chord by more than this many chords
#: and metres: it would turn back on itself. Common practice, no source.
_WINDING, _WINDING_M = 1.0, 2.0
#: A point this much further off than its cable reached lies somewhere else altogether.
_ASTRAY_M = 20.0
#: Readings this near are the same.
SAME_M = 0.02
#: How far past the others' path a stop may lie whose counter alone is wrong, in legs of theirs.
_PAST_LEGS, _PAST_M = 2.0, 20.0
#: How far beside the path of the others a stop may lie whose counter alone is wrong, and what part
#: of the leg beside it more, where that cuts across a bend.
_BESIDE_M, _BESIDE = 0.75, 0.25
#: Counted over chord: what no run has throughout whatever its bends, and what none has in all
#: stretches alike.
_WILD, _ODD = (0.7, 1.8), (0.9, 1.15)
#: What a wrong factor comes from, as counted over true: in one reading, in all of them.
_SLIPS: Final = {
    10.0: "a decimal point, ten times too large",
    0.1: "a decimal point, ten times too small",
    100.0: "centimetres for metres, or a decimal point",
    0.01: "metres for centimetres, or a decimal point",
    1 / 0.3048: "feet taken for metres",
    0.3048: "metres taken for feet",
}
_UNIT_SLIPS: Final = _SLIPS | {
    12.0: "inches taken for feet",
    1 / 12: "feet taken for inches",
    1 / 0.0254: "inches taken for metres",
    0.0254: "metres taken for inches",
}


@dataclass(frozen=True, slots=True)
class CheckedCounters:
    """The points of a line with the readings that may order them, to scale."""

    points: list[LocatedPoint]
    order_only: frozenset[str]  # runs whose readings give the order of stops, but no lengths
    findings: list[Finding]


def check_counters(
    points: Sequence[LocatedPoint], runs: Sequence[Run], accuracy: Accuracy
) -> CheckedCounters:
    """Return the points of a line without readings that cannot be, and what is wrong with them."""
    out, findings = list(points), []
    order_only: set[str] = set()
    lost: set[int] = set()
    for run in runs:
        mine = np.array([i for i, p in enumerate(out) if run.id in p.readings], int)
        if len(mine) < 2:
            continue
        mine = mine[np.argsort([out[i].readings[run.id] for i in mine], kind="stable")]
        read = _Readings.of([out[i] for i in mine], run.id, accuracy)
        if _stood_still(read):
            order_only.add(run.id)
            findings.append(finding("counter-wrong/still", f"run {run.id}", stops=len(mine)))
            for i, along in zip(mine, _by_chords(read), strict=True):
                reading = run.counter_at_entry_m + float(along)
                out[i] = replace(out[i], readings={**out[i].readings, run.id: reading})
            continue
        if (factor := _factor(read)) is not None:
            order_only.add(run.id)
            findings.append(finding("unit-wrong/counter", f"run {run.id}", more=factor._asdict()))
            for i in mine:
                out[i] = _to_scale(out[i], run, factor.typical)
            continue
        if (pair := exchanged([out[i] for i in mine], run.id, accuracy)) is not None:
            a, b = mine[list(pair)].tolist()
            findings.append(_exchanged_pair(out[a], out[b], run))
            out[a], out[b] = without_runs([out[a], out[b]], {run.id})
            mine = np.delete(mine, pair)
            read = _Readings.of([out[i] for i in mine], run.id, accuracy)
        if (wrong := _wrong(read)) is None:
            order_only.add(run.id)
            findings.append(finding("counter-wrong/contradiction", f"run {run.id}"))
        elif gone := _beyond_cable(read):
            findings += [_beyond(out[mine[j]], away) for j, away in gone]
            lost |= {int(mine[j]) for j, _ in gone}
        else:
            findings += _wrong_readings(
                [out[mine[j]] for j, _ in wrong], run, [w for _, w in wrong]
            )
            for j, _ in wrong:
                (out[mine[j]],) = without_runs([out[mine[j]]], {run.id})
    kept = [p for i, p in enumerate(out) if i not in lost]
    return CheckedCounters(kept, frozenset(order_only), findings)


def _wrong_readings(
    points: Sequence[LocatedPoint], run: Run, expected_m: Sequence[float]
) -> list[Finding]:
    """Return a finding on each reading that cannot be right, or one on a counter that jumped."""
    read = [p.readings[run.id] for p in points]
    off = np.subtract(read, expected_m)
    if len(off) > 1 and np.ptp(off) < GROSS_M:
        return [
            finding(
                "counter-wrong/jump",
                f"run {run.id}",
                where=points[0].where,
                points=[p.subject for p in points],
                jump_m=off.mean(),
            )
        ]
    return [_impossible(p, run, c, w) for p, c, w in zip(points, read, expected_m, strict=True)]


def _impossible(point: LocatedPoint, run: Run, reading_m: float, expected_m: float) -> Finding:
    """Return the finding on one reading that cannot be right, as read at the camera face."""
    lag = run.transmitter_lag_m if point.fix >= 0 else 0.0
    read, would = reading_m + lag, expected_m + lag
    near = 0.1 * GROSS_M + 0.02 * abs(would)
    slips = [slip for k, slip in _SLIPS.items() if abs(read / k - would) < near]
    return finding(
        "counter-wrong/reading",
        point.subject,
        where=point.where,
        run=run.id,
        read_m=read,
        expected_m=would,
        slip=slips[-1] if slips else "",
    )


def _exchanged_pair(a: LocatedPoint, b: LocatedPoint, run: Run) -> Finding:
    """Return the finding on two readings that belong to each other's stop."""
    return finding(
        "counters-exchanged",
        f"run {run.id}",
        where=a.where,
        about=[a.subject, b.subject],
        explains=[a.subject, b.subject],
        one=a.subject,
        other=b.subject,
        one_read_m=a.readings[run.id] + run.transmitter_lag_m,
        other_read_m=b.readings[run.id] + run.transmitter_lag_m,
    )


def _beyond(point: LocatedPoint, beyond_m: float) -> Finding:
    """Return the finding on a point further from its run than the cable was counted."""
    return finding(
        "point-astray", point.subject, variant="run", where=point.where, beyond_m=beyond_m
    )


def without_runs(points: Sequence[LocatedPoint], runs: Collection[str]) -> list[LocatedPoint]:
    """Return points without the readings of some runs."""
    if not runs:
        return list(points)
    return [
        replace(p, readings={r: c for r, c in p.readings.items() if r not in runs}) for p in points
    ]


def _to_scale(point: LocatedPoint, run: Run, factor: float) -> LocatedPoint:
    """A point with its reading of a run nearer to metres, which is enough to order it by."""
    counted = (point.readings[run.id] - run.counter_at_entry_m) / factor
    return replace(point, readings={**point.readings, run.id: run.counter_at_entry_m + counted})


@dataclass(frozen=True, slots=True)
class _Readings:
    """One run's readings in rising order, and where their points lie."""

    counter_m: Floats  # (n,)
    xyz_m: Floats  # (n, 3); an unknown level is left out of distances
    chord_m: Floats  # (n, n)
    spread_m2: Floats  # (n,) of each point in plan, both axes together
    fits: Flags  # (n, n) a cable so long, of so much more, may join two points as neighbours

    @classmethod
    def of(cls, points: Sequence[LocatedPoint], run: str, accuracy: Accuracy) -> _Readings:
        counter = np.array([p.readings[run] for p in points])
        xyz = np.array([p.xyz_m for p in points])
        spread = np.array([np.trace(p.cov[:2, :2]) for p in points])
        chord = np.linalg.norm(np.nan_to_num(xyz[:, None] - xyz[None]), axis=2)
        counted = np.abs(counter[:, None] - counter[None])
        sigma = np.sqrt(spread[:, None] + spread[None] + counter_variance(counted, accuracy))
        short = chord - counted > GROSS_M + 3 * sigma
        most = np.minimum(chord, np.median(np.diagonal(chord, 1)))
        winding = counted - chord > _WINDING * most + _WINDING_M + 3 * sigma
        return cls(counter, xyz, chord, spread, ~short & ~winding)

    def expected(self, j: int, known: Ints) -> tuple[float, float]:
        """Counter that the points of others (k ≥ 2) give one, and how far it lies beside them.

        Beyond the ends the path goes straight on, and may have turned by 45° since.
        """
        path, counter = self.xyz_m[known][:, :2], self.counter_m[known]
        leg = np.diff(path, axis=0)
        square = np.maximum(np.einsum("lc,lc->l", leg, leg), 1e-9)
        t = np.einsum("lc,lc->l", self.xyz_m[j, :2] - path[:-1], leg) / square
        low, high = np.zeros(len(leg)), np.ones(len(leg))
        low[0], high[-1] = -np.inf, np.inf
        t = np.clip(t, low, high)
        beside = np.linalg.norm(path[:-1] + t[:, None] * leg - self.xyz_m[j, :2], axis=1)
        at = int(np.argmin(beside))
        beyond = max(float(t[at]) - 1.0, -float(t[at]), 0.0) * float(np.sqrt(square[at]))
        if beyond > max(_PAST_M, _PAST_LEGS * float(np.sqrt(square.max()))):
            return float("nan"), np.inf  # nobody was there: it may as well lie elsewhere
        reading = counter[at] + t[at] * (counter[at + 1] - counter[at])
        return float(reading), float(beside[at] - beyond - _BESIDE * np.sqrt(square[at]))


class _Factor(NamedTuple):
    """What all readings of a run are off by."""

    typical: float  # counted over chord
    stretches: int
    slip: str  # what makes it; "" = unknown


def _stood_still(read: _Readings) -> bool:
    """True when a counter read the same at stops that lie apart."""
    return bool(np.ptp(read.counter_m) < SAME_M and read.chord_m.max() > GROSS_M)


def _by_chords(read: _Readings) -> Floats:
    """What a counter would about have read at stops in the order they were written."""
    return np.concatenate([[0.0], np.cumsum(np.maximum(np.diagonal(read.chord_m, 1), SAME_M))])


def _factor(read: _Readings) -> _Factor | None:
    """Return the factor by which the readings of a run are off throughout, if they are.

    A small one shows over the whole run, too: further than its ends may be off.
    """
    chord = np.diagonal(read.chord_m, 1)
    useful = chord > GROSS_M / 2
    chord, counted = chord[useful], np.diff(read.counter_m)[useful]
    ratio = counted / chord
    if not len(ratio):
        return None
    typical = float(np.median(ratio))
    if not typical > 0.0:  # a counter that stood still gives no factor
        return None
    off = np.abs(np.log(np.maximum(ratio, 1e-9) / typical))
    factor = min(_UNIT_SLIPS, key=lambda k: abs(np.log(typical / k)))
    near = bool(abs(np.log(typical / factor)) < np.log(1.15))
    if _WILD[0] <= typical <= _WILD[1]:
        odd = not _ODD[0] <= typical <= _ODD[1] and (off < np.log(1.1)).mean() >= 0.8
        by_ends = 3.0 * float(np.sqrt(read.spread_m2[0] + read.spread_m2[-1]))
        odd = odd and abs(counted.sum() - chord.sum()) > by_ends
    else:
        odd = (off < np.log(1.3)).mean() >= 0.8
    if not odd or not (near or len(ratio) > 3):
        return None
    return _Factor(typical, len(ratio), _UNIT_SLIPS[factor] if near else "")


def _wrong(read: _Readings) -> list[tuple[int, float]] | None:
    """Return the readings that cannot be, each with what its place among the others would read.

    The longest chain of readings that can be neighbours is believed when it is more than half; None
    when there is no such chain. A reading outside it is wrong when its point lies on the path of
    the chain, but elsewhere than it was read. Several that make a chain of their own before it or
    after it are a counter that jumped once: the adjustment bears that.
    """
    if np.diagonal(read.fits, 1).all():
        return []
    sure, longest = _believed(read)
    outside = np.setdiff1d(np.arange(len(read.counter_m)), sure)
    if 2 * longest <= len(read.counter_m) or len(sure) < 2:
        return _exchanged(read)
    chained = len(outside) > 1 and bool(read.fits[outside[:-1], outside[1:]].all())
    if chained and (outside[0] > sure[-1] or outside[-1] < sure[0]):
        return []
    out = []
    for j in outside.tolist():
        reading, beside = read.expected(j, sure)
        if beside < _BESIDE_M and abs(reading - read.counter_m[j]) > 1.5 * GROSS_M:
            out.append((j, reading))
    return out


def _believed(read: _Readings) -> tuple[Ints, int]:
    """Return the readings that the longest chain surely holds, and how many that has."""
    first, last = _chains(read.fits, forward=True), _chains(read.fits, forward=False)
    longest = int(first.max())
    on = np.flatnonzero(first + last - 1 == longest)
    # where either of two would do, neither is believed
    return np.array([i for i in on if (first[on] == first[i]).sum() == 1], int), longest


def _beyond_cable(read: _Readings) -> list[tuple[int, float]]:
    """Return the points that lie where no cable reached from those believed beside it, and how far.

    A few metres are for the adjustment to find; so far off a point takes its line along, and says
    nothing of it.
    """
    sure, longest = _believed(read)
    if 2 * longest <= len(read.counter_m) or len(sure) < 2:
        return []
    outside = np.setdiff1d(np.arange(len(read.counter_m)), sure)
    out = []
    for j in outside.tolist():
        after = int(np.searchsorted(sure, j))
        beside = sure[max(after - 1, 0) : after + 1]
        counted = np.abs(read.counter_m[j] - read.counter_m[beside])
        away = float((read.chord_m[j, beside] - counted).min())
        # on the path of the others it is the counter that is wrong
        if away > _ASTRAY_M and not read.expected(j, sure)[1] < _BESIDE_M:
            out.append((j, away))
    return out


def _exchanged(read: _Readings) -> list[tuple[int, float]] | None:
    """Return the two neighbouring readings that fit once they are exchanged; None = no such two."""
    n = len(read.counter_m)
    for i in range(n - 1):
        order = np.arange(n)
        order[[i, i + 1]] = i + 1, i
        chord = read.chord_m[order[:-1], order[1:]]
        if n > 2 and (np.abs(np.diff(read.counter_m) - chord) < GROSS_M).all():
            return [(i, float(read.counter_m[i + 1])), (i + 1, float(read.counter_m[i]))]
    return None


def _chains(fits: Flags, *, forward: bool) -> Ints:
    """How many readings (n,) the longest chain up to each holds; from each on, backwards."""
    n = len(fits)
    out = np.ones(n, dtype=np.int64)
    for i in range(n) if forward else range(n - 1, -1, -1):
        before = slice(0, i) if forward else slice(i + 1, n)
        may = fits[i, before]
        if may.any():
            out[i] = 1 + out[before][may].max()
    return out


# ---- two readings exchanged ----------------------------------------------------------------


#: A chord this many σ and metres longer than its cable is no chance. Common practice, no source.
_SIGMAS, _IMPOSSIBLE_M = 4.0, 0.3
#: Pipe between neighbours that is longer than this many chords turns by more than 90° (√2: one
#: bend of 90° midway).
_TURNS_BACK = float(np.sqrt(2.0))
#: Two pairs that explain a run as well as each other, to this, leave open which it was.
_ALIKE_M = 0.5


def exchanged(
    points: Sequence[LocatedPoint], run: str, accuracy: Accuracy
) -> tuple[int, int] | None:
    """Return the two of a run's points, in the order of its counter, whose readings fit exchanged.

    None when nothing is impossible as read, when no pair makes it possible, or when several do.
    """
    counter = np.array([p.readings[run] for p in points])
    xyz = likely_positions_m(points)
    chord = np.linalg.norm(np.nan_to_num(xyz[:, None] - xyz[None]), axis=2)
    spread = np.array([_likely_m2(p) for p in points])
    counted = np.diff(counter)

    def legs(order: Ints) -> tuple[Flags, Floats]:
        """Whether each leg can be, and how much longer it was counted than it is."""
        a, b = order[:-1], order[1:]
        over = chord[a, b] - counted
        sigma = np.sqrt(
            spread[a]
            + spread[b]
            + counter_variance(counted, accuracy)
            + (accuracy.counter_scale_ratio * counted) ** 2
        )
        loose = _SIGMAS * sigma + _IMPOSSIBLE_M
        winding = counted - _TURNS_BACK * chord[a, b] > loose
        return ~(over > loose) & ~winding, np.abs(over)

    as_read: Ints = np.arange(len(points), dtype=np.int64)
    possible, off = legs(as_read)
    if len(points) < 4 or possible.all() or not (chord[as_read[:-1], as_read[1:]] > counted).any():
        return None
    stops = [i for i, p in enumerate(points) if p.fix >= 0]
    found = []
    for i, j in combinations(stops, 2):
        order = as_read.copy()
        order[[i, j]] = j, i
        now, off_now = legs(order)
        touched = np.zeros(len(counted), dtype=np.bool_)
        touched[[k for k in (i - 1, i, j - 1, j) if 0 <= k < len(counted)]] = True
        if now[touched].all() and now.sum() > possible.sum() and _only_beside(possible, touched):
            found.append((float(off_now.sum()), i, j))
    found.sort()
    if not found or (len(found) > 1 and found[1][0] - found[0][0] < _ALIKE_M):
        return None
    if found[0][0] > float(off.sum()) - 2.0 * _ALIKE_M:
        return None
    return found[0][1:]


def _likely_m2(point: LocatedPoint) -> float:
    """Variance in plan of where a point most likely lies, both axes together: see `likely_m`."""
    var = float(np.trace(point.cov[:2, :2]))
    if point.directed:
        var -= float(point.cov[:2, 4] @ point.cov[:2, 4]) / (point.cov[4, 4] + TILT_RAD**2)
    return max(var, 0.0)


def _only_beside(possible: Flags, touched: Flags) -> bool:
    """Whether what cannot be as read is all beside the two."""
    return bool((~possible & touched).any() and possible[~touched].all())
