"""Points that are one place made one; stops of other runs set between the vertices of a line.

A stop at an exposure, an exposure measured twice: what agrees is used together. Exposures that
contradict each other are both kept, as what they are: two answers of which one is right, and
nothing of theirs says which.

Two runs through the same pipe stop where they please. Where a stop of one lies within arm's reach
of a stop of the other, a leg from one to the other would have no usable direction, and their order
could be wrong. So one of the two is a vertex of the path, and the other is observed *on* the path,
at a place along it that the adjustment finds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from lateralline.distributions import chi2
from lateralline.findings import Finding, finding
from lateralline.kernels.curves import chainage, locate
from lateralline.kernels.network import W_LIMIT
from lateralline.link.gross_errors import directed
from lateralline.link.lines import IntermediatePoint, LocatedPoint, likely_positions_m
from lateralline.link.order import positions_along_m
from lateralline.link.stochastic import factorable
from lateralline.records import Flags, Floats
from lateralline.settings import Accuracy, Run

#: Closer than this, by the counter or in plan, is one place: a test hole dug where a stop was.
SAME_PLACE_M = 0.10
#: Exposures closer than this by the counter, but further apart than it allows, are one place of
#: which one was measured wrong. Common practice, no source.
NEARLY_M = 0.5
#: Two stops of one run closer than this by the counter are one stop written twice.
SAME_STOP_M = 0.02
#: Points nearer than this give no direction of the pipe.
_APART_M = 0.15
_LIMIT = float(chi2.ppf(0.999, 3))


@dataclass(frozen=True, slots=True)
class MergedPlaces:
    """The points of a line, each place once."""

    points: list[LocatedPoint]
    findings: list[Finding]
    contested: frozenset[str]  # exposures that another at the same place contradicts


def merge_same_places(
    points: Sequence[LocatedPoint], accuracy: Accuracy, names: Sequence[str] = ()
) -> MergedPlaces:
    """Return ordered points with those that are one place made one, and what that showed.

    A place of several exposures is called as the first of `names` that is among theirs.
    """
    groups: list[list[LocatedPoint]] = []
    for point in points:
        if groups and all(_one_place(other, point, accuracy) for other in groups[-1]):
            groups[-1].append(point)
        else:
            groups.append([point])
    out: list[LocatedPoint] = []
    findings: list[Finding] = []
    contested: set[str] = set()
    for group in groups:
        stops = sorted((p for p in group if p.fix >= 0), key=_spread)
        findings += [_twice("counter-wrong/duplicate", stops[0], p) for p in stops[1:]]
        seen = sorted((p for p in group if p.fix < 0), key=lambda p: _rank(p, names))
        if not seen:
            out.append(stops[0])
            continue
        place, messages = _one(seen, _way(points, group), accuracy)
        if any(f.severity == "error" for f in messages):
            contested |= {p.ref for p in seen}
        findings += messages
        if stops:
            place, messages = _joined(stops[0], place)
            findings += messages
        out.append(place)
    return MergedPlaces(out, findings, frozenset(contested))


def _rank(point: LocatedPoint, names: Sequence[str]) -> int:
    return names.index(point.ref) if point.ref in names else len(names)


def _spread(p: LocatedPoint) -> float:
    return float(np.trace(p.cov[:2, :2]))


def _same_place(a: LocatedPoint, b: LocatedPoint) -> bool:
    shared = a.readings.keys() & b.readings.keys()
    within = SAME_STOP_M if a.fix >= 0 and b.fix >= 0 else SAME_PLACE_M
    by_counter = any(abs(a.readings[r] - b.readings[r]) <= within for r in shared)
    if shared or a.kind == b.kind == "fix":
        return by_counter
    same_name = a.kind == b.kind == "exposure" and a.ref == b.ref
    return same_name or float(np.hypot(*(a.xyz_m - b.xyz_m)[:2])) <= SAME_PLACE_M


def _one_place(a: LocatedPoint, b: LocatedPoint, accuracy: Accuracy) -> bool:
    if _same_place(a, b):
        return True
    shared = a.readings.keys() & b.readings.keys()
    if a.fix >= 0 or b.fix >= 0 or not shared:
        return False
    counted = min(abs(a.readings[r] - b.readings[r]) for r in shared)
    gap = b.xyz_m - a.xyz_m
    chord = float(np.linalg.norm(gap))
    spread = (a.cov + b.cov)[:3, :3]
    variance = float(gap @ spread @ gap) / max(chord, 1e-9) ** 2 + 2 * accuracy.counter_m**2
    return counted < NEARLY_M and chord - counted > W_LIMIT * np.sqrt(variance)


def _way(points: Sequence[LocatedPoint], group: Sequence[LocatedPoint]) -> Floats:
    """Unit vector (3,) of the pipe past a place, by the points before and after it; 0 = unknown."""
    here = np.mean([p.xyz_m for p in group], axis=0)
    first = next(i for i, p in enumerate(points) if p is group[0])
    before = [p.xyz_m for p in points[:first] if np.hypot(*(p.xyz_m - here)[:2]) > _APART_M]
    after = [
        p.xyz_m for p in points[first + len(group) :] if np.hypot(*(p.xyz_m - here)[:2]) > _APART_M
    ]
    way = (after[0] if after else here) - (before[-1] if before else here)
    return np.asarray(way / max(float(np.linalg.norm(way)), 1e-9))


def _one(
    seen: Sequence[LocatedPoint], way: Floats, accuracy: Accuracy
) -> tuple[LocatedPoint, list[Finding]]:
    """Return several exposures of one place as one point that goes by the name of the first."""
    place, findings = seen[0], []
    for a, b in combinations(seen, 2):
        test, gap, spread = _tested(a, b, _along_m2(a, b, accuracy) * np.outer(way, way))
        if test > _LIMIT:
            findings += [
                _disagree(a, b, gap, spread, test),
                _disagree(b, a, -gap, spread, test),
            ]
    if findings:
        return _either(seen), findings
    for other in seen[1:]:
        slack = _along_m2(place, other, accuracy) * np.outer(way, way)
        findings.append(_twice("exposure-duplicate", place, other))
        place, _ = _weighed(place, other, slack)
    return place, findings


def _twice(code: str, kept: LocatedPoint, other: LocatedPoint) -> Finding:
    """Return the finding on two points of one place that goes by the name of the first."""
    apart = np.hypot(*(other.xyz_m - kept.xyz_m)[:2])
    return finding(code, other.subject, where=other.where, kept=kept.subject, apart_m=apart)


def _disagree(
    a: LocatedPoint, b: LocatedPoint, gap_m: Floats, spread_m2: Floats, test: float
) -> Finding:
    """Return the finding on exposures of one place that contradict: b less a, its covariance."""
    return finding(
        "exposure-disagrees/exposure",
        a.subject,
        where=a.where,
        other=b.subject,
        level_off_m=gap_m[2] + 0.0,  # no -0.00
        level_sigma_m=np.sqrt(spread_m2[2, 2]),
        statistic=test,
        limit=_LIMIT,
        more=directed(gap_m[:2], spread_m2[:2, :2]),
    )


def _along_m2(a: LocatedPoint, b: LocatedPoint, accuracy: Accuracy) -> float:
    """Variance of how far apart along the pipe two exposures of one place may lie."""
    for run in a.readings.keys() & b.readings.keys():
        return (a.readings[run] - b.readings[run]) ** 2 + 2 * accuracy.counter_m**2
    return SAME_PLACE_M**2


def _either(seen: Sequence[LocatedPoint]) -> LocatedPoint:
    """One point for exposures of which any may be right: their mean, and the spread of all."""
    middle = np.mean([p.xyz_m for p in seen], axis=0)
    cov = np.mean([p.cov for p in seen], axis=0)
    off = np.array([p.xyz_m - middle for p in seen])
    cov[:3, :3] += off.T @ off / len(seen)
    shared = np.mean([p.shared for p in seen], axis=0)
    return replace(seen[0], xyz_m=middle, cov=factorable(cov), shared=shared)


def _tested(
    a: LocatedPoint, b: LocatedPoint, slack_m2: Floats | float
) -> tuple[float, Floats, Floats]:
    """χ² of three freedoms of b less a, that difference (3,), and its covariance (3, 3)."""
    gap = b.xyz_m - a.xyz_m
    common = (a.shared @ b.shared.T)[:3, :3]
    spread = (a.cov + b.cov)[:3, :3] - common - common.T + slack_m2
    spread = factorable(spread)
    return float(gap @ np.linalg.solve(spread, gap)), gap, spread


def _weighed(
    base: LocatedPoint, seen: LocatedPoint, slack_m2: Floats | float = 0.0
) -> tuple[LocatedPoint, float]:
    """Return a point with the position of another taken in by its weight, and their χ²."""
    test, gap, spread = _tested(base, seen, slack_m2)
    own = base.cov[:, :3] - base.shared @ seen.shared[:3].T
    gain = own @ np.linalg.inv(spread)
    shift = gain @ gap
    cov = base.cov - gain @ own.T
    return replace(
        base,
        xyz_m=base.xyz_m + shift[:3],
        heading_rad=base.heading_rad + shift[3],
        tilt_rad=base.tilt_rad + shift[4],
        cov=(cov + cov.T) / 2,
        readings={**seen.readings, **base.readings},
        shared=base.shared + gain @ (seen.shared - base.shared)[:3],
    ), test


def _joined(stop: LocatedPoint, seen: LocatedPoint) -> tuple[LocatedPoint, list[Finding]]:
    """One vertex from a stop and the exposure beside it, and whether they agree."""
    place, test = _weighed(stop, seen)
    findings = []
    if test > _LIMIT:
        gap = seen.xyz_m - stop.xyz_m
        findings.append(
            finding(
                "exposure-disagrees/stop",
                seen.subject,
                where=seen.where,
                stop=f"stop {stop.ref}",
                off_m=np.hypot(*gap[:2]),
                level_off_m=gap[2],
                statistic=test,
                limit=_LIMIT,
            )
        )
        cov = stop.cov.copy()
        cov[:3, 3:], cov[3:, :3], cov[:3, :3] = 0.0, 0.0, seen.cov[:3, :3]
        shared = np.concatenate([seen.shared[:3], stop.shared[3:]])
        place = replace(
            place,
            xyz_m=seen.xyz_m,
            heading_rad=stop.heading_rad,
            tilt_rad=stop.tilt_rad,
            cov=cov,
            shared=shared,
        )
    return replace(place, kind="exposure", ref=seen.ref, where=seen.where), findings


# ---- intermediate points -------------------------------------------------------------------


#: Stops of different runs closer than this, in plan or along the pipe, make one vertex: common
#: practice, no source. It is a few times what a stop is off along the pipe.
NEAR_M = 0.5
#: A stop of the run that stopped most often is a vertex before one of another run that is up to
#: this many times as sure: between its own stops the counter tells the length.
_LONGEST_RUN = 2.0
#: Where a level lies along an undecided stretch, 1 σ: common practice, no source.
LEVEL_AT_M = 0.5


def split_intermediates(
    points: Sequence[LocatedPoint], runs: Sequence[Run]
) -> tuple[list[LocatedPoint], list[IntermediatePoint]]:
    """Return the vertices of an ordered, turned line, and the points that ride between them."""
    keep = _vertices(points, runs)
    if keep.all() or keep.sum() < 2:
        return list(points), []
    kept = [p for p, k in zip(points, keep, strict=True) if k]
    before = np.cumsum(keep) - 1  # number of the last vertex up to each point
    intermediates_seen = [
        (p, int(v)) for p, k, v in zip(points, keep, before, strict=True) if not k
    ]
    xyz = likely_positions_m(kept)
    beyond = kept[0].kind != "junction"  # a line begins at its junction
    return kept, [_intermediate(p, v, xyz, beyond) for p, v in intermediates_seen]


def _vertices(points: Sequence[LocatedPoint], runs: Sequence[Run]) -> Flags:
    """Which points (n,) are vertices: the surest first, each clear of the vertices beside it."""
    along, xy = positions_along_m(points, runs), likely_positions_m(points)[:, :2]
    stops = {run: 0 for p in points for run in p.readings}
    for p in points:
        for run in p.readings:
            stops[run] += 1
    longest = max(stops, key=lambda run: stops[run], default="")

    def worth(i: int) -> tuple[bool, float]:
        p = points[i]
        less = _LONGEST_RUN**2 if longest in p.readings else 1.0
        return p.fix >= 0 and p.kind != "exposure", _spread(p) / less

    def apart(i: int, j: int) -> float:
        plan = float(np.hypot(*(xy[i] - xy[j])))
        counted = np.isfinite(along[[i, j]]).all()  # else nothing tells how far along either is
        return min(abs(float(along[i] - along[j])), plan) if counted else plan

    keep = np.zeros(len(points), bool)
    for i in sorted(range(len(points)), key=worth):
        there = np.flatnonzero(keep)
        beside = [*there[there < i][-1:], *there[there > i][:1]]
        keep[i] = not any(
            _may_be_one(points[i], points[j]) and apart(i, j) < NEAR_M for j in beside
        )
    return keep


def place_levels(
    kept: Sequence[LocatedPoint],
    intermediates_seen: Sequence[IntermediatePoint],
    levels: Sequence[LocatedPoint],
) -> tuple[list[IntermediatePoint], list[LocatedPoint]]:
    """Return levels known at counters as points between vertices, and those off the line."""
    out, off = [], []
    along = chainage(np.array([p.xyz_m for p in kept]))
    places = [*zip(kept, along.tolist(), strict=True)]
    for r in intermediates_seen:
        at = along[r.stretch] + r.share * (along[r.stretch + 1] - along[r.stretch])
        places.append((r.point, float(at.clip(along[0], along[-1]))))
    for level in levels:
        run, reading = next(iter(level.readings.items()), ("", np.nan))
        read = sorted((p.readings[run], at) for p, at in places if run in p.readings)
        if not read or not read[0][0] <= reading <= read[-1][0] or np.isnan(level.xyz_m[2]):
            off.append(level)
            continue
        counters, there = zip(*read, strict=True)
        stretch, share = locate(along, np.interp(reading, counters, there))
        out.append(
            IntermediatePoint(
                level, int(stretch), float(share), level_only=True, sigma_m=LEVEL_AT_M
            )
        )
    return out, off


def _may_be_one(a: LocatedPoint, b: LocatedPoint) -> bool:
    """True for two points of different runs, one of them a stop."""
    apart = not a.readings.keys() & b.readings.keys() and "junction" not in (a.kind, b.kind)
    return apart and (a.fix >= 0 or b.fix >= 0)


def _intermediate(
    point: LocatedPoint, before: int, kept_m: Floats, beyond: bool
) -> IntermediatePoint:
    """Put a point on the nearest of the stretches about the vertex before it.

    It may lie past the line's end, and where `beyond` before its start.
    """
    here, last = likely_positions_m([point])[0], len(kept_m) - 2
    first = min(max(before - 1, 0), last)
    xyz = kept_m[first : before + 3]
    leg = np.diff(xyz, axis=0)
    square = np.maximum(np.einsum("lc,lc->l", leg, leg), 1e-12)
    share = np.einsum("lc,lc->l", here - xyz[:-1], leg) / square
    off = np.linalg.norm(here - xyz[:-1] - share.clip(0, 1)[:, None] * leg, axis=1)
    best = int(np.argmin(off))
    low = -np.inf if first + best == 0 and beyond else 0.0
    high = np.inf if first + best == last else 1.0
    return IntermediatePoint(point, first + best, float(share[best].clip(low, high)))
