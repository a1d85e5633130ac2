"""Do the error bars hold the truth, is what the marks know used up, and is it better than by hand?

The rule of hand: mid mark for the plan position, null separation over √2 for the depth, the
strongest spot where the mid mark is missing or there are two. Common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.stats import chi2, norm

from lateralline.kernels.lsq import whiten
from lateralline.proof.scenarios import PER_LINE, Simulated, StopScenario, simulate
from lateralline.records import Fixes, Flags, Floats, Ints, Marks, StopRows
from lateralline.solve import solve
from lateralline.solve.gather import gather
from lateralline.solve.problem import END, StopProblem

#: 95 %: two-dimensional ellipse, and the half-width of a normal interval.
ELLIPSE_95 = float(chi2.ppf(0.95, 2))
INTERVAL_95 = float(norm.ppf(0.975))
BAND = (0.94, 0.96)
WORST_RATIO = 1.05
WORST_LOST = 0.001
#: Stops for which the bounds are meant.
FULL = 10_000


@dataclass(frozen=True, slots=True)
class Coverage:
    """What one scenario came to; ratios are RMS error over the Cramér–Rao bound."""

    name: str
    stops: int
    plan_coverage: float  # share of 95 % ellipses that hold the truth
    depth_coverage: float
    rms_m: tuple[float, float, float]  # along, across, depth
    ratio: tuple[float, float, float]  # along, across, level
    hand_rms_m: tuple[float, float, float]  # along, across, depth by the rule of hand
    lost: float  # share of stops not solved
    lost_silently: int  # unsolved without a reason
    mean_chi2_per_dof: float
    lines_rejected: float  # share of ten-stop lines whose χ² fails its 95 % test
    batches_rejected: float  # and of hundred-stop batches

    @property
    def misses(self) -> list[str]:
        """Return every bound this outcome misses, in words.

        The bounds are for ten thousand stops or more; fewer widen them by what chance alone does:
        the same number of standard deviations of a share, three of a root mean square.
        """
        wider = max(1.0, np.sqrt(FULL / self.stops))
        low, high = (0.95 + (edge - 0.95) * wider for edge in BAND)
        worst = WORST_RATIO + 3.0 * (np.sqrt(0.5 / self.stops) - np.sqrt(0.5 / FULL)) * (wider > 1)
        out = [
            f"{self.name}: {what} {share:.4f} outside {low:.3f}–{high:.3f}"
            for what, share in (
                ("plan ellipse", self.plan_coverage),
                ("depth", self.depth_coverage),
            )
            if not low <= share <= high
        ]
        out += [
            f"{self.name}: {axis} RMS {r:.3f} × Cramér–Rao bound, over {worst:.3f}"
            for axis, r in zip(("along", "across", "level"), self.ratio, strict=True)
            if r > worst
        ]
        if self.lost > max(WORST_LOST, 3.0 / self.stops) or self.lost_silently:
            out.append(f"{self.name}: {self.lost:.2%} of stops lost, {self.lost_silently} silently")
        return out


def prove(scenario: StopScenario, count: int, seed: int) -> Coverage:
    """Simulate and solve `count` stops of a scenario, and compare with the truth."""
    simulated = simulate(scenario, count, seed)
    fixes = solve(simulated.marks, simulated.stops, simulated.settings).fixes
    good = fixes.solved
    error = _in_axes(fixes.xyz_m - simulated.poses.xyz_m, simulated.poses.heading_rad)[good]
    depth = (fixes.depth_m - simulated.poses.depth_m)[good]
    bound = np.sqrt(np.mean(_bound(simulated)[good], axis=0))
    rms = np.sqrt(np.mean(error**2, axis=0))
    plan = (fixes.xyz_m - simulated.poses.xyz_m)[good, :2]
    distance = np.einsum("ki,kij,kj->k", plan, np.linalg.inv(fixes.cov[good, :2, :2]), plan)
    ratio = rms / bound
    hand = by_hand(simulated.marks, simulated.stops)
    hand_plan = _in_axes(hand[:, :3] - simulated.poses.xyz_m, simulated.poses.heading_rad)[:, :2]
    hand_off = np.column_stack([hand_plan, hand[:, 3] - simulated.poses.depth_m])
    hand_rms = np.sqrt(np.nanmean(hand_off**2, axis=0))
    return Coverage(
        scenario.name,
        count,
        float(np.mean(distance < ELLIPSE_95)),
        float(np.mean(np.abs(depth) < INTERVAL_95 * fixes.depth_sigma_m[good])),
        (float(rms[0]), float(rms[1]), float(np.sqrt(np.mean(depth**2)))),
        (float(ratio[0]), float(ratio[1]), float(ratio[2])),
        (float(hand_rms[0]), float(hand_rms[1]), float(hand_rms[2])),
        float(np.mean(~good)),
        int(np.sum(~good & (fixes.reason == ""))),
        float(fixes.chi2[good].sum()) / max(int(fixes.dof[good].sum()), 1),
        _rejected(fixes, PER_LINE),
        _rejected(fixes, 10 * PER_LINE),
    )


def _in_axes(error_m: Floats, heading_rad: Floats) -> Floats:
    """Return errors (k, 3) along and across the true heading, and up."""
    sin, cos = np.sin(heading_rad), np.cos(heading_rad)
    east, north, up = error_m.T
    return np.stack([east * sin + north * cos, east * cos - north * sin, up], axis=-1)


def _bound(simulated: Simulated) -> Floats:
    """Return the Cramér–Rao bound (k, 3) of along, across and level variances at the truth.

    Expected information at the noise-free marks: Jᵀ S⁻¹ J with the priors, plus what the noise's
    own dependence on the unknowns tells, ½ tr(S⁻¹ ∂S S⁻¹ ∂S) (Gaussian likelihood; Kay,
    *Fundamentals of Statistical Signal Processing: Estimation Theory*, from memory). For a lone
    end null the arc it leaves is added; see `_arc`.
    """
    exact = replace(simulated.marks, xyz_m=simulated.exact_m)
    problem = gather(exact, simulated.stops, simulated.settings).problem
    poses = simulated.poses
    p = np.vstack([poses.xyz_m.T, poses.heading_rad, poses.tilt_rad])
    matrix, _ = whiten(problem.linearise(p)).normal()
    cov = np.linalg.inv(matrix + _from_noise(problem, p))
    variance: Floats = np.einsum("kii->ki", cov)[:, :3].copy()
    variance[:, 0] += _arc(problem, p, variance[:, 1])
    return variance


def _arc(problem: StopProblem, p: Floats, across_var_m2: Floats) -> Floats:
    """Return the along-axis variance (k,) that an arc about a lone end null adds; else 0.

    The null holds the transmitter at a distance ρ, in a direction known only as well as the place
    across the axis: an error a across is one of −a²/2ρ along, of variance σ⁴/2ρ². It is of second
    order, so the Cramér–Rao bound leaves it out, and no estimator can do without it.
    """
    single = problem.tally(END) == 1
    is_end = problem.marks.kind == END
    r = problem.in_axes(p)
    square = problem.per_stop(np.where(is_end, r[0] ** 2 + r[1] ** 2, 0.0))
    return np.where(single, across_var_m2**2 / (2.0 * np.maximum(square, 1e-6)), 0.0)


def _from_noise(problem: StopProblem, p: Floats, h: float = 1e-4) -> Floats:
    """Return ½ tr(S⁻¹ ∂ᵢS S⁻¹ ∂ⱼS) (k, 5, 5) of the marks and readings, by central differences."""
    at = problem.linearise(p)
    s = _matrices(at.mark_s)
    inverse = np.linalg.inv(s)
    slopes, own = [], []
    for i in range(5):
        step = np.zeros_like(p)
        step[i] = h
        ahead, behind = (problem.linearise(problem.advance(p, d)) for d in (step, -step))
        slopes.append(inverse @ ((_matrices(ahead.mark_s) - _matrices(behind.mark_s)) / (2 * h)))
        with np.errstate(invalid="ignore"):
            change = (ahead.own_var - behind.own_var) / (2 * h) / at.own_var
        own.append(np.where(np.isfinite(change), change, 0.0))
    by_mark = np.stack(slopes)
    information = 0.5 * np.einsum("inab,jnba->nij", by_mark, by_mark)
    by_own = np.stack(own)
    out = np.zeros((p.shape[1], 5, 5))
    np.add.at(out, problem.of_stop, information)
    return np.asarray(out + 0.5 * np.einsum("iqk,jqk->kij", by_own, by_own))


def _matrices(s: Floats) -> Floats:
    return np.moveaxis(np.array([[s[0], s[1]], [s[1], s[2]]]), -1, 0)


def _rejected(fixes: Fixes, together: int) -> float:
    """Return the share of runs of that many stops whose summed χ² fails its 95 % test."""
    whole = len(fixes.chi2) // together * together
    value = np.nansum(fixes.chi2[:whole].reshape(-1, together), axis=1)
    dof = fixes.dof[:whole].reshape(-1, together).sum(axis=1)
    tested = dof > 0
    if not tested.any():
        return float("nan")
    return float(np.mean(chi2.sf(value[tested], dof[tested]) < 0.05))


# ---- the rule of hand -----------------------------------------------------------------------


def by_hand(marks: Marks, stops: StopRows, *, squared: bool = False) -> Floats:
    """Return east, north, level and depth (k, 4) of every stop by the rule of hand.

    The stop's depth reading stands in where there are not two end nulls; NaN where nothing does.
    `squared` is the rule at its best: the mid mark is good along the pipe and poor across it, so
    with two end nulls its place is where a square from it meets the line between them.
    """
    key = {(r, s): i for i, (r, s) in enumerate(zip(stops.run, stops.stop, strict=True))}
    of_stop = np.array([key[k] for k in zip(marks.run, marks.stop, strict=True)])
    ends = _outer(marks, of_stop, len(stops.run))
    mid = _mean(marks.xyz_m, of_stop, marks.kind == "mid_null", len(stops.run))
    peak = np.isin(marks.kind, ("peak_total", "peak_axial"))
    strongest = _mean(marks.xyz_m, of_stop, peak, len(stops.run))
    spot = np.where(np.isfinite(mid), mid, strongest)
    spot = np.where(np.isfinite(spot), spot, ends.mean(axis=1))
    between = ends[:, 1] - ends[:, 0]
    separation = np.linalg.norm(between, axis=1)
    if squared:
        spot = np.where(separation[:, None] > 0.0, _squared(spot, ends[:, 0], between), spot)
    depth = np.where(separation > 0.0, separation / np.sqrt(2.0), stops.depth_reading_m)
    return np.column_stack([spot[:, :2], spot[:, 2] - depth, depth])


def _squared(spot: Floats, foot: Floats, way: Floats) -> Floats:
    """Return where a square from each spot (k, 3), in plan, meets the line from `foot` along `way`.

    NaN where the line has no length.
    """
    reach = np.sum((spot - foot)[:, :2] * way[:, :2], axis=1)
    length2 = np.sum(way[:, :2] ** 2, axis=1)
    share = reach / np.where(length2 > 0.0, length2, np.nan)
    return np.asarray(foot + share[:, None] * way)


def _mean(xyz_m: Floats, of_stop: Ints, chosen: Flags, size: int) -> Floats:
    count = np.bincount(of_stop[chosen], minlength=size)
    total = np.stack(
        [np.bincount(of_stop[chosen], weights=c[chosen], minlength=size) for c in xyz_m.T], axis=1
    )
    return np.asarray(total / np.where(count, count, np.nan)[:, None])


def _outer(marks: Marks, of_stop: Ints, size: int) -> Floats:
    """Return the first and the last end null of each stop (k, 2, 3)."""
    out = np.full((size, 2, 3), np.nan)
    index = np.flatnonzero(marks.kind == "end_null")
    out[of_stop[index][::-1], 0] = marks.xyz_m[index[::-1]]
    out[of_stop[index], 1] = marks.xyz_m[index]
    return out
