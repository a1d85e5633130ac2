"""Coordinates that cannot lie where they are given, and what they would be right as.

A swapped file, metres read as feet or the wrong zone contradict nothing by themselves: every
distance still fits. They show only against something that knows where the site is: the project's
extent when `site.toml` gives one, else the other points of the site, else the area the CRS is
meant for. What none of these shows, such as one foot read as the other, cannot be found here.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
from pyproj import CRS, Geod

from lateralline.catalogue import Given
from lateralline.findings import Finding, finding
from lateralline.frames import Frame, degrees_of, outside_area
from lateralline.place.readings import (
    LonLat,
    Reading,
    containing,
    other_systems,
    readings,
    sister_zones,
    zones_by_area,
)
from lateralline.records import FieldRecord, Flags, Floats, Ints, Texts

_SPHERE: Final = Geod(ellps="WGS84")  # distances here are given in kilometres
#: Common practice, no source: the points of one site lie no further apart than this.
_SITE_M: Final = 20_000.0
#: Nobody lays laterals nearer the poles than this; a longitude in y often shows so.
_POLAR_DEG: Final = 80.0
#: Areas are rounded boxes, and a CRS is often used somewhat beyond its own: a slip is looked for
#: outside the first margin, and taken for certain outside the second.
_OUT_DEG: Final = 0.05
_FAR_DEG: Final = 1.0
_MOST_NAMED: Final = 3

#: Findings that hold only where the frame lies, between which control, or for lengths as given.
_OF_THE_PLACE: Final = {
    "coordinates-outside/site",
    "grid-scale",
    "coordinates-unconfirmed/foot",
    "datum-shift-unknown",
    "datum-shift-error",
}
_OF_THE_CONTROL: Final = {
    "baseline-check",
    "control-implausible/long",
    "control-implausible/taped",
}
_OF_THE_SHAPE: Final = {"mark-duplicate"}


@dataclass(frozen=True, slots=True)
class _Points:
    """Every given coordinate pair of a site (n), with the table and row it stands in."""

    noun: Texts
    name: Texts
    where: Texts
    xy: Floats  # (n, 2) as given
    lonlat: LonLat  # read as the site says
    outside: Flags  # of the area the CRS is meant for


@dataclass(frozen=True, slots=True)
class _Place:
    """What knows where the site is: a box in degrees, and in words."""

    near: str  # "in the project's extent"
    middle: str  # what distances are measured from; "" = they would mean nothing
    west: float
    south: float
    east: float
    north: float
    beyond: bool = False  # whether points of one site may also stray from it by their distance

    @property
    def width(self) -> float:
        return (self.east - self.west) % 360.0 or 360.0

    @property
    def centre(self) -> tuple[float, float]:
        middle = self.west + self.width / 2.0
        return (middle + 180.0) % 360.0 - 180.0, (self.south + self.north) / 2.0

    def away(self, lonlat: LonLat) -> Floats:
        """Return how far off the middle positions (n,) lie, in widths; infinite outside."""
        lon, lat = lonlat
        with np.errstate(invalid="ignore"):
            across = (lon - self.west) % 360.0 / self.width - 0.5
            along = (lat - self.south) / (self.north - self.south) - 0.5
        return np.where(self.contains(lonlat), np.hypot(across, along), np.inf)

    def contains(self, lonlat: LonLat, margin_deg: float = 0.0) -> Flags:
        lon, lat = lonlat
        with np.errstate(invalid="ignore"):
            across = (lon - self.west + margin_deg) % 360.0 <= self.width + 2.0 * margin_deg
            along = (lat >= self.south - margin_deg) & (lat <= self.north + margin_deg)
        return np.asarray(across & along)


class Misplaced(NamedTuple):
    """What is wrong with where coordinates lie, and what else is wrong only because of it."""

    findings: tuple[Finding, ...] = ()
    named: bool = False  # what lies outside the area of its CRS is explained
    site: bool = False  # surely half of all points or more: the frame lies elsewhere
    control: bool = False  # surely some of the control
    shape: bool = False  # surely half of the gnss marks or more, and lengths between them with it


def misplaced(frame: Frame, record: FieldRecord) -> Misplaced:
    """Return a finding for each slip that explains coordinates far off, and for what none does."""
    crs = frame.horizontal
    if crs is None:
        return Misplaced()
    points = _points(crs, record)
    if not len(points.xy):
        return Misplaced()
    place, astray = _where_it_should_be(crs, points, record)
    explained, sure, unreliable = (np.zeros(len(astray), dtype=np.bool_) for _ in range(3))
    found: list[Finding] = []
    for rows, reading in _explained(crs, points, place, astray) if astray.any() else ():
        found.append(_finding(points, rows, place, reading))
        explained[rows] = True
        sure[rows] = found[-1].severity == "error"
        unreliable[rows] = sure[rows] & (not reading.keeps_shape)
    if (left := np.flatnonzero(astray & ~explained & ~points.outside)).size and place.beyond:
        found.append(_finding(points, left, place, None))
        explained[left] = sure[left] = True
    if not any(f.name == "coordinates-outside/site" for f in frame.findings):
        found += _outside(crs, points, points.outside & ~explained)
    if not found and record.settings.georeference.extent is None:
        found += _in_doubt(crs, points)
    control, marks = points.noun == "control point", points.noun == "mark"
    return Misplaced(
        tuple(found),
        named=bool(explained.any() and explained[points.outside].all()),
        site=bool(sure.mean() >= 0.5),
        control=bool(sure[control].any()),
        shape=bool(marks.any() and unreliable[marks].mean() >= 0.5),
    )


def roots(findings: Iterable[Finding], lost: Misplaced) -> tuple[Finding, ...]:
    """Return findings of place less those that are so only because coordinates are misplaced."""
    gone = set[str]()
    if lost.named:
        gone |= {"coordinates-outside/site"}
    if lost.site:
        gone |= _OF_THE_PLACE
    if lost.control:
        gone |= _OF_THE_CONTROL
    if lost.shape:
        gone |= _OF_THE_SHAPE
    kept = tuple(f for f in findings if not f.is_one_of(gone))
    if lost.site and any(f.code == "datum-shift-unknown" for f in findings):
        kept += (finding("no-map-position/coordinates", "site", severity="info", stage="place"),)
    if lost.shape:
        kept += (finding("checks-skipped", "site"),)
    return kept


def _points(crs: CRS, record: FieldRecord) -> _Points:
    control = record.control
    tables = [("control point", control.file, control.row, control.point, control.x, control.y)]
    for noun, s in (("mark", record.marks.spots), ("exposure", record.exposures.spots)):
        at = s.method == "gnss"
        tables.append((noun, s.file, s.row[at], s.name[at], s.x[at], s.y[at]))
    xy = np.concatenate([np.column_stack(table[4:]) for table in tables])
    known = np.isfinite(xy).all(axis=1)
    named = [
        (noun, name, f"{file}:{row}")
        for noun, file, rows, names, _, _ in tables
        for row, name in zip(rows, names, strict=True)
    ]
    noun, name, where = np.array(named, np.str_).reshape(-1, 3)[known].T
    xy = xy[known]
    return _Points(noun, name, where, xy, degrees_of(crs, xy), outside_area(crs, *xy.T))


def _where_it_should_be(crs: CRS, points: _Points, record: FieldRecord) -> tuple[_Place, Flags]:
    """Return what knows where the site is, and (n,) which points it does not contain."""
    if (extent := record.settings.georeference.extent) is not None:
        middle = "the middle of the project's extent"
        place = _Place("in the project's extent", middle, *extent, beyond=True)
        return place, ~place.contains(points.lonlat)
    use = crs.area_of_use
    lon, lat = points.lonlat
    if use is not None and points.outside.all():
        middle = f"the middle of the area of {crs.name}"
        place = _Place("in the area of the CRS", middle, *use.bounds)
        return place, ~place.contains(points.lonlat, _OUT_DEG)
    if (polar := np.abs(lat) > _POLAR_DEG).all():
        where = "where pipes are laid"
        place = _Place(where, "", -180.0, -_POLAR_DEG, 180.0, _POLAR_DEG)
        return place, polar
    sound = ~points.outside & (np.abs(lat) <= _POLAR_DEG)
    of_control = sound & (points.noun == "control point")
    known = of_control if of_control.any() else sound
    first = lon[known][0]
    centre_lon = float(np.median((lon[known] - first + 180.0) % 360.0 - 180.0) + first)
    centre_lat = float(np.median(lat[known]))
    others = "control" if of_control.any() else "the other points"
    half = np.degrees(_SITE_M / _SPHERE.a)
    wide = half / max(np.cos(np.radians(centre_lat)), 0.01)
    box = (centre_lon - wide, centre_lat - half, centre_lon + wide, centre_lat + half)
    place = _Place(f"beside {others}", others, *box, beyond=True)
    return place, ~place.contains(points.lonlat)


def _explained(
    crs: CRS, points: _Points, place: _Place, astray: Flags
) -> Iterator[tuple[Ints, Reading]]:
    """Yield the rows each reading explains, one table at a time; a row is explained once.

    Of several plain slips the one that brings a row nearest the middle of the place; another grid
    only where none of these does, and by its area of use where nothing else knows the place.
    """
    left = np.flatnonzero(astray)
    plain = list(readings(crs))
    away = np.stack([place.away(reading.read(points.xy[left])) for reading in plain])
    nearest = away.argmin(axis=0)
    found = np.isfinite(away.min(axis=0))
    for number, reading in enumerate(plain):
        yield from _by_table(points, left[found & (nearest == number)], reading)
    left = left[~found]
    if not left.size:
        return
    if not place.beyond:
        if points.outside.all() and (zone := zones_by_area(crs, points.xy[left])) is not None:
            yield from _by_table(points, left, zone)
        return
    for reading in other_systems(crs, *place.centre):
        inside = np.isfinite(place.away(reading.read(points.xy[left])))
        yield from _by_table(points, left[inside], reading)
        left = left[~inside]
        if not left.size:
            return


def _by_table(points: _Points, rows: Ints, reading: Reading) -> Iterator[tuple[Ints, Reading]]:
    for noun in dict.fromkeys(points.noun[rows].tolist()):
        yield rows[points.noun[rows] == noun], reading


def _finding(points: _Points, rows: Ints, place: _Place, reading: Reading | None) -> Finding:
    first, count = int(rows[0]), len(rows)
    noun, where = points.noun[first], str(points.where[first])
    subject = f"{noun} {points.name[first]}" if count == 1 else f"{count} {noun}s"
    lon, lat = (float(degrees[first]) for degrees in points.lonlat)
    nowhere = not np.isfinite([lon, lat]).all()
    away_m = None
    if place.middle and not nowhere:
        _, _, away_m = _SPHERE.inv(*place.centre, lon, lat)
    given: dict[str, Given] = {
        "lon_deg": lon,
        "lat_deg": lat,
        "away_m": away_m,
        "middle": place.middle,
        "nowhere": nowhere,
    }
    if reading is None:
        return finding("coordinates-outside/unexplained", subject, where=where, more=given)
    lonlat = points.lonlat[0][rows], points.lonlat[1][rows]
    sure = place.beyond or not place.contains(lonlat, _FAR_DEG).any()
    return finding(
        reading.code,
        subject,
        variant=reading.variant,
        severity="error" if sure else "warning",
        where=where,
        more={"near": place.near, **given, **reading.values},
    )


def _in_doubt(crs: CRS, points: _Points) -> Iterator[Finding]:
    """Yield that a wrong zone would not show: the coordinates lie in a sister zone's area too."""
    fit = [z for z, inside in containing(sister_zones(crs), crs, points.xy) if inside.all()]
    if not fit:
        return
    here = points.lonlat[0][0], points.lonlat[1][0]
    there = [[float(v[0]) for v in degrees_of(zone, points.xy[:1])] for zone in fit]
    away_m = np.array([_SPHERE.inv(*here, at[0], at[1])[2] for at in there])
    names = [str(fit[i].name) for i in np.argsort(away_m, kind="stable")[:_MOST_NAMED]]
    yield finding(
        "coordinates-unconfirmed/zone", "site", crs=crs.name, zones=names, away_m=away_m.min()
    )


def _outside(crs: CRS, points: _Points, flagged: Flags) -> Iterator[Finding]:
    """Yield each point outside the area of the CRS, the site being inside."""
    use = crs.area_of_use
    area = use.name[:80] if use else ""
    for i in np.flatnonzero(flagged):
        subject = f"{points.noun[i]} {points.name[i]}"
        yield finding("coordinates-outside/point", subject, where=str(points.where[i]), area=area)
