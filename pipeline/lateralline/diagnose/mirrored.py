"""Where marks lie with their sign or side taken for the other, and which of them belong there.

An offset read on the wrong side of its baseline, and two ties that meet on the wrong side of
theirs, put a mark where the line through the two points mirrors it. A baseline booked from its
other end, with the right signs, puts all its marks half a turn about its middle away.

The fewest mirrored marks that bring a stop's marks together are the likeliest; where one whole
baseline mirrored brings several stops together, that is one mistake and not several. Where two
choices are as few, the neighbouring stops choose.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from lateralline.diagnose.clusters import ClusteredStop, chain, clusters, fits_chain
from lateralline.frames import Frame
from lateralline.records import FieldRecord, Flags, Floats, Ints, Texts
from lateralline.units import METRES_PER

#: Sets of marks of one stop that are tried mirrored: more are no slip of a pen.
_MOST_MIRRORED = 3


@dataclass(frozen=True, slots=True)
class Mirrors:
    """The other place of n marks; NaN where a mark has none."""

    given_m: Floats  # (n, 2) where they were put
    xy_m: Floats  # (n, 2) where the mirror puts them
    base: Texts  # (n,) the two points, "A–B"
    ties: Flags  # (n,) placed by two ties, else by an offset
    turned_m: Floats  # (n, 2) where an offset lies with the two points of its baseline exchanged

    @property
    def there(self) -> Flags:
        """True (n,) where a mark has another place."""
        return np.asarray(np.isfinite(self.xy_m).all(axis=1))

    def of(self, base: str, ties: bool) -> Flags:
        """True (n,) where a mark was placed from that baseline, by two ties or by an offset."""
        return np.asarray((self.base == base) & (self.ties == ties))

    def put(self, turned: Flags, also: Collection[int] = ()) -> Floats:
        """Return places (n, 2), mirrored where `turned` (n,); the marks `also` the other way."""
        now = turned.copy()
        now[list(also)] ^= True
        return np.where(now[:, None], self.xy_m, self.given_m)


def mirrors(record: FieldRecord, frame: Frame, xy_m: Floats) -> Mirrors:
    """Return the mirrored places of marks that lie at `xy_m` (n, 2)."""
    spots, control = record.marks.spots, record.control
    index = {str(name): i for i, name in enumerate(control.point)}
    places = frame.to_local(control.x, control.y, control.z_m)[:, :2]
    n = len(spots.name)
    ends = np.full((n, 2), -1)
    for i, method in enumerate(spots.method.tolist()):
        names = (
            (str(spots.base_from[i]), str(spots.base_to[i]))
            if method == "offset"
            else tuple(name for name, _ in spots.ties[i])
        )
        if method in ("offset", "ties") and len(names) == 2 and set(names) <= index.keys():
            ends[i] = [index[name] for name in names]
    out, turned = np.full((n, 2), np.nan), np.full((n, 2), np.nan)
    at = np.flatnonzero((ends >= 0).all(axis=1))
    if at.size:
        first, last = places[ends[at, 0]], places[ends[at, 1]]
        along = last - first
        with np.errstate(divide="ignore", invalid="ignore"):
            along = along / np.linalg.norm(along, axis=1, keepdims=True)
        away = xy_m[at] - first
        beside = away - np.einsum("ni,ni->n", away, along)[:, None] * along
        out[at] = xy_m[at] - 2.0 * beside
        turned[at] = first + last - xy_m[at]
    base = [f"{control.point[a]}–{control.point[b]}" if a >= 0 else "" for a, b in ends.tolist()]
    ties = spots.method == "ties"
    turned[ties] = np.nan
    return Mirrors(xy_m, out, np.array(base, dtype=np.str_), ties, turned)


def mended(record: FieldRecord, mirrored: Mirrors, i: int) -> str:
    """Return what the cell of mark `i` would read: 'base_offset = -3.10', 'side = left'."""
    spots = record.marks.spots
    if mirrored.ties[i]:
        return f"side = {'right' if spots.side[i] == 'left' else 'left'}"
    per = METRES_PER[record.settings.units.get("tape", "m")]
    return f"base_offset = {-float(spots.offset_m[i]) / per:.2f}"


# ---- which marks belong there ---------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Belonging:
    """What is wrong with where marks lie."""

    mirrored: Flags  # (n,) marks that belong where the mirror puts them
    bases: frozenset[tuple[str, bool]]  # baselines whose every mark is mirrored; True = by ties
    exchanged: frozenset[str]  # baselines whose two points are exchanged at every mark
    torn: Mapping[int, list[Ints]]  # stop → its marks in groups that no mirror brings together
    known: frozenset[int]  # stops that lie in the chain of their run
    middle_m: Floats  # (s, 2) of each stop's marks, NaN where they have no one place


def belonging(stops: Sequence[ClusteredStop], mirror: Mirrors) -> Belonging:
    """Return which marks belong elsewhere than they were put."""
    turned = np.zeros(len(mirror.base), dtype=np.bool_)
    bases = _whole_bases(stops, mirror, turned)
    for base, ties in bases:
        turned |= mirror.of(base, ties)
    sets = {  # by stop whose marks lie apart: sets of marks, each of which would do if mirrored
        i: _ways(stop, mirror, turned)
        for i, stop in enumerate(stops)
        if not _together(stop, mirror.put(turned))
    }
    torn = {i: _groups(stops[i], mirror.put(turned)) for i, ways in sets.items() if not ways}
    for ways in sets.values():
        if len(ways) == 1:
            turned[ways[0]] ^= True
    undecided = {i: ways for i, ways in sets.items() if len(ways) > 1}
    for i, ways in undecided.items():
        middle = _middles(stops, mirror.put(turned), {*torn, *undecided})
        if (best := _by_neighbours(stops, i, ways, mirror, turned, middle)) is not None:
            turned[best] ^= True
        else:
            torn[i] = _groups(stops[i], mirror.put(turned))
    exchanged: list[str] = []
    if not bases:
        bases, exchanged = _chained_bases(stops, mirror, turned, torn)
        for base, ties in bases:
            turned |= mirror.of(base, ties)
    if exchanged:  # what mirrors do to single stops is judged among the places as put
        away = np.isin(mirror.base, exchanged) & ~mirror.ties
        torn = {i: [s.marks] for i, s in enumerate(stops) if away[s.marks].any()} | torn
    _whole_stops(stops, mirror, turned, torn)
    middle = _middles(stops, mirror.put(turned), torn)
    torn = {i: groups for i, groups in torn.items() if len(groups) > 1}
    bases = [*bases, *_turned_bases(stops, mirror, turned)]
    known = frozenset(chain(stops, middle))
    return Belonging(turned, frozenset(bases), frozenset(exchanged), torn, known, middle)


def _groups(stop: ClusteredStop, xy_m: Floats) -> list[Ints]:
    """Return a stop's marks in clusters, largest first."""
    return [stop.marks[group] for group in clusters(xy_m[stop.marks], stop.apart_m)]


def _together(stop: ClusteredStop, xy_m: Floats) -> bool:
    return len(_groups(stop, xy_m)) == 1


def _whole_bases(
    stops: Sequence[ClusteredStop], mirror: Mirrors, nothing: Flags
) -> list[tuple[str, bool]]:
    """Return baselines that, mirrored as a whole, bring together two stops or more, and tear none.

    With fewer there is nothing that tells more of the baseline than of the mark.
    """
    out = []
    pairs = zip(mirror.base.tolist(), mirror.ties.tolist(), mirror.there.tolist(), strict=True)
    for base, ties in dict.fromkeys((b, t) for b, t, there in pairs if there):
        turned = mirror.of(base, ties)
        touched = [s for s in stops if turned[s.marks].any()]
        before = sum(not _together(s, mirror.put(nothing)) for s in touched)
        after = sum(not _together(s, mirror.put(turned)) for s in touched)
        if before >= 2 and after == 0:
            out.append((base, ties))
    return out[:1]  # two at once would undo each other's evidence


def _chained_bases(
    stops: Sequence[ClusteredStop], mirror: Mirrors, turned: Flags, torn: Collection[int]
) -> tuple[list[tuple[str, bool]], list[str]]:
    """Return the one baseline that puts every stop within its counters: mirrored, or exchanged.

    As a whole either way. With the half of all stops on the wrong side no chain tells which half
    that is.
    """
    counted = {i for i, s in enumerate(stops) if i not in torn and np.isfinite(s.counter_m)}
    middle = _middles(stops, mirror.put(turned), torn)
    if len(counted - chain(stops, middle)) < 2:
        return [], []
    mirrored, exchanged = [], []
    pairs = zip(mirror.base.tolist(), mirror.ties.tolist(), mirror.there.tolist(), strict=True)
    for base, ties in dict.fromkeys((b, t) for b, t, there in pairs if there):
        of = mirror.of(base, ties)
        middle = _middles(stops, mirror.put(turned | of), torn)
        if chain(stops, middle) >= counted:
            mirrored.append((base, ties))
        place = np.where(of[:, None], mirror.turned_m, mirror.put(turned))
        if not ties and chain(stops, _middles(stops, place, torn)) >= counted:
            exchanged.append(base)
    sure = len(mirrored) + len(exchanged) == 1
    return (mirrored, exchanged) if sure else ([], [])


def _turned_bases(
    stops: Sequence[ClusteredStop], mirror: Mirrors, turned: Flags
) -> Iterator[tuple[str, bool]]:
    """Yield baselines of which every mark at two stops or more was found to be mirrored."""
    shown = np.concatenate([s.marks for s in stops])
    bases = zip(mirror.base[turned].tolist(), mirror.ties[turned].tolist(), strict=True)
    for base, ties in dict.fromkeys(bases):
        of_base = mirror.of(base, ties)
        several = sum(bool(of_base[s.marks].any()) for s in stops) > 1
        if several and turned[shown[of_base[shown]]].all():
            yield base, ties


def _ways(stop: ClusteredStop, mirror: Mirrors, turned: Flags) -> list[Ints]:
    """Return the smallest sets of a stop's marks that, mirrored, bring them together."""
    may = stop.marks[mirror.there[stop.marks]].tolist()
    for n in range(1, min(_MOST_MIRRORED, len(may)) + 1):
        sets = combinations(may, n)
        if found := [np.array(s) for s in sets if _together(stop, mirror.put(turned, s))]:
            return found
    return []


def _middles(stops: Sequence[ClusteredStop], xy_m: Floats, without: Collection[int]) -> Floats:
    middle = np.array([xy_m[s.marks].mean(axis=0) for s in stops]).reshape(-1, 2)
    middle[list(without)] = np.nan
    return middle


def _by_neighbours(
    stops: Sequence[ClusteredStop],
    i: int,
    ways: Sequence[Ints],
    mirror: Mirrors,
    turned: Flags,
    middle_m: Floats,
) -> Ints | None:
    """Return the set of marks that, mirrored, leaves a stop clearly nearest to its neighbours.

    Those are the stops next to it by the counter of its run, before and after.
    """
    known = [
        (s.counter_m - stops[i].counter_m, j)
        for j, s in enumerate(stops)
        if j != i and s.run == stops[i].run and np.isfinite(middle_m[j]).all()
    ]
    sides = ([(gap, j) for gap, j in known if gap < 0.0], [(gap, j) for gap, j in known if gap > 0])
    beside = [min(side, key=lambda one: abs(one[0]))[1] for side in sides if side]
    if not beside:
        return None
    far = []
    for some in ways:
        place = mirror.put(turned, some)[stops[i].marks].mean(axis=0)
        far.append(float(np.linalg.norm(middle_m[beside] - place, axis=1).sum()))
    order = np.argsort(far)
    clear = far[order[1]] - far[order[0]] > stops[i].apart_m
    return ways[int(order[0])] if clear else None


def _whole_stops(
    stops: Sequence[ClusteredStop], mirror: Mirrors, turned: Flags, torn: Collection[int]
) -> None:
    """Mirror, in `turned`, all marks of stops that by their counters belong over there."""
    middle = _middles(stops, mirror.put(turned), torn)
    known = chain(stops, middle)
    for i, stop in enumerate(stops):
        loose = i not in known and i not in torn and any(stops[j].run == stop.run for j in known)
        if not loose or not np.isfinite(stop.counter_m) or not mirror.there[stop.marks].all():
            continue
        xy = mirror.put(turned, stop.marks)
        place = xy[stop.marks].mean(axis=0)
        if _together(stop, xy) and fits_chain(stops, middle, known, i, place):
            turned[stop.marks] ^= True
