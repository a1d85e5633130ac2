"""The stochastic model: what is assumed of errors, and the significance levels of all tests.

Accuracies a site states, with what link adds to them; how a covariance is freed of a prior; and the
limits at which a hypothesis is refused.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Final

import numpy as np

from lateralline.distributions import chi2
from lateralline.records import Floats
from lateralline.settings import Accuracy

#: A leg shorter than this is inside the transmitter; no bend can be resolved there.
SHORTEST_LEG_M = 0.05


def counter_variance(length_m: Floats, accuracy: Accuracy) -> Floats:
    """Variance of a counter difference: two readings, and the cable's slack over the length."""
    return np.asarray(2 * accuracy.counter_m**2 + (accuracy.counter_ratio * length_m) ** 2)


def balance_sigma(both_m: Floats) -> Floats:
    """σ of first less last leg of a bent stretch, given both together: uniform over their sum.

    It keeps a bend between its stops where nothing else does.
    """
    return np.asarray(np.maximum(both_m, SHORTEST_LEG_M) / np.sqrt(3))


def nonzero_accuracy(accuracy: Accuracy) -> Accuracy:
    """Return the accuracies with none that is zero where the adjustment divides by it."""
    return replace(
        accuracy,
        counter_m=max(accuracy.counter_m, 1e-4),
        counter_scale_ratio=max(accuracy.counter_scale_ratio, 1e-6),
    )


#: σ of the tilt that replaces the prior, so that a fix whose tilt nothing tells stays finite.
LOOSE_TILT_RAD = np.radians(20.0)
#: By how many of its new standard deviations a tilt is moved off 0 at most. Common practice, no
#: source.
_FREED: Final = 2.0
_TILT = 4


def tilt_regression(x: Floats, cov: Floats, prior_rad: float) -> Floats:
    """Return the matrix (5, 5) that carries a fix (5,) from under its tilt prior to a loose one.

    A prior N(0, σ²) adds 1/σ² to the information of the tilt alone. Taken away again, the tilt
    moves off 0 and widens, and the rest follows along its regression on the tilt, c/C_tt (c the
    tilt's column): exact for a normal distribution. No further than `_FREED` of its new standard
    deviations: a tilt that its marks hardly tell, and yet draw far off 0, is no normal one, and
    16 times as far is where nothing was measured.
    """
    column, var, tilt = cov[:, _TILT], cov[_TILT, _TILT], abs(float(x[_TILT]))
    wider = _wider(var, prior_rad)
    times = min(wider / var, 1.0 + _FREED * float(np.sqrt(wider)) / max(tilt, 1e-9))
    out = np.eye(5)
    out[:, _TILT] += column / var * (times - 1.0)
    return out


def without_tilt_prior(x: Floats, cov: Floats, prior_rad: float) -> tuple[Floats, Floats]:
    """Return a fix (5,) and its covariance (5, 5) with a loose tilt prior in place of its own.

    As `tilt_regression` says; positive definite whatever the variance of the tilt is.
    """
    column, var = cov[:, _TILT], cov[_TILT, _TILT]
    share = column / var
    wider = _wider(var, prior_rad)
    return tilt_regression(x, cov, prior_rad) @ x, cov + np.outer(share, share) * (wider - var)


def _wider(var: float, prior_rad: float) -> float:
    """Variance of the tilt under the loose prior; loose where its own prior alone gave it."""
    information = 1 / var - 1 / prior_rad**2 + 1 / LOOSE_TILT_RAD**2
    # a tilt as wide as its prior, or a little wider by averaging, was observed by nothing
    return float(1 / max(information, 1 / LOOSE_TILT_RAD**2))


def factorable(cov: Floats) -> Floats:
    """A covariance kept positive definite through rounding; rows that are zero stay zero."""
    used = np.diag(cov) > 0
    used[:3] = True
    sigma = np.sqrt(np.maximum(np.diag(cov)[used], 1e-12))
    values, vectors = np.linalg.eigh(cov[np.ix_(used, used)] / np.outer(sigma, sigma))
    unit = (vectors * np.maximum(values, 1e-9)) @ vectors.T
    out = np.zeros_like(cov)
    out[np.ix_(used, used)] = unit * np.outer(sigma, sigma)
    return out


ALPHA = 0.001
#: What no, one and two bends are free to fit: three coordinates each, less the balance of the legs.
BEND_FREEDOMS = (0, 2, 5)
#: Significance of each test of what is seldom wrong by itself: angles are read off nothing, and a
#: wrong level shows in its marks. A line has dozens of tests, and they must not cry wolf together.
ALPHAS = {"level": 2e-4, "heading": 2e-4, "tilt": 2e-4, "kink": 1e-4}
#: √T closer than this in χ² are one and the same to the data (95 % of one degree of freedom).
TIED = 3.84


@cache
def limit_of(what: str, freedoms: int) -> float:
    """Return the χ² beyond which a reading of this kind is rejected."""
    return float(chi2.isf(ALPHAS.get(what, ALPHA), freedoms))


#: A step doubted at this α leaves a shape open: with two axes, one straight stretch in two hundred
#: by chance. It is believed at `ALPHA`.
STEP_ALPHA = 0.0025
