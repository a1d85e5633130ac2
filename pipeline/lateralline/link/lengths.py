"""Lengths between points that the cable did not reach: chords, and ways over stops not counted.

The pipe is at least as long as the chords between its points, and as long as was counted. The chord
of a straight pipe is as often over its counted length as under: what chance may do is not told.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Final

import numpy as np

from lateralline.distributions import norm
from lateralline.findings import Finding, finding
from lateralline.link.lines import LocatedPoint
from lateralline.link.stochastic import counter_variance
from lateralline.records import Floats
from lateralline.settings import Accuracy

#: What is longer than its counter by this many σ (α = 0.0002, one-sided) is impossible, not
#: unlucky: a line has many.
_Z_BEYOND: Final = float(norm.isf(2e-4))


def impossible_lengths(
    points: Sequence[LocatedPoint], others: Sequence[LocatedPoint], accuracy: Accuracy
) -> tuple[list[Finding], set[str]]:
    """Return each pair of neighbours on a run that lie further apart than the cable reached.

    And each stop without a counter over which that is so of the stops beside it. Always reported,
    whatever the adjustment makes of it. `points` are those of a line in its order, of every run;
    `others` lie on it, too. Then the names of exposures that contradict each other so.
    """
    out: list[Finding] = []
    names: set[str] = set()
    for run in dict.fromkeys(r for p in (*points, *others) for r in p.readings):
        mine = [p for p in (*points, *others) if run in p.readings]
        mine.sort(key=lambda p: p.readings[run])
        for a, b in pairwise(mine):
            over = _over([a, b], run, accuracy)
            if over is None:
                continue
            names |= {a.ref, b.ref} if a.fix < 0 and b.fix < 0 else set()
            out.append(
                finding(
                    "counter-wrong/too-short",
                    b.subject,
                    where=b.where or a.where,
                    about=[a.subject],
                    other=a.subject,
                    run=run,
                    more=over,
                )
            )
        out += _detours(points, run, accuracy)
    return out, names


def _detours(points: Sequence[LocatedPoint], run: str, accuracy: Accuracy) -> list[Finding]:
    """Return each stop without a counter that lies off the way between those beside it.

    Of several between two counters the one over which the way is longest. Where even the chord is
    too long, the counters say so.
    """
    read = [i for i, p in enumerate(points) if run in p.readings]
    out = []
    for start, end in pairwise(read):
        a, b = points[start], points[end]
        stops = [p for p in points[start + 1 : end] if p.fix >= 0 and not p.readings]
        if not stops or _over([a, *stops, b], run, accuracy) is None:
            continue
        if _over([a, b], run, accuracy) is not None:
            continue
        ways = [(over, stop) for stop in stops
                if (over := _over([a, stop, b], run, accuracy)) is not None]  # fmt: skip
        if not ways:  # each alone may be right
            continue
        over, stop = max(ways, key=lambda way: way[0]["excess_m"])
        out.append(
            finding(
                "counter-wrong/detour",
                stop.subject,
                where=stop.where,
                about=[a.subject, b.subject],
                start=a.subject,
                end=b.subject,
                run=run,
                more=over,
            )
        )
    return out


def _over(way: Sequence[LocatedPoint], run: str, accuracy: Accuracy) -> dict[str, float] | None:
    """Return by how much a way over points is longer than was counted from end to end.

    None where chance may do it.
    """
    counted = abs(way[-1].readings[run] - way[0].readings[run])
    chord = np.diff([p.xyz_m for p in way], axis=0)
    length = np.linalg.norm(chord, axis=1)
    unit = chord / np.maximum(length, 1e-9)[:, None]
    cov = np.array([p.cov[:3, :3] for p in way])
    spread = cov[:-1] + cov[1:]
    # Errors across a chord lengthen it, on average by their variance over twice its length.
    across = np.einsum("sii->s", spread) - np.einsum("si,sij,sj->s", unit, spread, unit)
    length = np.maximum(length - across / (2 * np.maximum(length, 0.1)), 0.0)
    moved: Floats = np.zeros((len(way), 3))  # of the whole way, by each point
    moved[:-1] -= unit
    moved[1:] += unit
    variance = (
        np.einsum("pi,pij,pj->", moved, cov, moved)
        # where points are left and right of a straight way, what they lengthen it by scatters, too
        + (np.square(across / np.maximum(length, 0.1)).sum() / 2 if len(way) > 2 else 0.0)
        + counter_variance(np.array([counted]), accuracy)[0]
        + (accuracy.counter_scale_ratio * counted) ** 2
    )
    excess, chance = float(length.sum() - counted), float(_Z_BEYOND * np.sqrt(variance))
    if not excess > chance:
        return None
    apart = float(length.sum())
    return {"apart_m": apart, "counted_m": counted, "excess_m": excess, "by_chance_m": chance}
