"""What bearings count from: grid, true or magnetic north, brought to grid north.

A bearing from true north is less than one from grid north by the convergence; a compass reads less
than true by the declination. How sure the declination is, is one error of all bearings of a site.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from math import degrees, isnan, radians
from typing import Final

from lateralline.catalogue import Given
from lateralline.findings import Finding, finding
from lateralline.frames import Frame
from lateralline.frames.declination import Declination, declination, has_model
from lateralline.records import FieldRecord
from lateralline.settings import Settings

#: σ of a declination that is given without one: common practice, no source.
GIVEN_SIGMA_RAD: Final = radians(0.5)


@dataclass(frozen=True, slots=True)
class BearingsNorth:
    """What is added to a bearing to count it from grid north, and the σ all bearings share."""

    turn_rad: float = 0.0
    sigma_rad: float = 0.0
    findings: tuple[Finding, ...] = ()


def bearings_north(frame: Frame, record: FieldRecord) -> BearingsNorth:
    """Return how the bearings of a site are turned; nothing, where it has none."""
    spots = (record.marks.spots, record.exposures.spots)
    if not any((s.method == "polar").any() for s in spots):
        return BearingsNorth()
    settings = record.settings
    convergence = 0.0 if frame.is_local else frame.convergence_rad
    match settings.georeference.bearings:
        case "true":
            return BearingsNorth(-convergence, 0.0, (_turned("true", -convergence, {}),))
        case "magnetic":
            known, sigma, model = _declination_rad(frame, settings)
            values: dict[str, Given] = {"sigma_deg": degrees(sigma), "model": model or None}
            turned = _turned("magnetic", known - convergence, values)
            return BearingsNorth(known - convergence, sigma, (turned,))
        case "grid":
            return BearingsNorth()
    if frame.is_local:
        return BearingsNorth(findings=(finding("bearings-assumed/sketch", "site"),))
    off = _modelled(frame, settings.surveyed)
    turn = None if off is None else off.deg - degrees(convergence)
    return BearingsNorth(findings=(finding("bearings-assumed/grid", "site", turn_deg=turn),))


def _turned(north: str, turn_rad: float, values: dict[str, Given]) -> Finding:
    """Return the finding that says how bearings were turned."""
    turn_deg = degrees(turn_rad)
    return finding("bearings-turned", "site", variant=north, turn_deg=turn_deg, more=values)


def _declination_rad(frame: Frame, settings: Settings) -> tuple[float, float, str]:
    """Return the declination as given, else by the model; its σ, and the model's name."""
    given, sigma = (
        settings.georeference.declination_rad,
        settings.georeference.declination_sigma_rad,
    )
    if not isnan(given):
        # on a sketch the same compass told it
        own = settings.accuracy.bearing_rad if frame.is_local else GIVEN_SIGMA_RAD
        return given, own if isnan(sigma) else sigma, ""
    found = _modelled(frame, settings.surveyed)
    assert found is not None  # `ingest` refuses a sketch, and a day no model is for
    return radians(found.deg), radians(found.sigma_deg) if isnan(sigma) else sigma, found.model


def _modelled(frame: Frame, day: date) -> Declination | None:
    """Return the declination in the middle of the site; None where nothing can tell it."""
    if frame.area is None or not has_model(day):
        return None
    east, west = frame.area.east_lon_degree, frame.area.west_lon_degree
    lat = (frame.area.south_lat_degree + frame.area.north_lat_degree) / 2.0
    return declination((east + west) / 2.0, lat, day)
