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
from lateralline.diagnose.clusters import ClusteredStop, fits_chain, nearest_m, stops_of
from lateralline.diagnose.mirrors import Mirrors, mended, mirrors
from lateralline.findings import Finding, Given, finding
from lateralline.place import Placed
from lateralline.records import FieldRecord, Floats, Ints


def marks_astray(record: FieldRecord, placed: Placed) -> Iterator[tuple[Finding, Ints]]:
    """Yield an error for marks that cannot belong where they lie, with the marks to be left out."""
    stops = stops_of(record, placed.marks)
    if stops and not placed.misshapen:
        xy = placed.marks.xyz_m[:, :2]
        site = _PlacedSite(record, placed, stops, xy, mirrors(record, placed.frame, xy))
        yield from _findings(site, belonging(stops, xy, site.mirror))


@dataclass(frozen=True, slots=True)
class _PlacedSite:
    record: FieldRecord
    placed: Placed
    stops: Sequence[ClusteredStop]
    xy_m: Floats
    mirror: Mirrors

    def names(self, which: Ints) -> list[str]:
        return [str(name) for name in self.placed.marks.mark[which]]

    def where(self, i: int) -> str:
        return f"{self.placed.marks.file}:{self.placed.marks.row[i]}"

    def error(
        self, code: str, subject: str, which: Ints, variant: str = "", **values: Given
    ) -> tuple[Finding, Ints]:
        """An error about marks, which explains what their stops lose by it."""
        marks = self.placed.marks
        of = dict.fromkeys(f"stop {marks.run[i]}/{marks.stop[i]}" for i in which)
        where = self.where(int(which[0]))
        return finding(
            code,
            subject,
            variant=variant,
            where=where,
            about=of,
            explains=of,
            more=values,
        ), which

    def mirrored(self, subject: str, which: Ints, variant: str, base: str) -> tuple[Finding, Ints]:
        """An error about several marks, one of which stands for what is done about all."""
        one = int(which[0])
        away_m = float(np.linalg.norm(self.mirror.xy_m[one] - self.xy_m[one]))
        return self.error(
            "mark-mirrored",
            subject,
            which,
            variant,
            base=base,
            marks=self.names(which),
            one=str(self.placed.marks.mark[one]),
            away_m=away_m,
            reads=mended(self.record, self.mirror, one),
        )


def _findings(site: _PlacedSite, found: Belonging) -> Iterator[tuple[Finding, Ints]]:
    """Yield each finding with the marks it doubts."""
    told = np.zeros(len(site.xy_m), dtype=np.bool_)
    for base, ties in sorted(found.bases):
        of_base = found.mirrored & (site.mirror.base == base) & (site.mirror.ties == ties)
        told |= of_base
        which = np.flatnonzero(of_base)
        variant = "baseline-ties" if ties else "baseline"
        yield site.mirrored(f"{len(which)} marks", which, variant, base)
    for stop in site.stops:
        mine = stop.marks[found.mirrored[stop.marks] & ~told[stop.marks]]
        if len(mine) == len(stop.marks) and len(mine):
            bases = dict.fromkeys(site.mirror.base[stop.marks].tolist())
            yield site.mirrored(stop.subject, stop.marks, "stop", " and ".join(bases))
        else:
            for i in mine.tolist():
                yield _of_mark(site, stop, i, found)
    for i, groups in found.torn.items():
        yield from _torn(site, i, groups, found)


def _of_mark(
    site: _PlacedSite, stop: ClusteredStop, i: int, found: Belonging
) -> tuple[Finding, Ints]:
    others = stop.marks[stop.marks != i]
    place = np.where(found.mirrored[others][:, None], site.mirror.xy_m[others], site.xy_m[others])
    off = float(np.linalg.norm(place - site.xy_m[i], axis=1).min())
    there = float(np.linalg.norm(place - site.mirror.xy_m[i], axis=1).min())
    return site.error(
        "mark-mirrored",
        f"mark {site.placed.marks.mark[i]}",
        np.array([i]),
        "mark",
        stop=stop.subject,
        base=str(site.mirror.base[i]),
        off_m=off,
        mirrored_off_m=there,
        reads=mended(site.record, site.mirror, i),
    )


def _torn(
    site: _PlacedSite, at: int, groups: Sequence[Ints], found: Belonging
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
    yield site.error(
        "stop-id-twice",
        stop.subject,
        lost,
        "" if len(kept) else "none",
        groups=[", ".join(site.names(g)) for g in groups],
        kept=site.names(kept),
        gap_m=gap,
    )


def _in_chain(site: _PlacedSite, at: int, place_m: Floats, found: Belonging) -> bool:
    """Whether a place is within reach of every stop of the run's chain, by the counters."""
    return fits_chain(site.stops, found.middle_m, found.known, at, place_m)


def _astray(
    site: _PlacedSite, at: int, i: int, others: Ints, found: Belonging
) -> tuple[Finding, Ints]:
    stop = site.stops[at]
    off = float(np.linalg.norm(site.xy_m[others] - site.xy_m[i], axis=1).min())
    middle = np.array([site.xy_m[s.marks].mean(axis=0) for s in site.stops])
    away = np.linalg.norm(middle - site.xy_m[i], axis=1)
    away[at] = np.inf
    other = int(np.argmin(away))
    beside = site.stops[other].subject if away[other] < site.stops[other].apart_m else ""
    return site.error(
        "mark-astray",
        f"mark {site.placed.marks.mark[i]}",
        np.array([i]),
        stop=stop.subject,
        beside=beside,
        off_m=off,
        others_within_m=nearest_m(site.xy_m[others]).max(),
    )
