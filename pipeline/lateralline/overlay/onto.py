"""A plan's works brought onto the plane of a region, by the best published operation."""

from __future__ import annotations

from dataclasses import dataclass
from math import isnan, nan

import numpy as np
import shapely
from pyproj import CRS

from lateralline.errors import FrameError
from lateralline.frames.operations import PLAN_95, Operation, apply, best
from lateralline.frames.systems import realizations_apart_m
from lateralline.overlay.as_built import AsBuilt
from lateralline.overlay.bodies import PlannedWork
from lateralline.overlay.metric import Metric
from lateralline.overlay.planned import PlannedWorks
from lateralline.record.lineage import plan_of
from lateralline.wording import metres


@dataclass(frozen=True, slots=True)
class Basis:
    """What the plan's levels have to do with those of the built record."""

    compare: bool  # whether they can be held against each other
    transform: bool  # whether the operation takes them along
    why: str  # in words


@dataclass(frozen=True, slots=True)
class Onto:
    """Works in metres of a region's plane, and how they came there."""

    works: tuple[PlannedWork, ...]
    sigma_m: float  # on each axis in plan
    sigma_up_m: float  # of levels the operation takes along
    operation: Operation | None  # None: same CRS

    def only(self, rows: list[int]) -> tuple[PlannedWork, ...]:
        """Return some of the works."""
        return tuple(self.works[n] for n in rows)


def basis_of(plan: PlannedWorks, as_built: AsBuilt, said: str, datums: set[str]) -> Basis:
    """Return whether levels compare; `said` is "same", "none" or "".

    `datums` are those of the built lines. Raises FrameError for "same" with several of them, or
    when plan or record has no levels at all.
    """
    given = any(work.has_level for work in plan.works)
    if said == "same" and not given:
        raise FrameError("--plan-levels same does not apply: the plan gives no levels")
    if said == "none" or not given:
        return Basis(
            False,
            False,
            "the plan gives none; depths below ground serve"
            if not given
            else "not used, as --plan-levels says",
        )
    if said == "same":
        relative_sites = len(as_built.sites) > 1 and "relative" in datums
        if len(datums) > 1 or relative_sites:
            raise FrameError(
                "levels of the plan cannot be the same as those of built sites on "
                f"{len(datums)} level bases ({', '.join(sorted(datums))}); relative levels compare "
                "only within one site: use one site's record, or depths below ground"
            )
        if datums == {"depth only"}:
            raise FrameError(
                "the built record has depths only, no levels: give depths below ground"
            )
        return Basis(True, False, "those of the plan are the record's, as --plan-levels says")
    ours, theirs = as_built.crs, plan.crs
    if ours is None or theirs is None or min(len(c.axis_info) for c in (ours, theirs)) < 3:
        return Basis(False, False, "nothing says that those of the plan are on the record's basis")
    if len(datums) > 1:
        return Basis(False, False, "the built sites do not share one level basis")
    return Basis(True, True, f"levels go from {theirs.name} to {ours.name}")


def onto(
    plan: PlannedWorks, as_built: AsBuilt, metric: Metric, basis: Basis, stated_m: float = nan
) -> Onto:
    """Return the plan's works in metres of a region.

    `stated_m` is what the user says an operation of unpublished accuracy is good to, or one CRS
    whose datum has several realizations. Raises
    FrameError when only a ballpark operation leads there, when nobody knows how good it is, and
    when one of plan and record has invented axes and the other not.
    """
    if (plan.crs is None) != (metric.crs is None):
        raise FrameError(
            "the built record is a sketch on invented axes, the plan is not"
            if metric.crs is None
            else "the plan is on axes of its own, the built record is on the map: say --plan-crs"
        )
    if plan.crs is None or metric.crs is None or metric.area is None:
        if not isnan(stated_m):
            raise FrameError("--shift-accuracy does not apply: plan and record are one sketch")
        return Onto(plan.works, 0.0, 0.0, None)
    source, target = plan_of(plan.crs), metric.crs
    whole = None
    if basis.transform and as_built.crs is not None:
        whole = (plan.crs, as_built.crs)
    operation = None
    if source != target or (whole is not None and whole[0] != whole[1]):
        operation = best(*(whole or (source, target)), metric.area)[1]
        _refuse(operation, stated_m, with_levels=whole is not None)
    sigma = 0.0
    if operation is not None:
        sigma = operation.accuracy_m
    if sigma > 0.0 and not isnan(stated_m):
        raise FrameError(
            f"--shift-accuracy does not apply: {operation.name if operation else ''} is published "
            f"to be good to {metres(sigma, 3)} (1 σ), and that is taken in: leave it out"
        )
    if not sigma > 0.0 and not isnan(stated_m):  # unpublished, or one datum taken for exact
        sigma = stated_m
    works = _moved(plan.works, plan.crs, as_built, metric, whole)
    return Onto(works, sigma, sigma if whole else 0.0, operation)


def off_by(moved: Onto, crs: CRS | None) -> str:
    """Say how the plan came into `crs`, the record's, and what that leaves open."""
    if moved.sigma_m == 0.0:
        way = "plan and record are in one CRS"
        if moved.operation is not None:
            way = f"no shift of datum between plan and record ({moved.operation.name})"
        if crs is None or not (apart := realizations_apart_m(crs)):
            return way
        return (
            f"{way}; both are said to be in {crs.name}, whose realizations differ by up to "
            f"{metres(apart, None)}. Not taken in: if both do not come from one, say "
            "--shift-accuracy"
        )
    name = "one CRS" if moved.operation is None else moved.operation.name
    return f"{name}: off by {metres(PLAN_95 * moved.sigma_m, 3)} at 95 %, taken in"


def _refuse(operation: Operation, stated_m: float, *, with_levels: bool) -> None:
    ways = f"from {operation.source} to {operation.target}"
    if operation.ballpark:
        missing = "; ".join(operation.better_unavailable[:3])
        without = ", or leave its levels out with --plan-levels none" if with_levels else ""
        raise FrameError(
            f"only a ballpark operation leads {ways}, which takes one datum for the other: bring "
            f"the plan into the record's CRS by a proper one{without}"
            + (f"; grid files are missing: {missing}" if missing else "")
        )
    if isnan(operation.accuracy_m) and isnan(stated_m):
        raise FrameError(
            f"nobody has published how good the operation {ways} is ({operation.name}): say it "
            "with --shift-accuracy, one standard deviation, as 1m"
        )


def _moved(
    works: tuple[PlannedWork, ...],
    crs: CRS,
    as_built: AsBuilt,
    metric: Metric,
    whole: tuple[CRS, CRS] | None,
) -> tuple[PlannedWork, ...]:
    """Return works in metres, all coordinates in one go; levels too where `whole` says how."""
    assert metric.crs is not None
    assert metric.area is not None
    shapes = np.array([work.shape for work in works], dtype=object)
    xy, of = shapely.get_coordinates(shapes, return_index=True)
    counts = np.bincount(of, minlength=len(works))
    ends = np.cumsum(counts)
    levels = [work.z_m for work in works]
    if whole is not None:
        unit = whole[0].axis_info[-1]
        to_axis = unit.unit_conversion_factor * (-1.0 if unit.direction == "down" else 1.0)
        flat = np.zeros(1)
        z = [
            np.broadcast_to(z if len(z) else flat, n)
            for z, n in zip(levels, counts.tolist(), strict=True)
        ]
        xyz = np.column_stack([xy, np.concatenate(z) / to_axis])
        xyz = apply(best(*whole, metric.area)[0], xyz, None)
        xy, up = xyz[:, :2], xyz[:, 2] * as_built.level_unit_m
        levels = [
            up[e - n : e] if len(z) else z for z, e, n in zip(levels, ends, counts, strict=True)
        ]
    elif plan_of(crs) != metric.crs:
        xy = apply(best(plan_of(crs), metric.crs, metric.area)[0], xy, None)
    moved = shapely.orient_polygons(shapely.set_coordinates(shapes, metric.to_metres(xy)))
    return tuple(work.at(s, z) for work, s, z in zip(works, moved, levels, strict=True))
