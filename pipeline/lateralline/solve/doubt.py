"""Accuracies that a site's own residuals deny: how large they are, and claims as wide as that.

All accuracies are estimated together by restricted maximum likelihood, none below what was stated,
each drawn towards it where residuals hardly tell it from another. A few wrong marks or readings are
no reason to doubt an accuracy: what even errors of the size found do not explain is left out. What
the rest shows against the accuracies stated must be more than chance.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from lateralline.distributions import chi2
from lateralline.kernels.variance import Networks, allowance, restricted_likelihood
from lateralline.records import Flags, Floats
from lateralline.settings import Accuracy

#: A site's accuracies are doubted at this level, all together: common practice, no source.
ALPHA: Final = 0.025
#: Fewer stops, or stretches between stops, than these are not asked. One less likely than this
#: under the accuracies found is a blunder.
LEAST_CASES, BLUNDER = 5, 1e-3
#: σ of the logarithm of a variance about that stated: errors are two times as large, or half as
#: large, at one σ. Common practice, no source.
SPREAD: Final = 2.0 * float(np.log(2.0))
#: Where more cases than this are blunders, or errors are more times as large as stated, the cause
#: is no accuracy. Common practice, no source.
MOST_BLUNDERS, MOST_TIMES = 0.3, 6.0
#: An accuracy is named when it is larger than stated by this many of its own σ.
NAMED_SIGMAS: Final = 2.0
_ROUNDS: Final = 5


@dataclass(frozen=True, slots=True)
class DoubtedAccuracy:
    """One accuracy that residuals deny."""

    name: str  # as `settings.Accuracy` has it
    stated: float
    estimate: float
    degrees: float  # of freedom


@dataclass(frozen=True, slots=True)
class Doubt:
    """What accuracies a site claims by instead of those stated, and which of them is named."""

    wide: dict[str, float]
    doubted: tuple[DoubtedAccuracy, ...]
    by_chance: float  # how likely the residuals are by chance, were all as stated

    def accuracy(self, stated: Accuracy) -> Accuracy:
        """Return the accuracies claimed by."""
        return replace(stated, **self.wide)


class _Cases:
    """Networks whose blunders are single readings, or whole networks where they have none."""

    def __init__(self, networks: Networks) -> None:
        self.networks, self.whole = networks, networks.by_reading is None

    def misfits(self, theta: Floats) -> tuple[Floats, Floats, Flags]:
        """Return χ² of each case, its degrees of freedom, and whether it is tested at all."""
        if self.whole:
            value, freedom = self.networks.misfit(theta)
            return value, np.maximum(freedom, 1.0), freedom > 0.5
        _, value = self.networks.wrong_readings(theta, np.inf)
        return np.nan_to_num(value), np.ones_like(value), np.isfinite(value)

    def blunders(self, theta: Floats, usual: float = 1.0) -> Flags:
        """Return which cases errors `usual` times as large in square do not explain."""
        if self.whole:
            value, freedom, tested = self.misfits(theta)
            return np.asarray(tested & (chi2.sf(value / usual, freedom) < BLUNDER))
        return self.networks.wrong_readings(theta, usual * float(chi2.isf(BLUNDER, 1)))[0]

    def without(self, out: Flags) -> Networks:
        """Return the networks without these cases."""
        if not self.whole:
            return self.networks.without_readings(out)
        rows = np.zeros(self.networks.there.shape, dtype=np.bool_)
        rows[:] = out[:, None]
        return self.networks.without(rows)

    def by_chance(self, out: Flags) -> float:
        """Return how likely the rest is by chance, without the worst case that is left.

        One misread counter stretches what is before it and shortens what is behind, and one stop in
        the wrong place turns the ways to its neighbours: over a dozen stops that is much for chance
        and too little to be sure of the one.
        """
        ones = np.ones(len(self.networks.parts))
        if self.whole:
            value, freedom, tested = self.misfits(ones)
            likely = np.where(tested & ~out, chi2.sf(value, freedom), np.inf)
            return _by_chance(self.without(out | (np.arange(len(likely)) == likely.argmin())))
        _, value = self.networks.without_readings(out).wrong_readings(ones, np.inf)
        value = np.where(out | np.isnan(value), -1.0, value)
        out = out | (np.arange(value.size).reshape(value.shape) == value.argmax())
        return _by_chance(self.without(out))


def doubt(networks: Networks, names: tuple[str, ...], stated: Accuracy) -> Doubt | None:
    """Return what residuals say against the accuracies stated; None if nothing.

    `names` (m,) are those of the networks' parts. A blunder spoils one reading of those that the
    networks have, and where they have none its network, a stop.
    """
    ones, cases = np.ones(len(names)), _Cases(networks)
    value, freedom, tested = cases.misfits(ones)
    if np.count_nonzero(tested) < LEAST_CASES:
        return None
    usual = max(float(np.median(value[tested] / chi2.median(freedom[tested]))), 1.0)
    out = cases.blunders(ones, usual)
    if cases.by_chance(out) > ALPHA:
        return None
    for _ in range(_ROUNDS):
        rest = cases.without(out)
        theta, found = restricted_likelihood(rest, ones, SPREAD)
        again = cases.blunders(theta)
        if (again == out).all():
            break
        out = again
    free = theta > 1.0
    blunders = np.count_nonzero(out) / np.count_nonzero(tested)
    if not free.any() or blunders > MOST_BLUNDERS or theta.max() > MOST_TIMES**2:
        return None
    by_chance = cases.by_chance(out)
    if by_chance > ALPHA:
        return None
    bend = found.overlap[np.ix_(free, free)] / 2.0 + np.eye(int(free.sum())) / SPREAD**2
    sigma = np.ones_like(theta)
    sigma[free] = np.sqrt(np.diag(np.linalg.inv(bend)))
    sure = free & (np.log(theta) > NAMED_SIGMAS * sigma)
    if not sure.any():
        sure = theta == theta.max()
    degrees = found.freedom(free)
    times = np.sqrt(theta)
    # a variance known to a factor of e^σ is e^(σ²/2) larger on average than at its likeliest
    claimed = times * np.sqrt(np.exp(0.5 * sigma**2) * allowance(degrees))
    return Doubt(
        {
            name: getattr(stated, name) * float(claimed[i])
            for i, name in enumerate(names)
            if free[i]
        },
        tuple(
            DoubtedAccuracy(
                names[i],
                getattr(stated, names[i]),
                getattr(stated, names[i]) * float(times[i]),
                degrees,
            )
            for i in np.flatnonzero(sure)
        ),
        by_chance,
    )


def _by_chance(networks: Networks) -> float:
    """Return how likely such residuals are by chance, were every accuracy as stated (Simes)."""
    ones = np.ones(len(networks.parts))
    found = networks.evidence(ones)
    value, freedom = networks.misfit(ones)
    together = chi2.sf(value.sum(), freedom.sum())
    each = np.sort(np.append(found.larger()[found.seen], together))
    return float((each * len(each) / np.arange(1, len(each) + 1)).min())
