"""Whether any test of the adjustment could see a blunder: how likely, by the design of its line.

Stops and bends stand where they truly are, and every bend is known to be there, though not where:
what is unknown of the line is what an adjustment of the right shapes leaves unknown. By how much a
blunder b then raises χ² is bᵀ K b, with K = P − P A (AᵀPA)⁻¹ AᵀP of its own readings; the test of
them at the level that blunders are tested at finds it as often as χ² of that non-centrality passes
the limit (Baarda's reliability, from memory). Nothing that was measured or decided has a part in
it but the covariance of the fixes. No shapes are searched here and no other reading is suspected,
so what is found in practice is rather less.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.stats import ncx2

from lateralline.kernels.curves import wrap
from lateralline.link.gather import gather_fixes
from lateralline.link.lines import LocatedPoint, NetworkLine, Shapes
from lateralline.link.network import NetworkModel
from lateralline.link.stochastic import limit_of
from lateralline.proof.world_survey import BLUNDER_M, SurveyedLine
from lateralline.records import Floats
from lateralline.stages import SiteResult

#: What a blunder is called among the alternatives of an adjustment.
OF = {"moved": "plan", "counter": "counter"}


def power(line: SurveyedLine, built: SiteResult) -> float:
    """Return how likely a test finds the blunder of a line, which has one; `built` once solved."""
    solved = built.work["solved"]
    settings = solved.claimed(built.work["record"].settings)
    points, _ = gather_fixes("L1", solved.fixes, settings)
    true = _where_they_are(points, line, built)
    model = NetworkModel([_drawn_truly(true, line, built)], settings.accuracy)
    (stop,), what = line.bad_stops, OF[line.blunder]
    rows = [a.rows for a in model.alternatives()
            if (a.subject.ref, a.what) == (f"R1/{stop}", what)]  # fmt: skip
    if not rows:  # the stop is not located
        return 0.0
    own, size = list(rows[0]), line.moved_m if what == "plan" else np.array([BLUNDER_M])
    _, design = model(model.start())
    weight = np.linalg.inv(model.covariance())
    weighted = weight @ design
    k = weight[np.ix_(own, own)] - weighted[own] @ np.linalg.solve(
        design.T @ weighted, weighted[own].T
    )
    return float(ncx2.sf(limit_of(what, len(own)), len(own), size @ k @ size))


def _where_they_are(
    points: list[LocatedPoint], line: SurveyedLine, built: SiteResult
) -> tuple[LocatedPoint, ...]:
    """Return the points as far from the entry as they are, at their true places, facing away."""
    path, travel = line.site.path, line.site.travel_m
    xyz = built.work["placed"].frame.to_local(*line.stop_xyz_m.T)
    row = path.row(travel)
    by_name = {p.ref: p for p in points}
    out = []
    for i, (heading, tilt) in enumerate(
        zip(path.heading_rad[row], path.tilt_rad[row], strict=True)
    ):
        p = by_name.get(f"R1/{i + 1}")
        if p is not None:
            p = p.reversed() if abs(wrap(p.heading_rad - heading)) > 0.5 * np.pi else p
            out.append(
                replace(
                    p, xyz_m=xyz[i], heading_rad=float(heading % (2 * np.pi)), tilt_rad=float(tilt)
                )
            )
    return tuple(out)


def _drawn_truly(
    points: tuple[LocatedPoint, ...], line: SurveyedLine, built: SiteResult
) -> NetworkLine:
    """Return the line through points with the bends that are there, where they are."""
    at = line.site.travel_m[[int(p.ref.partition("/")[2]) - 1 for p in points]]
    corners = built.work["placed"].frame.to_local(*line.site.path.at(line.site.bend_m).T)
    after = np.searchsorted(at, line.site.bend_m)
    bends = tuple(corners[after == s] for s in range(1, len(at)))
    return NetworkLine("L1", points, _shapes(bends))


def _shapes(bends: tuple[Floats, ...]) -> Shapes:
    s = len(bends)
    no = np.zeros(s, dtype=np.bool_)
    return Shapes(
        shape=tuple(("straight", "bend", "two_bends")[min(len(b), 2)] for b in bends),
        bends_m=bends,
        contradicted=no,
        beside_turn=no,
        ambiguous=no,
        step_m=np.full((s, 2), np.nan),
        kept_straight=no,
        chi2=np.full((s, 3), np.inf),
        dof=np.zeros((s, 3), dtype=np.int64),
        hidden_bend=np.zeros(s),
    )
