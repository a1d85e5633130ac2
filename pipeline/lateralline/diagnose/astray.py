"""Marks that lie where no mark of their stop can: a sign, a side, another stop's name.

Reported before anything is solved, because a null twenty metres off makes a depth of its own, and
then readings and counters are blamed that were right. What is named here is kept in the record
where it was put, and used for nothing.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from lateralline.catalogue import Given
from lateralline.diagnose.clusters import ClusteredStop, fits_chain, nearest_m, stops_of
from lateralline.diagnose.mirrored import Belonging, Mirrors, belonging, mended
from lateralline.findings import Finding, finding
from lateralline.place import Placed
from lateralline.records import FieldRecord, Ints


def marks_astray(
    record: FieldRecord, placed: Placed, mirror: Mirrors
) -> Iterator[tuple[Finding, Ints]]:
    """Yield an error for marks that cannot belong where they lie, with the marks to be left out."""
    stops = stops_of(record, placed.marks)
    if not stops or placed.lengths_unreliable:
        return
    site = _MarkedSite(record, placed, stops, mirror, belonging(stops, mirror))
    turned = site.found.mirrored
    reported = np.zeros(len(turned), dtype=np.bool_)
    for base, ties in sorted(site.found.bases):
        of_base = turned & mirror.of(base, ties)
        reported |= of_base
        which = np.flatnonzero(of_base)
        variant = "baseline-ties" if ties else "baseline"
        yield site.mirrored(f"{len(which)} marks", which, variant, base)
    for base in sorted(site.found.exchanged):
        which = np.flatnonzero(mirror.of(base, ties=False))
        yield site.exchanged(which, base)
    for stop in stops:
        mine = stop.marks[turned[stop.marks] & ~reported[stop.marks]]
        if len(mine) == len(stop.marks) and len(mine):
            bases = dict.fromkeys(mirror.base[stop.marks].tolist())
            yield site.mirrored(stop.subject, stop.marks, "stop", " and ".join(bases))
        else:
            yield from (site.mirrored_mark(stop, i) for i in mine.tolist())
    for i, groups in site.found.torn.items():
        yield from site.torn(i, groups)


@dataclass(frozen=True, slots=True)
class _MarkedSite:
    """A site's marks as placed, by stop, and what of them belongs elsewhere."""

    record: FieldRecord
    placed: Placed
    stops: Sequence[ClusteredStop]
    mirror: Mirrors
    found: Belonging

    def names(self, which: Ints) -> list[str]:
        return [str(name) for name in self.placed.marks.mark[which]]

    def error(
        self, code: str, subject: str, which: Ints, variant: str = "", **values: Given
    ) -> tuple[Finding, Ints]:
        """An error about marks, which explains what their stops lose by it."""
        marks = self.placed.marks
        of = dict.fromkeys(f"stop {marks.run[i]}/{marks.stop[i]}" for i in which)
        where = f"{marks.file}:{marks.row[which[0]]}"
        error = finding(
            code, subject, variant=variant, where=where, about=of, explains=of, more=values
        )
        return error, which

    def mirrored(self, subject: str, which: Ints, variant: str, base: str) -> tuple[Finding, Ints]:
        """An error about several marks, one of which stands for what is done about all."""
        one = int(which[0])
        away_m = float(np.linalg.norm(self.mirror.xy_m[one] - self.mirror.given_m[one]))
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

    def exchanged(self, which: Ints, base: str) -> tuple[Finding, Ints]:
        """An error about all marks of a baseline whose two points are exchanged."""
        one = int(which[0])
        away_m = float(np.linalg.norm(self.mirror.turned_m[one] - self.mirror.given_m[one]))
        return self.error(
            "mark-mirrored",
            f"{len(which)} marks",
            which,
            "baseline-exchanged",
            base=base,
            marks=self.names(which),
            one=str(self.placed.marks.mark[one]),
            away_m=away_m,
        )

    def mirrored_mark(self, stop: ClusteredStop, i: int) -> tuple[Finding, Ints]:
        """An error about one mark of a stop."""
        place = self.mirror.put(self.found.mirrored)[stop.marks[stop.marks != i]]
        return self.error(
            "mark-mirrored",
            f"mark {self.placed.marks.mark[i]}",
            np.array([i]),
            "mark",
            stop=stop.subject,
            base=str(self.mirror.base[i]),
            off_m=np.linalg.norm(place - self.mirror.given_m[i], axis=1).min(),
            mirrored_off_m=np.linalg.norm(place - self.mirror.xy_m[i], axis=1).min(),
            reads=mended(self.record, self.mirror, i),
        )

    def torn(self, at: int, groups: Sequence[Ints]) -> Iterator[tuple[Finding, Ints]]:
        """Yield errors about a stop whose marks lie apart, whatever is mirrored."""
        stop, xy_m = self.stops[at], self.mirror.given_m
        if len(groups[0]) > 1 and all(len(g) == 1 for g in groups[1:]):
            for group in groups[1:]:
                yield self.astray(at, int(group[0]), groups[0])
            return
        middle = [xy_m[g].mean(axis=0) for g in groups]
        may = [  # within reach of every stop of the run's chain, by the counters
            g
            for g, m in zip(groups, middle, strict=True)
            if fits_chain(self.stops, self.found.middle_m, self.found.known, at, m)
        ]
        kept = may[0] if len(may) == 1 else np.zeros(0, dtype=np.int64)
        yield self.error(
            "stop-id-twice",
            stop.subject,
            np.setdiff1d(stop.marks, kept),
            "" if len(kept) else "none",
            groups=[", ".join(self.names(g)) for g in groups],
            kept=self.names(kept),
            gap_m=float(np.linalg.norm(middle[0] - middle[1])),
        )

    def astray(self, at: int, i: int, others: Ints) -> tuple[Finding, Ints]:
        """An error about a mark far from the others of its stop."""
        xy_m = self.mirror.given_m
        away = np.array([np.linalg.norm(xy_m[s.marks].mean(axis=0) - xy_m[i]) for s in self.stops])
        away[at] = np.inf
        other = self.stops[int(np.argmin(away))]
        return self.error(
            "mark-astray",
            f"mark {self.placed.marks.mark[i]}",
            np.array([i]),
            stop=self.stops[at].subject,
            beside=other.subject if away.min() < other.apart_m else "",
            off_m=np.linalg.norm(xy_m[others] - xy_m[i], axis=1).min(),
            others_within_m=nearest_m(xy_m[others]).max(),
        )
