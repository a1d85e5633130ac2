"""What distances between neighbouring stops say of counters and of tilts nobody measured.

A tilt that was taken as 0 shifts a fix along the pipe, and nothing at the stop shows it; the cable
between two stops does. Only stretches are asked at both ends of which the transmitter points along
them: round a bend the cable is longer than the chord.
"""

from __future__ import annotations

from itertools import groupby
from typing import Final

import numpy as np

from lateralline.kernels.variance import Networks
from lateralline.records import Fixes, Floats, Ints, Texts
from lateralline.settings import Accuracy

#: The accuracies that distances say something of, as `settings.Accuracy` names them.
OF_SPACING: Final = ("tilt_prior_rad", "counter_m", "counter_ratio", "counter_scale_ratio")
_TILT, _READING, _SLACK, _SCALE = range(len(OF_SPACING))
#: A stretch turns by less than this against the transmitter at each end: its chord is then at most
#: 1 % short.
STRAIGHT_RAD: Final = np.radians(8.0)
#: A run of more lengths than this is long: common practice, no source.
LONG: Final = 20
#: Stops nearer than this stand on one another.
LEAST_M: Final = 0.3


def spacing_residuals(fixes: Fixes, accuracy: Accuracy) -> tuple[Networks, Texts]:
    """Return one network a run: chord less counted, of each straight stretch; last the scale.

    The one unknown of each is by how much pipe is longer than counted. Its readings are the
    counters, each in the stretch before it and in that behind. And which run (g,) each is.
    """
    runs = [_stretches(fixes, rows) for rows in _of_runs(fixes)]
    runs = [pairs for pairs in runs if len(pairs)]
    n = max((len(pairs) for pairs in runs), default=0) + 1
    g, kinds = len(runs), len(OF_SPACING)
    a, y = np.zeros((g, n, 1)), np.zeros((g, n))
    known, parts = np.tile(np.eye(n), (g, 1, 1)), np.zeros((kinds, g, n, n))
    there = np.zeros((g, n), dtype=np.bool_)
    by_reading = np.zeros((g, n, max((len(np.unique(p)) for p in runs), default=0)))
    for i, pairs in enumerate(runs):
        m = len(pairs)
        read = _in_lengths(pairs)
        by_reading[i, :m, : read.shape[1]] = read
        counted, off, own, of_run = _observed(fixes, pairs, read, accuracy)
        a[i, :m, 0], y[i, :m] = counted, off
        known[i, :m, :m], parts[:, i, :m, :m] = own, of_run
        a[i, -1], known[i, -1, -1] = 1.0, 0.0
        parts[_SCALE, i, -1, -1] = accuracy.counter_scale_ratio**2
        there[i, :m] = there[i, -1] = True
    ids = np.array([str(fixes.run[pairs[0, 0]]) for pairs in runs], dtype=np.str_)
    return Networks(a, y, known, parts, there, by_reading), ids


def _of_runs(fixes: Fixes) -> list[Ints]:
    """Return the located stops of each run in the order of their counters."""
    good = np.flatnonzero(fixes.solved & np.isfinite(fixes.counter_m))
    order = good[np.lexsort((fixes.counter_m[good], fixes.run[good]))]
    return [np.array([*rows]) for _, rows in groupby(order, key=lambda i: str(fixes.run[i]))]


def _stretches(fixes: Fixes, rows: Ints) -> Ints:
    """Return neighbours (p, 2) with straight pipe between them."""
    pairs = np.column_stack([rows[:-1], rows[1:]])
    chord = fixes.xyz_m[pairs[:, 1]] - fixes.xyz_m[pairs[:, 0]]
    way = np.arctan2(chord[:, 0], chord[:, 1])
    off = fixes.heading_rad[pairs] - way[:, None]
    aside = np.abs(np.remainder(off + 0.5 * np.pi, np.pi) - 0.5 * np.pi)
    apart = fixes.counter_m[pairs[:, 1]] - fixes.counter_m[pairs[:, 0]]
    straight = (aside < STRAIGHT_RAD).all(axis=1) & (apart > LEAST_M)
    return np.asarray(pairs[straight & (np.linalg.norm(chord, axis=1) > LEAST_M)])


def _in_lengths(pairs: Ints) -> Floats:
    """Return which reading, in the order of its stop's row, each length has, with its sign (p, k).

    A length of the pairs (p, 2) is the later reading less the earlier.
    """
    stops, at = np.unique(pairs, return_inverse=True)
    at = at.reshape(pairs.shape)
    read = np.zeros((len(pairs), len(stops)))
    rows = np.arange(len(pairs))
    read[rows, at[:, 1]], read[rows, at[:, 0]] = 1.0, -1.0
    return read


def _observed(
    fixes: Fixes, pairs: Ints, read: Floats, accuracy: Accuracy
) -> tuple[Floats, Floats, Floats, Floats]:
    """Return lengths counted (p,), chords less these, Q₀ (p, p) and the parts (m, p, p)."""
    chord = fixes.xyz_m[pairs[:, 1]] - fixes.xyz_m[pairs[:, 0]]
    length = np.linalg.norm(chord, axis=1)
    counted = fixes.counter_m[pairs[:, 1]] - fixes.counter_m[pairs[:, 0]]
    stops = np.unique(pairs)
    p, k = len(pairs), len(stops)
    along = read[:, :, None] * (chord / length[:, None])[:, None, :]  # (p, k, 3) by positions

    cov = fixes.cov[stops]
    shared = fixes.shared[stops][:, :3] if len(fixes.shared) else np.zeros((k, 3, 0))
    own = cov[:, :3, :3] - shared @ np.swapaxes(shared, 1, 2)  # what they share moves both ends
    prior = fixes.tilt_prior_rad[stops]
    assumed = np.isfinite(prior)
    var = np.where(assumed, cov[:, 4, 4], 1.0)
    trust = np.where(assumed, np.minimum(var / np.where(assumed, prior**2, 1.0), 1.0), 0.0)
    # an error of the prior's mean moves the tilt by var/prior², and the place along with it
    by_tilt = cov[:, :3, 4] / var[:, None] * (trust * np.where(assumed, prior, 0.0))[:, None]

    def of_places(blocks: Floats) -> Floats:
        return np.asarray(np.einsum("pki,kij,qkj->pq", along, blocks, along, optimize=True))

    parts = np.zeros((len(OF_SPACING), p, p))
    tilted = np.einsum("ki,kj->kij", by_tilt, by_tilt)
    parts[_TILT] = of_places(tilted)
    parts[_READING] = accuracy.counter_m**2 * read @ read.T
    parts[_SLACK] = np.diag((accuracy.counter_ratio * counted) ** 2)
    return counted, length - counted, of_places(own - tilted), parts
