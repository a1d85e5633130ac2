"""Places of an adjusted line that lie past the end of their leg, moved to where they lie."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from lateralline.link.parts import Part
from lateralline.link.search import Fit

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
