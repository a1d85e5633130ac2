"""The tapes as a layer: a line from each point to its spot, with what to read off it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Final

import numpy as np
import shapely
from pyproj.transformer import AreaOfInterest

from lateralline import contract
from lateralline.errors import FrameError
from lateralline.frames.frame import WGS84_2D
from lateralline.frames.operations import apply, best
from lateralline.frames.systems import degrees_of
from lateralline.output import stamp, whole_file
from lateralline.record.ground import GroundPlane
from lateralline.record.layers import to_table
from lateralline.records import Floats
from lateralline.ties.measure import Measure
from lateralline.ties.tapes import Card, TieTape
from lateralline.write.geojson import GeoJSONSink
from lateralline.write.geopackage import GeoPackageSink
from lateralline.write.manifest import created_at

#: Kinds of layers, by the end of their names.
SUFFIXES: Final = (".gpkg", ".geojson")
_NAME: Final = "tie_tapes"
_ROLES: Final = ("first", "second", "check")
_NEAR_DEG: Final = 0.05


def write_layer(
    cards: Sequence[Card],
    site: str,
    measure: Measure,
    ground: GroundPlane,
    out: Path,
    *,
    replace: bool = False,
) -> None:
    """Write the tapes of the tied cards as .gpkg in the file's CRS, or as .geojson by RFC 7946.

    Raises FrameError for a sketch asked for as GeoJSON and where only a ballpark way leads to
    WGS 84, OutputExistsError when `out` is there and may not be replaced.
    """
    if out.suffix.lower() not in SUFFIXES:
        raise ValueError(f"a layer must end in {', '.join(SUFFIXES)}; got {out.name!r}")
    tapes = [(card, n, tape) for card in cards for n, tape in enumerate(card.tapes)]
    rows = [_row(card, n, tape, site, measure) for card, n, tape in tapes]
    columns = {name: [row[name] for row in rows] for name in contract.load(_NAME).names}
    ends = np.array([(tape.point_m, card.spot.ground_m) for card, _, tape in tapes])
    xy = ground.to_file(ends.reshape(-1, 2))
    in_degrees = out.suffix.lower() == ".geojson"
    if in_degrees:
        xy = _to_lonlat(ground)(xy)
    table = {_NAME: to_table(_NAME, columns, shapely.linestrings(xy.reshape(-1, 2, 2)))}
    with whole_file(out, "tie-tapes", replace=replace) as made:
        if in_degrees:
            web = GeoJSONSink({_NAME: made}, {"generator": stamp("tie-tapes")})
            web.append(table)
            web.close()
        else:
            gpkg = GeoPackageSink(made, ground.crs, stamp=created_at(), names=(_NAME,))
            gpkg.append(table)
            gpkg.close(stamp("tie-tapes"))


def _to_lonlat(ground: GroundPlane) -> Callable[[Floats], Floats]:
    """Return the way from the file's CRS to longitude and latitude."""
    if ground.crs is None:
        raise FrameError("a sketch has no longitude and latitude: ask for a .gpkg")
    lon, lat = (float(v[0]) for v in degrees_of(ground.crs, ground.origin[None, :]))
    area = AreaOfInterest(lon - _NEAR_DEG, lat - _NEAR_DEG, lon + _NEAR_DEG, lat + _NEAR_DEG)
    transformer, operation = best(ground.crs, WGS84_2D, area)
    if not operation.usable:
        raise FrameError(f"only a ballpark way leads from {operation.source} to WGS 84")
    return lambda xy: apply(transformer, xy, None)


def _row(card: Card, number: int, tape: TieTape, site: str, measure: Measure) -> dict[str, object]:
    """Return the columns of one tape."""
    spot = card.spot
    sigma, off_95 = card.scatter_m("all")
    return {
        "site_id": site,
        "spot": spot.name,
        "kind": spot.kind,
        "line_id": spot.line,
        "chainage_m": spot.chainage_m,
        "role": _ROLES[number],
        "point": tape.point,
        "distance_m": tape.distance_m,
        "distance": measure.say(tape.distance_m),
        "side": card.side,
        "cut_deg": card.cut_deg,
        "check_95_m": card.check_95_m,
        "sigma_m": sigma,
        "off_95_m": off_95,
        "cover_m": spot.cover_m,
        "caution": contract.load(_NAME).caution,
    }
