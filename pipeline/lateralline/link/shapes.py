"""What the pipe does between two located points: straight, a bend, two bends, or undecided.

Every stretch is adjusted by itself under each hypothesis, all stretches at once, and the sums of
squares decide: the same observations as the line's own adjustment (`network`), cut down to two ends
and what lies between. Straight is refused, and a bend believed, only at α = 0.001. And a straight
that fits is believed only where a 45° bend midway would have been seen (Baarda's non-centrality for
power 0.80): else the stretch is undecided, and a finding names where one more stop would decide.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import numpy as np

from lateralline.distributions import chi2
from lateralline.kernels import curves
from lateralline.kernels.expected import PIPE_WANDER_RAD
from lateralline.kernels.network import W_DETECTABLE
from lateralline.link.equations import leg_directions
from lateralline.link.lines import LocatedPoint, PointObservations, Shapes
from lateralline.link.stochastic import (
    ALPHA,
    BEND_FREEDOMS,
    SHORTEST_LEG_M,
    balance_sigma,
    counter_variance,
)
from lateralline.records import Flags, Floats, Ints
from lateralline.settings import Accuracy

#: The bend that must not hide in a stretch called straight: an eighth bend, midway.
HIDDEN_BEND_RAD = np.radians(45.0)
#: No fitting of a drain turns further than this, nor do two within one stretch turn it back.
SHARPEST_RAD, _SHARPEST_BOTH_RAD = np.radians(135.0), np.radians(125.0)


@dataclass(frozen=True, slots=True)
class StretchAdjustment:
    """s stretches by themselves: both ends' observations and the counted length."""

    ends_m: Floats  # (s, 2, 3)
    angles_rad: Floats  # (s, 2, 2)
    whiten: Floats  # (s, 2, 5, 5) inverse Cholesky; zero rows for directions not observed
    directed: Flags  # (s, 2)
    counted_m: Floats  # (s,) NaN = no counter
    start_angles_rad: Floats  # (s, 2, 2)
    accuracy: Accuracy

    @classmethod
    def of(
        cls, observed: PointObservations, first: Ints, last: Ints, accuracy: Accuracy
    ) -> StretchAdjustment:
        """Return the stretches between points of these numbers (s,), neighbours or not."""
        pair = np.stack([first, last], axis=1)
        cov = observed.cov[pair].copy()
        blind = ~observed.directed[pair]
        cov[blind, 3:, 3:] = np.eye(2)
        whiten = np.linalg.inv(np.linalg.cholesky(cov))
        whiten[blind, 3:, :] = 0.0
        readings = np.abs(observed.readings_m[:, last] - observed.readings_m[:, first])
        counted = np.full(len(first), np.nan)
        for row in readings[::-1]:
            counted = np.where(np.isfinite(row), row, counted)
        return cls(
            observed.xyz_m[pair],
            observed.angles_rad[pair],
            whiten,
            observed.directed[pair],
            counted,
            observed.start_angles_rad[pair],
            accuracy,
        )

    def take(self, rows: Ints) -> StretchAdjustment:
        """The stretches of these numbers, repeats allowed."""
        columns = [f.name for f in fields(self) if f.name != "accuracy"]
        return replace(self, **{name: getattr(self, name)[rows] for name in columns})

    @property
    def chord_m(self) -> Floats:
        """Distance (s,) between the ends as observed."""
        return np.asarray(np.linalg.norm(self.ends_m[:, 1] - self.ends_m[:, 0], axis=1))

    @property
    def misclosures(self) -> Ints:
        """Conditions (s,) a straight stretch must meet: two per direction, one per length."""
        return np.asarray(2 * self.directed.sum(axis=1) + np.isfinite(self.counted_m))

    def start(self, bends_m: Floats) -> Floats:
        """Unknowns (s, 11 + 3b): both ends' position and angles, counter scale, bends."""
        ends = np.concatenate([self.ends_m, self.start_angles_rad], axis=2)
        s = len(ends)
        return np.concatenate(
            [ends.reshape(s, 10), np.ones((s, 1)), bends_m.reshape(s, -1)], axis=1
        )

    def equations(self, x: Floats, balance_m: Floats | None) -> tuple[Floats, Floats]:
        """Whitened residuals (s, m) and Jacobian (s, m, n); `balance_m`: σ of first − last leg."""
        s, n = x.shape
        ends = x[:, :10].reshape(s, 2, 5)
        scale, bends = x[:, 10], x[:, 11:].reshape(s, -1, 3)
        path = np.concatenate([ends[:, :1, :3], bends, ends[:, 1:, :3]], axis=1)
        columns = [0, *range(11, n, 3), 5]  # where each path vertex sits among the unknowns
        rows: list[Floats] = []
        jacobians: list[Floats] = []

        off = ends - np.concatenate([self.ends_m, self.angles_rad], axis=2)
        off[..., 3] = curves.wrap(off[..., 3])
        for end in (0, 1):
            j = np.zeros((s, 5, n))
            j[:, :, 5 * end : 5 * end + 5] = self.whiten[:, end]
            rows.append(np.einsum("sij,sj->si", self.whiten[:, end], off[:, end]))
            jacobians.append(j)
            a, b = (0, 1) if end == 0 else (-2, -1)
            r, by_end, by_angles = leg_directions(path[:, a], path[:, b], ends[:, end, 3:])
            j = np.zeros((s, 2, n))
            j[:, :, columns[a] : columns[a] + 3] -= by_end / PIPE_WANDER_RAD
            j[:, :, columns[b] : columns[b] + 3] += by_end / PIPE_WANDER_RAD
            j[:, :, 5 * end + 3 : 5 * end + 5] = by_angles / PIPE_WANDER_RAD
            rows.append(r / PIPE_WANDER_RAD)
            jacobians.append(j)

        legs = np.diff(path, axis=1)
        length = np.maximum(np.linalg.norm(legs, axis=2), 1e-9)
        unit = legs / length[..., None]
        weight = np.where(np.isfinite(self.counted_m), 1 / np.sqrt(self._counter_variance()), 0.0)
        total = length.sum(axis=1)
        counted = np.where(np.isfinite(self.counted_m), self.counted_m, 0.0)

        def by_length(*times: tuple[int, Floats]) -> Floats:
            """Jacobian (s, 1, n) of the sum of so many times (s,) the lengths of legs."""
            j = np.zeros((s, 1, n))
            for i, factor in times:
                step = factor[:, None] * unit[:, i]
                j[:, 0, columns[i] : columns[i] + 3] -= step
                j[:, 0, columns[i + 1] : columns[i + 1] + 3] += step
            return j

        j = by_length(*((i, weight / scale) for i in range(legs.shape[1])))
        j[:, 0, 10] = -weight * total / scale**2
        rows.append((weight * (total / scale - counted))[:, None])
        jacobians.append(j)

        j = np.zeros((s, 1, n))
        j[:, 0, 10] = 1 / self.accuracy.counter_scale_ratio
        rows.append(((scale - 1) / self.accuracy.counter_scale_ratio)[:, None])
        jacobians.append(j)

        if balance_m is not None:
            rows.append(((length[:, 0] - length[:, -1]) / balance_m)[:, None])
            last = legs.shape[1] - 1
            jacobians.append(by_length((0, 1 / balance_m), (last, -1 / balance_m)))
        return np.concatenate(rows, axis=1), np.concatenate(jacobians, axis=1)

    def _counter_variance(self) -> Floats:
        return counter_variance(np.nan_to_num(self.counted_m), self.accuracy)

    def adjust(self, bends_m: Floats, balance_m: Floats | None = None) -> tuple[Floats, Floats]:
        """Adjust every stretch by itself; return unknowns (s, n) and χ² (s,)."""
        x = self.start(bends_m)
        n = x.shape[1]
        damping = np.full(len(x), 1e-4)
        r, j = self.equations(x, balance_m)
        for _ in range(30):
            normal = np.einsum("smi,smj->sij", j, j)
            gradient = np.einsum("smi,sm->si", j, r)
            diagonal = np.einsum("sii->si", normal) + 1e-9
            damped = normal + np.eye(n) * (damping[:, None] * diagonal + 1e-9)[:, None, :]
            step = -np.linalg.solve(damped, gradient[..., None])[..., 0]
            trial, trial_j = self.equations(x + step, balance_m)
            cost = np.einsum("sm,sm->s", r, r)
            gain = cost - np.einsum("sm,sm->s", trial, trial)
            better = gain >= 0
            x = np.where(better[:, None], x + step, x)
            r = np.where(better[:, None], trial, r)
            j = np.where(better[:, None, None], trial_j, j)
            damping = np.where(better, damping * 0.1, np.minimum(damping * 10, 1e8))
            if np.all(np.abs(gain) < 1e-2):
                break
        return x, np.einsum("sm,sm->s", r, r)

    def hidden_bend(self, x: Floats) -> Floats:
        """Non-centrality (s,) of a 45° bend midway against the straight solution x."""
        _, j = self.equations(x, None)
        half = HIDDEN_BEND_RAD / 2
        level = np.cos(self.angles_rad[..., 1])
        wrong = np.zeros((len(x), j.shape[1]))
        turn = half / np.maximum(level, 0.1)
        wrong[:, 0:5] = self.whiten[:, 0, :, 3] * turn[:, :1]
        wrong[:, 7:12] = -self.whiten[:, 1, :, 3] * turn[:, 1:]
        longer = self.chord_m * (1 / np.cos(half) - 1)
        seen = np.isfinite(self.counted_m)
        wrong[:, 14] = np.where(seen, longer / np.sqrt(self._counter_variance()), 0.0)
        normal = np.einsum("smi,smj->sij", j, j) + 1e-9 * np.eye(j.shape[2])
        pull = np.einsum("smi,sm->si", j, wrong)
        explained = np.einsum("si,si->s", pull, np.linalg.solve(normal, pull[..., None])[..., 0])
        return np.asarray(np.einsum("sm,sm->s", wrong, wrong) - explained)


def in_front(p: StretchAdjustment, x: Floats) -> Flags:
    """True (s,) where every leg is long enough and leaves the ends the way they look."""
    s = len(x)
    ends = x[:, :10].reshape(s, 2, 5)
    path = np.concatenate([ends[:, :1, :3], x[:, 11:].reshape(s, -1, 3), ends[:, 1:, :3]], axis=1)
    legs = np.diff(path, axis=1)
    long = (np.linalg.norm(legs, axis=2) > SHORTEST_LEG_M).all(axis=1)
    ways = curves.directions(ends[..., 3], ends[..., 4])
    ahead = [np.einsum("sc,sc->s", legs[:, i], ways[:, i]) > 0 for i in (0, -1)]
    turns = curves.angle_between(legs[:, :-1], legs[:, 1:])
    back = curves.angle_between(legs[:, 0], legs[:, -1]) >= _SHARPEST_BOTH_RAD
    return np.asarray(
        long
        & ~(back & (legs.shape[1] > 2))
        & (ahead[0] | ~p.directed[:, 0])
        & (ahead[1] | ~p.directed[:, 1])
        & (turns < SHARPEST_RAD).all(axis=1)
    )


# ---- the choice ----------------------------------------------------------------------------


def _one_bend(p: StretchAdjustment) -> Floats:
    """One bend with tangents as long as each other (s, 1, 3), half the length along both."""
    a, b = p.ends_m[:, 0], p.ends_m[:, 1]
    way = curves.directions(p.start_angles_rad[..., 0], p.start_angles_rad[..., 1])
    half = np.fmax(p.counted_m, p.chord_m)[:, None] / 2
    return np.asarray((a + half * way[:, 0] + b - half * way[:, 1])[:, None] / 2)


def _two_bends(p: StretchAdjustment) -> tuple[Floats, Floats]:
    """Two bends with tangents as long as each other (s, 2, 3), and both tangents together (s,).

    With both tangents S/2 the middle leg is |d − S·w|, w the mean of the end directions; their sum
    must be the length L: S²(w² − 1) + 2S(L − d·w) + d² − L² = 0.
    """
    a, b = p.ends_m[:, 0], p.ends_m[:, 1]
    u = curves.directions(p.start_angles_rad[:, 0, 0], p.start_angles_rad[:, 0, 1])
    v = curves.directions(p.start_angles_rad[:, 1, 0], p.start_angles_rad[:, 1, 1])
    d, w = b - a, (u + v) / 2
    chord2 = np.einsum("sc,sc->s", d, d)
    length = np.fmax(p.counted_m, np.sqrt(chord2) * 1.005)
    c2 = np.einsum("sc,sc->s", w, w) - 1
    c1 = 2 * (length - np.einsum("sc,sc->s", d, w))
    c0 = chord2 - length**2
    root = np.sqrt(np.maximum(c1**2 - 4 * c2 * c0, 0.0))
    both = np.clip(-2 * c0 / np.maximum(c1 + root, 1e-9), 0.1 * length, 0.95 * length)
    half = both[:, None] / 2
    return np.stack([a + half * u, b - half * v], axis=1), both


def _best_bend(p: StretchAdjustment) -> tuple[Floats, Floats]:
    """The bend (s, 3) that fits best, and its χ² (s,); inf when it is not in front."""
    x, score = p.adjust(_one_bend(p), balance_sigma(p.chord_m))
    return x[:, 11:], np.where(in_front(p, x), score, np.inf)


def _best_two(p: StretchAdjustment) -> tuple[Floats, Floats]:
    """The two bends (s, 6) that fit best, and their χ² (s,); inf when they are not in front."""
    start, both = _two_bends(p)
    x, score = p.adjust(start, balance_sigma(both))
    return x[:, 11:], np.where(in_front(p, x), score, np.inf)


def choose_shapes(points: Sequence[LocatedPoint], accuracy: Accuracy) -> Shapes:
    """Return the shape of each stretch between consecutive points (at least two)."""
    observed = PointObservations.of(points)
    k = len(points)
    first = np.arange(k - 1)
    stretches_alone = StretchAdjustment.of(observed, first, first + 1, accuracy)
    free = stretches_alone.misclosures
    dof = free[:, None] - np.array(BEND_FREEDOMS)

    gain = float(chi2.isf(ALPHA, BEND_FREEDOMS[1]))
    chi2_all = np.full((k - 1, 3), np.inf)
    straight, chi2_all[:, 0] = stretches_alone.adjust(np.zeros((k - 1, 0, 3)))
    hidden = stretches_alone.hidden_bend(straight)
    # Bends are only asked after where a straight leaves something to gain.
    asked = np.flatnonzero(chi2_all[:, 0] > gain)
    one, two = np.zeros((k - 1, 3)), np.zeros((k - 1, 6))
    if len(asked):
        some = stretches_alone.take(asked)
        one[asked], chi2_all[asked, 1] = _best_bend(some)
        two[asked], chi2_all[asked, 2] = _best_two(some)
    chi2_all = np.where(dof >= 0, chi2_all, np.inf)

    fits = chi2_all <= chi2.isf(ALPHA, np.maximum(dof, 1))
    denied = np.flatnonzero(~fits.any(axis=1) & np.isfinite(stretches_alone.counted_m))
    if len(denied):
        turned, x = _bend_but_for_the_counter(stretches_alone.take(denied))
        one[denied[turned]] = x[turned]
        fits[denied[turned], 1], chi2_all[denied[turned], 1] = True, 0.0
    testable = hidden >= W_DETECTABLE**2
    bend = (chi2_all[:, 0] - chi2_all[:, 1] > gain) & fits[:, 1]
    double = ~bend & ~fits[:, 0] & ~fits[:, 1] & fits[:, 2]
    is_straight = ~bend & ~double & fits[:, 0]
    strained = chi2_all[:, 0] > chi2.isf(0.05, np.maximum(free, 1))
    forced = _passed_over(
        observed, ~is_straight, is_straight & ~testable, is_straight & strained, accuracy
    )
    bend, double = bend & ~forced, double & ~forced
    undecided = ~forced & ~bend & ~double & ~(is_straight & testable)
    shape = np.select(
        [bend, double, undecided], ["bend", "two_bends", "undecided"], default="straight"
    )
    bends = [
        {"bend": one[i], "two_bends": two[i]}.get(str(s), np.zeros(0)).reshape(-1, 3)
        for i, s in enumerate(shape)
    ]
    return Shapes(
        shape=tuple(str(s) for s in shape),
        bends_m=tuple(bends),
        contradicted=undecided & ~fits[:, 0],
        beside_turn=np.zeros(k - 1, bool),
        ambiguous=np.zeros(k - 1, bool),
        step_m=np.full((k - 1, 2), np.nan),
        kept_straight=np.zeros(k - 1, bool),
        chi2=chi2_all,
        dof=dof,
        hidden_bend=hidden,
    )


def _bend_but_for_the_counter(p: StretchAdjustment) -> tuple[Flags, Floats]:
    """True (s,) where headings and positions want a bend that only the counter denies, and where.

    Such a bend is accepted here; the adjustment of the whole line tests if the counter is wrong.
    """
    blind = replace(p, counted_m=np.full(len(p.counted_m), np.nan))
    _, straight = blind.adjust(np.zeros((len(p.counted_m), 0, 3)))
    x, bent = _best_bend(blind)
    free = np.maximum(blind.misclosures - BEND_FREEDOMS[1], 1)
    gain = straight - bent > chi2.isf(ALPHA, BEND_FREEDOMS[1])
    return np.asarray(gain & (bent <= chi2.isf(ALPHA, free))), x


def likeliest_bends(
    points: Sequence[LocatedPoint], stretch: int, accuracy: Accuracy
) -> tuple[Floats, Floats]:
    """Return where one bend (1, 3), and two (2, 3), in a stretch would be, by it alone."""
    at = np.array([stretch])
    stretches_alone = StretchAdjustment.of(PointObservations.of(points), at, at + 1, accuracy)
    return _best_bend(stretches_alone)[0].reshape(1, 3), _best_two(stretches_alone)[0].reshape(2, 3)


def likeliest_bend_past(points: Sequence[LocatedPoint], stop: int, accuracy: Accuracy) -> Floats:
    """Return where one bend (1, 3) would be between the neighbours of a stop, were it not there."""
    at = np.array([stop])
    stretches_alone = StretchAdjustment.of(PointObservations.of(points), at - 1, at + 1, accuracy)
    return _best_bend(stretches_alone)[0].reshape(1, 3)


def _passed_over(
    observed: PointObservations, bent: Flags, loose: Flags, strained: Flags, accuracy: Accuracy
) -> Flags:
    """Stretches (s,) that are straight when the points between them are passed over.

    A point between two stretches that are not straight (`bent`, or straight only just: `strained`),
    though without it all is: one wrong stop is likelier than the two bends, before and after it,
    that would excuse it. And weak points, whose stretches fit a straight but do not prove it
    (`loose`), between points that do.
    """
    wrong = (bent[:-1] | bent[1:]) & (bent | loose | strained)[:-1] & (bent | loose | strained)[1:]
    weak = (loose[:-1] | loose[1:]) & ~bent[:-1] & ~bent[1:]
    spans = [(int(i), int(i) + 2) for i in np.flatnonzero(wrong | weak)]
    edges = np.flatnonzero(np.diff(np.concatenate([[0], loose.astype(int), [0]])))
    spans += [(int(a), int(b)) for a, b in edges.reshape(-1, 2) if b - a > 2]
    stretches = np.zeros(len(bent), bool)
    if spans:
        first, last = np.array(spans).T
        bridge = StretchAdjustment.of(observed, first, last, accuracy)
        x, score = bridge.adjust(np.zeros((len(spans), 0, 3)))
        fits = score <= chi2.isf(ALPHA, np.maximum(bridge.misclosures, 1))
        fits &= bridge.hidden_bend(x) >= W_DETECTABLE**2
        for a, b in np.array(spans)[fits]:
            stretches[a:b] = True
    return stretches
