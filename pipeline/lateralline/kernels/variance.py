"""Variance components: how large errors of each kind are, by what they left in the residuals.

Model. Observations y = A x + e with V = Q₀ + Σ θᵢ Qᵢ: Qᵢ is what errors of kind i put into the
covariance as stated, θᵢ how many times that truth has (1 = as stated), Q₀ what is taken as known.
With K = V⁻¹ − V⁻¹A (AᵀV⁻¹A)⁻¹ AᵀV⁻¹ the restricted likelihood is stationary where

    (K y)ᵀ Qᵢ (K y) = tr(K Qᵢ)        for every i,

and the expectation of the left side is tr(K Qᵢ) + Σⱼ tr(K Qᵢ K Qⱼ) (θⱼ − 1) wherever K was taken,
whatever the true θ. So sums of the three over independent networks are all there is to keep:
solved once they are Helmert's estimate, unbiased; repeated at what was found they are restricted
maximum likelihood, with twice the inverse of the overlaps as covariance. Formulas from memory
(Helmert's and Förstner's estimation, Rao's MINQUE; Koch, *Parameter Estimation and Hypothesis
Testing in Linear Models*); tests/kernels/test_variance.py holds them to the closed form of
a one-way analysis of variance.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from lateralline.distributions import chi2, f

Floats: TypeAlias = npt.NDArray[np.float64]
Flags: TypeAlias = npt.NDArray[np.bool_]

#: χ² of two degrees of freedom at 95 %: the ellipse that claims are drawn by.
ELLIPSE_95 = float(chi2.isf(0.05, 2))
#: A kind with less overlap than this left nothing in the residuals.
_NONE = 1e-9
#: A reading of which others leave less than this of its control is not tested any more.
_UNSEEN = 1e-6
#: Rounds of scoring, the step in log θ that is none, and the longest.
_ROUNDS, _ENOUGH, _LEAP = 60, 1e-3, 1.5


@dataclass(frozen=True, slots=True)
class Evidence:
    """What residuals say of m kinds of errors; adds up over independent networks."""

    square: Floats  # (m,) (K y)ᵀ Qᵢ (K y)
    spare: Floats  # (m,) tr(K Qᵢ): its expectation when all is as stated
    overlap: Floats  # (m, m) tr(K Qᵢ K Qⱼ)

    def __add__(self, other: Evidence) -> Evidence:
        """Return the evidence of both."""
        return Evidence(
            self.square + other.square, self.spare + other.spare, self.overlap + other.overlap
        )

    def scaled(self, theta: Floats) -> Evidence:
        """Return the evidence of parts θ (m,) times as large."""
        return Evidence(
            theta * self.square, theta * self.spare, np.outer(theta, theta) * self.overlap
        )

    def freedom(self, kinds: Flags) -> float:
        """Return the degrees of freedom with which kinds (m,) are known together."""
        return float(self.spare[kinds].sum() ** 2 / self.overlap[np.ix_(kinds, kinds)].sum())

    @property
    def seen(self) -> Flags:
        """Which kinds (m,) left anything in the residuals."""
        return np.asarray(np.diag(self.overlap) > _NONE)

    def larger(self) -> Floats:
        """Return how likely such residuals are by chance (m,), were each kind as stated.

        By Satterthwaite: a sum of squares of this mean and variance is about a multiple of χ².
        1 for a kind that left nothing.
        """
        variance = 2.0 * np.where(self.seen, np.diag(self.overlap), 1.0)
        freedom = 2.0 * self.spare**2 / variance
        ratio = self.square / np.where(self.seen, self.spare, 1.0)
        return np.where(self.seen, chi2.sf(ratio * freedom, np.maximum(freedom, _NONE)), 1.0)


@dataclass(frozen=True, slots=True)
class Networks:
    """g independent networks of at most n observations: y = A x + e, V = Q₀ + Σ θᵢ Qᵢ.

    Observations that a network has not are zero in `a`, `y` and `parts`, and of variance one in
    `known`.
    """

    a: Floats  # (g, n, u)
    y: Floats  # (g, n)
    known: Floats  # (g, n, n) Q₀
    parts: Floats  # (m, g, n, n) Qᵢ
    there: Flags  # (g, n)
    #: (g, n, k) what errors of one in each of k readings do to the observations, where one reading
    #: is in several; none where every observation stands by itself
    by_reading: Floats | None = None

    def without(self, out: Flags) -> Networks:
        """Return the networks without observations (g, n)."""
        keep = ~out
        both = keep[:, :, None] & keep[:, None, :]
        known = np.where(both, self.known, np.eye(out.shape[1]))
        return Networks(
            np.where(keep[:, :, None], self.a, 0.0),
            np.where(keep, self.y, 0.0),
            known,
            np.where(both, self.parts, 0.0),
            self.there & keep,
            None if self.by_reading is None else np.where(keep[:, :, None], self.by_reading, 0.0),
        )

    def by_first_part(self) -> Networks:
        """Return the networks with one part of the variance to estimate; the others are known."""
        return replace(self, known=self.known + self.parts[1:].sum(axis=0), parts=self.parts[:1])

    def without_readings(self, out: Flags) -> Networks:
        """Return the networks with an unknown error of its own for each of readings (g, k)."""
        assert self.by_reading is not None
        errors = np.where(out[:, None], self.by_reading, 0.0)[:, :, out.any(axis=0)]
        return replace(self, a=np.concatenate([self.a, errors], axis=2))

    def pick(self, keep: Flags) -> Networks:
        """Return the networks where keep (g,) is True."""
        by_reading = None if self.by_reading is None else self.by_reading[keep]
        return Networks(
            self.a[keep],
            self.y[keep],
            self.known[keep],
            self.parts[:, keep],
            self.there[keep],
            by_reading,
        )

    def and_those(self, more: Networks) -> Networks:
        """Return these networks and as large ones of the same kinds of errors."""
        return Networks(
            np.concatenate([self.a, more.a]),
            np.concatenate([self.y, more.y]),
            np.concatenate([self.known, more.known]),
            np.concatenate([self.parts, more.parts], axis=1),
            np.concatenate([self.there, more.there]),
        )

    def covariance(self, theta: Floats) -> Floats:
        """Return V (g, n, n) at θ (m,)."""
        return np.asarray(self.known + np.einsum("m,mgij->gij", theta, self.parts))

    def annihilator(self, theta: Floats) -> Floats:
        """Return K (g, n, n) at θ (m,); unknowns that nothing observes are left out."""
        weight = np.linalg.inv(self.covariance(theta))
        weighted = weight @ self.a
        normal = np.swapaxes(self.a, 1, 2) @ weighted
        idle = np.einsum("guu->gu", normal) <= 0.0
        normal += idle[:, :, None] * np.eye(normal.shape[1])
        return np.asarray(weight - weighted @ np.linalg.solve(normal, np.swapaxes(weighted, 1, 2)))

    def misfit(self, theta: Floats) -> tuple[Floats, Floats]:
        """Return χ² of each network (g,) at θ (m,) and its degrees of freedom."""
        k = self.annihilator(theta)
        redundancy = np.einsum("gij,gji->gi", k, self.covariance(theta))
        freedom = np.where(self.there, redundancy, 0.0).sum(axis=1)
        return np.asarray(np.einsum("gi,gij,gj->g", self.y, k, self.y)), freedom

    def wrong_readings(self, theta: Floats, limit: float) -> tuple[Flags, Floats]:
        """Return which readings (g, k) are wrong, and χ² of one freedom of each that is not.

        At θ (m,). The worst of each network past `limit` gets an error of its own, until none is
        past it: what one wrong reading does to those beside it accuses nobody. NaN where nothing
        controls a reading.
        """
        assert self.by_reading is not None
        rows = np.swapaxes(self.by_reading, 1, 2) @ self.annihilator(theta)
        told, spread = np.einsum("gkn,gn->gk", rows, self.y), rows @ self.by_reading
        least = _UNSEEN * np.einsum("gkk->gk", spread)
        out = np.zeros(told.shape, dtype=np.bool_)
        network = np.arange(len(out))
        while True:
            var = np.einsum("gkk->gk", spread)
            seen = ~out & (var > least)
            square = np.where(seen, told**2 / np.where(seen, var, 1.0), np.nan)
            far = np.nan_to_num(square)
            bad = far.max(axis=1, initial=0.0) > limit
            if not bad.any():
                return out, square
            g, k = network[bad], far[bad].argmax(axis=1)
            out[g, k] = True
            by_worst = spread[g, :, k] / var[g, k][:, None]
            told[g] -= by_worst * told[g, k][:, None]
            spread[g] -= by_worst[:, :, None] * spread[g, k][:, None]

    def evidence(self, theta: Floats) -> Evidence:
        """Return what the residuals say of each kind, V taken at θ (m,) and parts as they are."""
        k = self.annihilator(theta)
        u = np.einsum("gij,gj->gi", k, self.y)
        by_part = k @ self.parts
        return Evidence(
            np.einsum("gi,mgij,gj->m", u, self.parts, u, optimize=True),
            np.einsum("mgii->m", by_part),
            np.einsum("mgij,lgji->ml", by_part, by_part, optimize=True),
        )


def restricted_likelihood(
    networks: Networks, least: Floats, spread: float = np.inf
) -> tuple[Floats, Evidence]:
    """Return the likeliest θ (m,), none below `least` (m,), and the evidence with V at it.

    Fisher's scoring in log θ, from 1. With a finite `spread`, the σ of log θ about 0 beforehand,
    kinds that residuals hardly tell apart share what they say. The evidence is of the parts as they
    are at θ: twice the inverse of its overlap is the covariance of log θ, of kinds not held at
    `least`.
    """
    low = np.log(least)
    log_theta = np.maximum(np.zeros_like(low), low)
    for _ in range(_ROUNDS):
        found = networks.evidence(np.exp(log_theta)).scaled(np.exp(log_theta))
        pull = 1.0 / spread**2
        slope = 0.5 * (found.square - found.spare) - pull * log_theta
        free = found.seen & ((log_theta > low) | (slope > 0.0))
        bend = 0.5 * found.overlap[np.ix_(free, free)] + pull * np.eye(int(free.sum()))
        step = np.zeros_like(log_theta)
        step[free] = np.clip(solved(bend, slope[free]), -_LEAP, _LEAP)
        new = np.maximum(log_theta + step, low)
        moved = np.abs(new - log_theta).max(initial=0.0)
        log_theta = new
        if moved < _ENOUGH:
            break
    return np.exp(log_theta), found


def solved(overlap: Floats, right: Floats) -> Floats:
    """Return overlap⁻¹ right; kinds that cannot be told apart share what is found."""
    scale = 1.0 / np.sqrt(np.maximum(np.diag(overlap), _NONE))
    unit = overlap * np.outer(scale, scale)
    return np.asarray(scale * (np.linalg.pinv(unit, rcond=1e-6, hermitian=True) @ (scale * right)))


def allowance(degrees: float) -> float:
    """Return by how much a variance estimated with so many degrees of freedom must grow.

    An ellipse drawn with it at 95 % then holds what it should: 2 F₀.₉₅(2, ν) over χ²₀.₉₅(2), which
    covers Student's t for an interval as well.
    """
    return float(2.0 * f.isf(0.05, 2, max(degrees, 1.0)) / ELLIPSE_95)
