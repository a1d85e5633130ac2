"""Every shape of a line that its data leave plausible: a Gaussian-sum filter along the pipe.

From one located point to the next the pipe is straight but for its wander, bends once at any place
by any angle, or twice. Each sequence of such shapes is a hypothesis; given one, positions,
directions, counters and shared errors are normal, linearised about themselves, and each point
updates them with its own covariance. A hypothesis weighs what its shapes are expected to be worth
beforehand times what it predicted of the data. A point may be poor, and it or a counter reading
wrong altogether: then it says little, and the hypothesis pays for it.

Metal nearby turns the field, and neighbouring points alike: a little everywhere, with a memory of
some metres (an autoregressive error), and much beside steel. Where steel begins and ends nobody
knows; being beside it is part of a hypothesis as its shapes are.

The state of a hypothesis: pose of the pipe (`kernels.legs`), zero and scale of each run's counter,
shared errors, the turn of the field (two components). What a stretch adds, its legs, is no part of
it; where it is sampled (`paths`) the legs follow from the states at both its ends.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import log, radians
from typing import Final, NamedTuple, TypeAlias

import numpy as np

from lateralline.kernels.curves import wrap
from lateralline.kernels.expected import AGAIN, FREE_RAD, HELD_RAD, SHARES, TILT_WANDER_RAD
from lateralline.kernels.legs import (
    HEADING,
    LEGS,
    LENGTH,
    POSE,
    RISE,
    RISE_2,
    SHARE,
    SHARE_2,
    TILT,
    TOTAL,
    TURN,
    TURN_2,
    advance,
    shortening,
)
from lateralline.link.path_looks import (
    POOR_SHARE,
    WRONG_SHARE,
    Look,
    PathData,
    Viewpoint,
    doubted_noises,
    evidence_of,
    spread_of_state,
    updated_by,
    weighed,
)
from lateralline.records import Floats, Ints

#: Steel beside a pipe: how far it goes, and how the field's turn changes along it over √m; metres
#: over which small turns are alike. Common practice, no source.
STEEL_M: Final = 4.0
DRIFT_RAD: Final = radians(1.5)
ALIKE_M: Final = 4.0
#: Hypotheses kept at a point, and how much lighter than the heaviest the lightest may be (ln).
MOST: Final = 64
LIGHTEST: Final = 10.0
#: Two bends one above the other are tried where the rest leaves this χ² over its degrees of
#: freedom; other rare shapes, and a wrong reading, already where it leaves what chance expects:
#: of a wrong one the points behind tell as much as those before. Shapes only by hypotheses that are
#: not this much (ln) lighter than the heaviest.
UNEXPLAINED: Final = 6.0
_EXPECTED: Final = -1.0
_HEAVY: Final = 5.0
#: Times a stretch is linearised about what the next point says of it.
_ITERATIONS: Final = 3
#: A radius takes off its length what half of the bends would, and that uncertain.
ROUND, ROUND_SIGMA = 0.35, 0.35

KINDS: Final = ("straight", "bend", "oblique", "two_bends")
#: Kind, and the side to which the first of two bends turns at the start: aside, or up. Of two bends
#: so many are each: going upstream a drop rises first, and hardly a pipe is laid the other way.
#: Common practice, no source.
_OF_TWO: Final = {(1, 0): 0.2, (-1, 0): 0.2, (0, 1): 0.5, (0, -1): 0.1}
_Shapes: TypeAlias = Sequence[tuple[int, tuple[int, int]]]
_COMMON: Final = ((0, (0, 0)), (1, (0, 0)))
_RARE: Final = ((2, (0, 0)), (3, (1, 0)), (3, (-1, 0)))
_STEEP: Final = ((3, (0, 1)), (3, (0, -1)))
_OFFSET_RAD: Final = radians(35.0)
_NONE: Final[Ints] = np.zeros(0, dtype=np.int64)
#: Beside steel (1) or not (0): before and after a stretch.
_Changes: TypeAlias = Sequence[tuple[int, int]]
_STAYS: Final = ((0, 0), (1, 1))
_LEAVES: Final = ((1, 0),)
_ENTERS: Final = ((0, 1),)


@dataclass(frozen=True, slots=True, eq=False)
class Hypotheses:
    """Hypotheses (m,) at one point, with how each came there from the point before."""

    parent: Ints
    kind: Ints  # of the stretch before, index into `KINDS`
    wrong: Ints  # 0 nothing | 1 the point | 2 its counter | 3 the point is poor
    steel: Ints  # 1 beside steel
    keeps: Floats  # of the turn before, the part that is left
    log_weight: Floats
    state: Floats  # (m, n)
    cov: Floats  # (m, n, n)
    predicted: Floats  # (m, n) before the point was looked at
    predicted_cov: Floats  # (m, n, n)
    legs: Floats  # (m, 7) expected
    legs_cov: Floats  # (m, 7, 7)
    by_pose: Floats  # (m, 6, 6)
    by_legs: Floats  # (m, 6, 7)

    def only(self, rows: Ints) -> Hypotheses:
        """The same with these rows alone."""
        return Hypotheses(*(getattr(self, name)[rows] for name in self.__slots__))

    @staticmethod
    def joined(parts: Sequence[Hypotheses]) -> Hypotheses:
        """All of several together."""
        names = Hypotheses.__slots__
        return Hypotheses(*(np.concatenate([getattr(p, name) for p in parts]) for name in names))


@dataclass(frozen=True, slots=True, eq=False)
class Filtered:
    """The hypotheses at each point, given all points up to it, and how well they foretold it."""

    steps: list[Hypotheses]
    log_evidence: float
    surprise: float  # χ² of the likeliest less its degrees of freedom, over points


def filtered(data: PathData) -> Filtered:
    """Return what becomes of a line's hypotheses from its first point to its last."""
    steps = [_begun(data)]
    told = [_next(data, point, steps) for point in range(1, len(data.seen))]
    evidence, surprise = np.sum(told, axis=0) if told else (0.0, 0.0)
    return Filtered(steps, float(evidence), float(surprise) / max(len(told), 1))


# ---- the first point -----------------------------------------------------------------------


def _begun(data: PathData) -> Hypotheses:
    """Return the hypotheses at the first point: away from steel and, where it may be, beside it."""
    n, runs = data.size, len(data.readings_m)
    state, variance = np.zeros((1, n)), np.ones(n)
    state[0, :5] = np.where(data.observed[0], data.seen[0], 0.0)
    chord = data.seen[1, :2] - data.seen[0, :2]
    variance[:POSE] = [1e4, 1e4, 1e4, FREE_RAD**2, HELD_RAD**2 * 4, 1e-12]
    if data.observed[0, HEADING]:
        variance[[HEADING, TILT]] = radians(90.0) ** 2, radians(30.0) ** 2
    else:
        state[0, HEADING] = np.arctan2(chord[0], chord[1])
    for run in range(runs):
        read = data.readings_m[run][np.isfinite(data.readings_m[run])]
        state[0, POSE + 2 * run : POSE + 2 * run + 2] = read[0], 1.0
        variance[POSE + 2 * run : POSE + 2 * run + 2] = 1e6, data.counter_scale_ratio**2
    beside = 0.5 if data.steel[0] else data.steel_per_m / (data.steel_per_m + 1.0 / STEEL_M)
    chance = np.array([1.0 - beside, beside])
    steel = np.flatnonzero(chance)
    m = len(steel)
    state, cov = np.repeat(state, m, axis=0), np.repeat(np.diag(variance)[None], m, axis=0)
    turns = np.square(data.turns_rad)[steel, None, None] * np.eye(2)
    cov[:, data.turn, data.turn] = turns + 1e-12 * np.eye(2)
    look = Viewpoint(data, 0).look(state)
    updated = updated_by(state, cov, look)
    weight = evidence_of(spread_of_state(cov, look)[0] + look.noise, look) + np.log(chance[steel])
    none, zero = np.zeros(m, dtype=np.int64), np.zeros
    return Hypotheses(
        parent=none,
        kind=none,
        wrong=none,
        steel=steel,
        keeps=zero(m),
        log_weight=weight - np.logaddexp.reduce(weight),
        state=updated.state,
        cov=updated.cov,
        predicted=state,
        predicted_cov=cov,
        legs=zero((m, LEGS)),
        legs_cov=zero((m, LEGS, LEGS)),
        by_pose=zero((m, POSE, POSE)),
        by_legs=zero((m, POSE, LEGS)),
    )


# ---- from one point to the next ------------------------------------------------------------


def _next(data: PathData, point: int, steps: list[Hypotheses]) -> tuple[float, float]:
    """Add the hypotheses at the next point, lightest left out, to those before.

    Return ln of the density they foretold, and by how much χ² of the heaviest exceeds its degrees
    of freedom.
    """
    before = steps[-1]
    known = [d for d in np.diff(data.readings_m[:, point - 1 : point + 1])[:, 0] if np.isfinite(d)]
    chord_m = float(np.linalg.norm(data.seen[point, :3] - data.seen[point - 1, :3]))
    length_m = max(abs(known[0]) if known else chord_m, 0.05)
    every = np.arange(len(before.kind))
    first = _tried(data, point, before, [(every, _COMMON, _STAYS + _LEAVES)], length_m)
    best = np.full(len(every), np.inf)
    np.minimum.at(best, first.rows, first.chi2)
    best -= data.observed[point].sum()
    surprise = best[before.log_weight.argmax()] - np.isfinite(data.readings_m[:, point]).sum()
    heavy = before.log_weight > before.log_weight.max() - _HEAVY
    steel_unseen = -np.inf if data.steel[point] or data.steel_per_m else np.inf
    rare = [
        (np.flatnonzero(heavy & (best > least)), shapes, changes)
        for least, shapes, changes in (
            (_EXPECTED, _RARE, _STAYS),
            (UNEXPLAINED, _STEEP, _STAYS),
            (steel_unseen, _COMMON, _ENTERS),
        )
    ]
    second = _tried(data, point, before, rare, length_m)
    weight = np.concatenate([first.log_weight, second.log_weight])
    weight = np.where(np.isfinite(weight), weight, -np.inf)
    order = np.argsort(-weight, kind="stable")[:MOST]
    kept = order[weight[order] > weight[order[0]] - LIGHTEST]
    total = np.logaddexp.reduce(weight[kept])
    of_first = kept < len(first.log_weight)
    parts = (first.only(kept[of_first]), second.only(kept[~of_first] - len(first.log_weight)))
    by_weight = np.argsort(np.argsort(~of_first, kind="stable"))
    all_kept = Hypotheses.joined([h for h in parts if h is not None]).only(by_weight)
    steps.append(replace(all_kept, log_weight=weight[kept] - total))
    return float(total), float(surprise)


class _Tried(NamedTuple):
    """Shapes tried of a stretch, and what each hypothesis (h,) weighs, wrong readings and all."""

    stretch: _Transition | None  # None where nothing was tried
    of: Ints  # (h,) of the stretch's rows
    wrong: Ints  # (h,)
    noise: Floats  # (h, q, q) of the look at the next point
    log_weight: Floats  # (h,)

    @property
    def rows(self) -> Ints:
        """Rows (m,) of the hypotheses before."""
        return _NONE if self.stretch is None else self.stretch.rows

    @property
    def chi2(self) -> Floats:
        """χ² (m,) of each row, nothing wrong."""
        return np.zeros(0) if self.stretch is None else self.stretch.chi2

    def only(self, kept: Ints) -> Hypotheses | None:
        """What becomes of these hypotheses alone: most weigh too little to be worth working out."""
        if self.stretch is None:
            return None
        return self.stretch.hypotheses(self.of[kept], self.noise[kept], self.wrong[kept])


def _tried(
    data: PathData,
    point: int,
    before: Hypotheses,
    asked: Sequence[tuple[Ints, _Shapes, _Changes]],
    length_m: float,
) -> _Tried:
    """Return what becomes of hypotheses under shapes, beside steel or not.

    `asked` are rows of hypotheses, what shapes they are tried under and what changes.
    """
    seen = bool(data.steel[point])
    parts = [
        (here, (kind, *side, now), _change(was, now, length_m, data.steel_per_m, seen))
        for rows, shapes, changes in asked
        for kind, side in shapes
        for was, now in changes
        if len(here := rows[before.steel[rows] == was])
    ]
    if not parts:
        return _Tried(None, _NONE, _NONE, np.zeros((0, 0, 0)), np.zeros(0))
    count = [len(here) for here, _, _ in parts]
    of = np.concatenate([here for here, _, _ in parts])
    made = np.repeat(np.array([each for _, each, _ in parts]), count, axis=0)
    kind, side, steel = made[:, 0], made[:, 1:3], made[:, 3]
    among = [log(SHARES[KINDS[k]] * _OF_TWO.get((e, n), 1.0)) if k else 0.0
             for _, (k, e, n, _), _ in parts]  # fmt: skip
    rate = data.bends_per_m * length_m * np.where(before.kind[of] > 0, AGAIN, 1.0)
    shape = np.where(kind > 0, np.log(-np.expm1(-rate)) + np.repeat(among, count), -rate)
    prior = before.log_weight[of] + np.repeat([each for *_, each in parts], count) + shape
    stretch = _Transition(data, point, before, of, length_m, kind, side, steel)
    for _ in range(_ITERATIONS - 1):
        stretch.linearise()
        stretch.move()
    stretch.linearise()
    every, look = np.arange(len(of)), stretch.look
    bad = np.flatnonzero(stretch.chi2 > _EXPECTED + look.off.shape[1])
    rows, noises = [every], [look.noise]
    weights = [prior + log(1 - 2 * WRONG_SHARE - POOR_SHARE)]
    wrongs = [np.zeros(len(of), dtype=np.int64)]
    for wrong, (share, noise) in enumerate(doubted_noises(data, point, look.noise[bad]), 1):
        if len(bad) and noise is not None:
            rows.append(bad)
            noises.append(noise)
            weights.append(prior[bad] + log(share))
            wrongs.append(np.full(len(bad), wrong))
    chosen, noise = np.concatenate(rows), np.concatenate(noises)
    weight = np.concatenate(weights) + stretch.evidence(chosen, noise)
    return _Tried(stretch, chosen, np.concatenate(wrongs), noise, weight)


def _change(was: int, now: int, length_m: float, steel_per_m: float, seen: bool) -> float:
    """Return ln of the chance of being beside steel or not, given the same of the point before.

    `seen`: somebody saw metal there.
    """
    if seen and not was:
        return log(0.5)
    rate = length_m / STEEL_M if was else steel_per_m * length_m
    return -rate if was == now else log(-np.expm1(-rate))


class _Transition:
    """Shapes of one stretch for hypotheses (m,), linearised about what the next point says."""

    def __init__(
        self,
        data: PathData,
        point: int,
        before: Hypotheses,
        rows: Ints,
        length_m: float,
        kind: Ints,
        side: Ints,
        steel: Ints,
    ) -> None:
        """Begin: rows, kind and steel (m,), side (m, 2) of the first of two bends."""
        self.data, self.point, self.kind, self.rows = data, point, kind, rows
        self.steel, self.viewpoint = steel, Viewpoint(data, point)
        self.once, self.twice = (kind == 1) | (kind == 2), kind == 3
        self.state, self.cov = before.state[rows], before.cov[rows]
        m, n = self.state.shape
        self.legs, variance = np.zeros((2, m, LEGS))
        self.noise_cov, self.short = np.zeros((m, n, n)), np.zeros(m)
        self.legs[:, TOTAL], self.legs[:, SHARE] = length_m, 0.5
        self.legs[self.twice, SHARE] = self.legs[self.twice, SHARE_2] = 1 / 3
        variance[:, TOTAL] = (0.5 * length_m + 0.3) ** 2
        variance[self.once, SHARE], variance[self.once, TURN] = 1 / 12, FREE_RAD**2
        variance[self.once, RISE] = np.where(kind[self.once] == 2, FREE_RAD, HELD_RAD) ** 2
        variance[self.twice, SHARE] = variance[self.twice, SHARE_2] = 1 / 18
        aside, up = np.where(side[self.twice], FREE_RAD, HELD_RAD).T ** 2
        variance[self.twice, TURN] = variance[self.twice, TURN_2] = aside
        variance[self.twice, RISE] = variance[self.twice, RISE_2] = up
        self.legs_cov = variance[:, :, None] * np.eye(LEGS)
        self.legs_cov[self.twice, SHARE, SHARE_2] = -1 / 36
        self.legs_cov[self.twice, SHARE_2, SHARE] = -1 / 36
        self.legs_at, self.state_at = self.legs.copy(), self.state.copy()
        self._start(side, length_m)
        self._wander(length_m)
        alike = np.where(steel, 1.0, np.exp(-length_m / ALIKE_M))
        grown = np.where(
            steel,
            DRIFT_RAD**2 * length_m,
            np.square(data.turns_rad[0]) * (1.0 - alike**2),
        )
        stays = before.steel[rows] == steel
        self.keeps = np.where(stays, alike, 0.0)
        grown = np.where(stays, grown, np.square(data.turns_rad)[steel])
        self.noise_cov[:, data.turn, data.turn] += (grown + 1e-12)[:, None, None] * np.eye(2)

    def _start(self, side: Ints, length_m: float) -> None:
        """Begin where the next point's position and direction put the bends."""
        seen, observed = self.data.seen[self.point], self.data.observed[self.point]
        gap = seen[:3] - self.state[:, :3]
        toward = wrap(np.arctan2(gap[:, 0], gap[:, 1]) - self.state[:, HEADING])
        end = wrap(seen[3] - self.state[:, HEADING])
        told = observed[HEADING] and self.data.cov[self.point, 3, 3] < radians(25.0) ** 2

        rows, at = self.twice, self.legs_at[self.twice]
        at[:, [TURN, RISE]] = side[rows] * _OFFSET_RAD
        at[:, TURN_2] = (end[rows] if told else 0.0) - at[:, TURN]
        at[:, RISE_2] = -at[:, RISE]
        self.legs_at[rows] = at

        rows, at = self.once, self.legs_at[self.once]
        gap, toward = gap[rows], toward[rows]
        turn = end[rows] if told else (2 * toward).clip(-2.0, 2.0)
        turn = np.where(np.abs(turn) < 0.02, 0.02, turn)
        aside = np.hypot(gap[:, 0], gap[:, 1]) * np.sin(turn - toward)
        flat = np.abs(np.sin(turn)) < 0.05
        share = aside / np.where(flat, 1.0, np.sin(turn)) / length_m
        share = np.where(flat, 0.5, share.clip(0.05, 0.95))
        at[:, TURN], at[:, SHARE] = turn, share
        if observed[TILT]:
            at[:, RISE] = np.where(self.kind[rows] == 2, seen[4] - self.state[rows, TILT], 0.0)
        self.legs_at[rows] = at
        short = np.minimum(share, 1 - share) * length_m * shortening(turn)
        self.noise_cov[rows, LENGTH, LENGTH] = (ROUND_SIGMA * short) ** 2
        self.short[rows] = ROUND * short

    def _wander(self, length_m: float) -> None:
        """Add what the pipe wanders, aside and up, and what the cable slackens: so much over √m."""
        rate, cov = self.data.wander_rad**2 * length_m, self.noise_cov
        # in plan across the way, and up
        heading = self.state_at[:, HEADING] + self.legs_at[:, TURN] / 2
        across = np.stack([np.cos(heading), -np.sin(heading)], axis=1) * length_m
        cov[:, :2, :2] += rate / 3 * across[:, :, None] * across[:, None, :]
        cov[:, :2, HEADING] += rate / 2 * across
        cov[:, HEADING, :2] += rate / 2 * across
        cov[:, HEADING, HEADING] += rate
        upward = max(self.data.wander_rad, TILT_WANDER_RAD) ** 2 * length_m
        cov[:, 2, 2] += upward / 3 * length_m**2
        cov[:, 2, TILT] += upward / 2 * length_m
        cov[:, TILT, 2] += upward / 2 * length_m
        cov[:, TILT, TILT] += upward
        cov[:, LENGTH, LENGTH] += 1e-8
        for run in range(len(self.data.readings_m)):
            step = self.data.readings_m[run, self.point] - self.data.readings_m[run, self.point - 1]
            slack = self.data.counter_ratio * (abs(step) if np.isfinite(step) else length_m)
            cov[:, POSE + 2 * run, POSE + 2 * run] += slack**2 + 1e-10

    def linearise(self) -> None:
        """Predict the next point about the newest legs, and look at it."""
        pose, self.by_pose, self.by_legs = advance(self.state_at[:, :POSE], self.legs_at)
        pose += np.einsum("mij,mj->mi", self.by_pose, (self.state - self.state_at)[:, :POSE])
        pose += np.einsum("mij,mj->mi", self.by_legs, self.legs - self.legs_at)
        pose[:, LENGTH] -= self.short
        self.predicted = self.state.copy()
        self.predicted[:, :POSE] = pose
        turn = self.data.turn
        self.predicted[:, turn] *= self.keeps[:, None]
        carried = self.cov.copy()  # covariance of the state before with the state after
        carried[:, :, :POSE] = self.cov[:, :, :POSE] @ self.by_pose.transpose(0, 2, 1)
        keeps = self.keeps[:, None, None]
        carried[:, :, turn] *= keeps
        cov = carried.copy()
        cov[:, :POSE] = self.by_pose @ carried[:, :POSE]
        cov[:, turn] *= keeps
        with_legs = self.legs_cov @ self.by_legs.transpose(0, 2, 1)
        cov[:, :POSE, :POSE] += self.by_legs @ with_legs
        self.predicted_cov = cov + self.noise_cov
        self.look = self.viewpoint.look(self.predicted)
        self.seen_cov = spread_of_state(self.predicted_cov, self.look)[0]
        by_look, self.chi2 = weighed(self.seen_cov + self.look.noise, self.look)
        self._told = (carried, with_legs, by_look)

    def move(self) -> None:
        """Take what the next point says of the state before and of the legs, to linearise there."""
        carried, with_legs, by_look = self._told
        self.state_at = self.state + np.einsum("mij,mj->mi", carried, by_look)
        legs = self.legs + np.einsum("mij,mj->mi", with_legs, by_look[:, :POSE])
        legs[:, TOTAL] = legs[:, TOTAL].clip(0.02)
        legs[:, SHARE] = legs[:, SHARE].clip(0.02, np.where(self.twice, 0.90, 0.98))
        second = np.minimum(legs[:, SHARE_2].clip(0.05), 0.98 - legs[:, SHARE])
        legs[:, SHARE_2] = np.where(self.twice, second, 0.0)
        self.legs_at = legs

    def evidence(self, of: Ints, noise: Floats) -> Floats:
        """Return ln of the density (h,) of what was seen, by rows `of` and looks so noisy."""
        look = Look(self.look.by[of], self.look.off[of], noise)
        return evidence_of(self.seen_cov[of] + noise, look)

    def hypotheses(self, of: Ints, noise: Floats, wrong: Ints) -> Hypotheses:
        """Return what becomes of rows `of` by a look so noisy at the next point, not weighed."""
        predicted, predicted_cov = self.predicted[of], self.predicted_cov[of]
        look = Look(self.look.by[of], self.look.off[of], noise)
        updated = updated_by(predicted, predicted_cov, look)
        return Hypotheses(
            parent=self.rows[of],
            kind=self.kind[of],
            wrong=wrong,
            steel=self.steel[of],
            keeps=self.keeps[of],
            log_weight=np.zeros(len(of)),
            state=updated.state,
            cov=updated.cov,
            predicted=predicted,
            predicted_cov=predicted_cov,
            legs=self.legs[of],
            legs_cov=self.legs_cov[of],
            by_pose=self.by_pose[of],
            by_legs=self.by_legs[of],
        )
