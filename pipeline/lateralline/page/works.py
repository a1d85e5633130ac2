"""Planned works against a site's pipes, as `lateralline clearance` wrote them, for the page."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import isnan
from pathlib import Path
from typing import ClassVar, Final

import geopandas as gpd
import numpy as np
import pyogrio
import shapely

from lateralline.errors import LaterallineError
from lateralline.output.proof import sha256
from lateralline.page.facts import Fact, chance, measured, worded
from lateralline.page.places import PagePlace
from lateralline.record.layers import Shapes
from lateralline.record.rows import LayerRow, rows_of
from lateralline.record.view import RecordView
from lateralline.records import Floats

_VERDICTS: Final = {"conflict": "✖ conflict", "none_shown": "no conflict shown"}
_LEVELS_BY: Final = {
    "level": "levels of both",
    "depth_below_ground": "depths of both below ground",
    "plan_only": "plan alone",
}


class NoClearanceError(LaterallineError, ValueError):
    """A file that is no clearance, or one held against another record."""


@dataclass(frozen=True, slots=True)
class PairRow(LayerRow):
    """A line and a planned thing near it."""

    layer: ClassVar[str] = "clearance_pairs"

    line_id: str
    work_id: str
    work_name: str
    verdict: str
    separation_m: float
    lower_95_m: float
    required_m: float
    probability_below_required: float
    probability_contact: float
    chainage_m: float
    worst_chainage_m: float
    pipe_axis_level_m: float
    pipe_axis_depth_m: float
    levels_by: str
    what: str


@dataclass(frozen=True, slots=True, eq=False)
class Works:
    """One site's pairs, riskiest first, and the outlines of the works near it, m on the ground.

    `ends_m` (n, 2, 2) is where each pair's least separation begins, on the pipe's axis, and ends,
    on the planned thing; `rise_m` (n) is how much higher the end is, NaN when not known.
    """

    pairs: tuple[PairRow, ...]
    outlines: Shapes
    ends_m: Floats
    rise_m: Floats

    @property
    def conflicts(self) -> int:
        """How many pairs are in conflict."""
        return sum(pair.verdict == "conflict" for pair in self.pairs)


def was_of(gpkg: Path, record: Path) -> bool:
    """Tell whether a clearance is of a record; raises NoClearanceError when it is no clearance."""
    return bool((_read(gpkg, "planned_works")["record_sha256"] == sha256(record)).all())


def read_works(gpkg: Path, view: RecordView) -> Works:
    """Return what was found for the site of a scene whose record the clearance was of."""
    pairs, outlines = _read(gpkg, "clearance_pairs"), _read(gpkg, "planned_works")
    crs = pairs.crs
    pairs = pairs[pairs["site_id"] == view.site_id]
    risk = {
        "calm": pairs["verdict"] != "conflict",
        "unlikely": -pairs["probability_below_required"].fillna(1.0),
        "margin": (pairs["lower_95_m"] - pairs["required_m"]).fillna(-np.inf),
    }
    pairs = pairs.assign(**risk).sort_values([*risk, "separation_m"], kind="stable")
    points = shapely.get_coordinates(np.asarray(pairs.geometry.array), include_z=True)
    ends = points.reshape(-1, 2, 3)
    scale = crs.axis_info[2].unit_conversion_factor if crs and len(crs.axis_info) > 2 else 1.0
    shapes = view.ground.shapes_to_ground(np.asarray(outlines.geometry.array))
    near = shapely.intersects(shapes, shapely.box(*view.box))
    listed = outlines["work_id"].isin(pairs["work_id"]).to_numpy()
    return Works(
        rows_of(PairRow, pairs),
        shapes[near | listed],
        view.ground.to_ground(ends[:, :, :2].reshape(-1, 2)).reshape(-1, 2, 2),
        (ends[:, 1, 2] - ends[:, 0, 2]) * scale,
    )


def places(works: Works) -> list[PagePlace]:
    """Return each pair as a place to pick: where on the pipe, and what was found."""
    return [
        PagePlace(
            f"{row.work_name or row.work_id} · {row.line_id}",
            row.line_id, row.chainage_m, float(x), float(y), tuple(_facts(row)),
        )
        for row, (x, y) in zip(works.pairs, works.ends_m[:, 0], strict=True)
    ]  # fmt: skip


def _facts(row: PairRow) -> Iterator[Fact]:
    yield Fact("verdict", _VERDICTS[row.verdict])
    yield from measured("separation", row.separation_m)
    if row.lower_95_m >= 0.0:
        yield from measured("lower 95 %", row.lower_95_m)
    else:
        yield Fact("lower 95 %", "no bound" if isnan(row.lower_95_m) else "≤ 0")
    yield from measured("required", row.required_m)
    yield Fact("chance of less", chance(row.probability_below_required))
    yield Fact("chance of contact", chance(row.probability_contact))
    yield from measured("chainage", row.chainage_m)
    yield from measured("chainage of the lower bound", row.worst_chainage_m)
    yield from worded("vertical part by", _LEVELS_BY.get(row.levels_by, row.levels_by))
    yield from worded("in words", row.what)


def _read(gpkg: Path, layer: str) -> gpd.GeoDataFrame:
    try:
        return pyogrio.read_dataframe(gpkg, layer=layer)
    except (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError) as e:
        raise NoClearanceError(f"{gpkg} is no output of lateralline clearance ({e})") from e
