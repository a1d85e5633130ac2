"""A whole record explained at once: each thing by itself, and where it leads on."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from math import floor
from typing import Final

import numpy as np

from lateralline.explain.content import ToldSpot
from lateralline.explain.origin import assumed_in, identity, tell_changed, tell_origin
from lateralline.explain.things import Meant, finding_of, place_on, things
from lateralline.record.rows import BandRow, FindingRow, NodeRow
from lateralline.record.view import RecordView
from lateralline.wording import plain

#: Kinds in the order they are told; of other kinds, what a finding leads to.
_KINDS: Final = ("site", "line", "run", "segment", "stop", "node", "exposure", "observation")
#: Of places between stops, at most so many in all: one every 1, 2, 5, 10 … of the crew's unit.
MOST_PLACES: Final = 40
_STEPS: Final = tuple(n * 10.0**power for power in range(5) for n in (1, 2, 5))


@dataclass(slots=True)
class WholeSpot:
    """One thing of a record, told by itself, and the numbers of the spots it leads to."""

    meant: Meant
    title: str
    line: str = ""  # of a place
    chainage_m: float | None = None
    row: FindingRow | None = None  # of a finding
    told: ToldSpot = field(default_factory=ToldSpot)
    leads: list[int] = field(default_factory=list)


def explain_all(view: RecordView) -> list[WholeSpot]:
    """Return what a whole record rests on: all that has a name, places along, and its findings.

    Notes among the findings ask nothing of anybody and are left out.
    """
    rows = [row for row in view.rows(FindingRow) if row.severity != "info"]
    findings = [finding_of(view, row) for row in rows]
    own = dict(_all_named(view))
    for finding in findings:
        for meant in finding.beside():
            for other in (meant, *meant.beside()):
                own.setdefault((other.kind, other.named), other)
    spots = [
        WholeSpot(meant, f"{kind.capitalize()} {named}") for (kind, named), meant in own.items()
    ]
    spots[0].title = "Site and record: lines, control, files, frame, accuracies, rules"
    spots += [
        WholeSpot(place_on(view, line, at_m, f"{line}@{said}"), f"Place {line}@{said}", line, at_m)
        for line, at_m, said in places_between(view)
    ]
    numbers = {(s.meant.kind, s.meant.named): n for n, s in enumerate(spots)}
    for row, meant in zip(rows, findings, strict=True):
        beside = [numbers[other.kind, other.named] for other in meant.beside()]
        for n, spot in enumerate(spots):
            if n in beside or (spot.meant.about(row) and spot.meant.kind != "place"):
                spot.leads.append(len(spots))
        spots.append(WholeSpot(meant, plain(f"{row.title}: {row.subject}"), row=row))
    for spot in spots:
        beside = [numbers[other.kind, other.named] for other in spot.meant.beside()]
        spot.leads = [*dict.fromkeys((*beside, *spot.leads))]
        spot.meant.own(spot.told)
    _tell_record(view, spots[0].told)
    return spots


def places_between(view: RecordView) -> Iterator[tuple[str, float, str]]:
    """Yield the places that are explained of each line: line, chainage in metres, as printed.

    They are places the record holds, the nearest to each whole step of the crew's unit.
    """
    unit, step = view.measure.plain, place_step(view)
    if step is None:
        return
    for line in view.lines:
        held = np.array([b.chainage_m for b in view.rows(BandRow, line)])
        held = held[np.isfinite(held)]
        if not len(held):
            continue
        whole = np.arange(0.0, held.max() + 1e-9, step * view.measure.metres)
        near = np.abs(held[:, None] - whole).argmin(axis=0)
        for at_m in dict.fromkeys((*held[near].tolist(), float(held.max()))):
            yield line, at_m, f"{at_m / view.measure.metres:.2f}{unit}"


def place_step(view: RecordView) -> float | None:
    """Return how far apart the places explained are, in the crew's unit; None without lines."""
    lengths = [row.length_m / view.measure.metres for row in view.centrelines]
    if not lengths:
        return None
    return next(
        (s for s in _STEPS if sum(floor(long / s) + 2 for long in lengths) <= MOST_PLACES),
        _STEPS[-1],
    )


def _all_named(view: RecordView) -> Iterator[tuple[tuple[str, str], Meant]]:
    """Yield what has a name, each once; of nodes, those that are no stop and no exposure."""
    known = things(view)
    told_there = {*known["stop"], *known["exposure"]}
    refs = {node.node_id: node.ref for node in view.rows(NodeRow)}
    for kind in _KINDS:
        for meant in known[kind].values():
            if kind != "node" or refs.get(meant.named) not in told_there:
                yield (kind, meant.named), meant


def _tell_record(view: RecordView, told: ToldSpot) -> None:
    """Tell which record it is, what it was made of and with, and what was assumed."""
    tell_origin(view, told)
    record = identity(view)
    tell_changed(record, told)
    told.said += [f"{name}: {value}" for name, value in record]
    told.said += [f"Assumed: {text}" for text in assumed_in(view)]
