"""What the paths drawn from a line's data claim: errors along it, its corridor, its levels.

The paths (`link/paths.py`) bend as the pipe may; the line that is drawn is one of them. Each place
of it is compared with the places at the same share of the way between its two located points.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
import shapely

from lateralline.kernels import curves
from lateralline.records import Floats, SampledPaths

#: Of the paths, so many stray farther than a corridor of what they scatter. What no path drew is
#: allowed for as an error of its own, of this half width at 95 %: it widens a corridor most where
#: the paths are surest. Chosen on simulated lines, for pipe that does what no path draws.
STRAY_SHARE: Final = 0.10
UNDRAWN_M: Final = 0.066
#: Paths that scatter by less than this stray no farther for it.
_LEAST_SCATTER_M: Final = 0.001
#: Places of all paths that are looked at together: bounds memory whatever the line.
_AT_ONCE: Final = 100_000
#: Sides of the polygons swept, drawn outside what they hold.
SIDES: Final = 32
#: Places this near to a vertex are at it.
_AT: Final = 1e-6
#: Of a place's levels, those of a path this near to it along the pipe.
_NEAR_M: Final = 0.05
#: A line whose run in plan is less than this share of its length has no direction there.
_UPRIGHT: Final = 0.5


def _pieces(paths: int, places: int) -> list[slice]:
    """Return the places that are looked at together, of all paths."""
    step = max(_AT_ONCE // max(paths, 1), 1)
    return [slice(first, first + step) for first in range(0, places, step)]


def turns(paths: SampledPaths, vertex: int) -> Floats:
    """Return by how much each path (s,) turns between the vertices beside one, radians."""
    first, last = np.searchsorted(paths.place, [vertex - 1 - _AT, vertex + 1 - _AT])
    last = min(int(last), len(paths.place) - 1)
    ways = (paths.xyz_m[:, at + 1] - paths.xyz_m[:, at] for at in (int(first), last - 1))
    return np.asarray(curves.angle_between(*ways))


@dataclass(frozen=True, eq=False)
class PathsAlong:
    """Paths of a line by its chainage; p places."""

    paths: SampledPaths
    chainage_m: Floats  # (p,)
    drawn_m: Floats  # (p, 3) of the line, there

    def _pieces(self) -> list[slice]:
        return _pieces(*self.paths.xyz_m.shape[:2])

    def _off_m(self, places: slice) -> Floats:
        """Return how far paths are off the line at some places (s, n, 3)."""
        return np.asarray(self.paths.xyz_m[:, places] - self.drawn_m[places])

    @cached_property
    def _moments_m2(self) -> Floats:
        """Mean squares of how far paths are off the line at each place (p, 3, 3)."""
        made = []
        for places in self._pieces():
            off = self._off_m(places)
            made.append(np.einsum("spi,spj->pij", off, off) / len(off))
        return np.concatenate(made)

    def cov_m2(self, chainage_m: Floats) -> Floats:
        """Return how paths scatter about the line at chainages (n, 3, 3)."""
        known, moments = self.chainage_m, self._moments_m2
        after = np.searchsorted(known, chainage_m).clip(1, len(known) - 1)
        step = np.maximum(known[after] - known[after - 1], 1e-12)
        share = ((chainage_m - known[after - 1]) / step).clip(0.0, 1.0)[:, None, None]
        return np.asarray((1 - share) * moments[after - 1] + share * moments[after])

    def carried_m2(self, past_m: Floats) -> Floats:
        """Return how paths scatter about the line (n, 3, 3) where each is carried on as it ends.

        `past_m` (n,) past its upstream end, below zero past the other.
        """
        out = np.empty((len(past_m), 3, 3))
        for end, before, here in ((0, 1, past_m < 0), (-1, -2, past_m >= 0)):
            ways = [_unit(xyz[..., end, :] - xyz[..., before, :])
                    for xyz in (self.paths.xyz_m, self.drawn_m)]  # fmt: skip
            off = self.paths.xyz_m[:, end] - self.drawn_m[end]
            far = off[:, None] + np.abs(past_m[here])[:, None] * (ways[0] - ways[1])[:, None]
            out[here] = np.einsum("sni,snj->nij", far, far) / len(far)
        return out

    def swept(self) -> np.ndarray:
        """Return the corridor between each place and the next (p−1,), as polygons.

        About the paths' own middle lies the ellipse of their scatter in plan, as many standard
        deviations wide as all but the farthest paths keep within over the whole line: where they
        are less sure, none strays for it. A polygon holds both ellipses beside it and the corners
        of such paths between, and is drawn outside what it holds. Middle and sides are taken in
        axes of the line's own, so that it may lie any way.
        """
        centre, own = self.drawn_m[0], _own_axes(self.drawn_m)
        pieces = self._pieces()

        def turned(places: slice) -> Floats:
            return np.asarray(((self.paths.xyz_m[:, places] - centre) @ own.T)[..., :2])

        middle = np.concatenate([np.median(turned(places), axis=0) for places in pieces])
        way = _ways(middle)
        side = np.stack([way[:, 1], -way[:, 0]], axis=1)
        scatter, stray = [], np.zeros(len(self.paths.xyz_m))
        for places in pieces:
            off = turned(places) - middle[places]
            scatter.append(np.einsum("spi,spj->pij", off, off) / len(off))
            across = np.einsum("spi,pi->sp", off, side[places])
            across /= np.sqrt(np.square(across).mean(axis=0)).clip(_LEAST_SCATTER_M)
            np.maximum(stray, np.abs(across, out=across).max(axis=1), out=stray)
        times = np.quantile(stray, 1.0 - STRAY_SHARE)
        turn = np.arange(SIDES) * (2 * np.pi / SIDES)
        ways = np.stack([np.cos(turn), np.sin(turn)])
        spread = np.sqrt(np.einsum("iq,pij,jq->pq", ways, np.concatenate(scatter), ways))
        reach = middle @ ways + times * spread
        reach = np.maximum(reach[:-1], reach[1:])
        kept, last = stray <= times, len(reach) - 1
        for some in _pieces(int(kept.sum()) * SIDES, self.paths.corner_m.shape[1]):
            corners = (self.paths.corner_m[kept, some] - centre) @ own.T
            interval = self.paths.corner_interval[kept, some].ravel().clip(max=last)
            np.maximum.at(reach, interval, (corners[..., :2] @ ways).reshape(-1, SIDES))
        between = (middle[:-1] + middle[1:]) @ ways / 2
        reach = between + np.hypot(reach - between, UNDRAWN_M)
        # neighbouring sides meet where x · way = reach of both
        after, by = np.roll(reach, -1, axis=1), np.sin(2 * np.pi / SIDES)
        next_ways = np.roll(ways, -1, axis=1)
        east = (reach * next_ways[1] - after * ways[1]) / by
        north = (after * ways[0] - reach * next_ways[0]) / by
        rings = np.stack([east, north], axis=-1) @ own[:2, :2] + centre[:2]
        return np.asarray(shapely.polygons(rings))

    def _plan_m(self) -> tuple[Floats, Floats]:
        """Chainage in plan of the line at each place (p,), and of each path beside it (s, p)."""
        step = np.hypot(*np.diff(self.drawn_m[:, :2], axis=0).T)
        plan = np.concatenate([[0.0], np.cumsum(step)])
        along, way = np.empty(self.paths.xyz_m.shape[:2]), _ways(self.drawn_m)
        for places in self._pieces():
            beside = np.einsum("spi,pi->sp", self._off_m(places)[..., :2], way[places])
            along[:, places] = plan[places] + beside
        return plan, np.maximum.accumulate(along, axis=1, out=along)

    def levels_m(self, chainage_m: Floats, share: float) -> tuple[Floats, Floats]:
        """Return the levels between which a share of the paths passes chainages (n,)."""
        plan, along = self._plan_m()
        order = np.argsort(chainage_m, kind="stable")
        asked = np.interp(chainage_m[order], self.chainage_m, plan)
        lowest, highest = along.min(axis=0), along.max(axis=0)
        tail, bands = (1.0 - share) / 2, []
        for some in _pieces(3 * len(along), len(asked)):
            beside = np.concatenate([asked[some] - _NEAR_M, asked[some], asked[some] + _NEAR_M])
            # of every path the places before and behind what is asked, and between
            start = max(int(np.searchsorted(highest, beside.min(), side="right")) - 1, 0)
            places = slice(start, int(np.searchsorted(lowest, beside.max())) + 1)
            within, level_m = along[:, places], self.paths.xyz_m[:, places, 2].ravel()
            first, last = within[:, :1], within[:, -1:]
            # all paths are looked up at once: each stands behind the one before
            behind = np.arange(len(along))[:, None] * np.ceil((last - first).max() + 1.0) - first
            known = (within + behind).ravel()
            level = np.interp((beside.clip(first, last) + behind).ravel(), known, level_m)
            level = level.reshape(len(along), 3, -1)
            low = np.quantile(level.min(axis=1), tail, axis=0)
            bands.append((low, np.quantile(level.max(axis=1), 1.0 - tail, axis=0)))
        found = np.empty((2, len(asked)))
        found[:, order] = np.concatenate(bands, axis=1)
        return found[0], found[1]


def _unit(step_m: Floats) -> Floats:
    """Return steps (…, 3) as unit vectors."""
    return np.asarray(step_m / np.maximum(np.linalg.norm(step_m, axis=-1, keepdims=True), 1e-12))


def _own_axes(line_m: Floats) -> Floats:
    """Return the turn (3, 3) from the site's axes to those of a line: first toward its end."""
    east, north = line_m[-1, :2] - line_m[0, :2]
    apart = float(np.hypot(east, north))
    c, s = (east / apart, north / apart) if apart > 0.0 else (1.0, 0.0)
    return np.array([[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]])


def _ways(line_m: Floats) -> Floats:
    """Return the direction in plan of a line at each of its places (p, 2).

    Where it runs nearly upright it has none of its own, and goes on as the line does beside.
    """
    way = np.gradient(line_m, axis=0)
    level = np.hypot(way[:, 0], way[:, 1])
    own = np.flatnonzero(level > _UPRIGHT * np.linalg.norm(way, axis=1))
    way = way[:, :2] / np.maximum(level, 1e-12)[:, None]
    if len(own):
        way = np.stack([np.interp(np.arange(len(way)), own, w) for w in way[own].T], axis=1)
    return np.asarray(way / np.maximum(np.linalg.norm(way, axis=1), 1e-12)[:, None])
