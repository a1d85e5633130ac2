"""All lines that touch, adjusted together: junctions shared, errors in common.

Each line has been adjusted by itself. Here the shapes found so are kept, every observation comes in
once more, stops of other runs too; a branch begins where its parent has the junction; and what
control, GNSS base and depth scale do to all fixes alike is unknown once, not once per fix.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from lateralline.findings import Finding, finding
from lateralline.kernels.curves import angle_between
from lateralline.link.branches import as_join
from lateralline.link.lines import NetworkLine, SuspectedBlunder
from lateralline.link.search import (
    AdjustedLine,
    AdjustedNetwork,
    Fit,
    Search,
    least_squares,
    with_effects,
)
from lateralline.link.stochastic import nonzero_accuracy
from lateralline.published import nearest_fittings
from lateralline.records import Floats
from lateralline.settings import Accuracy, Settings

#: Places of a network move to the next leg, and on, this often; then they stay.
_MOST_MOVES = 5


def connected(lines: Sequence[AdjustedLine]) -> list[list[AdjustedLine]]:
    """Return the lines in networks that hang together; parents come first, here and there."""
    top: dict[str, str] = {}
    networks: dict[str, list[AdjustedLine]] = {}
    for one in lines:
        junction = one.prepared.junction
        top[one.id] = one.id if junction is None else top[junction.parent]
        networks.setdefault(top[one.id], []).append(one)
    return list(networks.values())


def adjust_network(network: Sequence[AdjustedLine], settings: Settings) -> Search[AdjustedNetwork]:
    """Return the adjusted network; where it will not settle, its lines each by itself.

    It is tried with what errors share as unknowns, then without: a network that contradicts itself
    may have no room for them.
    """
    accuracy = nonzero_accuracy(settings.accuracy)
    lines = _parts(network)
    known = [s for line in network for s in line.fit.left_out]
    turns = tuple(s for line in network for s in line.turns)
    for shared in (True, False):
        fit = yield from least_squares(lines, accuracy, shared=shared, known=known)
        more = tuple(s for s in fit.left_out if s.alternative.what == "kink")
        if more:
            turns, lines = (*turns, *more), _turning(lines, more)
            fit = yield from least_squares(lines, accuracy, shared=shared, known=known)
        fit = yield from _with_legs_reassigned(fit, accuracy, shared=shared)
        if fit.result.converged:
            found = yield from with_effects(fit)
            done = yield from _with_constrained_bends(found, settings, shared=shared)
            return AdjustedNetwork((done[0],), turns, tuple(done[1]))
    alone = []
    for line in network:
        found = yield from with_effects(line.fit)
        alone.append(found)
    return AdjustedNetwork(tuple(alone), tuple(s for line in network for s in line.turns))


def _with_legs_reassigned(fit: Fit, accuracy: Accuracy, *, shared: bool) -> Search[Fit]:
    """Return the network with every place of its lines on the leg where it lies.

    A stop of another run, or a junction, that the adjustment put past the end of its leg goes on to
    the next one, and to the vertex between where each leg says it is on the other: no line doubles
    back. Past the end of the line it goes straight on.
    """
    legs: dict[str, set[int]] = {}
    for _ in range(_MOST_MOVES):
        if not fit.result.converged:
            break
        lines = [reassign_legs(line, fit, legs) for line in fit.model.lines]
        if all(a is b for a, b in zip(lines, fit.model.lines, strict=True)):
            break
        fit = yield from least_squares(lines, accuracy, shared=shared, known=fit.left_out)
    return fit


def _with_constrained_bends(
    fit: Fit, settings: Settings, *, shared: bool
) -> Search[tuple[Fit, list[Finding]]]:
    """Return the network with bends constrained to fittings where asked, and what that did."""
    lines, findings = constrain_bends(fit, settings)
    if not any(p.bend_rad for p in lines):
        return fit, findings
    accuracy = nonzero_accuracy(settings.accuracy)
    after = yield from least_squares(lines, accuracy, shared=shared, known=fit.left_out)
    if not after.result.converged:
        return fit, findings
    return after, [*findings, *_constraint_findings(fit, after)]


def _turning(lines: Sequence[NetworkLine], turns: Sequence[SuspectedBlunder]) -> list[NetworkLine]:
    """The lines with the stretches beside stops that they turn at undecided."""
    out = []
    for line in lines:
        stops = [s.alternative.point for s in turns if s.alternative.line == line.id]
        out.append(line.with_shapes(line.shapes.turning_at(stops)) if stops else line)
    before, after = ({p.id: p for p in some} for some in (lines, out))
    for i, line in enumerate(out):  # a parent that lost a bend has its legs numbered anew
        if (join := line.join) is not None:
            parent = before[join.parent]
            leg, fraction = parent.carried(join.leg, join.fraction, after[join.parent])
            out[i] = replace(line, join=replace(join, leg=leg, fraction=fraction))
    return out


def _parts(network: Sequence[AdjustedLine]) -> list[NetworkLine]:
    """The lines as one network has them, each where its own adjustment has it."""
    by_id = {one.id: one for one in network}
    out = []
    for one in network:
        line = replace(one.with_adjusted_bends, intermediates=one.prepared.intermediates)
        if (junction := one.prepared.junction) is not None:
            line = replace(line, join=as_join(junction, by_id[junction.parent], one))
        out.append(line)
    return out


# ---- leg reassignment ----------------------------------------------------------------------


#: Past the end by less than this is at the end.
WITHIN_M = 0.005
#: A place that is at a vertex is as sure of it as this.
AT_VERTEX_M = 0.001


def reassign_legs(line: NetworkLine, fit: Fit, legs: dict[str, set[int]]) -> NetworkLine:
    """Return a line with what lies past the end of its leg on the next one; itself if nothing does.

    `legs` remembers where each place has been: one sent back to a leg it came from is at the vertex
    between.
    """
    x, intermediate_x = fit.result.x, fit.model.intermediate_x[line.id]
    out = list(line.intermediates)
    for i, (intermediate, t) in enumerate(zip(line.intermediates, intermediate_x, strict=True)):
        if intermediate.level_only or intermediate.sigma_m <= AT_VERTEX_M:
            continue
        leg = line.place(intermediate)[0]
        known = legs.setdefault(f"{line.id} {intermediate.point.ref}", set())
        moved = _moved(line, fit, leg, float(x[t]), known, beyond=True)
        if moved is not None:
            leg, share, sigma = moved
            stretch, of_stretch = line.at_leg(leg)
            out[i] = replace(
                intermediate, stretch=stretch, leg=of_stretch, share=share, sigma_m=sigma
            )
    join = line.join
    if join is not None and join.sigma_m > AT_VERTEX_M:
        parent = next(p for p in fit.model.lines if p.id == join.parent)
        known = legs.setdefault(line.id, set())
        at = float(x[fit.model.join_x[line.id]])
        moved = _moved(parent, fit, join.leg, at, known, beyond=False)
        if moved is not None:
            leg, share, sigma = moved
            join = replace(join, leg=leg, fraction=share, sigma_m=min(sigma, join.sigma_m))
    if join is line.join and all(a is b for a, b in zip(out, line.intermediates, strict=True)):
        return line
    return replace(line, intermediates=tuple(out), join=join)


def _moved(
    line: NetworkLine, fit: Fit, leg: int, fraction: float, known: set[int], *, beyond: bool
) -> tuple[int, float, float] | None:
    """Return leg, fraction and σ in metres of a place that lies past the end of its leg, else None.

    `beyond`: it may lie past the end of the line, where that is no junction.
    """
    path = fit.model.path(line.id, fit.result.x)
    length = np.linalg.norm(np.diff(path, axis=0), axis=1)
    step = 1 if fraction > 0.5 else -1
    if max(-fraction, fraction - 1.0) * float(length[leg]) <= WITHIN_M:
        return None
    last = not 0 <= leg + step < len(length)
    if last and beyond and not (step < 0 and line.join is not None):
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


def constrain_bends(fit: Fit, settings: Settings) -> tuple[list[NetworkLine], list[Finding]]:
    """Return the lines with bends constrained to fittings where they may be; findings on the rest.

    The same lines when none asks for it.
    """
    lines, findings = [], []
    for line in fit.model.lines:
        pipe = settings.pipe(line.id)
        turns = []
        if pipe.standard_bends:
            number = set(fit.model.point_vertex[line.id].tolist())
            bends = [v for v in range(len(fit.model.vertex_x[line.id])) if v not in number]
            for vertex in bends:
                turn, sigma = _turn(fit, line.id, vertex)
                likely = nearest_fittings(
                    float(np.degrees(turn)), float(np.degrees(sigma)), pipe.nominal
                )
                nominal = float(np.radians(likely[0].angle_deg))
                odd = abs(turn - nominal) > _SIGMAS * sigma
                if not odd and len(likely) == 1:
                    turns.append((vertex, nominal))
                    continue
                findings.append(
                    finding(
                        "bend-fitting/odd" if odd else "bend-fitting/between",
                        f"line {line.id}",
                        fittings=[f.name for f in (likely[:1] if odd else likely)],
                        angle_deg=np.degrees(turn),
                        sigma_deg=np.degrees(sigma),
                    )
                )
        lines.append(replace(line, bend_rad=tuple(turns)))
    return lines, findings


def _constraint_findings(before: Fit, after: Fit) -> list[Finding]:
    """Return what holding bends did to each line."""
    out = []
    for line in after.model.lines:
        if not line.bend_rad:
            continue
        away = after.model.path(line.id, after.result.x)
        away = away - before.model.path(line.id, before.result.x)
        moved = float(np.linalg.norm(away, axis=1).max())
        rise = after.result.chi2 - before.result.chi2
        out.append(
            finding(
                "bend-fitting/held",
                f"line {line.id}",
                bends=[f"{np.degrees(turn):g}°" for _, turn in line.bend_rad],
                moved_m=moved,
                chi2_rise=rise,
            )
        )
    return out


def _turn(fit: Fit, line_id: str, vertex: int) -> tuple[float, float]:
    """The deflection at a vertex and its σ, radians, by its own covariance with its neighbours."""
    at = (fit.model.vertex_x[line_id][vertex - 1 : vertex + 2, None] + np.arange(3)).ravel()
    three = fit.result.x[at].reshape(3, 3)

    def turn(path: Floats) -> Floats:
        return angle_between(path[..., 1, :] - path[..., 0, :], path[..., 2, :] - path[..., 1, :])

    steps = np.eye(9).reshape(9, 3, 3) * _STEP_M
    slope = (turn(three + steps) - turn(three - steps)) / (2 * _STEP_M)
    variance = float(slope @ fit.result.cov_among(at) @ slope)
    return float(turn(three)), float(np.sqrt(max(variance, 0.0)))
