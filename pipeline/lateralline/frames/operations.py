"""Which coordinate operation is used, how good it is, and what better one is missing.

PROJ always finds *some* way between two systems; when nothing is published for the place it
offers a "ballpark" one that takes the two datums for the same, which may be hundreds of metres
wrong. Here such a way is never taken for a result.
"""

from __future__ import annotations

import math
import warnings
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from pyproj import CRS, Transformer

# `pyproj.network` offers this without exporting it, which a strict type checker refuses.
from pyproj._network import set_network_enabled
from pyproj.exceptions import ProjError
from pyproj.transformer import AreaOfInterest, TransformerGroup

from lateralline.errors import FrameError
from lateralline.records import Floats


@dataclass(frozen=True, slots=True)
class Operation:
    """How coordinates go from one system to another, for the record."""

    source: str
    target: str
    name: str
    accuracy_m: float  # as published; NaN = unknown
    ballpark: bool  # the two datums were merely taken for the same: no result
    zero_shift: bool  # published, but moves nothing although the datums differ
    better_unavailable: tuple[str, ...]  # operations, each with the grid files it lacks
    grids_missing: tuple[str, ...] = ()  # those files alone, each with the accuracy it would bring

    @property
    def off_by_text(self) -> str:
        """How far off the result may be, in words for people who do not read lineage.

        >>> Operation("a", "b", "a to b", 4.0, False, False, ()).off_by_text
        'may be 4 m off (published accuracy)'
        """
        if math.isnan(self.accuracy_m):
            return "how far off this may be is not published"
        return f"may be {self.accuracy_m:g} m off (published accuracy)"

    @property
    def accuracy_text(self) -> str:
        """The published accuracy in words.

        >>> Operation("a", "b", "a to b", 4.0, False, False, ()).accuracy_text
        '4 m'
        """
        return "unknown accuracy" if math.isnan(self.accuracy_m) else f"{self.accuracy_m:g} m"


@lru_cache(maxsize=256)
def best(source: CRS, target: CRS, area: AreaOfInterest) -> tuple[Transformer, Operation]:
    """Return the best operation whose grids are here, for `area` (degrees), and its account.

    Grids are never fetched over the network. A ballpark operation comes back only when there is
    no other, and says so. Raises FrameError when there is no operation at all.
    """
    set_network_enabled(active=False)
    group = _group(source, target, area, ballpark=False)
    usable, ballpark = list(group.transformers), False
    if not usable:
        usable, ballpark = list(_group(source, target, area, ballpark=True).transformers), True
    if not usable:
        raise FrameError(f"no coordinate operation from {source.name} to {target.name}")
    chosen = usable[0]
    accuracy = chosen.accuracy if chosen.accuracy >= 0 else math.nan
    missing = [
        (o.name, ", ".join(g.short_name for g in o.grids), f"{o.accuracy:g} m")
        for o in group.unavailable_operations
        if ballpark or math.isnan(accuracy) or 0 <= o.accuracy < accuracy
    ]
    operation = Operation(
        source=source.name,
        target=target.name,
        name=chosen.description,
        accuracy_m=accuracy,
        ballpark=ballpark,
        zero_shift=not ballpark and accuracy > 0 and _moves_nothing(source, target, area, chosen),
        better_unavailable=tuple(f"{name} ({m}; needs {grids})" for name, grids, m in missing),
        grids_missing=tuple(dict.fromkeys(f"{grids} ({m})" for _, grids, m in missing)),
    )
    return chosen, operation


@lru_cache(maxsize=64)
def conversion(source: CRS, target: CRS) -> Transformer:
    """Return the exact way between two systems on one datum: a projection, units, axes."""
    return Transformer.from_crs(unbound(source), unbound(target), always_xy=True)


def unbound(crs: CRS) -> CRS:
    """Return a CRS without a datum shift written into it (`+towgs84`): itself, mostly."""
    return crs.source_crs if crs.is_bound and crs.source_crs is not None else crs


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
        raise FrameError(
            f"{int(lost.sum())} coordinate(s) lie outside what {transformer.description!r} "
            f"can transform; first: {xyz[row].tolist()}"
        )
    # PROJ marks the impossible with infinity; a row that came in unknown goes out unknown.
    result[~np.isfinite(result).all(axis=1)] = np.nan
    return result


def _group(source: CRS, target: CRS, area: AreaOfInterest, *, ballpark: bool) -> TransformerGroup:
    with warnings.catch_warnings():
        # pyproj warns of missing grids; they are reported as findings instead.
        warnings.simplefilter("ignore", UserWarning)
        return TransformerGroup(
            source, target, always_xy=True, area_of_interest=area, allow_ballpark=ballpark
        )


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
