"""Both records side by side: whether a new line or exposure lies where the old record had the pipe.

The frame of a site begins in the middle of what was measured and has the scale of that spot. What
is added moves both a little, so points of the new site frame are first brought into the old one.

Both are judged at 95 %: the old record by the regions it issued, the new one by its own interval in
the direction that leads out. Where only one of them locates the pipe nothing is judged, nor where
the new one does not know the pipe's shape: there only its located points are judged.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from math import ceil
from typing import Final

import numpy as np
import shapely

from lateralline.derive.axis import Along, Axis, axis_of, ground_sigmas_m
from lateralline.derive.ellipses import INTERVAL_95
from lateralline.frames import Frame
from lateralline.kernels import curves
from lateralline.records import Flags, Floats, Product
from lateralline.revise.changes import Containment, Departure, ExposureCheck, Verdict
from lateralline.stages import SiteWork


@dataclass(frozen=True, slots=True, eq=False)
class Side:
    """The site frames of both records."""

    old: Frame
    new: Frame

    @property
    def same_levels(self) -> bool:
        """True when both records count levels from the same datum."""
        return self.old.level_datum == self.new.level_datum


def moved_into(side: Side, xyz_m: Floats) -> Floats:
    """Return points (n, 3) of the new site frame in the old one; levels are the same in both."""
    if not len(xyz_m):
        return xyz_m
    x, y, _ = side.new.to_site_crs(xyz_m).T
    return side.old.to_local(x, y, xyz_m[:, 2])


def axes(work: SiteWork) -> dict[str, Axis]:
    """Return the axis of every line that is drawn, by line, as its layers were made from."""
    record, placed, linked = work["record"], work["placed"], work["linked"]
    settings = record.settings
    unknown = settings.accuracy.unknown_ground_m
    ground_sigma = ground_sigmas_m(placed.marks, linked.fixes, unknown)
    drawn = set(layer(work, "pipe_centreline").columns["line_id"])
    return {
        line.line: axis_of(line, linked.fixes, ground_sigma, placed.exposures, settings)
        for line in linked.lines
        if line.line in drawn
    }


def corridors(work: SiteWork) -> dict[str, shapely.Geometry]:
    """Return the corridor issued for every line, by line."""
    product = layer(work, "position_corridor")
    assert product.geometry is not None
    names = map(str, product.columns["line_id"])
    return dict(zip(names, product.geometry.tolist(), strict=True))


def layer(work: SiteWork, name: str) -> Product:
    """Return one product; a layer without rows is there too."""
    return next(p for p in work["products"] if p.layer == name)


def plan_in_ellipse(move_m: Floats, cov_m2: Floats) -> Floats:
    """Return the lengths of plan moves (n, 2) counted in standard ellipses of (n, 2, 2)."""
    squared = np.einsum("ni,nij,nj->n", move_m, np.linalg.pinv(cov_m2, hermitian=True), move_m)
    return np.asarray(np.sqrt(np.maximum(squared, 0.0)))


# ---- containment -----------------------------------------------------------------------------

#: Places along a new line are judged this far apart.
SPACING_M: Final = 0.05

#: Less than this outside is rounding.
ROUNDING_M: Final = 0.001


def projected(along_m: Floats, plan_m: Floats) -> tuple[Floats, Flags]:
    """Return how far along a path in plan (m, 2) points (n, 2) lie, and whether beside it.

    What lies before its beginning or after its end does not.
    """
    path, run = shapely.LineString(along_m), curves.chainage(along_m)
    at = shapely.line_locate_point(path, shapely.points(plan_m))
    before = (plan_m - along_m[0]) @ (along_m[1] - along_m[0]) < 0.0
    after = (plan_m - along_m[-1]) @ (along_m[-1] - along_m[-2]) > 0.0
    return at, ~((at <= 0.0) & before | (at >= run[-1]) & after)


def outside(region: shapely.Geometry, plan_m: Floats, cov_m2: Floats) -> tuple[Floats, Floats]:
    """Return how far points (n, 2) lie outside a region, and their own 95 % that way."""
    points = shapely.points(plan_m)
    off = np.asarray(shapely.distance(points, region))
    ways = shapely.get_coordinates(shapely.shortest_line(points, region))
    way = ways[::2] - ways[1::2]
    way = np.divide(way, off[:, None], out=np.zeros_like(way), where=off[:, None] > ROUNDING_M)
    own = np.sqrt(np.einsum("ni,nij,nj->n", way, cov_m2[:, :2, :2], way))
    return np.where(off > ROUNDING_M, off, 0.0), INTERVAL_95 * own


def held_in(off_m: Floats, beside: Flags) -> list[bool | None]:
    """Return whether points (n,) so far outside a corridor are in it; None beyond its line."""
    return [
        bool(off == 0.0) if by or off == 0.0 else None
        for off, by in zip(off_m.tolist(), beside.tolist(), strict=True)
    ]


@dataclass(frozen=True, eq=False)
class OldLine:
    """A line of the old record: its axis, and the 95 % corridor issued with it."""

    axis: Axis
    corridor: shapely.Geometry

    @cached_property
    def points(self) -> Along:
        """Points along the line, its vertices among them, as close as places are judged."""
        return self.axis.at(_places(self.axis))

    @cached_property
    def path(self) -> shapely.LineString:
        """The centreline in plan through those points."""
        return shapely.LineString(self.points.xyz_m[:, :2])

    def project(self, plan_m: Floats) -> tuple[Floats, Flags]:
        """Return the chainage nearest to points (n, 2), and whether they lie beside the line.

        Beyond its ends the old record has nothing of the pipe.
        """
        along = self.points.xyz_m[:, :2]
        at, beside = projected(along, plan_m)
        return np.interp(at, curves.chainage(along), self.points.chainage_m), beside

    def outside(self, plan_m: Floats, cov_m2: Floats) -> tuple[Floats, Floats]:
        """Return how far points (n, 2) lie outside the corridor, and their own 95 % that way."""
        return outside(self.corridor, plan_m, cov_m2)

    def off_level(
        self, invert_m: Floats, sigma_m: Floats, chainage_m: Floats
    ) -> tuple[Floats, Floats]:
        """Return how far inverts (n,) lie off the old 95 % band there, and their own 95 %."""
        there = self.axis.at(chainage_m)
        off = np.abs(invert_m - there.invert_level_m) - INTERVAL_95 * there.invert_sigma_m
        return np.where(off <= ROUNDING_M, 0.0, off), INTERVAL_95 * sigma_m  # NaN stays


# ---- lines ---------------------------------------------------------------------------------


def line_containment(
    old: OldLine, new: Axis, side: Side, *, levels: bool
) -> tuple[Containment, Containment]:
    """Return how a new line stands to the old corridor and to the old level band.

    `side` turns the new line's site frame into the old one's. Without `levels` the band is not
    judged.
    """
    points = new.at(_places(new))
    plan = moved_into(side, points.xyz_m)[:, :2]
    chainage, beside = old.project(plan)
    judged = beside & _shape_known(new, points.chainage_m)
    off, own = old.outside(plan, points.cov_m2)
    in_plan = _held(new, points, judged, off, own, side)
    if not levels:
        return in_plan, Containment("untested", 0.0, 0.0)
    off, own = old.off_level(points.invert_level_m, points.invert_sigma_m, chainage)
    return in_plan, _held(new, points, judged, off, own, side)


def _places(axis: Axis) -> Floats:
    """Return chainages from end to end, `SPACING_M` apart at the most, all vertices among them."""
    spaced = np.linspace(0.0, axis.length_m, max(ceil(axis.length_m / SPACING_M), 1) + 1)
    return np.union1d(spaced, axis.chainage_m)


def _shape_known(axis: Axis, chainage_m: Floats) -> Flags:
    """Tell where a line knows its shape (n,), or where at least one of its located points is."""
    known = np.ones(len(chainage_m), dtype=np.bool_)
    for stretch in axis.line.stretches:
        if stretch.shape == "undecided":
            first, last = axis.chainage_m[stretch.first], axis.chainage_m[stretch.last]
            known &= (chainage_m < first) | (chainage_m > last)
    return known | np.isin(chainage_m, axis.chainage_m[axis.line.kind != "bend"])


def _held(
    axis: Axis, points: Along, judged: Flags, off_m: Floats, own_m: Floats, side: Side
) -> Containment:
    """Gather the judged points outside into departures, one for each unbroken part."""
    judged = judged & np.isfinite(off_m)
    ends = points.chainage_m
    share = np.diff(np.concatenate([ends[:1], (ends[1:] + ends[:-1]) / 2, ends[-1:]]))
    out = judged & (off_m > 0.0)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], out, [False]])))
    departures = tuple(
        _departure(axis, points, off_m, own_m, int(a), int(b), side)
        for a, b in zip(edges[::2], edges[1::2], strict=True)
    )
    return Containment(
        _verdict(bool(judged.any()), [d.significant for d in departures]),
        float(share[judged].sum()),
        float(share[out].sum()),
        departures,
    )


def _departure(
    axis: Axis, points: Along, off_m: Floats, own_m: Floats, first: int, end: int, side: Side
) -> Departure:
    # The worst is where the new line is surest to lie outside, not merely farthest out.
    beyond = (off_m - own_m)[first:end]
    worst = first + int(beyond.argmax() if beyond.max() > 0.0 else off_m[first:end].argmax())
    at = points.chainage_m
    x, y = side.new.to_site_crs(points.xyz_m[worst : worst + 1])[0, :2]
    part = np.repeat(points.xyz_m[first:end], 2 if end - first == 1 else 1, axis=0)
    drawn = shapely.simplify(shapely.LineString(part[:, :2]), ROUNDING_M)
    corners = np.pad(shapely.get_coordinates(drawn), ((0, 0), (0, 1)))
    path = side.new.to_site_crs(corners)[:, :2].tolist()
    return Departure(
        from_chainage_m=float(at[first]),
        to_chainage_m=float(at[end - 1]),
        worst_chainage_m=float(at[worst]),
        between=_between(axis, float(at[worst])),
        off_m=float(off_m[worst]),
        own_95_m=float(own_m[worst]),
        x=float(x),
        y=float(y),
        path=tuple((east, north) for east, north in path),
    )


def _between(axis: Axis, chainage_m: float) -> str:
    """Name the located points a place lies between, downstream first."""
    stretches = axis.line.stretches
    ends = np.array([axis.chainage_m[s.last] for s in stretches])
    stretch = stretches[min(int(np.searchsorted(ends, chainage_m)), len(stretches) - 1)]
    names = (str(axis.line.ref[stretch.first]), str(axis.line.ref[stretch.last]))
    return " and ".join(name or "a point without name" for name in names)


def _verdict(judged: bool, significant: Sequence[bool]) -> Verdict:
    if not judged:
        return "untested"
    return "failed" if any(significant) else "left" if significant else "held"


# ---- exposures -----------------------------------------------------------------------------


def exposure_containment(
    old: OldLine,
    name: str,
    xyz_m: Floats,
    cov_m2: Floats,
    invert_above_m: float,
    *,
    levels: bool,
) -> ExposureCheck:
    """Return how an exposure as measured, (3,) in the old site frame, stands to the old record.

    `invert_above_m` is the height of the pipe's invert above what was measured; NaN unknown.
    """
    plan, cov = xyz_m[None, :2], cov_m2[None]
    chainage, beside = old.project(plan)
    there = old.axis.at(chainage)
    off, own = old.outside(plan, cov)
    invert = xyz_m[2:3] + invert_above_m
    sigma = np.sqrt(cov[:, 2, 2])
    off_level, own_level = old.off_level(invert, sigma, chainage)
    judged = bool(beside[0])
    level_judged = judged and levels and bool(np.isfinite(off_level + own_level)[0])
    return ExposureCheck(
        name=name,
        line=old.axis.line.line,
        old_chainage_m=float(chainage[0]),
        plan=_verdict(judged, _outside(off, own)),
        off_m=float(off[0]),
        own_95_m=float(own[0]),
        level=_verdict(level_judged, _outside(off_level, own_level)),
        level_off_m=float(off_level[0]) if level_judged else float("nan"),
        level_own_95_m=float(own_level[0]) if level_judged else float("nan"),
        from_line_m=float(shapely.distance(old.path, shapely.Point(plan[0]))),
        level_from_line_m=float((invert - there.invert_level_m)[0]) if levels else float("nan"),
    )


def _outside(off_m: Floats, own_m: Floats) -> list[bool]:
    return [bool(off_m[0] > own_m[0])] if off_m[0] > 0.0 else []
