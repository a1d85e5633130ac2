"""How large the things of one site can be. Beyond that a number is a slip, and is named as one.

No array is sized by a length, a depth or a level that was not checked against these: a digit too
many would otherwise ask for gigabytes. All are common practice, no source, and wide: what they shut
out, no crew meant.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from lateralline.records import Floats, Ints

#: The spots of one site lie no further from those that most of them are among.
MOST_SITE_M: Final = 2000.0
#: Nor do their levels lie further from the middle one.
MOST_RISE_M: Final = 500.0
#: Nor is there ground so high, or so low: the highest mountain has 8,849 m, from memory.
MOST_LEVEL_M: Final = 10_000.0
#: A place known no better than this, 1 σ in plan, is none on a line.
MOST_SIGMA_M: Final = 100.0
#: Neighbours on a line lie no further apart: hardly a camera has a cable so long.
MOST_LEG_M: Final = 500.0
#: No transmitter is found so deep, and no reading shows it.
MOST_DEPTH_M: Final = 30.0

#: Groups are found to within this: a line of thousands of stops has few places so far apart.
_WITHIN_M: Final = 10.0


def groups(at_m: Floats, apart_m: float) -> Ints:
    """Return the group (n,) of each place (n, d): a chain of steps no longer joins all of one.

    >>> groups(np.array([[0.0, 0.0], [400.0, 0.0], [900.0, 0.0], [9e5, 0.0]]), 500.0).tolist()
    [0, 0, 0, 1]
    """
    cells, cell_of = np.unique(np.round(at_m / _WITHIN_M), axis=0, return_inverse=True)
    step = apart_m / _WITHIN_M + 1.0
    if len(cells) and np.linalg.norm(np.ptp(cells, axis=0)) <= step:
        return np.zeros(len(at_m), dtype=np.int64)
    from scipy.sparse import coo_array  # slow to import, and few sites are so wide
    from scipy.sparse.csgraph import connected_components
    from scipy.spatial import cKDTree

    pairs = cKDTree(cells).query_pairs(step, output_type="ndarray")
    size = (len(cells), len(cells))
    linked = coo_array((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=size)
    group: Ints = connected_components(linked, directed=False)[1].astype(np.int64)
    return group[cell_of.reshape(-1)]
