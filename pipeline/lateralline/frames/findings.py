"""What a person should know about the frame: datum, accuracy, levels, and what is missing."""

from __future__ import annotations

from collections.abc import Iterator
from math import hypot, isnan
from textwrap import shorten
from typing import TYPE_CHECKING, Final

from pyproj import CRS

from lateralline.frames.operations import realizations_apart_m
from lateralline.records import Finding, Severity
from lateralline.units import METRES_PER
from lateralline.wording import metres

if TYPE_CHECKING:
    from lateralline.frames.frame import Frame

#: Relative difference of scale between directions from which a grid is not conformal (10⁻⁷ is
#: 0.003 mm in 30 m; conformal projections reach 10⁻⁹ or better).
NOT_CONFORMAL: Final = 1e-7
#: Grid less ground from which it is said: 10 mm in 100 m. Common practice, no source.
_SCALE_PPM: Final = 100.0


def frame_findings(frame: Frame) -> tuple[Finding, ...]:
    """Return the findings of a frame whose operations are known."""
    found = [*_levels(frame)]
    if frame.horizontal is None:
        found.append(
            _finding(
                "info",
                "frame-local",
                "a taped sketch on axes of its own: it has no place on the map, and no GeoJSON",
                "",
                "tie the sketch to control, and name its horizontal CRS in site.toml",
            )
        )
        return tuple(found)
    return (*found, *_grid(frame), *_datum(frame, frame.horizontal), *_operations(frame))


def _levels(frame: Frame) -> list[Finding]:
    if frame.levels_missing:
        return [
            _finding(
                "error",
                "levels-missing",
                "site.toml names what levels refer to, but no level is given anywhere: the record "
                "is of plan and depths only, states no levels and no vertical system, and z counts "
                "from ground taken as level at 0",
                "levels of the site are unknown",
                "give z of at least one control point or mark; if none was levelled, set "
                'crs.vertical = "none"',
            )
        ]
    if not frame.levels_given:
        return [
            _finding(
                "info",
                "depth-only",
                "no level is given anywhere: plan and depths are on record, levels are not; z "
                "counts from ground taken as level at 0",
                "",
                "level the ground at every mark if grades or inverts are to be known",
            )
        ]
    if frame.levels == "relative":
        return [
            _finding(
                "info",
                "levels-relative",
                "levels count from a zero of the site's own: good for depth and grade, not against "
                "a benchmark or another site",
                "",
                "name a vertical CRS in site.toml when levels stand on a benchmark",
            )
        ]
    return []


def _grid(frame: Frame) -> list[Finding]:
    found = [*_scale(frame), *_feet(frame)]
    if frame.unevenness >= NOT_CONFORMAL:
        found.append(
            _finding(
                "warning",
                "grid-not-conformal",
                "the grid has another scale in each direction; the frame allows for it at the "
                "site's origin",
                f"{frame.unevenness:.2g} between directions",
                "survey in a conformal grid (UTM, a state or national grid)",
            )
        )
    area = frame.area
    use = frame.horizontal.area_of_use if frame.horizontal else None
    if area and use:
        width = (use.east - use.west) % 360 or 360.0  # also across the antimeridian
        beside = all(
            (lon - use.west) % 360 > width for lon in (area.west_lon_degree, area.east_lon_degree)
        )
        if beside or area.north_lat_degree < use.south or area.south_lat_degree > use.north:
            found.append(
                _finding(
                    "warning",
                    "outside-crs-area",
                    f"the site lies outside the area of its CRS: {shorten(use.name, 100)}",
                    f"site near {area.south_lat_degree:.2f}°, {area.west_lon_degree:.2f}°",
                    "check the CRS, its unit (ft or us-ft), and that x is easting or longitude",
                )
            )
    return found


def _scale(frame: Frame) -> Iterator[Finding]:
    """Say what a tape and the grid differ by, when a tape would show it."""
    if abs(frame.scale_ppm) >= _SCALE_PPM:
        longer = "shorter" if frame.scale_ppm < 0.0 else "longer"
        yield _finding(
            "info",
            "grid-not-ground",
            "lengths taped on the ground are allowed for; lengths measured on a map of these "
            f"coordinates come out {longer}",
            f"{abs(frame.scale_ppm):.0f} ppm, {abs(frame.scale_ppm) / 10.0:.0f} mm in 100 m "
            f"(combined scale {frame.combined_scale:.6f})",
            "divide a length of the map by the combined scale to set it out with a tape",
        )


def _feet(frame: Frame) -> Iterator[Finding]:
    """Say what the other foot would do to coordinates: nothing in the records can show it."""
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
            yield _finding(
                "info",
                "which-foot",
                f"coordinates are taken in {name}, the unit of {grid.name}; a slip to {other} "
                "moves the whole site together, and no taped length shows it",
                f"the site would lie {metres(off_m)} away",
                "ask whoever gave the coordinates which foot they are in",
            )


def _datum(frame: Frame, horizontal: CRS) -> list[Finding]:
    datum = horizontal.datum
    if datum is None:
        return []
    found = []
    if datum.type_name.startswith("Dynamic") and frame.epoch is None:
        found.append(
            _finding(
                "warning",
                "epoch-missing",
                f"{datum.name} moves with the plates and no coordinate epoch is given",
                "some centimetres for each year between survey and use",
                "give crs.epoch in site.toml, such as 2026.35",
            )
        )
    if accuracy := realizations_apart_m(horizontal):
        found.append(
            _finding(
                "info",
                "datum-ensemble",
                f"{horizontal.name} does not say which realization of its datum is meant",
                f"they differ by up to {metres(accuracy, None)}",
                "name the CRS that the control or the GNSS correction service is in",
            )
        )
    return found


def _operations(frame: Frame) -> Iterator[Finding]:
    """Yield one finding for each way to longitude and latitude that is not exact."""
    o = frame.lonlat_operation
    if o is None or o.accuracy_m == 0.0:
        return
    grids = "; ".join(o.grids_missing)
    install = f", or install {grids}" if grids else ""
    if not o.usable:
        yield _finding(
            "error",
            "datum-ballpark",
            f"no published way leads from {o.source} to longitude and latitude ({o.target}): "
            "no GeoJSON is written",
            "taking the two for the same may be hundreds of metres wrong",
            "name the full CRS with its datum"
            + install
            + ", or accept a zero shift in site.toml with the accuracy you answer for",
        )
        return
    if isnan(o.accuracy_m):
        zones = "zones and corridors are left out of GeoJSON"
        to_do = (
            "give crs.epoch in site.toml, such as 2026.35, and "
            if o.undated
            else "state crs.shift_accuracy in site.toml if it is known, and "
        )
    else:
        zones = f"zones and corridors are {metres(o.shift_95_m, 1)} wider in GeoJSON, for 95 %"
        to_do = ""
    yield _finding(
        "warning" if o.ballpark or o.zero_shift or grids or isnan(o.accuracy_m) else "info",
        "datum-ballpark-accepted"
        if o.ballpark
        else "datum-zero-shift"
        if o.zero_shift
        else "datum-better-missing"
        if grids
        else "datum-operation",
        f"longitude and latitude ({o.target}) come from {o.source} "
        + (
            "by taking the two datums for the same, as site.toml accepts"
            if o.ballpark
            else "with no shift of datum"
            if o.zero_shift
            else "by a published shift of datum"
        ),
        f"{o.off_by_text}: all together; {zones}",
        f"{to_do}lay other maps over asbuilt.gpkg, in the site's own CRS{install}",
    )


def _finding(severity: Severity, code: str, what: str, by_how_much: str, to_do: str) -> Finding:
    return Finding(severity, "place", code, "site", what, by_how_much, to_do)
