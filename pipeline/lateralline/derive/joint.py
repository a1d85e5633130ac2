"""Covariance between any two vertices of a line."""

from __future__ import annotations

import numpy as np

from lateralline.records import Floats, Line


def joint_cov(line: Line) -> Floats:
    """Return the covariance of all vertices together, (m, 3, m, 3) m².

    The adjustment's own. A line without it has that of each vertex and of each with the next; what
    vertices farther apart share counts as nothing, which errs wide in their differences.
    """
    m = len(line.xyz_m)
    if line.joint_cov_m2.shape == (3 * m, 3 * m):
        return line.joint_cov_m2.reshape(m, 3, m, 3)
    cov = np.zeros((m, 3, m, 3))
    at = np.arange(m)
    cov[at, :, at, :] = line.cov_m2
    cov[at[:-1], :, at[1:], :] = line.cross_m2
    cov[at[1:], :, at[:-1], :] = np.swapaxes(line.cross_m2, 1, 2)
    return cov
