"""How many misread counters any test could name at best, if it accuses few lines falsely.

A bound, not an estimate. Whoever tests is told the pipe itself: where it runs, every bend and every
level. Unknown is then how far along it each stop stands, how the transmitter leans in it, and zero
and scale of the counter; what marks, depth readings and counters say of these is normal, with the
accuracies by which the world is simulated. Knowing less can only make tests weaker.

Of a reading wrong by b, its error freed has σ_b, and the likelihood ratio of right and wrong tells
the two apart as two normal distributions b / σ_b apart. The most are named, for so many accused
lines, where that ratio, times how often this reading is the wrong one, is over one limit common to
all (Neyman and Pearson's lemma, from memory). Each of a line's readings is wrong equally often, by
+b and −b, and what is named is counted as if no other reading were in its way.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import log

import numpy as np
from scipy.optimize import brentq
from scipy.stats import norm

from lateralline.kernels.lsq import whiten
from lateralline.proof.world_survey import BLUNDER_M, INNER, SurveyedLine
from lateralline.records import Floats
from lateralline.solve.gather import gather
from lateralline.stages import SiteResult


def apart(line: SurveyedLine, built: SiteResult) -> Floats:
    """Return b / σ_b of each reading (k,) that may be misread by b; `built` at least placed."""
    accuracy = built.work["record"].settings.accuracy
    travel = line.site.travel_m
    at = np.concatenate([travel, line.sight_travel_m])
    order = np.argsort(at)
    slip = np.empty_like(at)
    slip[order] = np.cumsum((accuracy.counter_ratio * np.diff(at[order], prepend=0.0)) ** 2)
    slip = slip[: len(travel)]
    arm = accuracy.counter_scale_ratio * (travel - travel.mean())
    cov = np.diag(_along_variance_m2(line, built) + accuracy.counter_m**2)
    cov += np.minimum.outer(slip, slip) + np.outer(arm, arm)
    weight = np.linalg.inv(cov)
    of_zero = weight.sum(axis=1)
    told = np.diag(weight) - of_zero**2 / of_zero.sum()
    return np.asarray(BLUNDER_M * np.sqrt(told)[INNER])


def best_named(lines: Sequence[Floats], accused: float) -> float:
    """Return the share named at best of one misread reading a line, given `apart` of each line.

    `accused`: share of lines without one of which some reading may be named.
    """
    d = np.concatenate(lines)
    chance = np.concatenate([np.full(len(one), 0.5 / len(one)) for one in lines])

    def limit(level: float) -> Floats:
        return np.asarray((level - np.log(chance)) / d + d / 2.0)

    def too_many(level: float) -> float:
        return float(2.0 * norm.sf(limit(level)).sum() / len(lines) - accused)

    level = brentq(too_many, -50.0 + log(accused), 200.0)
    return float((2.0 * chance * norm.sf(limit(level) - d)).sum() / len(lines))


def _along_variance_m2(line: SurveyedLine, built: SiteResult) -> Floats:
    """Return how well marks and depth reading tell where along a known pipe each stop (k,) is."""
    record, placed = built.work["record"], built.work["placed"]
    accuracy, path = record.settings.accuracy, line.site.path
    row = path.row(line.site.travel_m)
    heading, tilt = path.heading_rad[row], path.tilt_rad[row]
    leans = replace(accuracy, tilt_measured_rad=accuracy.axis_tilt_rad)  # about the pipe's own tilt
    stops = replace(record.stops, tilt_rad=tilt)
    problem = gather(placed.marks, stops, replace(record.settings, accuracy=leans)).problem
    east, north, up = placed.frame.to_local(*line.stop_xyz_m.T).T
    matrix, _ = whiten(problem.linearise(np.stack([east, north, up, heading, tilt]))).normal()
    matrix[:, 3, 3] += accuracy.axis_heading_rad**-2
    free = np.zeros((len(tilt), 5, 3))  # along the pipe, heading, tilt
    free[:, 0, 0], free[:, 2, 0] = np.cos(tilt), np.sin(tilt)
    free[:, 3, 1] = free[:, 4, 2] = 1.0
    return np.asarray(np.linalg.inv(free.transpose(0, 2, 1) @ matrix @ free)[:, 0, 0])
