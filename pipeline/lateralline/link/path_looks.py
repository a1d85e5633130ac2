"""What a line's points say of the pipe at each of them: data, looks, and what a look changes.

A point may be wrong altogether, a counter reading likewise, and a point may be poor: what each
would make of a look stands here, what it costs a hypothesis in `path_filter`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import log, radians
from typing import Final, NamedTuple

import numpy as np

from lateralline.kernels.curves import wrap
from lateralline.kernels.expected import PIPE_WANDER_RAD
from lateralline.kernels.legs import HEADING, LENGTH, POSE
from lateralline.records import Flags, Floats

#: Of points, and of readings, this many are wrong altogether, by this σ in metres and radians.
WRONG_SHARE: Final = 0.01
WRONG_M: Final = 0.7
WRONG_RAD: Final = (radians(20.0), radians(10.0))
#: And this many are poor, as where one mark of several is far off: by this many times their σ.
#: Common practice, no source.
POOR_SHARE: Final = 0.05
POOR: Final = 3.0


@dataclass(frozen=True, slots=True, eq=False)
class PathData:
    """What was observed along a line at k points, in axes of its own; r runs, c shared errors."""

    seen: Floats  # (k, 5) east, north, up, heading, tilt
    observed: Flags  # (k, 5)
    cov: Floats  # (k, 5, 5) without what is shared
    #: (k, 2) variance along and across the pipe, whichever way that lies, in place of that of plan
    #: in `cov`; NaN where a point's own direction was observed
    along_across_m2: Floats
    shared: Floats  # (k, 5, c); the last two are what a field turned by one radian does
    readings_m: Floats  # (r, k)
    ways: Floats  # (r,) 1 where a counter grows along the line, -1 where it falls
    counter_m: float
    counter_ratio: float
    counter_scale_ratio: float
    bends_per_m: float
    turns_rad: tuple[float, float]  # σ of the field's turn, away from steel and beside it
    steel: Flags  # (k,) whether somebody saw metal there
    wander_rad: float = PIPE_WANDER_RAD
    steel_per_m: float = 0.0  # how often steel begins where nobody saw it

    @property
    def turn(self) -> slice:
        """Where a state has the turn of the field."""
        return slice(self.size - 2, self.size)

    @property
    def size(self) -> int:
        """Numbers in a state."""
        return POSE + 2 * len(self.readings_m) + int(self.shared.shape[2])


def doubted_noises(
    data: PathData, point: int, noise: Floats
) -> Iterator[tuple[float, Floats | None]]:
    """Yield how often a point is wrong altogether, its counters are, and a point is poor.

    Each with the noise (m, q, q) of such looks; None where nothing was read.
    """
    places, q = int(data.observed[point].sum()), noise.shape[-1]
    by = np.array([WRONG_M] * 3 + [*WRONG_RAD])[data.observed[point]]
    read = np.full(q - places, WRONG_M)
    of_point, of_counter = np.zeros(q), np.zeros(q)
    of_point[:places], of_counter[places:] = by, read
    poor = noise.copy()
    poor[:, :places, :places] *= POOR**2
    yield WRONG_SHARE, noise + np.diag(of_point**2) if places else None
    yield WRONG_SHARE, noise + np.diag(of_counter**2) if len(read) else None
    yield POOR_SHARE, poor if places else None


@dataclass(frozen=True, slots=True, eq=False)
class Look:
    """What was seen at a point, against what states (m, n) expect of it."""

    by: Floats  # (m, q, n)
    off: Floats  # (m, q) observed less expected
    noise: Floats  # (m, q, q)


class Viewpoint:
    """What was observed at one point, ready to be compared with many states."""

    def __init__(self, data: PathData, point: int) -> None:
        """Gather what does not depend on the states."""
        self.columns = np.flatnonzero(data.observed[point])
        self.runs = np.flatnonzero(np.isfinite(data.readings_m[:, point])).tolist()
        self.places = len(self.columns)
        q = self.places + len(self.runs)
        self.errors = POSE + 2 * len(data.readings_m)
        self.shared = data.shared[point, self.columns]
        self.seen = data.seen[point, self.columns]
        self.is_heading = self.columns == HEADING
        self.by, self.noise = np.zeros((q, data.size)), np.zeros((q, q))
        self.by[np.arange(self.places), self.columns] = 1.0
        self.by[: self.places, self.errors :] = self.shared
        self.noise[: self.places, : self.places] = data.cov[point][
            np.ix_(self.columns, self.columns)
        ]
        self.along_across_m2 = data.along_across_m2[point]
        self.by_heading = bool(np.isfinite(self.along_across_m2).all())
        self.read = [(data.readings_m[run, point], data.ways[run]) for run in self.runs]
        for row in range(self.places, q):
            self.noise[row, row] = data.counter_m**2

    def look(self, state: Floats) -> Look:
        """Return how states (m, n) compare with what was observed."""
        places = self.places
        m = len(state)
        q, n = self.by.shape
        by, off, noise = np.empty((m, q, n)), np.empty((m, q)), np.empty((m, q, q))
        by[:], noise[:] = self.by, self.noise
        off[:, :places] = self.seen - state[:, self.columns]
        off[:, :places] -= state[:, self.errors :] @ self.shared.T
        off[:, :places] = np.where(self.is_heading, wrap(off[:, :places]), off[:, :places])
        if self.by_heading:
            side = np.stack([np.sin(state[:, HEADING]), np.cos(state[:, HEADING])], axis=1)
            axes = np.stack([side, side[:, ::-1] * (1.0, -1.0)], axis=2)  # columns along, across
            noise[:, :2, :2] = axes * self.along_across_m2 @ axes.transpose(0, 2, 1)
        for row, (run, (reading, way)) in enumerate(zip(self.runs, self.read, strict=True), places):
            zero, scale = POSE + 2 * run, POSE + 2 * run + 1
            by[:, row, zero], by[:, row, LENGTH] = 1.0, way / state[:, scale]
            by[:, row, scale] = -way * state[:, LENGTH] / state[:, scale] ** 2
            off[:, row] = reading - state[:, zero] - way * state[:, LENGTH] / state[:, scale]
        return Look(by, off, noise)


class Updated(NamedTuple):
    """States after a look."""

    state: Floats  # (m, n)
    cov: Floats  # (m, n, n)


def updated_by(state: Floats, cov: Floats, look: Look) -> Updated:
    """Return states (m, n) and their covariances after a look at a point."""
    seen_cov, by_cov = spread_of_state(cov, look)
    gain = np.linalg.solve(seen_cov + look.noise, by_cov).transpose(0, 2, 1)
    after = cov - gain @ look.by @ cov
    return Updated(
        state + np.einsum("mij,mj->mi", gain, look.off),
        np.asarray((after + after.transpose(0, 2, 1)) / 2),
    )


def evidence_of(s: Floats, look: Look) -> Floats:
    """Return ln of the density (m,) of what was seen; `s` its covariance (m, q, q), noise and all.

    What was expected of it is normal.
    """
    _, chi2 = weighed(s, look)
    size = np.linalg.slogdet(s)[1] + look.off.shape[1] * log(2 * np.pi)
    return np.asarray(-0.5 * (chi2 + size))


def spread_of_state(cov: Floats, look: Look) -> tuple[Floats, Floats]:
    """Return what states' covariances put into a look, H P Hᵀ (m, q, q), and H P; no noise."""
    by_cov = look.by @ cov
    return by_cov @ look.by.transpose(0, 2, 1), by_cov


def weighed(s: Floats, look: Look) -> tuple[Floats, Floats]:
    """Return Hᵀ S⁻¹ v (m, n) of what was seen less what was expected, and vᵀ S⁻¹ v (m,)."""
    weighed = np.linalg.solve(s, look.off[..., None])
    by_state = look.by.transpose(0, 2, 1) @ weighed
    return by_state[..., 0], (look.off[:, None] @ weighed)[:, 0, 0]
