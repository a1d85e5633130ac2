"""One adjusted line with all that goes along it: chainage, levels, ground, covariance.

`Axis` holds a line's vertices; `Axis.at` gives points anywhere on it, a little beyond its ends too.
Chainage runs from the downstream end along the 3-D path, whose legs are straight or arcs (`path`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from functools import cached_property
from itertools import pairwise
from math import isfinite, nan
from typing import Any

import numpy as np
from scipy import sparse

from lateralline.derive.ellipses import ellipses_95
from lateralline.derive.path import Arcs, arcs_of, bow_by_slopes, bow_sigmas, slope_sigmas
from lateralline.derive.sampled import PathsAlong
from lateralline.kernels import curves
from lateralline.kernels.expected import carried_on_m2
from lateralline.records import Exposures, Fixes, Floats, Ints, Line, Marks, Stretch, Texts
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
    ground_level_m: Floats
    ground_sigma_m: Floats
    outside_top_m: float  # above the invert; NaN unknown

    @property
    def across(self) -> Floats:
        """Unit vector in plan, right of the path looking upstream (n, 2); nil where vertical."""
        return _across(self.tangent)

    @property
    def invert_level_m(self) -> Floats:
        """Level of the inside bottom of the pipe (n,)."""
        return self.xyz_m[:, 2] - self.ride_m

    @property
    def invert_sigma_m(self) -> Floats:
        """σ of the invert (n,)."""
        return np.sqrt(self.cov_m2[:, 2, 2])

    @property
    def depth_m(self) -> Floats:
        """Ground minus transmitter level (n,): the depth that was detected."""
        return self.ground_level_m - self.xyz_m[:, 2]

    @property
    def cover_m(self) -> Floats:
        """Ground minus outside top of the pipe (n,); NaN when the pipe's size is unknown."""
        return self.ground_level_m - self.invert_level_m - self.outside_top_m

    @property
    def cover_sigma_m(self) -> Floats:
        """σ of cover and of depth (n,); level and ground taken as independent: errs wide."""
        return np.hypot(self.invert_sigma_m, self.ground_sigma_m)

    @property
    def ellipse_major_95_m(self) -> Floats:
        """Semi-major axis of the 95 % plan ellipse (n,)."""
        return ellipses_95(self.cov_m2).semi_major_m

    @property
    def on_invert(self) -> Floats:
        """Plan position with the invert level (n, 3): where pipe features are drawn."""
        return np.column_stack([self.xyz_m[:, :2], self.invert_level_m])

    def parted(self, counts: Sequence[int]) -> tuple[Along, ...]:
        """Return the points in parts of so many each, one after the other."""
        ends = np.cumsum(counts)[:-1]
        each: dict[str, Sequence[Any]] = {
            f.name: np.split(value, ends)
            for f in fields(self)
            if isinstance(value := getattr(self, f.name), np.ndarray)
        }
        rows = zip(*each.values(), strict=True)
        return tuple(replace(self, **dict(zip(each, row, strict=True))) for row in rows)

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
    flow_told: bool = True  # anything tells which way water runs
    bends_per_m: float = 0.0  # expected of pipe that nobody marked

    @property
    def length_m(self) -> float:
        """Length along the 3-D path."""
        return float(self.chainage_m[-1])

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
        xyz, tangent, cov = self._path(chainage_m)
        past = chainage_m - chainage_m.clip(0.0, self.length_m)
        if self.sampled_paths is not None:
            cov = self.sampled_paths.cov_m2(chainage_m)
            if (on := past != 0.0).any():  # carried on: as each path ends there
                cov[on] = self.sampled_paths.carried_m2(past[on])
        else:
            leg, w = self.fraction(chainage_m)
            bow = bow_sigmas(self.slope_sigma_rad, self.arcs.length_m[leg], leg, w)
            aside = bow[:, :1] * _across(tangent)
            cov[:, :2, :2] += aside[:, :, None] * aside[:, None, :]
            cov[:, 2, 2] += bow[:, 1] ** 2
        if past.any():
            cov = cov + carried_on_m2(past, tangent, self.bends_per_m)
        return Along(
            chainage_m=chainage_m,
            xyz_m=xyz,
            cov_m2=cov,
            tangent=tangent,
            ride_m=np.interp(chainage_m, self.chainage_m, self.ride_m),
            ground_level_m=np.interp(chainage_m, self.chainage_m, self.ground_m),
            ground_sigma_m=np.interp(chainage_m, self.chainage_m, self.ground_sigma_m),
            outside_top_m=outside_top_m(self.pipe),
        )

    @cached_property
    def sampled_paths(self) -> PathsAlong | None:
        """The paths drawn from the line's data, by chainage; None where it has none."""
        paths = self.line.paths
        if paths is None:
            return None
        chainage_m = np.interp(paths.place, np.arange(len(self.chainage_m)), self.chainage_m)
        return PathsAlong(paths, chainage_m, self._path(chainage_m)[0])

    def _path(self, chainage_m: Floats) -> tuple[Floats, Floats, Floats]:
        """Return places (n, 3), unit tangents and the covariance of the vertices beside, there."""
        leg, w = self.fraction(chainage_m)
        line = self.line
        xyz, cov = curves.interpolate(line.xyz_m, line.cov_m2, line.cross_m2, leg, w)
        off, tangent = self.arcs.off(leg, w)
        return xyz + off, tangent, cov

    def fraction(self, chainage_m: Floats) -> tuple[Ints, Floats]:
        """Return leg and fraction (n,), below 0 or above 1 beyond the ends."""
        inside = chainage_m.clip(0.0, self.length_m)
        leg, w = curves.locate(self.chainage_m, inside)
        step = np.diff(self.chainage_m)[leg]
        past = np.divide(chainage_m - inside, step, out=np.zeros_like(inside), where=step > 0)
        return leg, np.where(step > 0, w, 0.0) + past

    def at_each(self, chainages_m: Sequence[Floats]) -> tuple[Along, ...]:
        """Return the points at each of several arrays of chainages, worked out together."""
        return self.at(np.concatenate(chainages_m)).parted([len(each) for each in chainages_m])

    def drawn(self, within_m: float) -> Along:
        """Return the points that draw the path to within a distance.

        The vertices alone wherever legs are straight.
        """
        return self.at(self._divided(0, self._pieces(within_m)))

    def drawn_stretches(self, within_m: float) -> tuple[Along, ...]:
        """Return the points that draw each stretch of the path to within a distance."""
        pieces = self._pieces(within_m)
        return self.at_each(
            [self._divided(s.first, pieces[s.first : s.last]) for s in self.line.stretches]
        )

    def _pieces(self, within_m: float) -> Floats:
        """Return in how many pieces each leg is drawn to be within a distance of its arc."""
        return np.asarray(np.ceil(np.sqrt(self.arcs.sagitta_m / within_m)).clip(1.0))

    @cached_property
    def sampled(self) -> tuple[Along, ...]:
        """Points along each stretch, its vertices among them, close enough to sweep."""
        return self.samples.parted([len(each) for each in self._sampled_m])

    @cached_property
    def samples(self) -> Along:
        """All points of `sampled`, from downstream."""
        return self.at(np.concatenate(self._sampled_m))

    @cached_property
    def _sampled_m(self) -> list[Floats]:
        return [self.spaced(s, SAMPLE_SPACING_M, SAMPLES_LEAST) for s in self.line.stretches]

    def spaced(self, stretch: Stretch, spacing_m: float, least: int = 0) -> Floats:
        """Return chainages along a stretch, no further apart than a spacing, vertices included.

        A leg has `least` steps or more.
        """
        legs = np.diff(self.chainage_m[stretch.first : stretch.last + 1])
        return self._divided(stretch.first, np.ceil(legs / spacing_m).clip(least))

    def _divided(self, first: int, pieces: Floats) -> Floats:
        """Return chainages that divide the legs from vertex `first` on in so many pieces each."""
        ends = self.chainage_m[first : first + len(pieces) + 1]
        legs = zip(pairwise(ends), pieces.astype(int), strict=True)
        places = [np.linspace(a, b, n + 1)[:-1] for (a, b), n in legs]
        return np.concatenate([*places, ends[-1:]])


def axis_of(
    line: Line, fixes: Fixes, fix_ground_sigma_m: Floats, exposures: Exposures, settings: Settings
) -> Axis:
    """Return a line of two or more vertices with its levels and ground."""
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
        flow_told=any(r.flow_told for r in settings.runs if r.line == line.line)
        or not any(r.line == line.line for r in settings.runs),
        bends_per_m=settings.accuracy.bends_per_m,
    )


def _across(tangent: Floats) -> Floats:
    across = np.column_stack([tangent[:, 1], -tangent[:, 0]])
    return np.asarray(across / np.maximum(np.hypot(*across.T), 1e-12)[:, None])


# ---- levels --------------------------------------------------------------------------------
# Invert = transmitter level − ride height; crown = invert + inside diameter; cover = ground −
# (crown + wall). Ride height and pipe dimensions are taken as exact: what is left of them is far
# below the level's own σ.


def outside_diameter_m(pipe: Pipe) -> float:
    """Return the outside diameter: as published, or inside diameter and two walls; NaN unknown."""
    if isfinite(pipe.outside_diameter_m):
        return pipe.outside_diameter_m
    return pipe.inside_diameter_m + 2 * pipe.wall_m


def outside_top_m(pipe: Pipe) -> float:
    """Return how far the outside top stands above the invert: inside diameter plus one wall.

    With only the outside diameter known it is that diameter, a wall too high: less cover, not more.
    """
    top = pipe.inside_diameter_m + pipe.wall_m
    return top if isfinite(top) else pipe.outside_diameter_m


def ride_heights_m(line: Line, settings: Settings, chainage_m: Floats) -> Floats:
    """Return the transmitter's height above the invert at each vertex (m,).

    A vertex no run stood at takes it from its neighbours along the line; a line of exposures only
    takes the mean of the line's runs, and 0 when it has none.
    """
    rides = {run.id: run.ride_height_m for run in settings.runs}
    own = np.array([rides.get(run, nan) for run in line.run.tolist()])
    if np.isfinite(own).any():
        return carried(chainage_m, own)
    return np.full(len(own), settings.ride_height_m(line.line))


def ground_sigmas_m(marks: Marks, fixes: Fixes, unknown_ground_m: float) -> Floats:
    """Return the σ of each fix's ground level (k,) in metres, from its own marks.

    The mean variance of their levels, not divided by their number: they share one control level.
    A stop none of whose marks has a level takes `unknown_ground_m`.
    """
    keys, at = np.unique(_keys(fixes.run, fixes.stop), return_inverse=True)
    variance = marks.cov_m2[:, 2, 2]
    mark_keys = _keys(marks.run, marks.stop)
    counts = marks.usable & np.isfinite(variance) & np.isin(mark_keys, keys)
    of = np.searchsorted(keys, mark_keys[counts])
    total = np.bincount(of, variance[counts], minlength=len(keys))
    number = np.bincount(of, minlength=len(keys))
    mean = np.divide(total, number, out=np.full(len(keys), unknown_ground_m**2), where=number > 0)
    return np.asarray(np.sqrt(mean)[at])


def grounds_m(
    line: Line, fixes: Fixes, fix_sigma_m: Floats, exposures: Exposures, chainage_m: Floats
) -> tuple[Floats, Floats]:
    """Return ground level and its σ at each vertex (m,): own where known, carried between."""
    level = np.full(len(line.fix), nan)
    sigma = level.copy()
    at_fix = line.fix >= 0
    level[at_fix], sigma[at_fix] = fixes.ground_m[line.fix[at_fix]], fix_sigma_m[line.fix[at_fix]]
    row = {name: i for i, name in enumerate(exposures.name.tolist())}
    for vertex in np.flatnonzero(line.kind == "exposure"):
        if (i := row.get(str(line.ref[vertex]))) is not None:
            level[vertex] = exposures.ground_m[i]
            sigma[vertex] = np.sqrt(exposures.cov_m2[i, 2, 2])
    sigma[np.isnan(level)] = nan
    return carried(chainage_m, level), carried(chainage_m, sigma)


def carried(chainage_m: Floats, values: Floats) -> Floats:
    """Return values (m,) with NaN filled along the line: linear between, level beyond the ends.

    >>> carried(np.array([0.0, 1.0, 4.0]), np.array([10.0, np.nan, 12.0])).tolist()
    [10.0, 10.5, 12.0]
    """
    known = np.isfinite(values)
    if not known.any():
        return values
    return np.interp(chainage_m, chainage_m[known], values[known])


def _keys(run: Texts, stop: Texts) -> Texts:
    return np.strings.add(np.strings.add(run, "/"), stop)


# ---- how points move together --------------------------------------------------------------


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


def influence(axis: Axis, points: Along) -> sparse.csr_array:
    """Return how points (n,) of a line move with its state, (3n, 5m).

    The state is the vertices' east, north, up, then their slopes in heading, then in tilt.
    """
    m, n = len(axis.line.kind), len(points.chainage_m)
    leg, w = axis.fraction(points.chainage_m)
    moves, state = np.array([0, 1, 2, 0, 1, 2]), np.array([0, 1, 2, 3, 3, 4])
    columns, values = [], []
    for vertex, share, slope in zip((leg, leg + 1), (1 - w, w), bow_by_slopes(w), strict=True):
        bow = axis.arcs.length_m[leg] * slope
        columns.append(state * m + vertex[:, None])
        values.append(np.stack([share, share, share, *(bow * points.across.T), bow], axis=1))
    rows = np.broadcast_to(3 * np.arange(n)[:, None] + moves, (2, n, len(moves)))
    entries = np.stack(values).ravel(), (rows.ravel(), np.stack(columns).ravel())
    return sparse.csr_array(entries, shape=(3 * n, 5 * m))


def moved_with(axis: Axis, by_state: sparse.csr_array) -> Floats:
    """Return the covariance (5m, r) of a line's state with what follows from it (r, 5m).

    Of the state, vertices err together, each slope alone.
    """
    m, r = len(axis.line.kind), by_state.shape[0]
    places, slopes = by_state[:, : 3 * m], by_state[:, 3 * m :]
    vertex_first = 3 * (places.indices % m) + places.indices // m
    places = sparse.csr_array((places.data, vertex_first, places.indptr), shape=(r, 3 * m))
    of_places = (places @ joint_cov(axis.line).reshape(3 * m, 3 * m)).reshape(r, m, 3)
    variance = np.concatenate([axis.slope_sigma_rad[:, k] ** 2 for k in (0, 1)])
    of_slopes = slopes.toarray() * variance
    return np.concatenate([of_places.transpose(2, 1, 0).reshape(3 * m, r), of_slopes.T])
