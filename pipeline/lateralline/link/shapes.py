"""What the pipe does between two located points: straight, a bend, two bends, or undecided.

Every stretch is adjusted by itself under each hypothesis, all stretches at once, and the sums of
squares decide. Straight is refused, and a bend believed, only at α = 0.001. And a straight that
fits is believed only where a 45° bend midway would have been seen (Baarda's non-centrality for
power 0.80): else the stretch is undecided, and the person is told where one more stop would tell.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.stats import chi2

from lateralline.kernels import curves
from lateralline.kernels.network import W_DETECTABLE
from lateralline.link.equations import balance_sigma
from lateralline.link.pairs import Pairs, in_front
from lateralline.link.points import Point
from lateralline.link.sights import Sights
from lateralline.records import Flags, Floats, Ints
from lateralline.settings import Accuracy

ALPHA = 0.001
#: What no, one and two bends are free to fit: three coordinates each, less the balance of the legs.
BEND_FREEDOMS = (0, 2, 5)


@dataclass(frozen=True, slots=True)
class Shapes:
    """The shape of each of s stretches, and the evidence."""

    shape: tuple[str, ...]
    bends_m: tuple[Floats, ...]  # per stretch (0|1|2, 3), to start the adjustment from
    contradicted: Flags  # undecided because nothing fits, not because nothing tells
    told_by_turn: Flags  # undecided because the pipe turns at the stop at one end
    alike: Flags  # undecided because the whole line bears two shapes equally well
    step_m: Floats  # (s, 2) across and up: undecided because the pipe steps by so much; else NaN
    held: Flags  # undecided, yet adjusted as the straight it may still be
    chi2: Floats  # (s, 3) of straight, bend, double bend; inf = does not exist, or not asked after
    dof: Ints  # (s, 3)
    hidden_bend: Floats  # (s,) non-centrality a 45° bend would have had

    def without(self, *shapes: str) -> Shapes:
        """The same with every stretch of these shapes undecided: what is left when they fail."""
        gone = np.array([s in shapes for s in self.shape], bool)
        loose = self._loosened(gone)
        return replace(loose, contradicted=self.contradicted | gone, held=self.held & False)

    def taken_straight(self, stretches: Sequence[int]) -> Shapes:
        """The same with these stretches straight."""
        straight = np.isin(np.arange(len(self.shape)), stretches)
        return replace(
            self,
            shape=tuple("straight" if t else s for t, s in zip(straight, self.shape, strict=True)),
            bends_m=tuple(b[:0] if t else b for t, b in zip(straight, self.bends_m, strict=True)),
            contradicted=self.contradicted & ~straight,
        )

    def loosened(self, stretch: int) -> Shapes:
        """The same with one stretch undecided, because no shape of it will settle."""
        gone = np.arange(len(self.shape)) == stretch
        return replace(self._loosened(gone), contradicted=self.contradicted | gone)

    def turning_at(self, stops: Sequence[int]) -> Shapes:
        """The same where the pipe turns at or near stops: both stretches of each are undecided."""
        beside = np.zeros(len(self.shape), bool)
        for i in stops:
            beside[i - 1 : i + 1] = True
        return replace(self._loosened(beside), told_by_turn=self.told_by_turn | beside)

    def alike_at(self, stretch: int) -> Shapes:
        """The same with one stretch undecided, because the line bears two shapes equally well."""
        here = np.arange(len(self.shape)) == stretch
        return replace(
            self._loosened(here),
            contradicted=self.contradicted & ~here,
            alike=self.alike | here,
        )

    def stepping(self, stretches: Sequence[int], by_m: Floats, *, surely: bool) -> Shapes:
        """The same with stretches undecided in which the pipe steps aside or up by so much.

        One that steps surely says nothing any more; a doubt alone sets no stop beside it free.
        """
        here = np.isin(np.arange(len(self.shape)), stretches)
        step = self.step_m.copy()
        step[list(stretches)] = by_m
        return replace(self._loosened(here), step_m=step, held=self.held | (here & (not surely)))

    def _loosened(self, gone: Flags) -> Shapes:
        return replace(
            self,
            shape=tuple("undecided" if g else s for g, s in zip(gone, self.shape, strict=True)),
            bends_m=tuple(b[:0] if g else b for g, b in zip(gone, self.bends_m, strict=True)),
        )

    def bent(self, stretch: int, bends_m: Floats) -> Shapes:
        """The same with one or two bends (b, 3) in a stretch."""
        shape, bends = list(self.shape), list(self.bends_m)
        shape[stretch], bends[stretch] = ("bend", "double_bend")[len(bends_m) - 1], bends_m
        clear = np.arange(len(shape)) != stretch
        return replace(
            self,
            shape=tuple(shape),
            bends_m=tuple(bends),
            contradicted=self.contradicted & clear,
        )


def _one_bend(p: Pairs) -> Floats:
    """One bend with tangents as long as each other (s, 1, 3), half the length along both."""
    a, b = p.ends_m[:, 0], p.ends_m[:, 1]
    way = curves.directions(p.start_angles_rad[..., 0], p.start_angles_rad[..., 1])
    half = np.fmax(p.counted_m, p.chord_m)[:, None] / 2
    return np.asarray((a + half * way[:, 0] + b - half * way[:, 1])[:, None] / 2)


def _two_bends(p: Pairs) -> tuple[Floats, Floats]:
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


def _best_bend(p: Pairs) -> tuple[Floats, Floats]:
    """The bend (s, 3) that fits best, and its χ² (s,); inf when it is not in front."""
    x, score = p.settle(_one_bend(p), balance_sigma(p.chord_m))
    return x[:, 11:], np.where(in_front(p, x), score, np.inf)


def _best_two(p: Pairs) -> tuple[Floats, Floats]:
    """The two bends (s, 6) that fit best, and their χ² (s,); inf when they are not in front."""
    start, both = _two_bends(p)
    x, score = p.settle(start, balance_sigma(both))
    return x[:, 11:], np.where(in_front(p, x), score, np.inf)


def choose(points: Sequence[Point], accuracy: Accuracy) -> Shapes:
    """Return the shape of each stretch between consecutive points (at least two)."""
    sights = Sights.of(points)
    k = len(points)
    first = np.arange(k - 1)
    pairs = Pairs.of(sights, first, first + 1, accuracy)
    free = pairs.misclosures
    dof = free[:, None] - np.array(BEND_FREEDOMS)

    gain = float(chi2.isf(ALPHA, BEND_FREEDOMS[1]))
    chi2_all = np.full((k - 1, 3), np.inf)
    straight, chi2_all[:, 0] = pairs.settle(np.zeros((k - 1, 0, 3)))
    hidden = pairs.hidden_bend(straight)
    # Bends are only asked after where a straight leaves something to gain.
    asked = np.flatnonzero(chi2_all[:, 0] > gain)
    one, two = np.zeros((k - 1, 3)), np.zeros((k - 1, 6))
    if len(asked):
        some = pairs.take(asked)
        one[asked], chi2_all[asked, 1] = _best_bend(some)
        two[asked], chi2_all[asked, 2] = _best_two(some)
    chi2_all = np.where(dof >= 0, chi2_all, np.inf)

    fits = chi2_all <= chi2.isf(ALPHA, np.maximum(dof, 1))
    denied = np.flatnonzero(~fits.any(axis=1) & np.isfinite(pairs.counted_m))
    if len(denied):
        turned, x = _bend_but_for_the_counter(pairs.take(denied))
        one[denied[turned]] = x[turned]
        fits[denied[turned], 1], chi2_all[denied[turned], 1] = True, 0.0
    told = hidden >= W_DETECTABLE**2
    bend = (chi2_all[:, 0] - chi2_all[:, 1] > gain) & fits[:, 1]
    double = ~bend & ~fits[:, 0] & ~fits[:, 1] & fits[:, 2]
    is_straight = ~bend & ~double & fits[:, 0]
    strained = chi2_all[:, 0] > chi2.isf(0.05, np.maximum(free, 1))
    forced = _passed_over(
        sights, ~is_straight, is_straight & ~told, is_straight & strained, accuracy
    )
    bend, double = bend & ~forced, double & ~forced
    undecided = ~forced & ~bend & ~double & ~(is_straight & told)
    shape = np.select(
        [bend, double, undecided], ["bend", "double_bend", "undecided"], default="straight"
    )
    bends = [
        {"bend": one[i], "double_bend": two[i]}.get(str(s), np.zeros(0)).reshape(-1, 3)
        for i, s in enumerate(shape)
    ]
    return Shapes(
        shape=tuple(str(s) for s in shape),
        bends_m=tuple(bends),
        contradicted=undecided & ~fits[:, 0],
        told_by_turn=np.zeros(k - 1, bool),
        alike=np.zeros(k - 1, bool),
        step_m=np.full((k - 1, 2), np.nan),
        held=np.zeros(k - 1, bool),
        chi2=chi2_all,
        dof=dof,
        hidden_bend=hidden,
    )


def _bend_but_for_the_counter(p: Pairs) -> tuple[Flags, Floats]:
    """True (s,) where headings and positions want a bend that only the counter denies, and where.

    Such a bend is taken for one: that a counter was misread is then for the whole line to say.
    """
    blind = replace(p, counted_m=np.full(len(p.counted_m), np.nan))
    _, straight = blind.settle(np.zeros((len(p.counted_m), 0, 3)))
    x, bent = _best_bend(blind)
    free = np.maximum(blind.misclosures - BEND_FREEDOMS[1], 1)
    gain = straight - bent > chi2.isf(ALPHA, BEND_FREEDOMS[1])
    return np.asarray(gain & (bent <= chi2.isf(ALPHA, free))), x


def likeliest_bends(
    points: Sequence[Point], stretch: int, accuracy: Accuracy
) -> tuple[Floats, Floats]:
    """Return where one bend (1, 3), and two (2, 3), in a stretch would be, by it alone."""
    at = np.array([stretch])
    pairs = Pairs.of(Sights.of(points), at, at + 1, accuracy)
    return _best_bend(pairs)[0].reshape(1, 3), _best_two(pairs)[0].reshape(2, 3)


def likeliest_bend_past(points: Sequence[Point], stop: int, accuracy: Accuracy) -> Floats:
    """Return where one bend (1, 3) would be between the neighbours of a stop, were it not there."""
    at = np.array([stop])
    pairs = Pairs.of(Sights.of(points), at - 1, at + 1, accuracy)
    return _best_bend(pairs)[0].reshape(1, 3)


def _passed_over(
    sights: Sights, bent: Flags, loose: Flags, strained: Flags, accuracy: Accuracy
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
        bridge = Pairs.of(sights, first, last, accuracy)
        x, score = bridge.settle(np.zeros((len(spans), 0, 3)))
        fits = score <= chi2.isf(ALPHA, np.maximum(bridge.misclosures, 1))
        fits &= bridge.hidden_bend(x) >= W_DETECTABLE**2
        for a, b in np.array(spans)[fits]:
            stretches[a:b] = True
    return stretches
