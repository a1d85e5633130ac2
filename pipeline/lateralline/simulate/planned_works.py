"""Invented planned works beside the sample site gnss-bend-branch, as GeoJSON and as a drawing.

`python -m lateralline.simulate.planned_works FOLDER` writes them; the bytes are always the same.
Depths stand in the GeoJSON, levels in the drawing, so both ways of holding works against a pipe can
be seen.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import numpy as np
import pyproj

from lateralline.simulate.sheet import write_files

CRS: Final = "EPSG:32617"
#: Near the middle of the site; all below is east and north of it, in grid metres.
MIDDLE: Final = (467_200.0, 4_660_990.0)
TRENCH: Final = ((-4.0, -10.6), (5.8, -6.7), (5.5, -6.1), (-4.2, -10.0))
RING: Final = (*TRENCH, TRENCH[0])
BORE: Final = ((-6.0, 6.6), (0.0, 4.6), (5.0, 3.2))
BORE_LEVELS_M: Final = (139.95, 140.10, 140.25)
POSTS: Final = ((-4.6, -0.4), (0.9, 10.5), (2.4, 1.4))
PILE: Final = (-2.75, 0.35)


def planned_works() -> dict[str, str]:
    """Return the sample plans by file name.

    >>> sorted(planned_works())
    ['quarry-plan.dxf', 'quarry-plan.geojson']
    """
    return {"quarry-plan.geojson": _geojson(), "quarry-plan.dxf": _dxf()}


def _geojson() -> str:
    """Return trench, bore, posts and a pile with depths below ground, RFC 7946."""
    features = [
        _feature(
            "Polygon", [[*TRENCH, TRENCH[0]]], kind="trench", name="cable trench", depth_m=1.4
        ),
        _feature("LineString", BORE, kind="bore", name="duct bore", depth_m=1.9, diameter_m=0.16),
        *(
            _feature("Point", at, kind="post", name=f"fence post {n}", depth_m=0.9, radius_m=0.1)
            for n, at in enumerate(POSTS, start=1)
        ),
        _feature(
            "Point", PILE, kind="pile", name="pile", depth_m=6.0, radius_m=0.2, required_m=0.6
        ),
    ]
    about = {
        "type": "FeatureCollection",
        "name": "quarry-plan",
        "description": "Invented works beside the invented site Quarry Hill 22.",
    }
    lines = ",\n".join(json.dumps(f, ensure_ascii=False) for f in features)
    return json.dumps(about).removesuffix("}") + ', "features": [\n' + lines + "\n]}\n"


def _feature(geometry: str, local: Any, **properties: object) -> dict[str, object]:
    coordinates = _degrees(np.array(local, dtype=np.float64)).tolist()
    return {
        "type": "Feature",
        "geometry": {"type": geometry, "coordinates": coordinates},
        "properties": properties,
    }


def _degrees(local: Any) -> Any:
    """Return local metres (…, 2) as longitude and latitude, eight decimals."""
    to_degrees = pyproj.Transformer.from_crs(CRS, "OGC:CRS84", always_xy=True)
    x, y = np.moveaxis(local + MIDDLE, -1, 0)
    return np.round(np.stack(to_degrees.transform(x, y), axis=-1), 8)


def _dxf() -> str:
    """Return bore, trench and posts as a plain drawing of the oldest kind that all programs read.

    Group codes from memory of the format's reference; checked by ezdxf in the tests.
    """
    groups: list[tuple[int, object]] = [(0, "SECTION"), (2, "HEADER")]
    groups += [(9, "$ACADVER"), (1, "AC1009"), (9, "$INSUNITS"), (70, 6), (0, "ENDSEC")]
    groups += [(0, "SECTION"), (2, "ENTITIES")]
    levels = [(x, y, z) for (x, y), z in zip(BORE, BORE_LEVELS_M, strict=True)]
    groups += _polyline("PLAN-BORE", levels, flags=8)
    groups += _polyline("PLAN-TRENCH", [(x, y, 0.0) for x, y in TRENCH], flags=1)
    for at in POSTS:
        groups += [(0, "CIRCLE"), (8, "PLAN-POST"), *_place(at[0], at[1], 0.0), (40, "0.1")]
    groups += [(0, "ENDSEC"), (0, "EOF")]
    return "".join(f"{code:>3}\n{value}\n" for code, value in groups)


def _polyline(
    layer: str, points: list[tuple[float, float, float]], flags: int
) -> Iterator[tuple[int, object]]:
    yield from ((0, "POLYLINE"), (8, layer), (66, 1), (70, flags))
    yield from ((10, "0.0"), (20, "0.0"), (30, "0.0"))
    for x, y, z in points:
        yield from ((0, "VERTEX"), (8, layer), *_place(x, y, z))
        yield (70, 32 if flags == 8 else 0)
    yield from ((0, "SEQEND"), (8, layer))


def _place(x: float, y: float, z: float) -> Iterator[tuple[int, object]]:
    yield from (
        (10, f"{x + MIDDLE[0]:.3f}"),
        (20, f"{y + MIDDLE[1]:.3f}"),
        (30, f"{z:.3f}"),
    )


if __name__ == "__main__":
    write_files(Path(sys.argv[1]), planned_works())
