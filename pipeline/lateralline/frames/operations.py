"""Which coordinate operation is used, how good it is, and what better one is missing.

PROJ always finds *some* way between two systems; when nothing is published for the place it
offers a "ballpark" one that takes the two datums for the same, which may be hundreds of metres
wrong. Here such a way is never taken for a result, unless a site accepts it by name and states how
far off it may be.

PROJ looks for datum and geoid grids in its own folder, the user's and the site's; never online.
"""

from __future__ import annotations

import math
import os
import warnings
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Final, NamedTuple

import numpy as np
from pyproj import CRS, Transformer

# pyproj offers these elsewhere without exporting them, which a strict type checker refuses.
from pyproj._crs import CoordinateOperation
from pyproj._network import set_network_enabled
from pyproj.datadir import get_data_dir, set_data_dir
from pyproj.exceptions import ProjError
from pyproj.transformer import AreaOfInterest, TransformerGroup

from lateralline.errors import FrameError
from lateralline.frames.systems import degrees_of, width_deg, with_levels
from lateralline.output import proof
from lateralline.records import Floats
from lateralline.wording import counted, metres

#: Radius that holds 95 % of a plan error of unit σ on each axis: √χ²(0.95; 2) = √(−2 ln 0.05).
PLAN_95: Final = math.sqrt(-2.0 * math.log(0.05))

#: What PROJ calls an operation in which one datum is merely taken for another.
_BALLPARK: Final = "ballpark"
#: What stands in PROJ's pipelines that depend on the coordinate epoch: rates, models of motion.
_BY_TIME: Final = ("t_epoch", "proj=deformation", "proj=defmodel")
#: Environment variable that names folders of grids for all sites, separated as PATH is.
GRIDS_VARIABLE: Final = "LATERALLINE_GRIDS"

_OWN: Final = get_data_dir()
#: Endings of grid files, and the operations of PROJ that read one or another kind.
_ENDINGS: Final = (".tif", ".tiff", ".gsb", ".gtx", ".gtg")
_READERS: Final = ("hgridshift", "vgridshift", "gridshift", "xyzgridshift")


class OperationTerms(NamedTuple):
    """What a site allows of operations, and where their grids may be."""

    grids: str = ""  # folder; "" = none of the site's own
    accept_zero_shift: bool = False
    shift_accuracy_m: float | None = None  # of a shift whose accuracy is not published
    dated: bool = False  # a coordinate epoch is given, so that operations may depend on it


#: The terms of a site that says nothing of them.
PLAIN: Final = OperationTerms()


@dataclass(frozen=True, slots=True)
class Operation:
    """How coordinates go from one system to another, for the record."""

    source: str
    target: str
    name: str
    accuracy_m: float  # as published or as the site states; NaN = unknown
    ballpark: bool  # the two datums were merely taken for the same: no result
    zero_shift: bool  # published, but moves nothing although the datums differ
    better_unavailable: tuple[str, ...]  # operations, each with the grid files it lacks
    grids_missing: tuple[str, ...] = ()  # those files alone, each with the accuracy it would bring
    grids_used: tuple[tuple[str, str], ...] = ()  # file name and SHA-256
    stated: bool = False  # the accuracy is the site's own word, nothing is published
    time_dependent: bool = False  # its result depends on the coordinate epoch
    undated: bool = False  # the same, and no epoch is given: the published accuracy does not hold

    @property
    def usable(self) -> bool:
        """False for a ballpark operation, unless the site accepts it."""
        return not self.ballpark or self.stated

    @property
    def shift_95_m(self) -> float:
        """How far, at 95 %, all positions may be off together; 0 when exact, NaN when unknown.

        >>> round(Operation("a", "b", "a to b", 2.0, False, False, ()).shift_95_m, 3)
        4.895
        """
        return PLAN_95 * self.accuracy_m

    @property
    def off_by_text(self) -> str:
        r"""How far off the result may be, in words for people who do not read lineage.

        >>> Operation("a", "b", "a to b", 4.0, False, False, ()).off_by_text
        'may be 4\xa0m off (published accuracy)'
        """
        if math.isnan(self.accuracy_m):
            return (
                "it depends on time, and without a coordinate epoch nobody knows how far off it is"
                if self.undated
                else "how far off this may be is not published"
            )
        whose = "accuracy stated in site.toml" if self.stated else "published accuracy"
        return f"may be {metres(self.accuracy_m, None)} off ({whose})"

    @property
    def refusal_text(self) -> str:
        """Why it is not used, and the grid files that would allow a better one."""
        missing = "; ".join(self.better_unavailable)
        return (
            f"no published operation from {self.source} to {self.target} can be used here, only "
            "a ballpark one, which no one has accepted"
            + (f"; grid files are missing: {missing}" if missing else "")
        )

    @property
    def accuracy_text(self) -> str:
        """The published accuracy in words.

        >>> Operation("a", "b", "a to b", 4.0, False, False, ()).accuracy_text
        '4 m'
        """
        return "unknown accuracy" if math.isnan(self.accuracy_m) else f"{self.accuracy_m:g} m"


def best(
    source: CRS, target: CRS, area: AreaOfInterest, terms: OperationTerms = PLAIN
) -> tuple[Transformer, Operation]:
    """Return the best operation whose grids are here, for `area` (degrees), and its account.

    Grids are never fetched over the network. A ballpark operation comes back only when there is
    no other, and says so. Raises FrameError when there is no operation at all.
    """
    _look_in(terms.grids)
    return _best(source, target, area, terms, os.environ.get(GRIDS_VARIABLE, ""))


@lru_cache(maxsize=256)
def _best(
    source: CRS, target: CRS, area: AreaOfInterest, terms: OperationTerms, _places: str
) -> tuple[Transformer, Operation]:
    set_network_enabled(active=False)
    usable, unavailable, ballpark = _ways(source, target, area)
    if not usable and _apart_in_both(source, target):
        return levels_then_plan(source, target, area, terms)
    if not usable:
        raise FrameError(f"no coordinate operation from {source.name} to {target.name}")
    # Without an epoch, a way that needs none is as good as published; one that needs it is not.
    chosen = usable[0] if terms.dated else min(usable, key=_time_dependent)
    time_dependent = _time_dependent(chosen)
    undated = time_dependent and not terms.dated
    published = math.nan if ballpark else _accuracy_m(chosen)
    accuracy = math.nan if undated else published
    missing = [
        (o.name, ", ".join(g.short_name for g in o.grids), f"{o.accuracy:g} m")
        for o in unavailable
        if math.isnan(published) or 0 <= o.accuracy < published
    ]
    # nobody can accept a geoid taken for the ellipsoid
    acceptable = terms.accept_zero_shift and "vertical" not in chosen.description
    stated = False
    if terms.shift_accuracy_m is not None and math.isnan(accuracy):
        stated = not ballpark or acceptable
        accuracy = terms.shift_accuracy_m if stated else accuracy
    operation = Operation(
        source=source.name,
        target=target.name,
        name=chosen.description,
        accuracy_m=accuracy,
        ballpark=ballpark,
        zero_shift=published > 0
        and not time_dependent
        and _moves_nothing(source, target, area, chosen),
        better_unavailable=tuple(f"{name} ({m}; needs {files})" for name, files, m in missing),
        grids_missing=tuple(dict.fromkeys(f"{files} ({m})" for _, files, m in missing)),
        grids_used=_grids_of(chosen),
        stated=stated,
        time_dependent=time_dependent,
        undated=undated,
    )
    return chosen, operation


def apply(transformer: Transformer, xyz: Floats, epoch: float | None) -> Floats:
    """Return (n, 2|3) coordinates through `transformer`, at the coordinate epoch when given.

    Raises FrameError naming the first row that cannot be transformed.
    """
    columns = list(xyz.T)
    if epoch is not None:
        if len(columns) == 2:
            columns.append(np.zeros(len(xyz)))
        columns.append(np.full(len(xyz), epoch))
    try:
        out = transformer.transform(*columns)
    except ProjError as e:
        raise FrameError(f"coordinates cannot be transformed: {e}") from e
    result = np.stack(out[: xyz.shape[1]], axis=-1).astype(np.float64)
    lost = np.isfinite(xyz).all(axis=1) & ~np.isfinite(result).all(axis=1)
    if lost.any():
        row = int(np.argmax(lost))
        # A grid whose name it has met before, PROJ opens only now.
        if files := ", ".join(name for name, _ in _grids_of(transformer)):
            _refuse_damaged()
        raise FrameError(
            f"outside what {transformer.description!r} can transform: "
            f"{counted(int(lost.sum()), 'coordinate')}; first: {xyz[row].tolist()}"
            + (f"; or a grid is cut short: {files}" if files else "")
        )
    # PROJ marks the impossible with infinity; a row that came in unknown goes out unknown.
    result[~np.isfinite(result).all(axis=1)] = np.nan
    return result


def _apart_in_both(source: CRS, target: CRS) -> bool:
    """Tell whether two compound systems differ in plan and in levels."""
    pairs = zip(source.sub_crs_list, target.sub_crs_list, strict=False)
    return source.is_compound and target.is_compound and all(a != b for a, b in pairs)


def levels_then_plan(
    source: CRS, target: CRS, area: AreaOfInterest, terms: OperationTerms
) -> tuple[Transformer, Operation]:
    """Return the way between compound systems by way of the source's plan with the target's levels.

    PROJ 9.8 finds none where both the datum of the plan and the unit of levels differ, though it
    knows both parts; earlier ones do. The accuracies of the two are independent.
    """
    plan, vertical = source.sub_crs_list[0], target.sub_crs_list[1]
    middle = with_levels(plan, vertical, "named")
    (up, levels), (over, shift) = (
        best(source, middle, area, terms),
        best(middle, target, area, terms),
    )
    steps = (t.definition.removeprefix("proj=pipeline ") for t in (up, over))
    whole = " ".join(s if s.startswith("step ") else f"step {s}" for s in steps)
    return Transformer.from_pipeline(f"proj=pipeline {whole}"), replace(
        shift,
        source=source.name,
        name=f"{levels.name} + {shift.name}",
        accuracy_m=math.hypot(levels.accuracy_m, shift.accuracy_m),
        ballpark=levels.ballpark or shift.ballpark,
        better_unavailable=levels.better_unavailable + shift.better_unavailable,
        grids_missing=levels.grids_missing + shift.grids_missing,
        grids_used=levels.grids_used + shift.grids_used,
        time_dependent=levels.time_dependent or shift.time_dependent,
        undated=levels.undated or shift.undated,
    )


def _ways(
    source: CRS, target: CRS, area: AreaOfInterest
) -> tuple[list[Transformer], list[CoordinateOperation], bool]:
    """Return the operations usable in `area`, those that lack grids, and if the first is ballpark.

    Within an area PROJ goes by the first systems that lie between, and gives up where grids are
    missing there; asked without one it knows of more, among them ways good all over the world.
    Asked for ballpark ways too, it at times finds a published one it left out before.
    """
    near = _group(source, target, area, ballpark=False)
    if near.transformers:
        return list(near.transformers), list(near.unavailable_operations), False
    anywhere = _group(source, target, None, ballpark=False)
    here = [t for t in anywhere.transformers if _covers(t, area)]
    ballpark = False
    if not here:
        with_ballpark = _group(source, target, area, ballpark=True)
        here = sorted(with_ballpark.transformers, key=_is_ballpark)
        ballpark = bool(here) and _is_ballpark(here[0])
    return here, list(near.unavailable_operations), ballpark


def _group(
    source: CRS, target: CRS, area: AreaOfInterest | None, *, ballpark: bool
) -> TransformerGroup:
    with warnings.catch_warnings():
        # pyproj warns of missing grids; they are reported as findings instead.
        warnings.simplefilter("ignore", UserWarning)
        try:
            return TransformerGroup(
                source, target, always_xy=True, area_of_interest=area, allow_ballpark=ballpark
            )
        except ProjError as e:
            _refuse_damaged()
            raise FrameError(
                f"no way from {source.name} to {target.name} can be made ready: {e}"
            ) from e


def _refuse_damaged() -> None:
    """Raise FrameError if a grid file of the user's is the reason why PROJ failed."""
    if damaged := _damaged():
        raise FrameError(
            f"grids that PROJ cannot read: {'; '.join(damaged)}: put whole copies there, or "
            "take the damaged away to do without"
        )


def _covers(transformer: Transformer, area: AreaOfInterest) -> bool:
    """Whether an operation is published for all of a cell; False when it names no area."""
    use = transformer.area_of_use
    if use is None:
        return False
    return bool(
        (area.west_lon_degree - use.west) % 360.0 + (area.east_lon_degree - area.west_lon_degree)
        <= width_deg(use)
        and use.south <= area.south_lat_degree
        and area.north_lat_degree <= use.north
    )


def _time_dependent(transformer: Transformer) -> bool:
    return any(word in transformer.definition for word in _BY_TIME)


def _is_ballpark(transformer: Transformer) -> bool:
    """Whether an operation takes datums for the same, by its name or for want of an accuracy."""
    named = _BALLPARK in transformer.description.casefold()
    return named or math.isnan(_accuracy_m(transformer))


def _accuracy_m(transformer: Transformer) -> float:
    """Return the published accuracy of an operation, NaN where there is none.

    What only projects, scales or orders axes on one datum (ISO 19111: a conversion) is exact. PROJ
    9.8 no longer says so of every chain of them, earlier ones did.
    """
    if transformer.accuracy >= 0.0:
        return float(transformer.accuracy)
    steps = transformer.operations or ()
    exact = steps and all(step.type_name == "Conversion" for step in steps)
    return 0.0 if exact else math.nan


def _grids_of(transformer: Transformer) -> tuple[tuple[str, str], ...]:
    """Return name and SHA-256 of each grid file an operation reads."""
    found = {
        g.short_name: g.full_name
        for o in transformer.operations or ()
        for g in o.grids
        if g.available and g.full_name
    }
    return tuple((Path(path).name, _sha256(path)) for path in found.values())


def _moves_nothing(source: CRS, target: CRS, area: AreaOfInterest, chosen: Transformer) -> bool:
    """Tell whether `chosen` leaves longitude and latitude as they are on the source's own datum."""
    base = source.geodetic_crs
    if base is None or base.datum == (target.geodetic_crs or target).datum:
        return False
    degrees = np.array([[area.west_lon_degree, area.south_lat_degree]])
    own = Transformer.from_crs(base.to_2d(), source.to_2d(), always_xy=True)
    back = Transformer.from_crs(
        target.to_2d(), (target.geodetic_crs or target).to_2d(), always_xy=True
    )
    there = apply(back, apply(chosen, apply(own, degrees, None), None), None)
    return bool(np.abs(there - degrees).max() < 1e-9)


# ---- grids ----------------------------------------------------------------------------------


def _look_in(folder: str) -> None:
    """Have PROJ look for grids in `folder` ("" = none) and where `LATERALLINE_GRIDS` says.

    Nowhere else: what an earlier site of a batch named must not change a later one's result.
    """
    places = [_OWN, *filter(None, (os.environ.get(GRIDS_VARIABLE, ""), folder))]
    wanted = os.pathsep.join(places)
    if get_data_dir() != wanted:
        set_data_dir(wanted)


def _damaged() -> tuple[str, ...]:
    """Return the grid files, with path and size, that PROJ cannot open where users put theirs.

    Only the head of a file is read. Slow: for when something has gone wrong.
    """
    folders = map(Path, get_data_dir().removeprefix(_OWN).split(os.pathsep))
    files = sorted(
        path
        for folder in folders
        if folder != Path() and folder.is_dir()
        for path in folder.iterdir()
        if path.suffix.casefold() in _ENDINGS
    )
    return tuple(f"{p} ({p.stat().st_size} bytes)" for p in files if not _opens(p))


def _opens(path: Path) -> bool:
    for reader in _READERS:
        try:
            Transformer.from_pipeline(f'+proj={reader} +grids="{path}"')
        except ProjError:
            continue
        return True
    return False


@lru_cache(maxsize=64)
def _sha256(path: str) -> str:
    """Return the SHA-256 of a grid file, in hexadecimal."""
    return proof.sha256(Path(path))


#: About the places of a file whose way is looked for.
_NEAR_DEG: Final = 0.02


def moved(xy: Floats, source: CRS, target: CRS, what: str) -> tuple[Floats, float]:
    """Return plan coordinates (n, 2) in another CRS by the best published way, and its 95 %.

    0 for a projection on one datum, NaN where nobody published how good the way is. Raises
    FrameError, naming `what`, where only a ballpark operation leads there.
    """
    if source == target or not len(xy):
        return xy, 0.0
    lon, lat = degrees_of(source, xy)
    if not (np.isfinite(lon).all() and np.isfinite(lat).all()):
        raise FrameError(f"{what} has coordinates that lie outside {source.name}")
    area = AreaOfInterest(
        float(lon.min()) - _NEAR_DEG, float(lat.min()) - _NEAR_DEG,
        float(lon.max()) + _NEAR_DEG, float(lat.max()) + _NEAR_DEG,
    )  # fmt: skip
    way, operation = best(source, target, area)
    if not operation.usable:
        raise FrameError(f"{what}: {operation.refusal_text}")
    return apply(way, xy, None), operation.shift_95_m
