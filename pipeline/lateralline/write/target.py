"""Which CRS a batch is written in, and what findings each site has of that."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from pyproj import CRS

from lateralline.errors import FrameError
from lateralline.findings import Finding, finding
from lateralline.frames import DEPTH_ONLY, SITE_ZERO, Frame, Operation
from lateralline.record.lineage import plan_operation


class Follows(NamedTuple):
    """All that a site's own content takes from the sites before it."""

    crs: CRS | None  # None: undefined Cartesian axes
    another_sketch: bool  # there is one before, on axes of its own
    first_basis: str  # what levels before count from where this site's count otherwise; else ""


@dataclass(frozen=True, slots=True)
class SiteTarget:
    """How one site goes into the batch's files."""

    follows: Follows
    own: CRS | None  # the site's horizontal CRS; None for a sketch
    level_basis: str
    in_geojson: bool
    off_95_m: float  # what the way into `crs` may be off by; 0 when exact, NaN = unknown
    findings: tuple[Finding, ...]

    @property
    def crs(self) -> CRS | None:
        """The CRS of the layers; None for undefined Cartesian axes."""
        return self.follows.crs


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


@dataclass(frozen=True, slots=True)
class Target:
    """The CRS of a batch: the one asked for or shared, else the first site's.

    Layers are in a horizontal CRS, and z is each site's own level; levels of several zeros are
    never in one file without a finding. Only a CRS with a vertical part that is asked for has
    every site's levels transformed into it. A target is what is decided before one site; `after`
    that there is another.
    """

    asked: CRS | None = None
    shared: CRS | None = None
    begun: bool = False
    level_bases: tuple[str, ...] = ()  # in the order they came
    off_95_m: float = 0.0  # the most any site's way into the CRS may be off; NaN = unknown

    @property
    def crs(self) -> CRS | None:
        """The CRS as far as it is settled."""
        return self.asked or self.shared

    @property
    def remark(self) -> str:
        """What layer descriptions state of the levels of the whole batch, and of z."""
        if len(self.level_bases) > 1:
            several = "; ".join(self.level_bases)
            levels = f"Levels do not share one basis: {several}. See lineage for each site's."
        else:
            levels = f"Levels: {next(iter(self.level_bases), 'none')}."
        own_z = self.crs is not None and len(self.crs.axis_info) == 3
        levels += " z is in the unit of the layers' CRS." if own_z else " z is in metres."
        if self.off_95_m == 0.0:
            return levels
        unknown = math.isnan(self.off_95_m)
        far = "an unknown distance" if unknown else f"{self.off_95_m:.3f} m (95 %)"
        return f"{levels} Positions of a site may be off together by {far}: see lineage."

    def site(self, frame: Frame) -> SiteTarget:
        """Return how a site is written; FrameError when it cannot share the batch's CRS."""
        self._refuse(frame)
        crs = self._crs_for(frame.horizontal)
        way = plan_operation(frame, crs)
        if way is not None and not way.usable:
            raise FrameError(
                f"{way.refusal_text}. With --per-crs each CRS of a batch gets a record of its own"
            )
        basis = _basis(frame) if crs is None or len(crs.axis_info) < 3 else _basis_of(crs)
        reason = _no_lonlat(frame)
        follows = self._follows(frame.horizontal, basis)
        return SiteTarget(
            follows=follows,
            own=frame.horizontal,
            level_basis=basis,
            in_geojson=not reason,
            off_95_m=0.0 if way is None else way.shift_95_m,
            findings=tuple(_findings(frame, way, basis, reason, follows)),
        )

    def holds(self, site: SiteTarget) -> bool:
        """Tell whether a site that was made for an earlier target would be made alike for this."""
        return self._follows(site.own, site.level_basis) == site.follows

    def after(self, site: SiteTarget) -> Target:
        """Return what is decided once a site is written; the first one settles what was open."""
        new = () if site.level_basis in self.level_bases else (site.level_basis,)
        return replace(
            self,
            shared=site.crs if self.asked is None else self.shared,
            begun=True,
            level_bases=(*self.level_bases, *new),
            off_95_m=float(np.maximum(self.off_95_m, site.off_95_m)),  # NaN stays
        )

    def _refuse(self, frame: Frame) -> None:
        if frame.is_local and self.crs is not None:
            unasked = "" if self.asked is None else ", without --crs"
            raise FrameError(
                "a sketch has no place on the map, so it cannot go into layers in "
                f"{self.crs.name}: build it on its own into another folder{unasked}"
            )
        if self.begun and self.crs is None and not frame.is_local:
            raise FrameError(
                "the batch began with a sketch, so its layers have no place on the map: "
                "build this site on its own into another folder"
            )

    def _crs_for(self, own: CRS | None) -> CRS | None:
        return self.crs if self.begun else self.crs or own

    def _follows(self, own: CRS | None, basis: str) -> Follows:
        others = bool(self.level_bases) and basis not in self.level_bases
        return Follows(
            crs=self._crs_for(own),
            another_sketch=own is None and self.begun,
            first_basis=self.level_bases[0] if others else "",
        )


def _findings(
    frame: Frame, way: Operation | None, basis: str, reason: str, follows: Follows
) -> Iterator[Finding]:
    lonlat, crs = frame.lonlat_operation, follows.crs
    if reason and lonlat is not None and lonlat.usable:
        yield finding(  # of sketches and ballpark ways, `place` has a finding already
            "no-map-position/reason", "site", reason=reason
        )
    if follows.another_sketch:
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
    if follows.first_basis:
        yield finding("levels-mixed/sites", "site", basis=basis, first=follows.first_basis)


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
