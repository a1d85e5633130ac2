"""What a person should know about the frame: datum, accuracy, levels, and what is missing."""

from __future__ import annotations

from collections.abc import Iterator
from math import hypot, isnan
from textwrap import shorten
from typing import Final

from pyproj import CRS

from lateralline.catalogue import Severity
from lateralline.findings import Finding, finding
from lateralline.frames.frame import Frame
from lateralline.frames.systems import realizations_apart_m, width_deg
from lateralline.units import METRES_PER

#: Relative difference of scale between directions from which a grid is not conformal (10⁻⁷ is
#: 0.003 mm in 30 m; conformal projections reach 10⁻⁹ or better).
NOT_CONFORMAL: Final = 1e-7
#: Grid less ground from which it is reported: 10 mm in 100 m. Common practice, no source.
_SCALE_PPM: Final = 100.0
#: The length the difference is stated for.
_TAPED_M: Final = 100.0


def frame_findings(frame: Frame) -> tuple[Finding, ...]:
    """Return the findings of a frame whose operations are known."""
    found = [*_levels(frame)]
    if frame.horizontal is None:
        return (*found, finding("no-map-position/sketch", "site"))
    return (*found, *_grid(frame), *_datum(frame, frame.horizontal), *_operations(frame))


def _levels(frame: Frame) -> Iterator[Finding]:
    if frame.levels_missing:
        yield finding("level-missing/all", "site")
    elif not frame.levels_given:
        yield finding("level-missing/depths-only", "site")
    elif frame.levels == "relative":
        yield finding("levels-relative", "site")


def _grid(frame: Frame) -> Iterator[Finding]:
    yield from _scale(frame)
    yield from _feet(frame)
    if frame.unevenness >= NOT_CONFORMAL:
        yield finding("grid-scale/directions", "site", apart_ppm=1e6 * frame.unevenness)
    area = frame.area
    use = frame.horizontal.area_of_use if frame.horizontal else None
    if area and use:
        edges = (area.west_lon_degree, area.east_lon_degree)
        beside = all((lon - use.west) % 360 > width_deg(use) for lon in edges)
        if beside or area.north_lat_degree < use.south or area.south_lat_degree > use.north:
            yield finding(
                "coordinates-outside/site",
                "site",
                area=shorten(use.name, 100),
                lat_deg=area.south_lat_degree,
                lon_deg=area.west_lon_degree,
            )


def _scale(frame: Frame) -> Iterator[Finding]:
    """Yield by how much a tape and the grid differ, when a tape would show it."""
    if abs(frame.scale_ppm) >= _SCALE_PPM:
        yield finding(
            "grid-scale",
            "site",
            variant="shorter" if frame.scale_ppm < 0.0 else "longer",
            combined_scale=frame.combined_scale,
            off_m=1e-6 * abs(frame.scale_ppm) * _TAPED_M,
            of_m=_TAPED_M,
        )


def _feet(frame: Frame) -> Iterator[Finding]:
    """Yield what the other foot would do to coordinates: nothing in the records can show it."""
    grid = frame.horizontal
    if grid is None or not grid.is_projected:
        return
    unit_m = grid.axis_info[0].unit_conversion_factor
    for name, foot_m, other, other_m in (
        ("US survey feet", METRES_PER["us-ft"], "international feet", METRES_PER["ft"]),
        ("international feet", METRES_PER["ft"], "US survey feet", METRES_PER["us-ft"]),
    ):
        if abs(unit_m / foot_m - 1.0) < 1e-9:
            off_m = hypot(*frame.origin) * abs(foot_m - other_m)
            yield finding(
                "coordinates-unconfirmed/foot",
                "site",
                foot=name,
                other=other,
                crs=grid.name,
                off_m=off_m,
            )


def _datum(frame: Frame, horizontal: CRS) -> Iterator[Finding]:
    datum = horizontal.datum
    if datum is None:
        return
    if datum.type_name.startswith("Dynamic") and frame.epoch is None:
        yield finding("datum-incomplete/epoch", "site", datum=datum.name)
    if apart_m := realizations_apart_m(horizontal):
        yield finding("datum-incomplete/version", "site", crs=horizontal.name, apart_m=apart_m)


def _operations(frame: Frame) -> Iterator[Finding]:
    """Yield one finding for each way to longitude and latitude that is not exact."""
    o = frame.lonlat_operation
    if o is None or o.accuracy_m == 0.0:
        return
    if not o.usable:
        yield finding(
            "datum-shift-unknown", "site", source=o.source, target=o.target, grids=o.grids_missing
        )
        return
    unknown = isnan(o.accuracy_m)
    severity: Severity = "info"
    if o.ballpark or o.zero_shift or o.grids_missing or unknown:
        severity = "warning"
    yield finding(
        "datum-shift-error/accepted"
        if o.ballpark
        else "datum-shift-error/zero-shift"
        if o.zero_shift
        else "datum-shift-error/better-missing"
        if o.grids_missing
        else "datum-shift-error/published",
        "site",
        severity=severity,
        source=o.source,
        target=o.target,
        accuracy_m=o.accuracy_m,
        stated=o.stated,
        shift_95_m=o.shift_95_m,
        undated=unknown and o.undated,
        unpublished=unknown and not o.undated,
        grids=o.grids_missing,
    )
