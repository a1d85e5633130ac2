"""What a person should know about the frame: datum, accuracy, levels, and what is missing."""

from __future__ import annotations

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
                "the axes are invented: the site is a sketch in its own metres",
                "no place on the earth",
                "name a horizontal CRS in site.toml to get GeoJSON and layers in a CRS",
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
                "levels are relative: above no named datum; no height factor is applied",
                "0.016 mm in 100 m for each metre above the ellipsoid",
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
                f"{datum.name} stands for a group of datums: which one is not said",
                f"{accuracy:g} m between them",
                "name the datum the correction service or control refers to",
            )
        )
    return found


def _operations(frame: Frame) -> list[Finding]:
    found = []
    for o in frame.operations:
        way = f"from {o.source} to {o.target}"
        if o.ballpark:
            found.append(
                _finding(
                    "error",
                    "datum-ballpark",
                    f"no published operation leads {way}; GeoJSON cannot be placed and is left out",
                    "unknown; may be hundreds of metres",
                    "name the full CRS with its datum"
                    + _install(o.better_unavailable, ", or install the grids of: "),
                )
            )
            continue
        found.append(
            _finding(
                "info",
                "datum-operation",
                f"{way}: {o.name}",
                f"published accuracy {o.accuracy_text}",
                "for overlays on other maps add this to the stated errors",
            )
        )
        if o.zero_shift:
            found.append(
                _finding(
                    "warning",
                    "datum-zero-shift",
                    f"the operation {way} takes the two datums for the same",
                    f"published accuracy {o.accuracy_text}",
                    "use the layers in the site's own CRS where this matters"
                    + _install(o.better_unavailable, ", or install the grids of: "),
                )
            )
        elif o.better_unavailable:
            found.append(
                _finding(
                    "warning",
                    "datum-better-missing",
                    f"a better operation {way} is published but its grids are not installed",
                    f"used: {o.accuracy_text}",
                    _install(o.better_unavailable, "install the grids of: "),
                )
            )
    return found


def _install(missing: tuple[str, ...], lead: str) -> str:
    return lead + "; ".join(missing) if missing else ""


def _finding(severity: Severity, code: str, what: str, by_how_much: str, to_do: str) -> Finding:
    return Finding(severity, "place", code, "site", what, by_how_much, to_do)
