"""All lines that touch, adjusted together: junctions shared, errors held in common.

Each line has been adjusted by itself. Here the shapes found so are kept, every observation comes in
once more, stops of other runs too; a branch begins where its parent has the junction; and what
control, GNSS base and depth scale do to all fixes alike is unknown once, not once per fix.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from lateralline.link import fittings
from lateralline.link.adjust import Alone
from lateralline.link.branches import Junction, as_join
from lateralline.link.equations import exact_is_small
from lateralline.link.onward import onward
from lateralline.link.parts import Part, Rider
from lateralline.link.rounds import Search
from lateralline.link.search import Fit, Suspicion, least_squares, with_effects
from lateralline.records import Finding
from lateralline.settings import Accuracy, Settings

#: Places of a network move to the next leg, and on, this often; then they stay.
_MOST_MOVES = 5


@dataclass(frozen=True, slots=True)
class Network:
    """A connected set of lines before its adjustment."""

    lines: tuple[Alone, ...]  # parents before branches
    junctions: Mapping[str, tuple[str, Junction]]  # branch → parent, place
    riders: Mapping[str, Sequence[Rider]]


def connected(lines: Mapping[str, Alone], joins: Mapping[str, str]) -> list[list[str]]:
    """Return the ids of lines that hang together, parents first; `joins`: branch → parent."""
    sets: dict[str, list[str]] = {}
    for line in lines:
        top = line
        while top in joins:
            top = joins[top]
        sets.setdefault(top, []).append(line)
    return list(sets.values())


@dataclass(frozen=True, slots=True)
class Settled:
    """A connected set adjusted: as one, or where it would not settle, line by line."""

    fits: tuple[Fit, ...]
    turns: tuple[Suspicion, ...]  # stops the pipe turns at
    findings: tuple[Finding, ...] = ()


def settle(network: Network, settings: Settings) -> Search[Settled]:
    """Return the adjusted network; where it will not settle, its lines each by itself.

    It is tried with what errors share as unknowns, then without: a network that contradicts itself
    may have no room for them.
    """
    accuracy = exact_is_small(settings.accuracy)
    parts = _parts(network)
    known = [s for line in network.lines for s in line.fit.left_out]
    turns = tuple(s for line in network.lines for s in line.turns)
    for shared in (True, False):
        fit = yield from least_squares(parts, accuracy, shared=shared, known=known)
        more = tuple(s for s in fit.left_out if s.alternative.what == "kink")
        if more:
            turns, parts = (*turns, *more), _turning(parts, more)
            fit = yield from least_squares(parts, accuracy, shared=shared, known=known)
        fit = yield from _on_their_legs(fit, accuracy, shared=shared)
        if fit.result.converged:
            found = yield from with_effects(fit)
            done = yield from _held(found, settings, shared=shared)
            return Settled((done[0],), turns, tuple(done[1]))
    alone = []
    for line in network.lines:
        found = yield from with_effects(line.fit)
        alone.append(found)
    return Settled(tuple(alone), tuple(s for line in network.lines for s in line.turns))


def _on_their_legs(fit: Fit, accuracy: Accuracy, *, shared: bool) -> Search[Fit]:
    """Return the network with every place of its lines on the leg where it lies.

    A stop of another run, or a junction, that the adjustment put past the end of its leg goes on to
    the next one, and to the vertex between where each leg says it is on the other: no line doubles
    back. Past the end of the line it goes straight on.
    """
    legs: dict[str, set[int]] = {}
    for _ in range(_MOST_MOVES):
        if not fit.result.converged:
            break
        parts = [onward(part, fit, legs) for part in fit.model.parts]
        if all(a is b for a, b in zip(parts, fit.model.parts, strict=True)):
            break
        fit = yield from least_squares(parts, accuracy, shared=shared, known=fit.left_out)
    return fit


def _held(fit: Fit, settings: Settings, *, shared: bool) -> Search[tuple[Fit, list[Finding]]]:
    """Return the network with its bends held to fittings where the site asks, and what that did."""
    parts, findings = fittings.held(fit, settings)
    if not any(p.bend_rad for p in parts):
        return fit, findings
    accuracy = exact_is_small(settings.accuracy)
    after = yield from least_squares(parts, accuracy, shared=shared, known=fit.left_out)
    if not after.result.converged:
        return fit, findings
    return after, [*findings, *fittings.said(fit, after)]


def _turning(parts: Sequence[Part], turns: Sequence[Suspicion]) -> list[Part]:
    """The lines with the stretches beside stops that they turn at undecided."""
    out = []
    for part in parts:
        stops = [s.alternative.point for s in turns if s.alternative.line == part.line]
        out.append(part.with_shapes(part.shapes.turning_at(stops)) if stops else part)
    before, after = ({p.line: p for p in some} for some in (parts, out))
    for i, part in enumerate(out):  # a parent that lost a bend has its legs numbered anew
        if (join := part.join) is not None:
            parent = before[join.parent]
            leg, fraction = parent.carried(join.leg, join.fraction, after[join.parent])
            out[i] = replace(part, join=replace(join, leg=leg, fraction=fraction))
    return out


def _parts(network: Network) -> list[Part]:
    """The lines as parts of one network, each where its own adjustment has it."""
    by_id = {line.part.line: line for line in network.lines}
    out = []
    for line in network.lines:
        part = replace(line.settled, riders=tuple(network.riders.get(line.part.line, ())))
        if part.line in network.junctions:
            parent, junction = network.junctions[part.line]
            part = replace(part, join=as_join(junction, by_id[parent], line))
        out.append(part)
    return out
