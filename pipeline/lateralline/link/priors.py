"""Take out of a fix what was assumed, once the line itself can tell it.

A stop without a measured tilt is solved with a prior of 0. Beside its neighbours that prior is no
observation: the chords give the pipe's grade, and twenty stops that each "measured" 0 would level
a falling pipe and pull every transmitter along it.
"""

from __future__ import annotations

import numpy as np

from lateralline.records import Floats

#: σ of the tilt that replaces the prior, so that a fix whose tilt nothing tells stays finite.
LOOSE_TILT_RAD = np.radians(20.0)
_TILT = 4


def tilt_regression(cov: Floats, prior_rad: float) -> Floats:
    """Return the matrix (5, 5) that carries a fix (5,) from under its tilt prior to a loose one."""
    column, var = cov[:, _TILT], cov[_TILT, _TILT]
    out = np.eye(5)
    out[:, _TILT] += column / var * (_wider(var, prior_rad) / var - 1)
    return out


def without_tilt_prior(x: Floats, cov: Floats, prior_rad: float) -> tuple[Floats, Floats]:
    """Return a fix (5,) and its covariance (5, 5) with a loose tilt prior in place of its own.

    A prior N(0, σ²) adds 1/σ² to the information of the tilt alone. Taken away again, the tilt
    moves off 0 and widens, and the rest follows along its regression on the tilt, c/C_tt (c the
    tilt's column): exact for a normal distribution, and positive definite whatever C_tt is.
    """
    column, var = cov[:, _TILT], cov[_TILT, _TILT]
    share = column / var
    wider = _wider(var, prior_rad)
    return tilt_regression(cov, prior_rad) @ x, cov + np.outer(share, share) * (wider - var)


def _wider(var: float, prior_rad: float) -> float:
    """Variance of the tilt under the loose prior; one its own prior told alone becomes loose."""
    information = 1 / var - 1 / prior_rad**2 + 1 / LOOSE_TILT_RAD**2
    # a tilt left as wide as its prior, or by averaging a little wider, was told by nothing
    return float(1 / max(information, 1 / LOOSE_TILT_RAD**2))
