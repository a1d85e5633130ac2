"""The distributions of tests and intervals: χ², normal, F, Student's t.

By `scipy.special`. `scipy.stats` computes the same by the same functions, and costs a second of
processor time to import, which every command and every process of a batch would pay, and some
fifty microseconds a call.
"""

from __future__ import annotations

from math import pi, sqrt
from typing import Final, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import chdtrc, chdtri, fdtri, gammaincinv, ndtr, ndtri, stdtr

Floats: TypeAlias = NDArray[np.float64]


class _ChiSquared:
    """χ² of so many degrees of freedom; arguments of any shapes that broadcast.

    >>> round(float(chi2.isf(0.05, 2)), 3), round(float(chi2.sf(5.991, 2)), 3)
    (5.991, 0.05)
    """

    def sf(self, value: ArrayLike, freedoms: ArrayLike) -> Floats:
        """Return how often a value so large or larger comes by chance."""
        return np.asarray(chdtrc(freedoms, value))

    def isf(self, probability: ArrayLike, freedoms: ArrayLike) -> Floats:
        """Return the value that is exceeded with a probability."""
        return np.asarray(chdtri(freedoms, probability))

    def ppf(self, probability: ArrayLike, freedoms: ArrayLike) -> Floats:
        """Return the value below which it falls with a probability."""
        return np.asarray(2.0 * gammaincinv(np.asarray(freedoms) / 2.0, probability))

    def median(self, freedoms: ArrayLike) -> Floats:
        """Return the value half of all exceed."""
        return self.ppf(0.5, freedoms)


class _Normal:
    """The standard normal distribution.

    >>> round(float(norm.ppf(0.975)), 3), round(float(norm.cdf(1.0)), 4)
    (1.96, 0.8413)
    """

    def pdf(self, value: ArrayLike) -> Floats:
        """Return its density."""
        return np.asarray(np.exp(-(np.asarray(value) ** 2) / 2.0) / sqrt(2.0 * pi))

    def cdf(self, value: ArrayLike) -> Floats:
        """Return the probability of a value so large or smaller."""
        return np.asarray(ndtr(value))

    def ppf(self, probability: ArrayLike) -> Floats:
        """Return the value below which it falls with a probability."""
        return np.asarray(ndtri(probability))

    def isf(self, probability: ArrayLike) -> Floats:
        """Return the value that is exceeded with a probability."""
        return np.asarray(-ndtri(probability))


class _FisherF:
    """The F distribution of two degrees of freedom."""

    def isf(self, probability: float, upper: float, lower: float) -> Floats:
        """Return the value that is exceeded with a probability."""
        return np.asarray(fdtri(upper, lower, 1.0 - probability))


class _StudentT:
    """Student's t of so many degrees of freedom."""

    def sf(self, value: ArrayLike, freedoms: ArrayLike) -> Floats:
        """Return how often a value so large or larger comes by chance."""
        return np.asarray(stdtr(freedoms, -np.asarray(value)))


chi2: Final = _ChiSquared()
norm: Final = _Normal()
f: Final = _FisherF()
student: Final = _StudentT()
