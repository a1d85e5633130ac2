"""Ids of nodes and segments: minted once, inherited by name, place and topology.

An id says what the thing is: `L1/bend-2`, `L1/segment-4`. What became of each stands in `ids.csv`
of the site (`IdRows`), oldest first; here the lines as drawn now are laid beside what it knows.

A node with a name of its own (entry, exposure, connection, joining line) keeps its id by that name.
Bends, ends and located points keep theirs by place: of all pairs of one kind within both their 95 %
(and `NEAR_M`), those that are nearest together. A located point that moved farther keeps its id by
run and stop. A segment is the pipe between two nodes and keeps its id while it lies between the
same two; a node more splits it, one fewer merges it, and the new ids say what they came from. An id
whose thing is gone ends; if the thing comes back, its id returns. Of a line that is not drawn
nothing is judged. A line is called by its user: under another name it is another line.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from itertools import chain
from math import nan
from typing import Final

import numpy as np
import shapely

from lateralline.derive.nodes import LineNodes
from lateralline.findings import Finding, finding
from lateralline.frames import Frame
from lateralline.records import IdRows
from lateralline.settings import Settings
from lateralline.units import METRES_PER

#: Two estimates of one place may be this far apart whatever they claim: common practice, no source.
NEAR_M: Final = 0.30
#: Segments that share less than this are neighbours.
_SHARED_M: Final = 0.05
#: Kinds whose things have a name that no other thing of the line has.
_NAMED: Final = ("entry", "exposure", "connection", "junction")
SEGMENT: Final = "segment"
#: What a node is called in its id, where that is not its kind.
_WORDS: Final = {"end_located": "end"}


@dataclass(frozen=True, slots=True)
class IdEvent:
    """A new row of ids.csv; x and y in the site's CRS."""

    id: str
    event: str
    what: str
    line: str
    name: str = ""
    x: float = nan
    y: float = nan
    position_95: float = nan
    from_node: str = ""
    to_node: str = ""
    recorded_on: str = ""
    came_from: str = ""
    became: str = ""


@dataclass(frozen=True, slots=True)
class KnownId:
    """An id, what it calls, and where that was when it was last written down."""

    id: str
    what: str
    line: str
    name: str
    xy_m: tuple[float, float]  # site frame; NaN for a segment
    position_95_m: float
    between: frozenset[str]  # the nodes of a segment
    alive: bool


@dataclass(frozen=True, slots=True)
class LineIds:
    """The ids of one line as drawn."""

    nodes: tuple[str, ...]  # in the order of its nodes; where lines meet, its owner's
    segments: tuple[str, ...]  # of its stretches, from downstream
    ends: tuple[tuple[str, str], ...]  # of each stretch, the nodes downstream and upstream


@dataclass(frozen=True, slots=True)
class Minted:
    """The ids of a site as drawn, and what is new of them."""

    lines: Mapping[str, LineIds]
    events: tuple[IdEvent, ...]
    findings: tuple[Finding, ...]


def mint(
    drawn: Sequence[LineNodes],
    kept: IdRows,
    frame: Frame,
    settings: Settings,
    day: date,
) -> Minted:
    """Return the ids of everything drawn, inherited where `kept` knows the thing.

    `day` is the last of the survey, under which what is new is written down.

    The ids of a line that the settings no more speak of end.
    """
    lines = {run.line for run in settings.runs} | {pipe.line for pipe in settings.pipes}
    # a sketch has its coordinates in the unit of its tapes
    unit_m = METRES_PER.get(settings.units.get("tape", ""), 1.0) if frame.is_local else 1.0
    known = known_ids(kept, frame)
    numbers = _Numbers(known.values())
    events: list[IdEvent] = []
    vertices: dict[str, dict[int, str]] = {}
    nodes: dict[str, tuple[str, ...]] = {}
    for line in drawn:
        found = _same_nodes(line, [k for k in known.values() if k.line == line.line])
        own = {
            i: found[i].id if i in found else numbers.next(line.line, _what(node.kind))
            for i, node in enumerate(line.nodes)
            if node.meets is None
        }
        events += _node_events(line, own, found, frame, unit_m)
        # a line joins one that is drawn before it, or the node is its own
        own |= {i: vertices[n.meets[0]][n.meets[1]] for i, n in enumerate(line.nodes) if n.meets}
        nodes[line.line] = tuple(own[i] for i in range(len(line.nodes)))
        vertices[line.line] = line.at_vertex(nodes[line.line])
    made: dict[str, LineIds] = {}
    for line in drawn:
        at = vertices[line.line]
        ends = tuple((at[s.first], at[s.last]) for s in line.axis.line.stretches)
        of_line = [k for k in known.values() if (k.line, k.what) == (line.line, SEGMENT)]
        segments, changed = _segments(line, ends, of_line, known, numbers)
        events += changed
        made[line.line] = LineIds(nodes[line.line], segments, ends)
    met = frozenset(chain.from_iterable((*m.nodes, *m.segments) for m in made.values()))
    events += _gone({line.line: line for line in drawn}, made, known, met, frozenset(lines))
    dated = tuple(replace(e, recorded_on=day.isoformat()) for e in events)
    return Minted(made, dated, tuple(_changes(dated)))


def known_ids(kept: IdRows, frame: Frame) -> dict[str, KnownId]:
    """Return what ids.csv says of each id: its last row, and its place by the last that has one."""
    xy_m = frame.to_local(kept.x, kept.y, np.zeros(len(kept.x)))[:, :2].tolist()
    known: dict[str, KnownId] = {}
    for i, name in enumerate(kept.id.tolist()):
        alive = kept.event[i] != "ended"
        if not alive and name in known:
            known[name] = replace(known[name], alive=False)
            continue
        known[name] = KnownId(
            id=name,
            what=str(kept.what[i]),
            line=str(kept.line[i]),
            name=str(kept.name[i]),
            xy_m=(xy_m[i][0], xy_m[i][1]),
            position_95_m=float(np.nan_to_num(kept.position_95_m[i])),
            between=frozenset(filter(None, (str(kept.from_node[i]), str(kept.to_node[i])))),
            alive=alive,
        )
    return known


class _Numbers:
    """Numbers of ids, none of them given twice."""

    def __init__(self, known: Iterable[KnownId]) -> None:
        self._last: Counter[tuple[str, str]] = Counter()
        for k in known:
            number = int(k.id.rpartition("-")[2])
            self._last[k.line, k.what] = max(self._last[k.line, k.what], number)

    def next(self, line: str, what: str) -> str:
        """Return the next id of a kind on a line."""
        self._last[line, what] += 1
        return f"{line}/{what}-{self._last[line, what]}"


def _what(kind: str) -> str:
    return _WORDS.get(kind, kind)


# ---- nodes ---------------------------------------------------------------------------------


def _same_nodes(line: LineNodes, known: Sequence[KnownId]) -> dict[int, KnownId]:
    """Return which nodes of a line, by number, are things it is known to have.

    Living ids come before those that ended.
    """
    found: dict[int, KnownId] = {}
    own = [(i, _what(node.kind)) for i, node in enumerate(line.nodes) if node.meets is None]
    for what in dict.fromkeys(what for _, what in own):
        numbers = [i for i, of in own if of == what]
        steps = (_by_name, _by_place) if what in _NAMED else (_by_place, _by_name)
        for alive in (True, False):
            for step in steps:
                taken = {k.id for k in found.values()}
                left = [k for k in known if k.what == what and k.alive == alive]
                found |= step(
                    line,
                    [i for i in numbers if i not in found],
                    [k for k in left if k.id not in taken],
                )
    return found


def _by_name(
    line: LineNodes, numbers: Sequence[int], known: Sequence[KnownId]
) -> dict[int, KnownId]:
    called = {k.name: k for k in known if k.name}
    named = ((i, called.get(line.nodes[i].ref)) for i in numbers)
    return {i: k for i, k in named if k is not None}


def _by_place(
    line: LineNodes, numbers: Sequence[int], known: Sequence[KnownId]
) -> dict[int, KnownId]:
    if not numbers or not known:
        return {}
    there = np.array([k.xy_m for k in known])
    east, north = np.moveaxis(line.xy_m[list(numbers), None] - there, 2, 0)
    apart = np.hypot(east, north)
    either = np.add.outer(line.off_95_m[list(numbers)], [k.position_95_m for k in known])
    near = apart <= either + NEAR_M
    if max(near.sum(axis=0).max(), near.sum(axis=1).max()) <= 1:  # nothing to choose from
        rows, columns = np.nonzero(near)
    else:
        from scipy.optimize import linear_sum_assignment  # slow to import

        rows, columns = linear_sum_assignment(np.where(near, apart, 1e6))
    pairs = zip(rows.tolist(), columns.tolist(), strict=True)
    return {numbers[row]: known[column] for row, column in pairs if near[row, column]}


def _node_events(
    line: LineNodes,
    own: Mapping[int, str],
    found: Mapping[int, KnownId],
    frame: Frame,
    unit_m: float,
) -> Iterator[IdEvent]:
    """Yield a row for each node that is new, or found again after it had ended."""
    written = frame.to_site_crs(line.places.xyz_m)[:, :2] / unit_m
    decimals = 3 if frame.horizontal is None or frame.horizontal.is_projected else 9
    for i, name in own.items():
        before = found.get(i)
        if before is not None and before.alive:
            continue
        node = line.nodes[i]
        yield IdEvent(
            id=name,
            event="minted" if before is None else "returned",
            what=_what(node.kind),
            line=line.line,
            name=node.ref,
            x=round(float(written[i, 0]), decimals),
            y=round(float(written[i, 1]), decimals),
            position_95=round(float(line.off_95_m[i]), 3),
        )


# ---- segments ------------------------------------------------------------------------------


def _segments(
    line: LineNodes,
    ends: Sequence[tuple[str, str]],
    of_line: Sequence[KnownId],
    known: Mapping[str, KnownId],
    numbers: _Numbers,
) -> tuple[tuple[str, ...], list[IdEvent]]:
    """Return the id of each stretch of a line, and what became of those it had."""
    events: list[IdEvent] = []
    by_ends = {k.between: k for k in sorted(of_line, key=lambda k: k.alive)}
    same = [by_ends.get(frozenset(pair)) for pair in ends]
    lost = [k for k in of_line if k.alive and k not in same]
    spans = {k.id: _span(line, k, known) for k in lost}
    became: dict[str, list[str]] = {k.id: [] for k in lost}
    ids = []
    for stretch, pair, k in zip(line.axis.line.stretches, ends, same, strict=True):
        ids.append(k.id if k else numbers.next(line.line, SEGMENT))
        row = IdEvent(ids[-1], "", SEGMENT, line.line, from_node=pair[0], to_node=pair[1])
        if k is not None:
            events += [] if k.alive else [replace(row, event="returned")]
            continue
        low, high = line.axis.chainage_m[[stretch.first, stretch.last]].tolist()
        old = [n for n, (a, b) in spans.items() if min(b, high) - max(a, low) > _SHARED_M]
        for n in old:
            became[n].append(ids[-1])
        events.append(replace(row, event="minted", came_from=" ".join(old)))
    events += [
        IdEvent(n, "ended", SEGMENT, line.line, became=" ".join(now)) for n, now in became.items()
    ]
    return tuple(ids), events


def _span(line: LineNodes, k: KnownId, known: Mapping[str, KnownId]) -> tuple[float, float]:
    """Return the chainages between which a known segment lies on the line as drawn now.

    NaN where its ends are not known.
    """
    places = np.array([known[n].xy_m for n in k.between if n in known]).reshape(-1, 2)
    if len(places) != 2 or not np.isfinite(places).all():
        return nan, nan
    plan = line.axis.line.xyz_m[:, :2]
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(plan, axis=0).T))])
    at = shapely.line_locate_point(shapely.LineString(plan), shapely.points(places))
    low, high = sorted(np.interp(at, along, line.axis.chainage_m).tolist())
    return low, high


# ---- what is gone --------------------------------------------------------------------------


def _gone(
    drawn: Mapping[str, LineNodes],
    made: Mapping[str, LineIds],
    known: Mapping[str, KnownId],
    met: frozenset[str],
    lines: frozenset[str],
) -> Iterator[IdEvent]:
    """Yield the end of each living id whose thing is gone, with what is there now."""
    for k in known.values():
        line = drawn.get(k.line)
        if not k.alive or k.id in met or (line is None and k.line in lines):
            continue
        if line is None:
            yield IdEvent(k.id, "ended", k.what, k.line)
        elif k.what != SEGMENT:  # segments of a drawn line are done
            apart = np.hypot(*(line.xy_m - np.array(k.xy_m)).T)
            i = int(np.argmin(apart))
            there = apart[i] <= line.off_95_m[i] + k.position_95_m + NEAR_M
            now = made[k.line].nodes[i] if there else ""
            yield IdEvent(k.id, "ended", k.what, k.line, k.name, became=now)


def _changes(events: Iterable[IdEvent]) -> Iterator[Finding]:
    """Yield for each line what of its ids changed: nothing of new ones alone."""
    of_line: dict[str, dict[str, list[str]]] = {}
    for e in events:
        how = _how(e)
        if how:
            of_line.setdefault(e.line, {}).setdefault(how, []).append(e.id)
    for line, changed in of_line.items():
        kinds = ("split", "merged", "replaced", "ended", "returned")
        yield finding("ids-changed", f"line {line}", more={k: changed.get(k, ()) for k in kinds})


def _how(event: IdEvent) -> str:
    """Return what happened to an id; "" for a new one that replaces none."""
    came, became = len(event.came_from.split()), len(event.became.split())
    if event.event == "minted":
        return "merged" if came > 1 else ""
    if event.event == "returned":
        return "returned"
    if event.what == SEGMENT and became:
        return "split" if became > 1 else ""
    return "replaced" if became else "ended"
