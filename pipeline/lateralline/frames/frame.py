"""The site frame itself: metres at ground scale, north along grid north, up = level."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import degrees, isnan, nan
from typing import Final

import numpy as np
from pyproj import CRS
from pyproj.transformer import AreaOfInterest

from lateralline.errors import FrameError
from lateralline.findings import Finding
from lateralline.frames.operations import PLAIN, Operation, OperationTerms, apply, best
from lateralline.frames.systems import (
    Levels,
    axis_unit_m,
    conversion,
    known_crs,
    short_text,
    with_levels,
)
from lateralline.records import Floats

#: Mean earth radius of the height factor R / (R + H): IOGP 373-7-2 and common practice.
EARTH_RADIUS_M: Final = 6_371_000.0

#: What `Frame.level_datum` says of a site without a single level.
DEPTH_ONLY: Final = "depths only"
#: What it says of levels that count within one site alone.
SITE_ZERO: Final = "site zero"

WGS84_2D: Final = CRS.from_epsg(4326)
WGS84_3D: Final = CRS.from_epsg(4979)


@dataclass(frozen=True, slots=True, eq=False)
class Frame:
    """Site frame ⇄ site CRS ⇄ longitude and latitude. Built by `site_frame`.

    `ground_per_grid` (2, 2) turns grid differences in the grid's own unit into metres east and
    north on the ground; with a conformal grid it is one number times the unit matrix. `grid` is
    the projected CRS the frame is laid on: the site's own, or for a geographic CRS a transverse
    Mercator centred on the site on the same datum, whose grid north is true north at the origin.
    """

    horizontal: CRS | None  # the site's; None = local, invented axes
    vertical: CRS | None  # None unless a vertical CRS is named
    levels: Levels
    origin: tuple[float, float]  # in grid units
    mean_level_m: float  # H of the height factor; NaN when levels are relative or none is known
    epoch: float | None = None
    grid: CRS | None = None
    ground_per_grid: Floats = field(default_factory=lambda: np.eye(2))
    point_scale: float = 1.0  # k: grid metres per ellipsoid metre at the origin; 1 for local
    height_factor: float = 1.0  # R / (R + H): ellipsoid metres per ground metre
    convergence_rad: float = nan  # azimuth of grid north, clockwise from true north; NaN for local
    unevenness: float = 0.0  # relative difference of grid scale between directions
    area: AreaOfInterest | None = None
    operations: tuple[Operation, ...] = ()
    findings: tuple[Finding, ...] = field(default=(), repr=False)
    terms: OperationTerms = PLAIN
    levels_given: bool = True  # False: no level stands anywhere in the record
    levels_missing: bool = False  # the same, though site.toml names what levels refer to
    gnss_heights: str = ""  # how ellipsoidal heights of gnss became levels; "" = they were levels

    @property
    def is_local(self) -> bool:
        """True when the axes are invented and nothing can be placed on the earth."""
        return self.horizontal is None

    @property
    def combined_scale(self) -> float:
        """Grid metres per ground metre: point scale × height factor."""
        return self.point_scale * self.height_factor

    @property
    def scale_ppm(self) -> float:
        """Grid less ground in parts per million: 100 ppm are 10 mm in 100 m."""
        return (self.combined_scale - 1.0) * 1e6

    @property
    def level_datum(self) -> str:
        """What levels count from: code of the vertical CRS, "site zero", "depths only"."""
        if not self.levels_given:
            return DEPTH_ONLY
        if self.levels == "relative":
            return SITE_ZERO
        return self.levels if self.vertical is None else short_text(self.vertical)

    @property
    def lonlat_operation(self) -> Operation | None:
        """The way to longitude and latitude; None for a local sketch."""
        return self.operations[0] if self.operations and not self.is_local else None

    @property
    def level_unit_m(self) -> float:
        """Metres in the unit of `crs_with_levels`' third axis; negative when it points down."""
        if self.vertical is None:
            return 1.0
        return axis_unit_m(self.vertical)

    @property
    def crs_with_levels(self) -> CRS | None:
        """The site's CRS with what its levels count from; plan alone when they are relative."""
        if self.horizontal is None:
            return None
        return with_levels(self.horizontal, self.vertical, self.levels)

    def to_local(self, x: Floats, y: Floats, z_m: Floats) -> Floats:
        """Return (n, 3) site metres of (n,) coordinates in the site CRS and levels in metres.

        x is easting or longitude and y northing or latitude in the CRS's own unit, whatever order
        of axes its authority lists. NaN stays NaN. Raises FrameError outside the projection.
        """
        plan = np.stack([x, y], axis=-1).astype(np.float64)
        if self._projected_here:
            plan = self._converted(self.horizontal, self.grid, plan)
        plan = (plan - self.origin) @ self.ground_per_grid.T
        return np.column_stack([plan, z_m])

    def to_site_crs(self, xyz_m: Floats) -> Floats:
        """Return (n, 3) x, y in the horizontal CRS's unit and z, the site's level, in metres."""
        plan = xyz_m[:, :2] @ np.linalg.inv(self.ground_per_grid).T + self.origin
        if self._projected_here:
            plan = self._converted(self.grid, self.horizontal, plan)
        return np.column_stack([plan, xyz_m[:, 2]])

    def to_lonlat(self, xyz_m: Floats) -> Floats:
        """Return WGS 84 longitude, latitude (n, 2) in degrees, with the ellipsoidal height (n, 3).

        The height comes only with ellipsoidal levels: RFC 7946 knows no other. Raises FrameError
        for a local sketch, and when the only way there is a ballpark one.
        """
        source, target = self.geojson_systems()
        coordinates = self.to_site_crs(xyz_m)
        if self.levels != "ellipsoidal":
            coordinates = coordinates[:, :2]
        return self._through(source, target, coordinates)

    def to_crs(self, xyz_m: Floats, crs: CRS | str) -> Floats:
        """Return (n, 3) coordinates in another CRS than the site's.

        Levels go along unchanged, in metres, unless `crs` names a vertical system or is 3-D: then
        they are transformed with the rest, into its unit. Raises FrameError for a local sketch, for
        relative levels asked for in a vertical system, and for a ballpark way.
        """
        source, target = self._systems_to(crs)
        coordinates = self.to_site_crs(xyz_m)
        if target == self.horizontal:
            return coordinates
        if len(target.axis_info) == 3:
            return self._through(source, target, coordinates / (1.0, 1.0, self.level_unit_m))
        return np.column_stack(
            [self._through(source, target, coordinates[:, :2]), coordinates[:, 2]]
        )

    def operation_to(self, crs: CRS | str) -> Operation:
        """Return the account of the operation `to_crs` uses, usable or not."""
        source, target = self._systems_to(crs)
        return best(source, target, self._area(), self.terms)[1]

    def describe(self) -> dict[str, str | float]:
        """Return what lineage says of the frame: plain keys with unit suffix, plain values."""
        names = {
            "relative": f"{SITE_ZERO}: levels compare within this site only"
            if self.levels_given
            else f"{DEPTH_ONLY}: z counts down from ground taken as level at 0",
            "ellipsoidal": "heights above the ellipsoid of the horizontal CRS",
            "named": ""
            if self.vertical is None
            else " ".join(dict.fromkeys((short_text(self.vertical), self.vertical.name))),
        }
        about: dict[str, str | float] = {
            "horizontal_crs": self.horizontal.to_string() if self.horizontal else "local",
            "horizontal_name": self.horizontal.name if self.horizontal else "invented axes",
            "vertical_crs": self.vertical.to_string()
            if self.vertical
            else self.levels
            if self.levels_given
            else "none",
            "levels": names[self.levels],
            "axes": "east, north along grid north, up; metres at ground scale",
            "origin_x": self.origin[0],
            "origin_y": self.origin[1],
        }
        if self.gnss_heights:
            about["gnss_heights"] = self.gnss_heights
        if self.epoch is not None:
            about["coordinate_epoch"] = self.epoch
        if self.grid is not None:
            about |= {
                "grid": self.grid.to_string() if self.grid is self.horizontal else self.grid.name,
                "point_scale": self.point_scale,
                "height_factor": self.height_factor,
                "combined_scale": self.combined_scale,
                "grid_less_ground_ppm": self.scale_ppm,
                "mean_level_m": self.mean_level_m,
                "convergence_deg": degrees(self.convergence_rad),
            }
        for i, o in enumerate(self.operations, start=1):
            missing = "; better but missing: " + "; ".join(o.better_unavailable)
            ballpark = "accepted in site.toml" if o.usable else "not used"
            about[f"operation_{i}"] = (
                f"{o.source} to {o.target}: {o.name} ({o.accuracy_text}"
                f"{f', BALLPARK, {ballpark}' if o.ballpark else ''}"
                f"{', moves nothing' if o.zero_shift else ''})"
                f"{missing if o.better_unavailable else ''}"
            )
        return about

    @property
    def _projected_here(self) -> bool:
        return self.horizontal is not None and self.horizontal.is_geographic

    def geojson_systems(self) -> tuple[CRS, CRS]:
        """Return the systems that `to_lonlat` goes from and to; FrameError for a local sketch."""
        if self.horizontal is None:
            raise FrameError("a local sketch has invented axes: it has no longitude and latitude")
        if self.levels == "ellipsoidal":
            return with_levels(self.horizontal, None, "ellipsoidal"), WGS84_3D
        return self.horizontal, WGS84_2D

    def _systems_to(self, crs: CRS | str) -> tuple[CRS, CRS]:
        if self.horizontal is None:
            raise FrameError("a local sketch has invented axes: it fits no other CRS")
        target = known_crs(crs) if isinstance(crs, str) else crs
        if len(target.axis_info) < 3:
            return self.horizontal, target
        if self.levels == "relative":
            what = (
                "levels count from a site zero"
                if self.levels_given
                else "there are depths only, no levels"
            )
            raise FrameError(
                f"{what}, so they cannot be given in {target.name}: ask for a CRS "
                "without levels"
                + (", or name a vertical CRS in site.toml" if self.levels_given else "")
            )
        source = self.crs_with_levels
        assert source is not None  # only a local sketch has none
        return source, target

    def _area(self) -> AreaOfInterest:
        assert self.area is not None  # only a local sketch has none
        return self.area

    def _converted(self, source: CRS | None, target: CRS | None, plan: Floats) -> Floats:
        assert source is not None  # only a local sketch has none
        assert target is not None
        return apply(conversion(source, target), plan, None)

    def _through(self, source: CRS, target: CRS, coordinates: Floats) -> Floats:
        transformer, operation = best(source, target, self._area(), self.terms)
        if not operation.usable:
            raise FrameError(operation.refusal_text)
        return apply(transformer, coordinates, self.epoch)


def levels_by_grid(
    frame: Frame, x: Floats, y: Floats, height_m: Floats
) -> tuple[Floats, Operation]:
    """Return levels (n,) in metres of heights (n,) above the ellipsoid of the horizontal CRS.

    All NaN when no geoid grid leads to the vertical CRS, or nobody knows how good it is there; the
    account of the operation says so, and which grids are missing. NaN heights stay NaN. Raises
    FrameError unless both systems are named.
    """
    target = frame.crs_with_levels
    if frame.horizontal is None or frame.vertical is None or frame.area is None or target is None:
        raise FrameError("heights can be reduced to levels only where both systems are named")
    source = with_levels(frame.horizontal, None, "ellipsoidal")
    transformer, operation = best(source, target, frame.area, frame.terms)
    if not operation.usable or isnan(operation.accuracy_m):
        return np.full(len(height_m), np.nan), operation
    unit_m = source.axis_info[2].unit_conversion_factor
    there = apply(transformer, np.column_stack([x, y, height_m / unit_m]), frame.epoch)
    return np.asarray(there[:, 2] * frame.level_unit_m), operation
