"""Planned works brought to the record's CRS by the best published operation, then into metres."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import isnan, nan

import numpy as np
import shapely
from pyproj import CRS
from pyproj.transformer import AreaOfInterest

from lateralline.derive.ellipses import INTERVAL_95
from lateralline.errors import FrameError
from lateralline.frames import DEPTH_ONLY, SITE_ZERO
from lateralline.frames.operations import PLAN_95, Operation, apply, best
from lateralline.frames.systems import axis_unit_m, plan_of, realizations_apart_m, with_levels
from lateralline.overlay.as_built import AsBuilt
from lateralline.overlay.planned import PlannedWork, PlannedWorks
from lateralline.record.ground import RegionPlane
from lateralline.wording import metres


@dataclass(frozen=True, slots=True)
class LevelBasis:
    """What the plan's levels have to do with those of the built record."""

    compare: bool  # whether they can be compared
    target: CRS | None  # what the record's levels count from, to transform to; None: not needed
    why: str  # in words


@dataclass(frozen=True, slots=True)
class MovedWorks:
    """Works in metres of a region's plane, and how they came there."""

    works: tuple[PlannedWork, ...]
    sigma_m: float  # on each axis in plan
    sigma_up_m: float  # of levels that an operation takes along
    operation: Operation | None  # of the plan; None: same CRS
    of_levels: Operation | None = None  # None: not transformed


def level_basis(plan: PlannedWorks, as_built: AsBuilt, given: str, datums: set[str]) -> LevelBasis:
    """Return whether levels compare; `given` is "same", "none" or "".

    `datums` are those of the built lines. Raises FrameError for "same" with several of them, or
    when plan or record has no levels at all.
    """
    if not any(work.has_level for work in plan.works):
        if given == "same":
            raise FrameError("--plan-levels same does not apply: the plan gives no levels")
        return LevelBasis(False, None, "the plan gives none; depths below ground serve")
    if given == "none":
        return LevelBasis(False, None, "not used, as --plan-levels says")
    if given == "same":
        relative_sites = len(as_built.sites) > 1 and SITE_ZERO in datums
        if len(datums) > 1 or relative_sites:
            raise FrameError(
                "levels of the plan cannot be the same as those of built sites on "
                f"{len(datums)} level bases ({', '.join(sorted(datums))}); levels from a site zero "
                "compare only within one site: use one site's record, or depths below ground"
            )
        if datums == {DEPTH_ONLY}:
            raise FrameError(
                "the built record has depths only, no levels: give depths below ground"
            )
        return LevelBasis(True, None, "those of the plan are the record's, as --plan-levels says")
    if len(datums) > 1 or len(as_built.level_systems) > 1:
        return LevelBasis(False, None, "the built sites do not share one level basis")
    ours, theirs = next(iter(as_built.level_systems), None), plan.crs
    known = as_built.crs is not None and theirs is not None and len(theirs.axis_info) == 3
    if ours is None or theirs is None or not known or datums <= {DEPTH_ONLY}:
        why = "nothing says that those of the plan are on the record's basis"
        return LevelBasis(False, None, why)
    return LevelBasis(True, ours, f"levels go from {theirs.name} to {ours.name}")


def to_record_crs(
    plan: PlannedWorks,
    as_built: AsBuilt,
    plane: RegionPlane,
    basis: LevelBasis,
    given_sigma_m: float = nan,
) -> MovedWorks:
    """Return the plan's works in metres of a region.

    `given_sigma_m` is what the user gives as the accuracy (1 σ) of an operation without a published
    one, or of one CRS whose datum has several realizations. Raises FrameError when only a ballpark
    operation leads there, when nobody knows how good it is, and when one of plan and record has
    invented axes and the other not.
    """
    refuse_other_axes(plan.crs, plane, "plan")
    if plan.crs is None or plane.crs is None or plane.area is None:
        if not isnan(given_sigma_m):
            raise FrameError("--shift-accuracy does not apply: plan and record are one sketch")
        return MovedWorks(tuple(work.as_dug for work in plan.works), 0.0, 0.0, None)
    operation, sigma = way_to_record(plan.crs, plane, given_sigma_m)
    up, of_levels, sigma_up = None, None, 0.0
    if basis.target is not None:
        vertical = basis.target.is_vertical  # beside a plan; a 3-D system is whole by itself
        up = with_levels(plane.crs, basis.target, "named") if vertical else basis.target
        of_levels = _operation(plan.crs, up, plane.area, given_sigma_m, of_levels=True)
        sigma_up = 0.0 if of_levels is None else of_levels.accuracy_m
        if not isnan(given_sigma_m):
            sigma_up = float(np.fmax(sigma_up, given_sigma_m))
    works = _moved(plan.works, plan.crs, plane, up)
    return MovedWorks(works, sigma, sigma_up, operation, of_levels)


def refuse_other_axes(crs: CRS | None, plane: RegionPlane, what: str) -> None:
    """Raise FrameError when one of a file and the record has invented axes and the other not."""
    if (crs is None) != (plane.crs is None):
        raise FrameError(
            f"the built record is a sketch on invented axes, the file of the {what} is not"
            if plane.crs is None
            else f"the file of the {what} is on axes of its own, the built record on the map: say "
            f"--{what}-crs"
        )


def way_to_record(
    crs: CRS, plane: RegionPlane, given_sigma_m: float
) -> tuple[Operation | None, float]:
    """Return how plan coordinates in `crs` come to the record's, and σ on each axis of that way.

    None within one CRS. `given_sigma_m` and errors are those of `to_record_crs`.
    """
    assert plane.crs is not None
    assert plane.area is not None
    operation = _operation(plan_of(crs), plane.crs, plane.area, given_sigma_m)
    sigma = 0.0 if operation is None else operation.accuracy_m
    if operation is not None and sigma > 0.0 and not isnan(given_sigma_m):
        raise FrameError(
            f"--shift-accuracy does not apply: {operation.name} is published to be good to "
            f"{metres(sigma, 3)} (1 σ), and that is taken in: leave it out"
        )
    # unpublished, or one datum taken for exact
    return operation, sigma if isnan(given_sigma_m) else given_sigma_m


def _operation(
    source: CRS, target: CRS, area: AreaOfInterest, given_sigma_m: float, *, of_levels: bool = False
) -> Operation | None:
    """Return the best way; None within one CRS. Raises FrameError for one that is not good."""
    if source == target:
        return None
    operation = best(source, target, area)[1]
    _refuse(operation, given_sigma_m, of_levels=of_levels)
    return operation


def frame_in_words(moved: MovedWorks, crs: CRS | None) -> str:
    """Return how the plan came into `crs`, the record's, and what that leaves open."""
    levels = moved.of_levels
    if levels is None or levels.accuracy_m == 0.0:
        return way_in_words(moved.operation, moved.sigma_m, crs)
    off = f"off by {metres(INTERVAL_95 * moved.sigma_up_m, 3)} at 95 %, taken in"
    return f"{way_in_words(moved.operation, moved.sigma_m, crs)}; levels by {levels.name}: {off}"


def way_in_words(
    operation: Operation | None, sigma_m: float, crs: CRS | None, what: str = "plan"
) -> str:
    """Return how a file, `what` it is, came into `crs`, the record's, and what that leaves open."""
    if sigma_m == 0.0:
        way = f"{what} and record are in one CRS"
        if operation is not None:
            way = f"no shift of datum between {what} and record ({operation.name})"
        if crs is None or not (apart := realizations_apart_m(crs)):
            return way
        return (
            f"{way}; both are said to be in {crs.name}, whose realizations differ by up to "
            f"{metres(apart, None)}. Not taken in: if both do not come from one, say "
            "--shift-accuracy"
        )
    name = "one CRS" if operation is None else operation.name
    return f"{name}: off by {metres(PLAN_95 * sigma_m, 3)} at 95 %, taken in"


def _refuse(operation: Operation, given_sigma_m: float, *, of_levels: bool) -> None:
    ways = f"from {operation.source} to {operation.target}"
    if operation.ballpark:
        missing = "; ".join(operation.better_unavailable[:3])
        without = ", or leave its levels out with --plan-levels none" if of_levels else ""
        raise FrameError(
            f"only a ballpark operation leads {ways}, which takes one datum for the other: bring "
            f"the plan into the record's CRS by a proper one{without}"
            + (f"; grid files are missing: {missing}" if missing else "")
        )
    if isnan(operation.accuracy_m) and isnan(given_sigma_m):
        raise FrameError(
            f"nobody has published how good the operation {ways} is ({operation.name}): say it "
            "with --shift-accuracy, one standard deviation, as 1m"
        )


def _moved(
    works: tuple[PlannedWork, ...],
    crs: CRS,
    plane: RegionPlane,
    levels_crs: CRS | None,
) -> tuple[PlannedWork, ...]:
    """Return works in metres, all coordinates in one go; levels too when `levels_crs` is given."""
    assert plane.crs is not None
    assert plane.area is not None
    shapes = np.array([work.shape for work in works], dtype=object)
    xy, of = shapely.get_coordinates(shapes, return_index=True)
    levels = [work.z_m for work in works]
    if levels_crs is not None:
        counts = np.bincount(of, minlength=len(works))
        z = [
            np.broadcast_to(z if len(z) else np.zeros(1), n)
            for z, n in zip(levels, counts.tolist(), strict=True)
        ]
        xyz = np.column_stack([xy, np.concatenate(z) / axis_unit_m(crs)])
        if crs != levels_crs:
            xyz = apply(best(crs, levels_crs, plane.area)[0], xyz, None)
        moved_z = np.split(xyz[:, 2] * axis_unit_m(levels_crs), np.cumsum(counts)[:-1])
        levels = [z if len(own) else own for own, z in zip(levels, moved_z, strict=True)]
    moved = shapely.orient_polygons(plane.shapes_from(crs, shapes))
    return tuple(
        replace(work, shape=s, z_m=z).as_dug
        for work, s, z in zip(works, moved, levels, strict=True)
    )
