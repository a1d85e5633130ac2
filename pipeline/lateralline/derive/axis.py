"""One adjusted line with all that goes along it: chainage, levels, ground, covariance.

`Axis` holds a line's vertices; `Axis.at` gives points anywhere on it, a little beyond its ends too.
Chainage runs from the downstream end along the 3-D path, whose legs are straight or arcs (`arcs`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise
from math import ceil

import numpy as np

from lateralline.derive.arcs import Arcs, arcs_of
from lateralline.derive.ellipses import ellipses_95
from lateralline.derive.levels import grounds_m, outside_top_m, ride_heights_m
from lateralline.derive.straightness import bow_sigmas, slope_sigmas
from lateralline.kernels import curves
from lateralline.records import Exposures, Fixes, Floats, Ints, Line, Stretch
from lateralline.settings import Pipe, Settings

#: Samples on a leg between two vertices: no further apart than this, and at least so many.
SAMPLE_SPACING_M = 0.25
SAMPLES_LEAST = 8

#: A leg that stands off its chord by more than this is drawn with vertices between, until it does
#: not; regions are swept along a finer path.
DRAWN_WITHIN_M = 0.010
SWEPT_WITHIN_M = 0.001


@dataclass(frozen=True, slots=True, eq=False)
class Along:
    """Points on one line (n,), with what the layers ask of a point."""

    chainage_m: Floats
    xyz_m: Floats  # (n, 3) transmitter axis
    cov_m2: Floats  # (n, 3, 3)
    tangent: Floats  # (n, 3) unit, upstream
    ride_m: Floats
    ground_m: Floats
    ground_sigma_m: Floats
    outside_top_m: float  # above the invert; NaN unknown

    @property
    def invert_m(self) -> Floats:
        """Level of the inside bottom of the pipe (n,)."""
        return self.xyz_m[:, 2] - self.ride_m

    @property
    def invert_sigma_m(self) -> Floats:
        """σ of the invert (n,)."""
        return np.sqrt(self.cov_m2[:, 2, 2])

    @property
    def depth_m(self) -> Floats:
        """Ground minus transmitter level (n,): the depth that was detected."""
        return self.ground_m - self.xyz_m[:, 2]

    @property
    def depth_sigma_m(self) -> Floats:
        """σ of depth and of cover (n,); level and ground taken as independent: errs wide."""
        return np.hypot(self.invert_sigma_m, self.ground_sigma_m)

    @property
    def cover_m(self) -> Floats:
        """Ground minus outside top of the pipe (n,); NaN when the pipe's size is unknown."""
        return self.ground_m - self.invert_m - self.outside_top_m

    @property
    def semi_major_95_m(self) -> Floats:
        """Semi-major axis of the 95 % plan ellipse (n,)."""
        return ellipses_95(self.cov_m2).semi_major_m

    @property
    def on_invert(self) -> Floats:
        """Plan position with the invert level (n, 3): where pipe features are drawn."""
        return np.column_stack([self.xyz_m[:, :2], self.invert_m])

    def part(self, first: int, end: int) -> Along:
        """Return the points from `first` up to `end`."""
        rows = slice(first, end)
        return Along(
            self.chainage_m[rows],
            self.xyz_m[rows],
            self.cov_m2[rows],
            self.tangent[rows],
            self.ride_m[rows],
            self.ground_m[rows],
            self.ground_sigma_m[rows],
            self.outside_top_m,
        )

    def by_counter(self, sigma_m: Floats) -> Along:
        """Return the same points as the counter gave them, with its σ (n,) along the line."""
        along = self.tangent * sigma_m[:, None]
        return replace(self, cov_m2=self.cov_m2 + along[:, :, None] * along[:, None, :])


@dataclass(frozen=True, eq=False)
class Axis:
    """A line's vertices (m,) with chainage, levels and ground."""

    line: Line
    pipe: Pipe
    chainage_m: Floats
    ride_m: Floats
    ground_m: Floats
    ground_sigma_m: Floats
    slope_sigma_rad: Floats  # (m, 2) heading and tilt of the pipe against its leg

    @property
    def length_m(self) -> float:
        """Length along the 3-D path."""
        return float(self.chainage_m[-1])

    @cached_property
    def plan_m(self) -> Floats:
        """Horizontal distance along the path at each vertex (m,)."""
        steps = np.diff(self.line.xyz_m[:, :2], axis=0)
        return np.concatenate([[0.0], np.cumsum(np.hypot(steps[:, 0], steps[:, 1]))])

    @cached_property
    def arcs(self) -> Arcs:
        """The legs between vertices."""
        return arcs_of(self.line)

    @cached_property
    def vertices(self) -> Along:
        """The vertices themselves."""
        return self.at(self.chainage_m)

    def at(self, chainage_m: Floats) -> Along:
        """Return the points at chainages (n,); beyond an end on straight, as it goes there."""
        leg, w = self.fraction(chainage_m)
        line, arcs = self.line, self.arcs
        xyz, cov = curves.interpolate(line.xyz_m, line.cov_m2, line.cross_m2, leg, w)
        off, tangent = arcs.off(leg, w)
        bow = bow_sigmas(self.slope_sigma_rad, arcs.length_m[leg], leg, w)
        across = np.column_stack([tangent[:, 1], -tangent[:, 0]])
        across /= np.maximum(np.hypot(across[:, 0], across[:, 1]), 1e-12)[:, None]
        cov[:, :2, :2] += bow[:, 0, None, None] ** 2 * across[:, :, None] * across[:, None, :]
        cov[:, 2, 2] += bow[:, 1] ** 2
        return Along(
            chainage_m=chainage_m,
            xyz_m=xyz + off,
            cov_m2=cov,
            tangent=tangent,
            ride_m=np.interp(chainage_m, self.chainage_m, self.ride_m),
            ground_m=np.interp(chainage_m, self.chainage_m, self.ground_m),
            ground_sigma_m=np.interp(chainage_m, self.chainage_m, self.ground_sigma_m),
            outside_top_m=outside_top_m(self.pipe),
        )

    def fraction(self, chainage_m: Floats) -> tuple[Ints, Floats]:
        """Return leg and fraction (n,), below 0 or above 1 beyond the ends."""
        inside = chainage_m.clip(0.0, self.length_m)
        leg, w = curves.locate(self.chainage_m, inside)
        step = np.diff(self.chainage_m)[leg]
        past = np.divide(chainage_m - inside, step, out=np.zeros_like(inside), where=step > 0)
        return leg, np.where(step > 0, w, 0.0) + past

    def drawn(self, within_m: float, stretch: Stretch | None = None) -> Along:
        """Return the points that draw the path, or a stretch of it, to within a distance.

        The vertices alone wherever legs are straight.
        """
        first, last = (stretch.first, stretch.last) if stretch else (0, len(self.chainage_m) - 1)
        pieces = np.ceil(np.sqrt(self.arcs.sagitta_m / within_m)).clip(1.0).astype(int)
        places = [
            np.linspace(self.chainage_m[i], self.chainage_m[i + 1], pieces[i] + 1)[:-1]
            for i in range(first, last)
        ]
        return self.at(np.concatenate([*places, self.chainage_m[last : last + 1]]))

    @cached_property
    def sampled(self) -> tuple[Along, ...]:
        """Points along each stretch, its vertices among them, close enough to sweep."""
        parts = [self._samples(stretch) for stretch in self.line.stretches]
        whole = self.at(np.concatenate(parts))
        ends = np.cumsum([len(part) for part in parts])
        return tuple(
            whole.part(int(end) - len(part), int(end))
            for part, end in zip(parts, ends, strict=True)
        )

    def _samples(self, stretch: Stretch) -> Floats:
        ends = self.chainage_m[stretch.first : stretch.last + 1]
        legs = [
            np.linspace(a, b, max(SAMPLES_LEAST, ceil((b - a) / SAMPLE_SPACING_M)) + 1)[:-1]
            for a, b in pairwise(ends)
        ]
        return np.concatenate([*legs, ends[-1:]])


def axis_of(
    line: Line, fixes: Fixes, fix_ground_sigma_m: Floats, exposures: Exposures, settings: Settings
) -> Axis:
    """Return a line of two or more vertices with its levels and ground; see `levels`."""
    chainage_m = np.concatenate([[0.0], np.cumsum(arcs_of(line).length_m)])
    ground_m, ground_sigma_m = grounds_m(line, fixes, fix_ground_sigma_m, exposures, chainage_m)
    return Axis(
        line=line,
        pipe=settings.pipe(line.line),
        chainage_m=chainage_m,
        ride_m=ride_heights_m(line, settings, chainage_m),
        ground_m=ground_m,
        ground_sigma_m=ground_sigma_m,
        slope_sigma_rad=slope_sigmas(line, fixes, settings.accuracy),
    )
