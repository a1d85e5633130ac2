"""Marks that lie where no mark of their stop can: a sign, a side, another stop's name.

Told before anything is solved, because a null twenty metres off makes a depth of its own, and then
readings and counters are blamed that were right. What is named here is kept in the record where it
was put, and used for nothing.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from lateralline.diagnose.belonging import Belonging, belonging
from lateralline.diagnose.clusters import Stop, fits_chain, nearest_m, stops_of
from lateralline.diagnose.mirrors import Mirrors, mended, mirrors
from lateralline.place import Placed
from lateralline.records import Effect, FieldRecord, Finding, Floats, Ints
from lateralline.wording import metres

#: What follows for a stop when some of its marks are not used.
_FOLLOWS = (
    "stop-unsolved",
    "heading-unobserved",
    "stop-ambiguous",
    "stop-weak",
    "heading-poor",
    "mark-beside",
)
#: Marks named one by one in a finding of several; of more, the first.
_MOST_NAMED = 8


def marks_astray(record: FieldRecord, placed: Placed) -> Iterator[tuple[Finding, Ints]]:
    """Yield an error for marks that cannot belong where they lie, with the marks to be left out."""
    stops = stops_of(record, placed.marks)
    if stops and not placed.misshapen:
        xy = placed.marks.xyz_m[:, :2]
        site = _Site(record, placed, stops, xy, mirrors(record, placed.frame, xy))
        yield from _findings(site, belonging(stops, xy, site.mirror))


@dataclass(frozen=True, slots=True)
class _Site:
    record: FieldRecord
    placed: Placed
    stops: Sequence[Stop]
    xy_m: Floats
    mirror: Mirrors

    def names(self, which: Ints) -> str:
        names = [str(self.placed.marks.mark[i]) for i in which[:_MOST_NAMED]]
        return ", ".join(names) + (", …" if len(which) > _MOST_NAMED else "")

    def where(self, i: int) -> str:
        return f"{self.placed.marks.file}:{self.placed.marks.row[i]}"

    def finding(
        self, code: str, subject: str, what: str, how: str, to_do: str, which: Ints
    ) -> tuple[Finding, Ints]:
        """An error about marks, which explains what their stops lose by it."""
        marks = self.placed.marks
        of = dict.fromkeys(f"stop {marks.run[i]}/{marks.stop[i]}" for i in which)
        return Finding(
            "error",
            "place",
            code,
            subject,
            what,
            how,
            to_do,
            self.where(int(which[0])),
            about=tuple(of),
            explains=(Effect.of(_FOLLOWS, of),),
        ), which


def _findings(site: _Site, found: Belonging) -> Iterator[tuple[Finding, Ints]]:
    """Yield each finding with the marks it doubts."""
    told = np.zeros(len(site.xy_m), dtype=np.bool_)
    for base, ties in sorted(found.bases):
        of_base = found.mirrored & (site.mirror.base == base) & (site.mirror.ties == ties)
        told |= of_base
        yield _of_base(site, base, ties=ties, which=np.flatnonzero(of_base))
    for stop in site.stops:
        mine = stop.marks[found.mirrored[stop.marks] & ~told[stop.marks]]
        if len(mine) == len(stop.marks) and len(mine):
            yield _of_stop(site, stop, found)
        else:
            for i in mine.tolist():
                yield _of_mark(site, stop, i, found)
    for i, groups in found.torn.items():
        yield from _torn(site, i, groups, found)


def _of_base(site: _Site, base: str, *, ties: bool, which: Ints) -> tuple[Finding, Ints]:
    one = int(which[0])
    how = "tied from" if ties else "offset from"
    slip = "side" if ties else "the sign of offset"
    return site.finding(
        "mark-mirrored",
        f"{len(which)} marks",
        f"every mark {how} {base} lies on the wrong side of it for its stop or its counter: "
        f"mirrored there, all would lie where they belong. Is {slip} told looking the other way?",
        f"{site.names(which)}; {site.placed.marks.mark[one]} lies {_away(site, one)} from its "
        "mirrored place",
        f"look from the first point named to the second: {site.placed.marks.mark[one]} would read "
        f"{mended(site.record, site.mirror, one)}, and so the others; none of them is used "
        "until then",
        which,
    )


def _of_stop(site: _Site, stop: Stop, found: Belonging) -> tuple[Finding, Ints]:
    bases = " and ".join(dict.fromkeys(site.mirror.base[stop.marks].tolist()))
    one = int(stop.marks[0])
    return site.finding(
        "mark-mirrored",
        stop.subject,
        "all its marks lie further from the stops beside it than its counter allows; mirrored at "
        f"{bases} they would lie among them: sign or side?",
        f"{site.names(stop.marks)}; {site.placed.marks.mark[one]} lies {_away(site, one)} from its "
        "mirrored place",
        f"look at the sketch: {site.placed.marks.mark[one]} would read "
        f"{mended(site.record, site.mirror, one)}, and so the others; none of them is used "
        "until then",
        stop.marks,
    )


def _of_mark(site: _Site, stop: Stop, i: int, found: Belonging) -> tuple[Finding, Ints]:
    others = stop.marks[stop.marks != i]
    place = np.where(found.mirrored[others][:, None], site.mirror.xy_m[others], site.xy_m[others])
    off = float(np.linalg.norm(place - site.xy_m[i], axis=1).min())
    there = float(np.linalg.norm(place - site.mirror.xy_m[i], axis=1).min())
    mark = site.placed.marks.mark[i]
    return site.finding(
        "mark-mirrored",
        f"mark {mark}",
        f"lies several depths from every other mark of {stop.subject}; mirrored at "
        f"{site.mirror.base[i]} it would lie among them: sign or side?",
        f"{metres(off)} from the nearest as booked, {metres(there)} mirrored",
        f"look at the sketch: it would read {mended(site.record, site.mirror, i)}; it is not used "
        "until then",
        np.array([i]),
    )


def _away(site: _Site, i: int) -> str:
    return metres(float(np.linalg.norm(site.mirror.xy_m[i] - site.xy_m[i])))


def _torn(
    site: _Site, at: int, groups: Sequence[Ints], found: Belonging
) -> Iterator[tuple[Finding, Ints]]:
    """Yield what is said of a stop whose marks lie apart, whatever is mirrored."""
    stop = site.stops[at]
    if len(groups[0]) > 1 and all(len(g) == 1 for g in groups[1:]):
        for group in groups[1:]:
            yield _astray(site, at, int(group[0]), groups[0], found)
        return
    middle = [site.xy_m[g].mean(axis=0) for g in groups]
    gap = float(np.linalg.norm(middle[0] - middle[1]))
    may = [g for g, m in zip(groups, middle, strict=True) if _in_chain(site, at, m, found)]
    kept = may[0] if len(may) == 1 else np.zeros(0, dtype=np.int64)
    lost = np.setdiff1d(stop.marks, kept)
    yield site.finding(
        "stop-id-twice",
        stop.subject,
        "its marks lie in places too far apart for one stop: is its id used for two stops?",
        f"{' apart from '.join(site.names(g) for g in groups)}: {metres(gap)} apart",
        "give the marks of the second place a stop of their own, with its counter in the table of "
        + (
            f"stops; {site.names(kept)} lie where its counter belongs and are used until then"
            if len(kept)
            else "stops; none of them is used until then"
        ),
        lost,
    )


def _in_chain(site: _Site, at: int, place_m: Floats, found: Belonging) -> bool:
    """Whether a place is within reach of every stop of the run's chain, by the counters."""
    return fits_chain(site.stops, found.middle_m, found.known, at, place_m)


def _astray(site: _Site, at: int, i: int, others: Ints, found: Belonging) -> tuple[Finding, Ints]:
    stop = site.stops[at]
    off = float(np.linalg.norm(site.xy_m[others] - site.xy_m[i], axis=1).min())
    middle = np.array([site.xy_m[s.marks].mean(axis=0) for s in site.stops])
    away = np.linalg.norm(middle - site.xy_m[i], axis=1)
    away[at] = np.inf
    other = int(np.argmin(away))
    belongs = (
        f"; it lies beside the marks of {site.stops[other].subject}"
        if away[other] < site.stops[other].apart_m
        else ""
    )
    return site.finding(
        "mark-astray",
        f"mark {site.placed.marks.mark[i]}",
        f"lies several depths from every other mark of {stop.subject}{belongs}",
        f"{metres(off)} from the nearest; its stop's own lie within "
        f"{metres(float(nearest_m(site.xy_m[others]).max()))} of one another",
        "check its stop, its kind and the digits of its place; it is not used until then",
        np.array([i]),
    )
