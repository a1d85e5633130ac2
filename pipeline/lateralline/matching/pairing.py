"""Which lines of a record and of a register are one pipe, and how far apart they lie in σ."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely
from scipy.special import ndtri

from lateralline.matching.located import LocatedLines
from lateralline.matching.sampled import Beside, Samples, beside, nearest, sampled, uncovered_m
from lateralline.record.layers import Shapes
from lateralline.records import Flags, Floats, Ints

#: Chance that two records of one pipe are called moved, all places of the pair together.
FALSE_ALARM: Final = 0.01
#: Lines run alongside where half of the shorter is abreast of the other, and seven tenths as much
#: is passed along there: common practice, no source.
_SHARE: Final = 0.5
_ADVANCE: Final = 0.7
#: Of lines that share an id, how far off the other is still looked for: common practice, no source.
BY_ID_M: Final = 50.0


@dataclass(frozen=True, slots=True, eq=False)
class Uncertain:
    """Lines (n) in metres of a plane, and σ on each axis at their sampled points (k)."""

    path_m: Shapes
    places: Ints  # independently measured places of each line
    samples: Samples
    sigma_m: Floats  # (k,) NaN unknown

    @classmethod
    def of(cls, path_m: Shapes, places: Ints, sigma_m: Floats) -> Uncertain:
        """Return lines whose σ (n,) is one along each."""
        samples = sampled(path_m)
        return cls(path_m, places, samples, sigma_m[samples.line])


def uncertain(lines: LocatedLines) -> Uncertain:
    """Return a record's lines with σ of their segments at their sampled points."""
    samples = sampled(lines.path_m)
    own = lines.sigmas.at(samples.line, samples.share)
    return Uncertain(lines.path_m, lines.places, samples, own)


@dataclass(frozen=True, slots=True, eq=False)
class Pairing:
    """Pairs (p) of a line of the record and one of the register that are one pipe."""

    ours: Ints
    theirs: Ints
    by_id: Flags  # an id that both share made the pair, though other lines are nearer
    off_m: Floats  # between both, where that is most in σ; NaN when nothing bounds the position
    sigma_m: Floats  # there, of the record on each axis
    register_sigma_m: Floats
    limit_sigmas: Floats  # what is exceeded once in a hundred pairs of one pipe
    share: Floats  # 0 to 1 along the record's line, there
    alongside_m: Floats  # length of the record's line abreast of the register's
    rivals: tuple[Ints, Ints]  # lines alongside that another is nearer than, no farther than chance
    ours_only_m: Floats  # (n,) of each line of the record abreast of none of the register
    theirs_only_m: Floats  # (m,) the other way round

    @property
    def sigmas(self) -> Floats:
        """How far apart, in σ of both together."""
        return self.off_m / np.hypot(self.sigma_m, self.register_sigma_m)

    @property
    def moved(self) -> Flags:
        """Whether chance does not explain it."""
        return self.sigmas > self.limit_sigmas


def limit_sigmas(places: Ints | Floats) -> Floats:
    """Return the limit in σ that the largest of so many offsets exceeds by chance, 1 in 100.

    Each place may err by itself, so the 1 % is shared among them (Bonferroni; the offset across a
    line is normal, two-sided).

    >>> limit_sigmas(np.array([1, 4, 20])).round(2).tolist()
    [2.58, 3.02, 3.48]
    """
    return np.asarray(-ndtri(FALSE_ALARM / 2.0 / np.maximum(places, 1)))


def pairs_of(
    ours: Uncertain, theirs: Uncertain, same_id: tuple[Ints, Ints], within_m: float
) -> Pairing:
    """Return which lines of a record (n) and a register (m) run alongside, none farther than asked.

    `same_id` are rows of both that share an id. One line may pair with several of the other, one
    behind the other; of several side by side the nearest is taken.
    """
    first, other, within = _candidates(ours.path_m, theirs.path_m, same_id, within_m)
    there = beside(ours.samples, first, other, theirs.path_m, within)
    back = beside(theirs.samples, other, first, ours.path_m, within)
    shorter = np.minimum(shapely.length(ours.path_m)[first], shapely.length(theirs.path_m)[other])
    edge = np.ones(len(first), dtype=bool)
    for seen in (there, back):
        edge &= (seen.length_m >= _SHARE * shorter) & (seen.advance >= _ADVANCE)
    known = np.isin(_key(first, other), _key(*same_id))
    near = within <= within_m
    kept = edge & near
    for seen in (there, back):
        kept &= seen.share_of(nearest(seen, edge & near)) >= _SHARE
    alone = known & ~np.isin(first, first[kept])
    kept = kept | (edge & (known & near | alone))

    worst = _worst(there, back, ours, theirs, first, other, kept)
    limit = limit_sigmas(ours.places[first] + theirs.places[other])
    like = worst.off_m <= limit * np.hypot(worst.sigma_m, worst.register_sigma_m)
    rival = edge & near & ~kept & like & np.isin(first, first[kept & like])
    return Pairing(
        ours=first[kept],
        theirs=other[kept],
        by_id=alone[kept],
        off_m=worst.off_m[kept],
        sigma_m=worst.sigma_m[kept],
        register_sigma_m=worst.register_sigma_m[kept],
        limit_sigmas=limit[kept],
        share=worst.share[kept],
        alongside_m=there.length_m[kept],
        rivals=(first[rival], other[rival]),
        ours_only_m=uncovered_m(ours.samples, there, kept),
        theirs_only_m=uncovered_m(theirs.samples, back, kept),
    )


def _candidates(
    ours: Shapes, theirs: Shapes, same_id: tuple[Ints, Ints], within_m: float
) -> tuple[Ints, Ints, Floats]:
    """Return rows of both that come near one another or share an id, and how far each looks."""
    first, other = shapely.STRtree(theirs).query(ours, predicate="dwithin", distance=within_m)
    far = ~np.isin(_key(*same_id), _key(first, other))
    first, other = (
        np.concatenate([a, b[far]]) for a, b in zip((first, other), same_id, strict=True)
    )
    within = np.full(len(first), within_m)
    within[len(first) - int(far.sum()) :] = max(BY_ID_M, within_m)
    return first, other, within


def _key(first: Ints, other: Ints) -> Ints:
    return np.asarray(first, dtype=np.int64) << 32 | np.asarray(other, dtype=np.int64)


@dataclass(frozen=True, slots=True, eq=False)
class _Worst:
    """Of each pair (p) the place where both are farthest apart in σ; NaN where σ is unknown."""

    off_m: Floats
    sigma_m: Floats
    register_sigma_m: Floats
    share: Floats  # along the record's line


def _worst(
    there: Beside,
    back: Beside,
    ours: Uncertain,
    theirs: Uncertain,
    first: Ints,
    other: Ints,
    kept: Flags,
) -> _Worst:
    """Return the worst places, looked for from the points of both lines.

    Points nearer to another line of the register that the same line runs along are left to it.
    """
    rows: list[Ints] = []
    figures: list[Floats] = []  # (4, …) offset, σ of both, share along ours
    for seen, mine, samples in ((there, True, ours.samples), (back, False, theirs.samples)):
        use = seen.abreast & (nearest(seen, kept) | ~kept[seen.pair])
        pair, own = seen.pair[use], samples.share[seen.sample[use]]
        share, other_share = (own, seen.other_share[use]) if mine else (seen.other_share[use], own)
        sigma = _sigma_at(ours, first[pair], share)
        rows.append(pair)
        figures.append(
            np.stack([seen.off_m[use], sigma, _sigma_at(theirs, other[pair], other_share), share])
        )
    of, all_figures = np.concatenate(rows), np.concatenate(figures, axis=1)
    in_sigma = all_figures[0] / np.hypot(all_figures[1], all_figures[2])
    bounded = np.flatnonzero(np.isfinite(in_sigma))
    order = bounded[np.lexsort((in_sigma[bounded], of[bounded]))]
    last = order[np.flatnonzero(np.diff(of[order], append=-1))]  # the largest of each pair
    found = np.full((4, len(first)), np.nan)
    found[:, of[last]] = all_figures[:, last]
    return _Worst(*found)


def _sigma_at(lines: Uncertain, line: Ints, share: Floats) -> Floats:
    """Return σ (k,) at shares along lines, of the nearest sampled point."""
    counts = lines.samples.counts[line]
    return lines.sigma_m[lines.samples.first[line] + np.rint(share * (counts - 1)).astype(np.int64)]
