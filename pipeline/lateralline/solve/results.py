"""From a solution to records: fixes with honest covariance, and the test of each mark."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np

from lateralline.kernels.conditions import by_field_turn
from lateralline.kernels.lsq import reliability, shared_within, whiten
from lateralline.kernels.network import W_DETECTABLE
from lateralline.proportions import MOST_DEPTH_M
from lateralline.records import Fixes, Flags, Floats, Ints, MarkResults, Marks, StopRows
from lateralline.solve.covariance import (
    HEADING,
    UP,
    Averaged,
    average,
    shared_shifts,
    turn_matrix,
    with_left_out,
)
from lateralline.solve.gather import NEIGHBOUR_SIGMA_RAD, UNKNOWN_SIGMA_RAD, UNSOLVED, Gathered
from lateralline.solve.modes import REJECT, Modes
from lateralline.solve.problem import MID
from lateralline.solve.scale import ReceiverScale

#: Beyond this a blunder is not called detectable at all.
UNDETECTABLE_M = 100.0
#: A heading that is only guessed moves its fix by no more than this a radian, or is part of it.
MOST_SWING_M = 0.15
#: How far below zero rounding may carry an eigenvalue of a correlation.
ROUNDING = 1e-6

#: Why the heading of a stop is weak, by the variant of its finding.
WEAK = {
    "neighbours": "no end null was found: the heading is only guessed from the neighbouring stops",
    "alone": "no end null and no neighbour: nothing tells the heading",
    "upright": "the transmitter stands almost upright: its marks tell no heading",
    "chosen": "a lone end null has the transmitter on either side; the neighbours chose",
}
TWO_SIDES = "a lone end null has the transmitter on either side, and nothing tells which"
CONTRADICT = "its marks contradict one another: no transmitter explains them all"


@dataclass(frozen=True, slots=True)
class Fitted:
    """The stops as they were solved, and how their marks fit."""

    marks: Marks
    stops: StopRows
    gathered: Gathered
    scale: ReceiverScale
    modes: Modes
    fixes: Fixes
    results: MarkResults


def fitted(
    marks: Marks, stops: StopRows, gathered: Gathered, scale: ReceiverScale, modes: Modes
) -> Fitted:
    """Return solved modes with the fixes and mark results that follow from them."""
    shared_m = marks.shared_m if len(marks.shared_m) else np.zeros((len(marks.row), 3, 0))
    by_gnss = np.zeros(len(stops.row), dtype=np.bool_)
    by_gnss[gathered.stop] = gathered.all_marks(marks.method == "gnss")
    fixes = _fixes(gathered, modes, stops, shared_m, scale, by_gnss)
    return Fitted(marks, stops, gathered, scale, modes, fixes, _mark_results(modes, len(marks.row)))


def _fixes(
    gathered: Gathered,
    modes: Modes,
    stops: StopRows,
    shared_m: Floats,
    scale: ReceiverScale,
    by_gnss: Flags,
) -> Fixes:
    """Return one fix per row of stops; NaN where there is no solution, with the reason.

    shared_m (n, 3, c) is what errors shared through the site do to the marks.
    """
    size, at = len(stops.row), gathered.stop
    problem, chosen = modes.problem, modes.chosen
    averaged = average(problem, chosen)
    p, site_cov = averaged.p, averaged.cov
    ground = problem.ground(p)
    heading, tilt, flipped = _wrapped(p[3], p[4])
    sound = _sound(p, site_cov, averaged)
    site_cov[~sound] = np.nan
    shared, left_out = shared_shifts(problem, chosen, shared_m, scale.group, len(scale.value))
    site_cov = with_left_out(site_cov, left_out)
    site_cov[:, UP, UP] += problem.stops.aerial_sigma_m**2
    by_slope = shared[:, :, shared_m.shape[2] :][:, :, :2]
    metal = stops.metal if len(stops.metal) else np.zeros(size, dtype=np.bool_)
    accuracy = problem.accuracy
    turn = np.where(metal[at], accuracy.field_turn_metal_rad, accuracy.field_turn_rad)
    by_turn = by_field_turn(averaged.depth_m, p[3]) * turn[:, None, None]
    not_weighed = np.concatenate([by_slope, by_turn], axis=2)
    site_cov += not_weighed @ np.swapaxes(not_weighed, 1, 2)
    site_cov[flipped, 4, :4] *= -1.0
    site_cov[flipped, :4, 4] *= -1.0
    shared[flipped, 4] *= -1.0
    shared = shared_within(site_cov, shared)

    status = np.full(size, "not_located", dtype="<U13")
    reason = gathered.reason.copy()
    status[at] = "located"
    lone = problem.stops.heading_sigma_rad >= UNKNOWN_SIGMA_RAD
    guessed = ~gathered.heading_observed & ~modes.steep
    upright = modes.steep & (chosen.cov[:, 3, 3] > NEIGHBOUR_SIGMA_RAD**2)
    two = np.isfinite(modes.rival[0])
    swing = np.abs(chosen.cov[:, 1, HEADING]) / chosen.cov[:, HEADING, HEADING]
    aside = np.swapaxes(turn_matrix(p[3]), 1, 2) @ not_weighed
    axis_var = np.einsum("kii->ki", chosen.cov + aside @ np.swapaxes(aside, 1, 2))
    axis_sigma = np.sqrt(axis_var[:, :2])
    axis_sigma[~guessed | (swing > MOST_SWING_M)] = np.nan
    for those, word, why in (
        (guessed, "weak", WEAK["neighbours"]),
        (guessed & lone, "weak", WEAK["alone"]),
        (upright, "weak", WEAK["upright"]),
        (two & modes.settled, "weak", WEAK["chosen"]),
        (chosen.likelihood(problem.dof) < REJECT, "weak", CONTRADICT),
        (two & ~modes.settled, "two_positions", TWO_SIDES),
        (~chosen.converged, "not_located", UNSOLVED["diverged"]),
        (chosen.converged & (ground <= p[2]), "not_located", UNSOLVED["above"]),
        (chosen.converged & (averaged.depth_m > MOST_DEPTH_M), "not_located", UNSOLVED["deep"]),
        (chosen.converged & ~sound, "not_located", UNSOLVED["unsound"]),
    ):
        status[at[those]], reason[at[those]] = word, why
    good = status != "not_located"
    assumed = np.isnan(stops.tilt_rad[at]) & ~modes.steep

    def spread(values: Floats) -> Floats:
        out = np.full((size, *values.shape[1:]), np.nan)
        out[at] = values
        out[~good] = np.nan
        return out

    def count(values: Ints) -> Ints:
        out = np.zeros(size, dtype=np.int64)
        out[at] = values
        return out

    return Fixes(
        run=stops.run,
        stop=stops.stop,
        row=stops.row,
        file=stops.file,
        counter_m=stops.counter_m,
        xyz_m=spread(p[:3].T),
        heading_rad=spread(heading),
        tilt_rad=spread(tilt),
        cov=spread(site_cov),
        ground_m=spread(ground),
        depth_m=spread(averaged.depth_m),
        depth_sigma_m=spread(
            np.hypot(np.sqrt(averaged.depth_var_m2), problem.stops.aerial_sigma_m)
        ),
        chi2=spread(chosen.objective),
        dof=count(problem.dof),
        status=status,
        reason=reason,
        marks_used=count(problem.count),
        tilt_prior_rad=spread(np.where(assumed, problem.stops.tilt_sigma_rad, np.nan)),
        shared=spread(shared),
        by_gnss=by_gnss,
        axis_sigma_m=spread(axis_sigma),
        metal=metal,
    )


def _sound(p: Floats, cov: Floats, averaged: Averaged) -> Flags:
    """True (k,) where a fix is finite and its covariance is one: no direction has less than none.

    Fixes a hand's breadth under the ground may have neither: what the weights leave out of their
    depth is then more than what they hold.
    """
    sound = np.isfinite(averaged.depth_m) & np.isfinite(averaged.depth_var_m2)
    sound &= np.isfinite(p).all(axis=0) & np.isfinite(cov).all(axis=(1, 2))
    variance = np.einsum("kii->ki", cov)
    sound &= (variance > 0.0).all(axis=1)
    sigma = np.sqrt(np.where(sound[:, None], variance, 1.0))
    unit = np.where(sound[:, None, None], cov, np.eye(5)) / (sigma[:, :, None] * sigma[:, None])
    return np.asarray(sound & (np.linalg.eigvalsh(unit)[:, 0] > -ROUNDING))


def _wrapped(heading_rad: Floats, tilt_rad: Floats) -> tuple[Floats, Floats, Flags]:
    """Return headings in [0, 2π) and tilts in [−π/2, π/2], and where a tilt went over the top."""
    tilt = np.remainder(tilt_rad + np.pi, 2.0 * np.pi) - np.pi
    over = np.abs(tilt) > 0.5 * np.pi
    tilt = np.where(over, np.copysign(np.pi, tilt) - tilt, tilt)
    heading = np.where(over, heading_rad + np.pi, heading_rad)
    return np.remainder(heading, 2.0 * np.pi), tilt, over


def _mark_results(modes: Modes, size: int) -> MarkResults:
    """Return residual, test and reliability of each of size marks; NaN where not used."""
    problem, chosen = modes.problem, modes.chosen
    index = problem.marks.row
    out = MarkResults(
        used=np.zeros(size, dtype=bool),
        residual_m=np.full(size, np.nan),
        std_residual=np.full(size, np.nan),
        redundancy=np.full(size, np.nan),
        smallest_blunder_m=np.full(size, np.nan),
        residual_along_m=np.full(size, np.nan),
        residual_across_m=np.full(size, np.nan),
        along_sigma_m=np.full(size, np.nan),
        across_sigma_m=np.full(size, np.nan),
        chi2_share=np.full(size, np.nan),
    )
    if not len(index):
        return out
    at = problem.linearise(chosen.p)
    white = whiten(at)
    by_mark = problem.by_position(chosen.p)[:, :2]
    tested = reliability(white, chosen.cov, problem.count, problem.rows)
    out.used[index] = np.repeat(chosen.converged, problem.count)
    out.residual_m[index] = _offset(at.mark_f, by_mark, problem.marks.kind == MID)
    off, sigma = _in_metres(at.mark_f, at.mark_s, by_mark, problem.rows == 1)
    over = np.repeat(_wrapped(chosen.p[3], chosen.p[4])[2], problem.count)
    out.residual_along_m[index], out.residual_across_m[index] = np.where(over, -off, off)
    out.along_sigma_m[index], out.across_sigma_m[index] = sigma
    out.chi2_share[index] = np.sum(white.mark_f**2, axis=0)
    out.std_residual[index] = tested.std_residual
    out.redundancy[index] = tested.redundancy
    shift = whiten(replace(at, mark_j=by_mark)).mark_j
    power = np.einsum("qin,qrn,rjn->nij", shift, tested.free, shift, optimize=True)
    weakest = np.linalg.eigvalsh(power)[:, 0]
    one_row = problem.rows == 1  # it tests one direction only: along the axis
    weakest = np.where(one_row, np.einsum("nii->n", power), weakest)
    with np.errstate(divide="ignore", invalid="ignore"):
        smallest = W_DETECTABLE / np.sqrt(weakest)
    out.smallest_blunder_m[index] = np.where(smallest < UNDETECTABLE_M, smallest, np.nan)
    for f in fields(out):
        if f.name != "used":
            getattr(out, f.name)[~out.used] = np.nan
    return out


def _in_metres(f: Floats, s: Floats, by_mark: Floats, one: Flags) -> tuple[Floats, Floats]:
    """Return residuals (2, n) of marks on the ground along and across, and σ (2, n) of each.

    F⁻¹ f and F⁻¹ S F⁻ᵀ, F the derivative (2, 2, n) of both conditions by the mark, S their
    covariance s11, s12, s22 (3, n). A mark of one condition answers along the axis alone.
    """
    (a, b), (c, d) = by_mark
    with np.errstate(divide="ignore", invalid="ignore"):
        inverse = np.stack([[d, -b], [-c, a]]) / (a * d - b * c)
        off = np.einsum("ijn,jn->in", inverse, f)
        noise = np.stack([[s[0], s[1]], [s[1], s[2]]])
        sigma = np.sqrt(np.einsum("ijn,jkn,ikn->in", inverse, noise, inverse))
        off[0, one], sigma[0, one] = (f[0] / a)[one], (np.sqrt(s[0]) / np.abs(a))[one]
    off[1, one], sigma[1, one] = np.nan, np.nan
    return off, sigma


def _offset(f: Floats, by_mark: Floats, mid: Flags) -> Floats:
    """Return how far (n,) each mark lies from where the solution puts its spot, in plan.

    The shortest move δ with f + (∂f/∂mark) δ = 0; a mid null answers for its one condition.
    """
    a, b, c, d = by_mark[0, 0], by_mark[0, 1], by_mark[1, 0], by_mark[1, 1]
    with np.errstate(divide="ignore", invalid="ignore"):
        det = a * d - b * c
        both = np.hypot(d * f[0] - b * f[1], a * f[1] - c * f[0]) / np.abs(det)
        one = np.abs(f[0]) / np.hypot(a, b)
    return np.asarray(np.where(mid, one, both))
