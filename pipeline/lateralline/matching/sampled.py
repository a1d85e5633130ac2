"""Lines beside lines, sampled in equal steps on the ground along their whole length."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely

from lateralline.record.layers import Shapes
from lateralline.records import Flags, Floats, Ints

#: Steps along a line are no longer than this.
STEP_M: Final = 0.5
_AT_END_M: Final = 1e-6


@dataclass(frozen=True, slots=True, eq=False)
class Samples:
    """Points in equal steps along lines (n), both ends among them."""

    line: Ints  # (k,) which line
    share: Floats  # (k,) 0 to 1 along it
    point: Shapes  # (k,)
    step_m: Floats  # (n,)
    first: Ints  # (n + 1,) where each line's points begin

    @property
    def counts(self) -> Ints:
        """How many points each line has."""
        return np.diff(self.first)


@dataclass(frozen=True, slots=True, eq=False)
class Beside:
    """Pairs of a line and another (p), seen from points along the first (k of all pairs)."""

    pair: Ints  # (k,) which pair
    sample: Ints  # (k,) row of its `Samples`
    off_m: Floats  # (k,) to the other line
    other_share: Floats  # (k,) where along the other the nearest place is
    abreast: Flags  # (k,) the other runs on both ways from there, no farther off than was asked
    length_m: Floats  # (p,) of the first, abreast of the other
    advance: Floats  # (p,) length passed along the other over that: 1 alongside, 0 across

    def share_of(self, flags: Flags) -> Floats:
        """Return which share of a pair's points abreast has a flag; 0 where none is abreast."""
        count = len(self.length_m)
        there = np.bincount(self.pair, self.abreast, count)
        return np.bincount(self.pair, self.abreast & flags, count) / np.maximum(there, 1.0)


def sampled(lines: Shapes, step_m: float = STEP_M) -> Samples:
    """Return points along lines (n)."""
    length = shapely.length(lines)
    steps = np.maximum(np.ceil(length / step_m - 1e-9), 1.0).astype(np.int64)
    first = np.concatenate([[0], np.cumsum(steps + 1)])
    line = np.repeat(np.arange(len(lines)), steps + 1)
    share = (np.arange(first[-1]) - first[line]) / steps[line]
    point = shapely.line_interpolate_point(lines[line], share, normalized=True)
    return Samples(line, share, np.asarray(point), length / steps, first)


def beside(samples: Samples, first: Ints, other: Ints, others: Shapes, within_m: Floats) -> Beside:
    """Return pairs (p) of sampled lines `first` and `others[other]`, `within_m` (p,) of each."""
    counts = samples.counts[first]
    pair = np.repeat(np.arange(len(first)), counts)
    begin = np.concatenate([[0], np.cumsum(counts)])
    sample = samples.first[first][pair] + np.arange(begin[-1]) - begin[pair]
    lines, points = others[other[pair]], samples.point[sample]
    off = np.asarray(shapely.distance(lines, points), dtype=np.float64)
    at = np.asarray(shapely.line_locate_point(lines, points), dtype=np.float64)
    whole = shapely.length(others)[other][pair]
    inside = (at > _AT_END_M) & (at < whole - _AT_END_M)
    abreast = inside & (off <= within_m[pair])
    length = np.bincount(pair, abreast, len(first)) * samples.step_m[first]
    passed = np.zeros(len(first))
    if len(pair):
        low = np.minimum.reduceat(np.where(abreast, at, np.inf), begin[:-1])
        high = np.maximum.reduceat(np.where(abreast, at, -np.inf), begin[:-1])
        # A point stands for half a step to each side.
        passed = np.where(np.isfinite(low), high - low + samples.step_m[first], 0.0)
    advance = passed / np.maximum(length, samples.step_m[first])
    return Beside(pair, sample, off, at / np.maximum(whole, _AT_END_M), abreast, length, advance)


def nearest(seen: Beside, pairs: Flags) -> Flags:
    """Return which points (k) are abreast of the nearest line of all those of some pairs (p)."""
    use = seen.abreast & pairs[seen.pair]
    least = np.full(int(seen.sample.max(initial=-1)) + 1, np.inf)
    np.minimum.at(least, seen.sample[use], seen.off_m[use])
    return use & (seen.off_m <= least[seen.sample] + 1e-9)


def uncovered_m(samples: Samples, seen: Beside, pairs: Flags) -> Floats:
    """Return how much of each line (n) is abreast of no line of some pairs (p)."""
    covered = np.zeros(len(samples.line), dtype=bool)
    use = seen.abreast & pairs[seen.pair]
    covered[seen.sample[use]] = True
    # Ends lie on, not beside, what ends there too: steps are covered from either side.
    step = ~(covered[:-1] | covered[1:]) & (samples.line[:-1] == samples.line[1:])
    count = len(samples.step_m)
    return np.bincount(samples.line[:-1][step], minlength=count) * samples.step_m
