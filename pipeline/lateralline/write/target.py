"""Which CRS a batch is written in, and what findings each site has of that."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from pyproj import CRS

from lateralline.errors import FrameError
from lateralline.findings import Finding, finding
from lateralline.frames import DEPTH_ONLY, SITE_ZERO, Frame, Operation
from lateralline.record.lineage import plan_operation


@dataclass(frozen=True, slots=True)
class SiteTarget:
    """How one site goes into the batch's files."""

    crs: CRS | None  # None: undefined Cartesian axes
    level_basis: str
    in_geojson: bool
    off_95_m: float  # what the way into `crs` may be off by; 0 when exact, NaN = unknown
    findings: tuple[Finding, ...]


def shared_crs(frames: Sequence[tuple[Frame, int]]) -> CRS | None:
    """Return the CRS that layers of several sites go into; None without a site on the map.

    `frames` holds one frame for each CRS, and how many sites share it. Criterion: the most sites
    that a published or accepted operation brings there, then the most sites that share it, then
    the order given.
    """

    def reach(crs: CRS) -> tuple[int, int]:
        carried = sum(count for frame, count in frames if _carries(crs, frame))
        return carried, sum(count for frame, count in frames if frame.horizontal == crs)

    found = [frame.horizontal for frame, _ in frames if frame.horizontal is not None]
    return max(found, key=reach, default=None)


def _carries(crs: CRS, frame: Frame) -> bool:
    """Tell whether a site of this frame can be given in `crs`."""
    try:
        operation = plan_operation(frame, crs)
    except FrameError:
        return False
    return not frame.is_local and (operation is None or operation.usable)


class Target:
    """The CRS of a batch: the one asked for or shared, else the first site's.

    Layers are in a horizontal CRS, and z is each site's own level; levels of several zeros are
    never in one file without a finding. Only a CRS with a vertical part that is asked for has
    every site's levels transformed into it.
    """

    def __init__(self, asked: CRS | None, shared: CRS | None = None) -> None:
        """Begin before the first site, with the CRS asked for or that of the batch.

        With neither it is the first site's own.
        """
        self._asked = asked
        self._begun = False
        self._crs = asked or shared
        self.level_bases: dict[str, None] = {}  # in the order they came
        self._off_95_m = 0.0  # the most any site's way into the CRS may be off; NaN = unknown

    @property
    def remark(self) -> str:
        """What layer descriptions state of the levels of the whole batch, and of z."""
        if len(self.level_bases) > 1:
            several = "; ".join(self.level_bases)
            levels = f"Levels do not share one basis: {several}. See lineage for each site's."
        else:
            levels = f"Levels: {next(iter(self.level_bases), 'none')}."
        own_z = self._crs is not None and len(self._crs.axis_info) == 3
        levels += " z is in the unit of the layers' CRS." if own_z else " z is in metres."
        if self._off_95_m == 0.0:
            return levels
        unknown = math.isnan(self._off_95_m)
        far = "an unknown distance" if unknown else f"{self._off_95_m:.3f} m (95 %)"
        return f"{levels} Positions of a site may be off together by {far}: see lineage."

    def site(self, frame: Frame) -> SiteTarget:
        """Return how a site is written; FrameError when it cannot share the batch's CRS."""
        crs = self._crs_for(frame)
        way = plan_operation(frame, crs)
        if way is not None and not way.usable:
            raise FrameError(
                f"{way.refusal_text}. With --per-crs each CRS of a batch gets a record of its own"
            )
        basis = _basis(frame) if crs is None or len(crs.axis_info) < 3 else _basis_of(crs)
        reason = _no_lonlat(frame)
        return SiteTarget(
            crs=crs,
            level_basis=basis,
            in_geojson=not reason,
            off_95_m=0.0 if way is None else way.shift_95_m,
            findings=tuple(self._findings(frame, crs, way, basis, reason)),
        )

    def take(self, site: SiteTarget) -> None:
        """Note that a site was written; the first one settles what was left open."""
        self._begun, self._crs = True, site.crs
        self.level_bases.setdefault(site.level_basis)
        self._off_95_m = float(np.maximum(self._off_95_m, site.off_95_m))  # NaN stays

    def _crs_for(self, frame: Frame) -> CRS | None:
        if frame.is_local and self._crs is not None:
            unasked = "" if self._asked is None else ", without --crs"
            raise FrameError(
                "a sketch has no place on the map, so it cannot go into layers in "
                f"{self._crs.name}: build it on its own into another folder{unasked}"
            )
        if self._begun:
            if self._crs is None and not frame.is_local:
                raise FrameError(
                    "the batch began with a sketch, so its layers have no place on the map: "
                    "build this site on its own into another folder"
                )
            return self._crs
        return self._crs or frame.horizontal

    def _findings(
        self, frame: Frame, crs: CRS | None, way: Operation | None, basis: str, reason: str
    ) -> Iterator[Finding]:
        lonlat = frame.lonlat_operation
        if reason and lonlat is not None and lonlat.usable:
            yield finding(  # of sketches and ballpark ways, `place` has a finding already
                "no-map-position/reason", "site", reason=reason
            )
        if frame.is_local and self._begun:
            yield finding("no-map-position/another-sketch", "site")
        if crs is not None and way is not None:
            poor = way.zero_shift or way.ballpark or way.better_unavailable
            unknown = math.isnan(way.accuracy_m)
            yield finding(
                "datum-shift-error/other-crs",
                "site",
                severity="warning" if poor or unknown else "info",
                crs=crs.name,
                source=way.source,
                shift_95_m=way.shift_95_m or None,
                undated=unknown and way.undated,
                unpublished=unknown and not way.undated,
            )
            if way.time_dependent and frame.epoch is None:
                yield finding(
                    "datum-incomplete/epoch-of-shift",
                    "site",
                    source=way.source,
                    target=way.target,
                )
        if self.level_bases and basis not in self.level_bases:
            first = next(iter(self.level_bases))
            yield finding("levels-mixed/sites", "site", basis=basis, first=first)


def _basis(frame: Frame) -> str:
    if frame.vertical is not None:
        return frame.vertical.name
    if frame.levels == "ellipsoidal" and frame.horizontal is not None:
        return _ellipsoidal(frame.horizontal)
    if frame.level_datum == DEPTH_ONLY:
        return f"{DEPTH_ONLY}: z counts from ground taken as level at 0"
    return f"{SITE_ZERO}, each site for itself"


def _basis_of(crs: CRS) -> str:
    return crs.sub_crs_list[1].name if crs.is_compound else _ellipsoidal(crs)


def _ellipsoidal(crs: CRS) -> str:
    datum = crs.geodetic_crs.name if crs.geodetic_crs is not None else crs.name
    return f"ellipsoidal heights on {datum}"


def _no_lonlat(frame: Frame) -> str:
    """Return why the site has no longitude and latitude; "" when it has."""
    try:
        frame.to_lonlat(np.zeros((1, 3)))
    except FrameError as e:
        return str(e)
    return ""
