"""Which marks would belong to their stop, and to its place on the run, were they mirrored.

The fewest mirrored marks that bring a stop's marks together are the likeliest; where one whole
baseline mirrored brings several stops together, that is one mistake and not several. Where two
choices are as few, the neighbouring stops choose.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from lateralline.diagnose.clusters import ClusteredStop, chain, clusters, fits_chain
from lateralline.diagnose.mirrors import Mirrors
from lateralline.records import Flags, Floats, Ints

#: Sets of marks of one stop that are tried mirrored: more are no slip of a pen.
_MOST_MIRRORED = 3


@dataclass(frozen=True, slots=True)
class Belonging:
    """What is wrong with where marks lie."""

    mirrored: Flags  # (n,) marks that belong where the mirror puts them
    bases: frozenset[tuple[str, bool]]  # baselines whose every mark is mirrored; True = by ties
    torn: Mapping[int, list[Ints]]  # stop → its marks in groups that no mirror brings together
    known: frozenset[int]  # stops that lie in the chain of their run
    middle_m: Floats  # (s, 2) of each stop's marks, NaN where they have no one place


def belonging(stops: Sequence[ClusteredStop], xy_m: Floats, mirror: Mirrors) -> Belonging:
    """Return which of marks at `xy_m` (n, 2) belong elsewhere than they were put."""
    turned = np.zeros(len(xy_m), dtype=np.bool_)
    bases = _whole_bases(stops, xy_m, mirror)
    for base, ties in bases:
        turned |= (mirror.base == base) & (mirror.ties == ties)
    torn: dict[int, list[Ints]] = {}
    open_: dict[int, list[Ints]] = {}  # stop → sets of marks, each of which would do
    for i, stop in enumerate(stops):
        if _together(stop, _put(xy_m, mirror, turned)):
            continue
        if ways := _ways(stop, xy_m, mirror, turned):
            open_[i] = ways
        else:
            groups = clusters(_put(xy_m, mirror, turned)[stop.marks], stop.apart_m)
            torn[i] = [stop.marks[g] for g in groups]
    for ways in open_.values():
        if len(ways) == 1:
            turned[ways[0]] ^= True
    undecided = {i: ways for i, ways in open_.items() if len(ways) > 1}
    for i, ways in undecided.items():
        middle = _middles(stops, _put(xy_m, mirror, turned), {*torn, *undecided})
        if (best := _by_neighbours(stops, i, ways, xy_m, mirror, turned, middle)) is not None:
            turned[best] ^= True
        else:
            groups = clusters(_put(xy_m, mirror, turned)[stops[i].marks], stops[i].apart_m)
            torn[i] = [stops[i].marks[g] for g in groups]
    _whole_stops(stops, xy_m, mirror, turned, torn)
    middle = _middles(stops, _put(xy_m, mirror, turned), torn)
    bases += _turned_bases(stops, mirror, turned)
    return Belonging(turned, frozenset(bases), torn, frozenset(chain(stops, middle)), middle)


def _put(xy_m: Floats, mirror: Mirrors, turned: Flags) -> Floats:
    return np.where(turned[:, None], mirror.xy_m, xy_m)


def _together(stop: ClusteredStop, xy_m: Floats) -> bool:
    return len(clusters(xy_m[stop.marks], stop.apart_m)) == 1


def _whole_bases(
    stops: Sequence[ClusteredStop], xy_m: Floats, mirror: Mirrors
) -> list[tuple[str, bool]]:
    """Return baselines that, mirrored as a whole, bring together two stops or more, and tear none.

    With fewer there is nothing that says more of the baseline than of the mark.
    """
    out = []
    pairs = zip(mirror.base.tolist(), mirror.ties.tolist(), mirror.there.tolist(), strict=True)
    for base, ties in dict.fromkeys((b, t) for b, t, there in pairs if there):
        turned = (mirror.base == base) & (mirror.ties == ties)
        touched = [s for s in stops if turned[s.marks].any()]
        before = sum(not _together(s, xy_m) for s in touched)
        after = sum(not _together(s, _put(xy_m, mirror, turned)) for s in touched)
        if before >= 2 and after == 0:
            out.append((base, ties))
    return out[:1]  # two at once would undo each other's evidence


def _turned_bases(
    stops: Sequence[ClusteredStop], mirror: Mirrors, turned: Flags
) -> Iterator[tuple[str, bool]]:
    """Yield baselines of which every mark at two stops or more was found to be mirrored."""
    shown = np.concatenate([s.marks for s in stops])
    bases = zip(mirror.base[turned].tolist(), mirror.ties[turned].tolist(), strict=True)
    for base, ties in dict.fromkeys(bases):
        of_base = (mirror.base == base) & (mirror.ties == ties)
        several = sum(bool(of_base[s.marks].any()) for s in stops) > 1
        if several and turned[shown[of_base[shown]]].all():
            yield base, ties


def _ways(stop: ClusteredStop, xy_m: Floats, mirror: Mirrors, turned: Flags) -> list[Ints]:
    """Return the smallest sets of a stop's marks that, mirrored, bring them together."""
    may = stop.marks[mirror.there[stop.marks]]
    for n in range(1, min(_MOST_MIRRORED, len(may)) + 1):
        found = []
        for some in combinations(may.tolist(), n):
            now = turned.copy()
            now[list(some)] ^= True
            if _together(stop, _put(xy_m, mirror, now)):
                found.append(np.array(some))
        if found:
            return found
    return []


def _middles(
    stops: Sequence[ClusteredStop], xy_m: Floats, without: Mapping[int, object] | set[int]
) -> Floats:
    middle = np.array([xy_m[s.marks].mean(axis=0) for s in stops]).reshape(-1, 2)
    middle[list(without)] = np.nan
    return middle


def _by_neighbours(
    stops: Sequence[ClusteredStop],
    i: int,
    ways: Sequence[Ints],
    xy_m: Floats,
    mirror: Mirrors,
    turned: Flags,
    middle_m: Floats,
) -> Ints | None:
    """Return the set of marks that, mirrored, leaves a stop clearly nearest to its neighbours."""
    beside = np.array(list(_neighbours(stops, i, middle_m)), dtype=np.int64)
    if not beside.size:
        return None
    far = []
    for some in ways:
        now = turned.copy()
        now[some] ^= True
        place = _put(xy_m, mirror, now)[stops[i].marks].mean(axis=0)
        far.append(float(np.linalg.norm(middle_m[beside] - place, axis=1).sum()))
    order = np.argsort(far)
    clear = far[order[1]] - far[order[0]] > stops[i].apart_m
    return ways[int(order[0])] if clear else None


def _neighbours(stops: Sequence[ClusteredStop], i: int, middle_m: Floats) -> Iterator[int]:
    """Yield the stops next to one by the counter of its run, before and after."""
    known = [
        j
        for j, s in enumerate(stops)
        if j != i and s.run == stops[i].run and np.isfinite(middle_m[j]).all()
    ]
    for side in (-1.0, 1.0):
        on = [j for j in known if side * (stops[j].counter_m - stops[i].counter_m) > 0.0]
        if on:
            yield min(on, key=lambda j: abs(stops[j].counter_m - stops[i].counter_m))


def _whole_stops(
    stops: Sequence[ClusteredStop],
    xy_m: Floats,
    mirror: Mirrors,
    turned: Flags,
    torn: Mapping[int, object],
) -> None:
    """Mirror, in `turned`, all marks of stops that by their counters belong over there."""
    middle = _middles(stops, _put(xy_m, mirror, turned), torn)
    known = chain(stops, middle)
    for i, stop in enumerate(stops):
        loose = i not in known and i not in torn and any(stops[j].run == stop.run for j in known)
        if not loose or not np.isfinite(stop.counter_m) or not mirror.there[stop.marks].all():
            continue
        now = turned.copy()
        now[stop.marks] ^= True
        there = _put(xy_m, mirror, now)[stop.marks]
        place = there.mean(axis=0)
        if _together(stop, _put(xy_m, mirror, now)) and fits_chain(stops, middle, known, i, place):
            turned[stop.marks] ^= True
