"""Tapes that miss at mark after mark: one point, or one tape, is wrong for all of them.

A slip at one mark shows at one mark. Where most marks with a tape to spare miss, at several stops
and by more than control is off, what they share is wrong: a point misread or taken for another, a
tape hooked off zero or read in another unit. Which of it, tapes alone do not tell; single marks,
stops and counters, blamed for what only follows, are not told beside.
"""

from __future__ import annotations

import numpy as np

from lateralline.findings import ANY, Finding, finding
from lateralline.place import Placed
from lateralline.records import FieldRecord, Linked, Solved, Spots

#: So many marks must miss, at so many stops, and so large a part of all that could show it.
_MARKS, _STOPS, _SHARE = 4, 2, 0.7
#: By so much in the middle, and by so many σ of the control point least known; and more than
#: rounding and tension of a tape make. Common practice, no source.
_LEAST_M, _TIMES = 0.05, 2.0


def tapes_alike(record: FieldRecord, placed: Placed) -> tuple[Finding, ...]:
    """Return the error of tapes that miss at most marks, if they do and lengths can be right."""
    misplaced = any(f.severity == "error" and _of_all_control(f) for f in placed.findings)
    if placed.lengths_unreliable or misplaced:
        return ()
    missing = {f.subject: _miss_m(f) for f in placed.findings if f.code == "tie-misfit"}
    if len(missing) < _MARKS:
        return ()
    marks, spots = placed.marks, record.marks.spots
    subject = np.array([f"mark {name}" for name in marks.mark], dtype=np.str_)
    tied = spots.method == "ties"
    misses = np.isin(subject, list(missing)) & tied
    could = (tied & (marks.misfit_dof > 0)) | misses
    stop = np.array(
        [f"stop {r}/{s}" for r, s in zip(marks.run, marks.stop, strict=True)], dtype=np.str_
    )
    if misses.sum() < max(_MARKS, _SHARE * could.sum()) or len(set(stop[misses])) < _STOPS:
        return ()
    middle_m = float(np.median([missing[s] for s in subject[misses].tolist()]))
    sigma_m = float(np.nan_to_num(record.control.sigma_h_m).max(initial=0.0))
    if middle_m < max(_LEAST_M, _TIMES * sigma_m):
        return ()
    ties = [{point for point, _ in of} for of in spots.ties]
    wrong = set.union(*(ties[i] for i in np.flatnonzero(misses)))
    hang = [not of.isdisjoint(wrong) for of in _bases(record.marks.spots)]
    return (
        finding(
            "tie-misfit/alike",
            "site",
            where=f"{spots.file}:{spots.row[np.flatnonzero(misses)[0]]}",
            about=[f"control point {p}" for p in record.control.point if p in wrong],
            explains=["site", *subject[misses].tolist(), *dict.fromkeys(stop[hang].tolist())],
            points=[p for p in record.control.point if p in wrong],
            missing=int(misses.sum()),
            tied=int(could.sum()),
            miss_m=middle_m,
        ),
    )


def lengths_of(record: FieldRecord, solved: Solved) -> tuple[Finding, ...]:
    """Return what was found in solving; where no unit makes lengths agree, control is named too.

    A point read wrong stretches every tape that hangs on it, as a wrong unit does all of them.
    """
    bases = [base for base in _bases(record.marks.spots) if base]
    names = [str(p) for p in record.control.point]
    points = [p for p in names if 2 * sum(p in base for base in bases) > len(bases)]
    return tuple(
        finding(
            f.name,
            f.subject,
            about=[f"control point {p}" for p in points],
            explains=[ANY],
            more={**f.values, "points": points},
        )
        if f.name == "unit-wrong/tape-unknown" and points
        else f
        for f in solved.findings
    )


def stops_or_control(record: FieldRecord, linked: Linked) -> tuple[Finding, ...]:
    """Return what was found in linking; of stops off in plan with the control that may be instead.

    A point misread moves all that hangs on it. Where that is one stop, nothing tells them apart;
    and where that stop hangs on no other point, nor does it from those that all the rest hangs on.
    """
    stop = np.strings.add(np.strings.add(record.marks.run, "/"), record.marks.stop).tolist()
    of_stop: dict[str, set[str]] = {}
    for name, base in zip(stop, _bases(record.marks.spots), strict=True):
        of_stop.setdefault(f"stop {name}", set()).update(base)
    opened = [base for base in _bases(record.exposures.spots) if base]

    def told(found: Finding) -> Finding:
        if found.name != "blunder/plan" or found.subject not in of_stop:
            return found
        others = [b for name, b in of_stop.items() if b and name != found.subject] + opened
        own = of_stop[found.subject]
        wrong = own.difference(*others)
        if not wrong:
            return found
        if others and wrong == own:
            wrong |= set.intersection(*others)
        points = [str(p) for p in record.control.point if p in wrong]
        return finding(
            "blunder/plan-or-control",
            found.subject,
            where=found.where,
            about=[f"control point {p}" for p in points],
            more={**found.values, "points": points},
        )

    return tuple(map(told, linked.findings))


def _of_all_control(found: Finding) -> bool:
    """Whether coordinates of control are said to be swapped, of another zone or unit."""
    return found.code.startswith("coordinates-") and "control point" in found.subject


def _miss_m(found: Finding) -> float:
    """Return by how much the tapes of one mark miss."""
    value = found.values.get("miss_m", found.values.get("gap_m", 0.0))
    return float(value) if isinstance(value, float) else 0.0


def _bases(spots: Spots) -> list[set[str]]:
    """Return the control points that each spot hangs on."""
    rows = zip(spots.base_from.tolist(), spots.base_to.tolist(), spots.ties, strict=True)
    return [{str(a), str(b), *(point for point, _ in ties)} - {""} for a, b, ties in rows]
