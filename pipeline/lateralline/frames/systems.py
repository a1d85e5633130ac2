"""The coordinate reference systems a site names: read, put together, and where they are used.

A text becomes a pyproj object or a clear refusal; coordinates go to degrees on their own datum,
which needs no choice of operation.
"""

from __future__ import annotations

import re
import warnings
from functools import lru_cache
from typing import Final, Literal, NamedTuple

import numpy as np
from pyproj import CRS, Transformer

# pyproj offers this elsewhere too, without exporting it, which a strict type checker refuses.
from pyproj._crs import AreaOfUse
from pyproj.crs import CompoundCRS
from pyproj.exceptions import CRSError

from lateralline.errors import FrameError
from lateralline.records import Flags, Floats

#: What a level is: above nothing in particular, above the ellipsoid, or in a named system.
Levels = Literal["relative", "ellipsoidal", "named"]

#: Published areas of use are boxes, rounded; a lot this near to the edge of one is no mistake.
_MARGIN_DEG: Final = 0.05
_SHOWN: Final = 80  # characters of a text in a message
#: What PROJ calls the operations that are no projections (its pages on conversions and on
#: transformations, from memory).
_OPERATIONS: Final = (
    "pipeline", "noop", "affine", "axisswap", "cart", "geoc", "set", "push", "pop", "topocentric",
    "unitconvert", "deformation", "defmodel", "gridshift", "hgridshift", "vgridshift",
    "xyzgridshift", "helmert", "molobadekas", "molodensky", "horner", "tinshift", "vertoffset",
)  # fmt: skip
_STEP: Final = re.compile(r"(?<![\w])proj\s*=\s*(\w+)|(?<![\w])(step)(?![\w=])")
_METHOD: Final = re.compile(r"proj (\w+)")


class Systems(NamedTuple):
    """What a site's coordinates and levels refer to."""

    horizontal: CRS | None  # None = "local": invented axes
    vertical: CRS | None  # None unless a vertical CRS is named
    levels: Levels


def horizontal_crs(text: str) -> CRS | None:
    """Return the horizontal CRS of `text`, two-dimensional; None for "local".

    A compound CRS gives its horizontal part, a 3-D geographic one its 2-D form. Raises FrameError
    when pyproj does not know it or it has no plan coordinates (geocentric, vertical, engineering).

    >>> horizontal_crs("EPSG:4979").name
    'WGS 84'
    """
    if text.strip().casefold() == "local":
        return None
    crs = _parse(text, "horizontal")
    if crs.is_compound:
        crs = crs.sub_crs_list[0]
    if not (crs.is_projected or crs.is_geographic):
        raise FrameError(
            f"horizontal CRS must be projected or geographic; {text!r} is {crs.type_name}"
        )
    return crs.to_2d()


def vertical_crs(text: str) -> CRS | None:
    """Return the vertical CRS of `text`; None for "none" and "ellipsoidal".

    Raises FrameError when pyproj does not know it or it is not a vertical CRS.

    >>> vertical_crs("EPSG:6360").name
    'NAVD88 height (ftUS)'
    """
    if text.strip().casefold() in ("none", "ellipsoidal"):
        return None
    crs = _parse(text, "vertical")
    if not crs.is_vertical or crs.is_compound:
        raise FrameError(
            f'vertical CRS must be "none", "ellipsoidal" or a vertical system such as EPSG:5703; '
            f"{text!r} is {crs.type_name}"
        )
    return crs


def site_systems(horizontal: str, vertical: str) -> Systems:
    """Return what `site.toml` names; a compound horizontal text also names the levels.

    Raises FrameError when either is unknown, when the two name different vertical systems, or when
    levels are called ellipsoidal on invented axes, which have no ellipsoid.
    """
    plan, up = horizontal_crs(horizontal), vertical_crs(vertical)
    if plan is not None:
        whole = known_crs(horizontal)
        implied = whole.sub_crs_list[1] if whole.is_compound else None
        if implied is not None and up is not None and up != implied:
            raise FrameError(
                f"{horizontal!r} already names the levels as {implied.name!r}, "
                f"but vertical names {up.name!r}"
            )
        up = up or implied
    if up is not None:
        return Systems(plan, up, "named")
    if vertical.strip().casefold() == "ellipsoidal":
        if plan is None:
            raise FrameError('vertical must be "none" or a vertical CRS on a local sketch')
        return Systems(plan, None, "ellipsoidal")
    return Systems(plan, None, "relative")


@lru_cache(maxsize=64)
def with_levels(plan: CRS, vertical: CRS | None, levels: Levels) -> CRS:
    """Return a plan CRS together with levels of a kind; alone when they are relative.

    Kept from call to call: PROJ takes 30 ms to put two systems together.
    """
    if vertical is not None:
        # As a plain CRS: pyproj's own class for these cannot be made two-dimensional again.
        return CRS(CompoundCRS(f"{plan.name} + {vertical.name}", [plan, vertical]))
    return plan.to_3d() if levels == "ellipsoidal" else plan


def short_text(crs: CRS) -> str:
    """Return a CRS as its authority's code, else by its name.

    >>> short_text(CRS("EPSG:6360")), short_text(CRS("EPSG:32617"))
    ('EPSG:6360', 'EPSG:32617')
    """
    authority = crs.to_authority(min_confidence=100)
    return ":".join(authority) if authority is not None else str(crs.name)


def axis_unit_m(crs: CRS) -> float:
    """Return metres in the unit of a CRS's last axis; negative when it points down.

    >>> round(axis_unit_m(CRS("EPSG:6360")), 12), axis_unit_m(CRS("EPSG:5706"))
    (0.304800609601, -1.0)
    """
    axis = crs.axis_info[-1]
    return float(axis.unit_conversion_factor) * (-1.0 if axis.direction == "down" else 1.0)


def known_crs(text: str) -> CRS:
    """Return the CRS that a text names: every text a person gives for one comes through here.

    Raises FrameError when PROJ does not know it, and for a text that says how to compute,
    not where numbers count from: of `+proj=pipeline` PROJ makes a CRS of what it understands and
    drops the rest.

    >>> known_crs("EPSG:32617").name
    'WGS 84 / UTM zone 17N'
    >>> known_crs("+proj=pipeline +zone=17 +step +proj=utm +zone=17")
    Traceback (most recent call last):
        ...
    lateralline.errors.FrameError: it is an operation (pipeline), no CRS
    """
    text = text.strip()
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # old spellings such as +init are read all the same
            crs = CRS.from_user_input(text)
    except (CRSError, ValueError) as e:
        raise FrameError("PROJ knows none of that name") from e
    steps = [name or step for name, step in _STEP.findall(text.casefold()) if "proj" in text]
    if crs.coordinate_operation is not None:
        steps += _METHOD.findall(crs.coordinate_operation.method_name.casefold())
    if operations := [name for name in steps if name in _OPERATIONS or name == "step"]:
        raise FrameError(f"it is an operation ({operations[0]}), no CRS")
    return crs


def _parse(text: str, which: str) -> CRS:
    try:
        return known_crs(text)
    except FrameError as e:
        raise FrameError(
            f"{which} CRS must be one pyproj knows, such as EPSG:32617; got {text[:_SHOWN]!r} ({e})"
        ) from e


# ---- where coordinates lie ------------------------------------------------------------------


@lru_cache(maxsize=64)
def conversion(source: CRS, target: CRS) -> Transformer:
    """Return the exact way between two systems on one datum: a projection, units, axes."""
    return Transformer.from_crs(unbound(source), unbound(target), always_xy=True)


def realizations_apart_m(crs: CRS) -> float:
    """Return how far the realizations a datum ensemble stands for differ, 0 for one datum.

    >>> realizations_apart_m(CRS("EPSG:32617")), realizations_apart_m(CRS("EPSG:26917"))
    (2.0, 0.0)
    """
    datum = crs.datum
    if datum is None or datum.type_name != "Datum Ensemble":
        return 0.0
    return float(datum.to_json_dict().get("accuracy", "nan"))


def unbound(crs: CRS) -> CRS:
    """Return a CRS without a datum shift written into it (`+towgs84`): itself, mostly."""
    return crs.source_crs if crs.is_bound and crs.source_crs is not None else crs


def outside_area(crs: CRS, x: Floats, y: Floats) -> Flags:
    """Return (n,) True where x, y (n,), in the CRS's own unit, lie outside its area of use.

    False where a coordinate is NaN, and everywhere when no area is published.

    >>> outside_area(CRS(32617), np.array([5e5, 0.0]), np.array([4e6, 0.0]))
    array([False,  True])
    """
    use, given = crs.area_of_use, np.isfinite(x) & np.isfinite(y)
    if use is None:
        return np.zeros(len(x), dtype=np.bool_)
    lon, lat = degrees_of(crs, np.column_stack([x, y]))
    lon = np.where(np.isfinite(lon), lon, np.inf)  # beyond the projection itself is inf already
    with np.errstate(invalid="ignore"):
        east = (lon - use.west + _MARGIN_DEG) % 360.0
        inside = east <= width_deg(use) + 2 * _MARGIN_DEG
        inside &= (lat >= use.south - _MARGIN_DEG) & (lat <= use.north + _MARGIN_DEG)
    return np.asarray(given & ~inside)


def width_deg(use: AreaOfUse) -> float:
    """Return how far an area of use reaches east of its western edge, across the antimeridian."""
    return float((use.east - use.west) % 360.0 or 360.0)


def degrees_of(crs: CRS, xy: Floats) -> tuple[Floats, Floats]:
    """Return longitude from Greenwich and latitude (n,) in degrees, on the CRS's own datum.

    Infinite where the coordinates (n, 2) are beyond what the projection can take.
    """
    lon, lat = degrees_on_own_datum(crs, xy)
    meridian = unbound(crs).prime_meridian
    if meridian is not None:
        lon = lon + np.degrees(meridian.longitude * float(meridian.unit_conversion_factor))
    return lon, lat


def degrees_on_own_datum(crs: CRS, xy: Floats) -> tuple[Floats, Floats]:
    """Return longitude and latitude (n,) from the CRS's own prime meridian, on its own datum.

    Infinite where the coordinates (n, 2) are beyond what the projection can take.
    """
    way, to_degrees = _to_own_datum(crs)
    lon, lat = way.transform(xy[:, 0], xy[:, 1])
    return lon * to_degrees, lat * to_degrees


@lru_cache(maxsize=64)
def _to_own_datum(crs: CRS) -> tuple[Transformer, float]:
    """Return the way to longitude and latitude on a CRS's own datum, and their unit in degrees."""
    base = unbound(crs).geodetic_crs
    assert base is not None  # projected or geographic
    to_degrees = float(np.degrees(base.axis_info[0].unit_conversion_factor))
    return conversion(crs, base.to_2d()), to_degrees


def plan_of(crs: CRS) -> CRS:
    """Return the horizontal part of a CRS.

    >>> plan_of(CRS("EPSG:32617+5703")).to_epsg()
    32617
    """
    return crs.sub_crs_list[0] if crs.is_compound else crs.to_2d()


def crs_text(crs: CRS) -> str:
    """Return a CRS as authority codes where there are any, else as WKT.

    >>> crs_text(CRS("EPSG:32617+5703"))
    'EPSG:32617+EPSG:5703'
    """
    if crs.is_compound:
        return "+".join(map(crs_text, crs.sub_crs_list))
    authority = crs.to_authority(min_confidence=100)
    return ":".join(authority) if authority is not None else str(crs.to_wkt())
