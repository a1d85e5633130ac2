"""Magnetic declination by the World Magnetic Model, with the error its makers state.

The model is that of the five years the day lies in; its coefficients come with `pygeomag`, and
nothing is fetched. What iron nearby does to a compass is in neither: that is a reading's own error.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Final

from pygeomag import GeoMag, decimal_year_from_date

#: The years for which a model and its error are known: the first, and the first beyond.
MODEL_YEARS: Final = (2015, 2030)


@dataclass(frozen=True, slots=True)
class Declination:
    """Azimuth of magnetic north, clockwise from true north, with its σ."""

    deg: float
    sigma_deg: float
    model: str  # "WMM-2025"


def has_model(day: date) -> bool:
    """Return whether there is a model for a day."""
    return MODEL_YEARS[0] <= day.year < MODEL_YEARS[1]


def declination(lon_deg: float, lat_deg: float, day: date) -> Declination:
    """Return the declination at a place and day; ValueError where there is no model for the day.

    Longitude and latitude on WGS 84; some hundred metres of height change nothing.
    """
    if not has_model(day):
        raise ValueError(f"there is no model of the magnetic field for {day}")
    return declination_at(lon_deg, lat_deg, decimal_year_from_date(day), 0.0)


def declination_at(lon_deg: float, lat_deg: float, year: float, height_m: float) -> Declination:
    """Return the declination at a place and decimal year."""
    model = GeoMag(base_year=int(year))
    found = model.calculate(glat=lat_deg, glon=lon_deg, alt=height_m / 1000.0, time=year)
    return Declination(float(found.d), float(found.calculate_uncertainty().d), str(model.model))
