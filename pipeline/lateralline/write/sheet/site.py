"""One site as the sheet draws it: ground metres from a corner, and its coordinates besides."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import shapely

from lateralline.derive.ellipses import INTERVAL_95
from lateralline.errors import UnknownSiteError
from lateralline.lineage import CAUTION, plan_of
from lateralline.output.proof import sha256
from lateralline.records import Floats
from lateralline.units import METRES_PER
from lateralline.write.picture.scene import Scene, number, read_scene

DEPTH_ONLY: Final = "depth only"
_NEAR: Final = 0.35  # of the site's greater side: how far off a point that is taped from is drawn
_STEP: Final = {True: 1e-4, False: 1.0}  # over which grids are measured: degrees, or grid units
_UNIT_NAMES: Final = {"metre": "m", "US survey foot": "us-ft", "foot": "ft", "degree": "°"}


@dataclass(frozen=True, slots=True)
class Site:
    """A scene in ground metres, and how to say its lengths and coordinates."""

    scene: Scene
    metres_per: Floats  # (2), ground metres in one coordinate unit of the file
    turn_deg: float  # from the site's grid north to the file's, clockwise; what azimuths gain
    sha256: str  # of the GeoPackage
    box: tuple[float, float, float, float]  # west, south, east, north of all that is drawn
    placed: dict[str, Any]  # layer → its rows that have geometry
    depth_only: bool  # whether the record has no levels at all

    @property
    def site_id(self) -> str:
        """Id of the site."""
        return self.scene.site_id

    @property
    def name(self) -> str:
        """Name of the site, the id when it has none."""
        return self.scene.statements.get("site") or self.scene.site_id

    @property
    def caution(self) -> str:
        """What stands on every page, whatever the file says."""
        return CAUTION

    @property
    def in_feet(self) -> bool:
        """Whether the crew measured in feet."""
        return self.scene.unit != "m"

    @property
    def per(self) -> float:
        """Metres in the unit lengths are said in."""
        return METRES_PER[self.scene.unit]

    @property
    def unit(self) -> str:
        """The unit lengths, depths and levels are said in."""
        return self.scene.unit

    @property
    def datum(self) -> str:
        """What levels refer to, in words."""
        data = [d for d in self.scene.layers["pipe_centreline"]["level_datum"].unique() if d]
        lineage = self.scene.layers["lineage"]
        said = lineage[(lineage["topic"] == "crs") & (lineage["item"] == "levels")]["value"]
        return str(said.iloc[0]) if len(said) else ", ".join(map(str, data))

    @property
    def coordinate_unit(self) -> str:
        """Unit of the file's coordinates: m, ft, us-ft or °."""
        if self.scene.crs is None:
            return "m"
        name = plan_of(self.scene.crs).axis_info[0].unit_name
        return _UNIT_NAMES.get(name, name)

    @property
    def axis_names(self) -> tuple[str, str]:
        """What the two coordinates are called."""
        if self.scene.crs is None:
            return ("x", "y")
        return ("longitude", "latitude") if self.scene.crs.is_geographic else ("east", "north")

    def frame(self, layer: str) -> Any:
        """Return a layer's rows."""
        return self.scene.layers[layer]

    def located(self, layer: str) -> Any:
        """Return a layer's rows that have geometry."""
        return self.placed[layer]

    def of_line(self, layer: str, line: str) -> Any:
        """Return a layer's rows of one line."""
        return self.scene.of_line(layer, line)

    def coordinates(self, xy: Floats) -> Floats:
        """Return coordinates (n, 2) of the file for (n, 2) ground metres from the corner."""
        return self.scene.origin + np.asarray(xy) / self.metres_per

    def say(self, metres: object, decimals: int = 2) -> str:
        """Say a length in the crew's unit; a dash when it is not known."""
        return number(_in(metres, self.per), f"{{:.{decimals}f}}")

    def say_95(self, value: object, sigma: object, decimals: int = 2) -> str:
        """Say a length with half its 95 % interval: "1.23 ± 0.10"."""
        if _missing(value):
            return number(None)
        half = None if _missing(sigma) else INTERVAL_95 * float(str(sigma))
        return f"{self.say(value, decimals)} ± {'?' if half is None else self.say(half, decimals)}"

    def say_coordinate(self, value: float) -> str:
        """Say a coordinate of the file as far as a survey of this kind can tell it."""
        return f"{value:.7f}" if self.coordinate_unit == "°" else f"{value:.2f}"


def read_sheet_site(gpkg: Path, site_id: str) -> Site:
    """Return one site of a built GeoPackage; raises UnknownSiteError when it is not there."""
    scene = read_scene(gpkg, site_id)
    if scene is None:
        raise UnknownSiteError(f"{gpkg} holds no site {site_id!r}")
    stretch, turn = _ground(scene)
    layers = {
        name: _stretched(frame, stretch) if isinstance(frame, gpd.GeoDataFrame) else frame
        for name, frame in scene.layers.items()
    }
    metres_per = scene.metres_per * stretch
    scene = replace(scene, layers=layers)
    data = layers["pipe_centreline"]["level_datum"]
    return Site(
        scene=scene,
        metres_per=metres_per,
        turn_deg=turn,
        sha256=sha256(gpkg),
        box=_with_ties(scene),
        placed={
            name: frame[frame.geometry.notna() & ~frame.geometry.is_empty]
            for name, frame in layers.items()
            if isinstance(frame, gpd.GeoDataFrame)
        },
        depth_only=bool(len(data)) and bool((data == DEPTH_ONLY).all()),
    )


def _with_ties(scene: Scene) -> tuple[float, float, float, float]:
    """Return the scene's box, with the points near it that tapes are hooked to."""
    x0, y0, x1, y1 = scene.box
    control = scene.layers["control_points"]
    tied = control[control["in_a_tie"].astype(bool)]
    near = shapely.box(x0, y0, x1, y1).buffer(_NEAR * max(x1 - x0, y1 - y0))
    spots = shapely.get_coordinates(tied[tied.geometry.intersects(near)].geometry.array)
    both = np.vstack([[x0, y0], [x1, y1], spots])
    low, high = both.min(axis=0), both.max(axis=0)
    return (float(low[0]), float(low[1]), float(high[0]), float(high[1]))


def _stretched(frame: Any, stretch: Floats) -> Any:
    shapes = shapely.transform(np.asarray(frame.geometry.array), lambda xy: xy * stretch)
    return frame.set_geometry(gpd.GeoSeries(shapes, index=frame.index))


def _ground(scene: Scene) -> tuple[Floats, float]:
    """Return ground metres in a drawn metre (2), and how azimuths turn from site to file grid.

    Lengths along the file's axes come from geodesics, raised by the height factor of lineage;
    so a file in Web Mercator is drawn to scale as well.
    """
    if scene.crs is None:
        return np.ones(2), 0.0
    crs = plan_of(scene.crs)
    geod = crs.get_geod()
    assert geod is not None  # every CRS on the earth has an ellipsoid
    to_lonlat = pyproj.Transformer.from_crs(crs, crs.geodetic_crs, always_xy=True)
    x, y = scene.origin
    step = _STEP[crs.is_geographic]
    lon, lat = to_lonlat.transform([x, x + step, x], [y, y, y + step])
    azimuths, _, lengths = geod.inv([lon[0]] * 2, [lat[0]] * 2, lon[1:], lat[1:])
    known = scene.layers["lineage"].set_index("item")["value"]
    height = float(known.get("height factor", 1.0))
    turn = float(known.get("convergence", 0.0)) - (0.0 if crs.is_geographic else azimuths[1])
    stretch = np.asarray(lengths) / step / scene.metres_per / height
    return np.asarray(stretch, dtype=float), float((turn + 180.0) % 360.0 - 180.0)


def _missing(value: object) -> bool:
    return value is None or bool(pd.isna(str(value) if isinstance(value, str) else value))


def _in(metres: object, per: float) -> float | None:
    return None if _missing(metres) else float(str(metres)) / per
