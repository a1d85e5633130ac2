"""Points of a line that are one place: a stop at an exposure, an exposure measured twice.

What agrees is used together. Exposures that contradict each other are both kept, as what they are:
two answers of which one is right, and nothing of theirs says which.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from scipy.stats import chi2

from lateralline.kernels.network import W_LIMIT
from lateralline.link.points import Point, factorable
from lateralline.records import Finding, Floats
from lateralline.settings import Accuracy
from lateralline.wording import metres

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
class Places:
    """The points of a line, each place once."""

    points: list[Point]
    findings: list[Finding]
    contested: frozenset[str]  # exposures that another at the same place contradicts


def settle_same_places(
    points: Sequence[Point], accuracy: Accuracy, names: Sequence[str] = ()
) -> Places:
    """Return ordered points with those that are one place made one, and what that showed.

    A place of several exposures is called as the first of `names` that is among theirs.
    """
    groups: list[list[Point]] = []
    for point in points:
        if groups and all(_one_place(other, point, accuracy) for other in groups[-1]):
            groups[-1].append(point)
        else:
            groups.append([point])
    out: list[Point] = []
    findings: list[Finding] = []
    contested: set[str] = set()
    for group in groups:
        stops = sorted((p for p in group if p.fix >= 0), key=_spread)
        findings += [_duplicate(stops[0], p) for p in stops[1:]]
        seen = sorted((p for p in group if p.fix < 0), key=lambda p: _rank(p, names))
        if not seen:
            out.append(stops[0])
            continue
        place, said = _one(seen, _way(points, group), accuracy)
        if any(f.severity == "error" for f in said):
            contested |= {p.ref for p in seen}
        findings += said
        if stops:
            place, said = _joined(stops[0], place)
            findings += said
        out.append(place)
    return Places(out, findings, frozenset(contested))


def _rank(point: Point, names: Sequence[str]) -> int:
    return names.index(point.ref) if point.ref in names else len(names)


def _spread(p: Point) -> float:
    return float(np.trace(p.cov[:2, :2]))


def _same_place(a: Point, b: Point) -> bool:
    shared = a.readings.keys() & b.readings.keys()
    within = SAME_STOP_M if a.fix >= 0 and b.fix >= 0 else SAME_PLACE_M
    by_counter = any(abs(a.readings[r] - b.readings[r]) <= within for r in shared)
    if shared or a.kind == b.kind == "fix":
        return by_counter
    same_name = a.kind == b.kind == "exposure" and a.ref == b.ref
    return same_name or float(np.hypot(*(a.xyz_m - b.xyz_m)[:2])) <= SAME_PLACE_M


def _one_place(a: Point, b: Point, accuracy: Accuracy) -> bool:
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


def _way(points: Sequence[Point], group: Sequence[Point]) -> Floats:
    """Unit vector (3,) of the pipe past a place, by the points before and after it; 0 = unknown."""
    here = np.mean([p.xyz_m for p in group], axis=0)
    first = next(i for i, p in enumerate(points) if p is group[0])
    before = [p.xyz_m for p in points[:first] if np.hypot(*(p.xyz_m - here)[:2]) > _APART_M]
    after = [
        p.xyz_m for p in points[first + len(group) :] if np.hypot(*(p.xyz_m - here)[:2]) > _APART_M
    ]
    way = (after[0] if after else here) - (before[-1] if before else here)
    return np.asarray(way / max(float(np.linalg.norm(way)), 1e-9))


# ---- exposures -----------------------------------------------------------------------------


def _one(seen: Sequence[Point], way: Floats, accuracy: Accuracy) -> tuple[Point, list[Finding]]:
    """Return several exposures of one place as one point that goes by the name of the first."""
    place, findings = seen[0], []
    for a, b in combinations(seen, 2):
        test, gap, spread = _tested(a, b, _along_m2(a, b, accuracy) * np.outer(way, way))
        if test > _LIMIT:
            findings += [_disagree(a, b, gap, spread, test), _disagree(b, a, -gap, spread, test)]
    if findings:
        return _either(seen), findings
    for other in seen[1:]:
        slack = _along_m2(place, other, accuracy) * np.outer(way, way)
        findings.append(_agree(place, other))
        place, _ = _weighed(place, other, slack)
    return place, findings


def _along_m2(a: Point, b: Point, accuracy: Accuracy) -> float:
    """Variance of how far apart along the pipe two exposures of one place may lie."""
    for run in a.readings.keys() & b.readings.keys():
        return (a.readings[run] - b.readings[run]) ** 2 + 2 * accuracy.counter_m**2
    return SAME_PLACE_M**2


def _either(seen: Sequence[Point]) -> Point:
    """One point for exposures of which any may be right: their mean, and the spread of all."""
    middle = np.mean([p.xyz_m for p in seen], axis=0)
    cov = np.mean([p.cov for p in seen], axis=0)
    off = np.array([p.xyz_m - middle for p in seen])
    cov[:3, :3] += off.T @ off / len(seen)
    shared = np.mean([p.shared for p in seen], axis=0)
    return replace(seen[0], xyz_m=middle, cov=factorable(cov), shared=shared)


def _tested(a: Point, b: Point, slack_m2: Floats | float = 0.0) -> tuple[float, Floats, Floats]:
    """χ² of three freedoms of b less a, that difference (3,), and its covariance (3, 3)."""
    gap = b.xyz_m - a.xyz_m
    common = (a.shared @ b.shared.T)[:3, :3]
    spread = (a.cov + b.cov)[:3, :3] - common - common.T + slack_m2
    spread = factorable(spread)
    return float(gap @ np.linalg.solve(spread, gap)), gap, spread


def _weighed(base: Point, seen: Point, slack_m2: Floats | float = 0.0) -> tuple[Point, float]:
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


def _joined(stop: Point, seen: Point) -> tuple[Point, list[Finding]]:
    """One vertex from a stop and the exposure beside it, and whether they agree."""
    place, test = _weighed(stop, seen)
    findings = []
    if test > _LIMIT:
        gap = seen.xyz_m - stop.xyz_m
        findings.append(
            Finding(
                "error",
                "link",
                "exposure-disagrees",
                seen.subject,
                f"lies elsewhere than stop {stop.ref} at the same counter; the exposure is kept",
                f"{metres(np.hypot(*gap[:2]))} in plan, {metres(gap[2], signed=True)} in level"
                f", √T = {np.sqrt(test):.1f} (limit {np.sqrt(_LIMIT):.2f})",
                f"measure the exposure again, then mark stop {stop.ref} again",
                seen.where,
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


# ---- what is said --------------------------------------------------------------------------


def _duplicate(keep: Point, drop: Point) -> Finding:
    return Finding(
        "warning",
        "link",
        "counter-duplicate",
        drop.subject,
        f"has the same counter reading as stop {keep.ref}; the less certain of the two "
        "is left out of the line",
        f"{metres(np.hypot(*(drop.xyz_m - keep.xyz_m)[:2]))} apart in plan",
        "correct the counter of one of them, or remove one",
        drop.where,
    )


def _agree(keep: Point, other: Point) -> Finding:
    return Finding(
        "info",
        "link",
        "exposures-one-place",
        other.subject,
        f"is the same place as exposure {keep.ref}, and agrees with it: both are used, and the "
        f"node is called {keep.ref}",
        f"{metres(np.hypot(*(other.xyz_m - keep.xyz_m)[:2]))} apart in plan",
        "none needed, if they are one place; else check their counters",
        other.where,
    )


def _disagree(a: Point, b: Point, gap: Floats, spread: Floats, test: float) -> Finding:
    plan = float(np.hypot(*gap[:2]))
    way = gap[:2] / plan if plan > 0 else np.array([0.0, 1.0])
    sigma = float(np.sqrt(way @ spread[:2, :2] @ way))
    level, level_sigma = gap[2] + 0.0, float(np.sqrt(spread[2, 2]))
    towards = float(np.degrees(np.arctan2(way[0], way[1]))) % 360
    return Finding(
        "error",
        "link",
        "exposures-disagree",
        a.subject,
        f"exposure {b.ref} of the same place lies elsewhere, and the two cannot tell which of "
        "them is wrong: neither counts as seen; the node lies between them as far as the line "
        "leaves it, with an uncertainty that holds both",
        f"{b.ref} lies {metres(plan)} ± {metres(sigma)} towards {towards:.0f}° and "
        f"{metres(level, signed=True)} ± {metres(level_sigma)} in level of it, "
        f"√T = {np.sqrt(test):.1f} (limit {np.sqrt(_LIMIT):.2f})",
        "measure both again; correct their counters if they are two places",
        a.where,
    )
