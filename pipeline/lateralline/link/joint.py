"""All lines that touch, adjusted together: junctions shared, errors held in common.

Each line has been adjusted by itself. Here the shapes found so are kept, every observation comes in
once more, stops of other runs too; a branch begins where its parent has the junction; and what
control, GNSS base and depth scale do to all fixes alike is unknown once, not once per fix.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from lateralline.kernels.curves import angle_between
from lateralline.link import wording_lines
from lateralline.link.branches import as_join
from lateralline.link.lines import Part, Suspicion
from lateralline.link.search import Alone, Fit, Search, Settled, least_squares, with_effects
from lateralline.link.stochastic import exact_is_small
from lateralline.published import nearest_fittings
from lateralline.records import (
    Finding,
    Floats,
)
from lateralline.settings import Accuracy, Settings

#: Places of a network move to the next leg, and on, this often; then they stay.
_MOST_MOVES = 5


def connected(lines: Sequence[Alone]) -> list[list[Alone]]:
    """Return the lines in networks that hang together; parents come first, here and there."""
    top: dict[str, str] = {}
    networks: dict[str, list[Alone]] = {}
    for one in lines:
        junction = one.prepared.junction
        top[one.line] = one.line if junction is None else top[junction.parent]
        networks.setdefault(top[one.line], []).append(one)
    return list(networks.values())


def settle(network: Sequence[Alone], settings: Settings) -> Search[Settled]:
    """Return the adjusted network; where it will not settle, its lines each by itself.

    It is tried with what errors share as unknowns, then without: a network that contradicts itself
    may have no room for them.
    """
    accuracy = exact_is_small(settings.accuracy)
    parts = _parts(network)
    known = [s for line in network for s in line.fit.left_out]
    turns = tuple(s for line in network for s in line.turns)
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
    for line in network:
        found = yield from with_effects(line.fit)
        alone.append(found)
    return Settled(tuple(alone), tuple(s for line in network for s in line.turns))


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
    parts, findings = held(fit, settings)
    if not any(p.bend_rad for p in parts):
        return fit, findings
    accuracy = exact_is_small(settings.accuracy)
    after = yield from least_squares(parts, accuracy, shared=shared, known=fit.left_out)
    if not after.result.converged:
        return fit, findings
    return after, [*findings, *_bends_held(fit, after)]


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


def _parts(network: Sequence[Alone]) -> list[Part]:
    """The lines as parts of one network, each where its own adjustment has it."""
    by_id = {one.line: one for one in network}
    out = []
    for one in network:
        part = replace(one.settled, riders=one.prepared.riders)
        if (junction := one.prepared.junction) is not None:
            part = replace(part, join=as_join(junction, by_id[junction.parent], one))
        out.append(part)
    return out


# ---- leg reassignment ----------------------------------------------------------------------


#: Past the end by less than this is at the end.
WITHIN_M = 0.005
#: A place that is at a vertex is as sure of it as this.
AT_VERTEX_M = 0.001


def onward(part: Part, fit: Fit, legs: dict[str, set[int]]) -> Part:
    """Return a line with what lies past the end of its leg on the next one; itself if nothing does.

    `legs` remembers where each place has been: one sent back to a leg it came from is at the vertex
    between.
    """
    x, rider_x = fit.result.x, fit.model.rider_x[part.line]
    out = list(part.riders)
    for i, (rider, t) in enumerate(zip(part.riders, rider_x, strict=True)):
        if rider.level_only or rider.sigma_m <= AT_VERTEX_M:
            continue
        leg = part.place(rider)[0]
        known = legs.setdefault(f"{part.line} {rider.point.ref}", set())
        moved = _moved(part, fit, leg, float(x[t]), known, beyond=True)
        if moved is not None:
            leg, share, sigma = moved
            stretch, of_stretch = part.at_leg(leg)
            out[i] = replace(rider, stretch=stretch, leg=of_stretch, share=share, sigma_m=sigma)
    join = part.join
    if join is not None and join.sigma_m > AT_VERTEX_M:
        parent = next(p for p in fit.model.parts if p.line == join.parent)
        known = legs.setdefault(part.line, set())
        at = float(x[fit.model.join_x[part.line]])
        moved = _moved(parent, fit, join.leg, at, known, beyond=False)
        if moved is not None:
            leg, share, sigma = moved
            join = replace(join, leg=leg, fraction=share, sigma_m=min(sigma, join.sigma_m))
    if join is part.join and all(a is b for a, b in zip(out, part.riders, strict=True)):
        return part
    return replace(part, riders=tuple(out), join=join)


def _moved(
    part: Part, fit: Fit, leg: int, fraction: float, known: set[int], *, beyond: bool
) -> tuple[int, float, float] | None:
    """Return leg, fraction and σ in metres of a place that lies past the end of its leg, else None.

    `beyond`: it may lie past the end of the line, where that is no junction.
    """
    path = fit.model.path(part.line, fit.result.x)
    length = np.linalg.norm(np.diff(path, axis=0), axis=1)
    step = 1 if fraction > 0.5 else -1
    if max(-fraction, fraction - 1.0) * float(length[leg]) <= WITHIN_M:
        return None
    last = not 0 <= leg + step < len(length)
    if last and beyond and not (step < 0 and part.join is not None):
        return None
    known.add(leg)
    if last or leg + step in known:
        return leg, float(step > 0), AT_VERTEX_M
    past = max(-fraction, fraction - 1.0) * float(length[leg])
    share = min(past / max(float(length[leg + step]), 1e-9), 0.5)
    return leg + step, share if step > 0 else 1.0 - share, np.inf


# ---- standard fittings ---------------------------------------------------------------------


#: A bend this many of its own σ off every standard fitting is none of them.
_SIGMAS = 3.0
_STEP_M = 1e-5


def held(fit: Fit, settings: Settings) -> tuple[list[Part], list[Finding]]:
    """Return the parts with bends held that may be, and what is said of those that may not.

    The same parts when no line asks for it.
    """
    parts, findings = [], []
    for part in fit.model.parts:
        pipe = settings.pipe(part.line)
        turns = []
        if pipe.standard_bends:
            number = set(fit.model.point_vertex[part.line].tolist())
            bends = [v for v in range(len(fit.model.vertex_x[part.line])) if v not in number]
            for vertex in bends:
                turn, sigma = _turn(fit, part.line, vertex)
                likely = nearest_fittings(
                    float(np.degrees(turn)), float(np.degrees(sigma)), pipe.nominal
                )
                nominal = float(np.radians(likely[0].angle_deg))
                if abs(turn - nominal) > _SIGMAS * sigma:
                    findings.append(
                        wording_lines.bend_not_standard(part.line, turn, sigma, likely[0].name)
                    )
                elif len(likely) > 1:
                    findings.append(
                        wording_lines.bend_between_fittings(
                            part.line, turn, sigma, [f.name for f in likely]
                        )
                    )
                else:
                    turns.append((vertex, nominal))
        parts.append(replace(part, bend_rad=tuple(turns)))
    return parts, findings


def _bends_held(before: Fit, after: Fit) -> list[Finding]:
    """Return what holding bends did to each line."""
    out = []
    for part in after.model.parts:
        if not part.bend_rad:
            continue
        away = after.model.path(part.line, after.result.x)
        away = away - before.model.path(part.line, before.result.x)
        moved = float(np.linalg.norm(away, axis=1).max())
        rise = after.result.chi2 - before.result.chi2
        turns = [t for _, t in part.bend_rad]
        out.append(wording_lines.bends_held(part.line, turns, moved, rise))
    return out


def _turn(fit: Fit, line: str, vertex: int) -> tuple[float, float]:
    """The deflection at a vertex and its σ, radians, by its own covariance with its neighbours."""
    at = (fit.model.vertex_x[line][vertex - 1 : vertex + 2, None] + np.arange(3)).ravel()
    three = fit.result.x[at].reshape(3, 3)

    def turn(path: Floats) -> Floats:
        return angle_between(path[..., 1, :] - path[..., 0, :], path[..., 2, :] - path[..., 1, :])

    steps = np.eye(9).reshape(9, 3, 3) * _STEP_M
    slope = (turn(three + steps) - turn(three - steps)) / (2 * _STEP_M)
    variance = float(slope @ fit.result.cov[np.ix_(at, at)] @ slope)
    return float(turn(three)), float(np.sqrt(max(variance, 0.0)))
