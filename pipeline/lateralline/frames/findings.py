"""What a person should know about the frame: datum, accuracy, levels, and what is missing."""

from __future__ import annotations

from collections.abc import Iterator
from math import isnan
from textwrap import shorten
from typing import TYPE_CHECKING, Final

from pyproj import CRS

from lateralline.records import Finding, Severity

if TYPE_CHECKING:
    from lateralline.frames.frame import Frame

#: Relative difference of scale between directions from which a grid is not conformal (10⁻⁷ is
#: 0.003 mm in 30 m; conformal projections reach 10⁻⁹ or better).
NOT_CONFORMAL: Final = 1e-7


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
    if isnan(frame.mean_level_m):
        return [
            _finding(
                "error",
                "levels-missing",
                "a vertical system is named but no level is given: levels count from an invented "
                "zero, and no height factor is applied",
                "levels of the site are unknown",
                "give z of at least one control point or mark",
            )
        ]
    return []


def _grid(frame: Frame) -> list[Finding]:
    found = []
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
    if datum.type_name == "Datum Ensemble":
        accuracy = float(datum.to_json_dict().get("accuracy", "nan"))
        found.append(
            _finding(
                "info",
                "datum-ensemble",
                f"{horizontal.name} does not say which realization of its datum is meant",
                f"they differ by up to {accuracy:g} m",
                "name the CRS that the control or the GNSS correction service is in",
            )
        )
    return found


def _operations(frame: Frame) -> Iterator[Finding]:
    """Yield one finding for each way to longitude and latitude that is not exact."""
    for o in frame.operations:
        grids = "; ".join(o.grids_missing)
        if o.ballpark:
            yield _finding(
                "error",
                "datum-ballpark",
                f"no published way leads from {o.source} to longitude and latitude ({o.target}): "
                "no GeoJSON is written",
                "taking the two for the same may be hundreds of metres wrong",
                "name the full CRS with its datum" + (f", or install {grids}" if grids else ""),
            )
        elif o.accuracy_m != 0.0:
            yield _finding(
                "warning" if o.zero_shift or grids else "info",
                "datum-zero-shift"
                if o.zero_shift
                else "datum-better-missing"
                if grids
                else "datum-operation",
                f"longitude and latitude ({o.target}) come from {o.source} "
                + ("with no shift of datum" if o.zero_shift else "by a published shift of datum"),
                o.off_by_text,
                "lay other maps over asbuilt.gpkg, in the site's own CRS"
                + (f", or install {grids}" if grids else ""),
            )


def _finding(severity: Severity, code: str, what: str, by_how_much: str, to_do: str) -> Finding:
    return Finding(severity, "place", code, "site", what, by_how_much, to_do)
