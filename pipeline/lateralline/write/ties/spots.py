"""The spots that can be asked for: nodes, observations, and any chainage of a line."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import isnan, nan
from typing import Any

import numpy as np
import pandas as pd
import shapely

from lateralline.derive.ellipses import INTERVAL_95
from lateralline.errors import UnknownSpotError
from lateralline.frames.operations import PLAN_95
from lateralline.records import Floats
from lateralline.write.picture.scene import Scene
from lateralline.write.ties.ground import Ground
from lateralline.write.ties.measure import Measure


@dataclass(frozen=True, slots=True)
class Asked:
    """What was asked for; nothing at all asks for every node and observation."""

    chainages_m: tuple[tuple[str, float], ...] = ()  # line and chainage
    nodes: tuple[str, ...] = ()
    observations: tuple[str, ...] = ()

    @property
    def all(self) -> bool:
        """Whether nothing was named."""
        return not (self.chainages_m or self.nodes or self.observations)


@dataclass(frozen=True, slots=True, eq=False)
class Spot:
    """A spot of the record, on the ground above the pipe; NaN where nothing is known."""

    name: str
    kind: str
    line: str
    chainage_m: float
    ground_m: Floats  # (2,) east, north
    cov_m2: Floats  # (2, 2) of the record itself; NaN = nothing bounds it
    cover_m: float
    cover_sigma_m: float
    invert_m: float
    datum: str
    remark: str = ""  # what whoever goes there must know first

    @property
    def cover_95_m(self) -> tuple[float, float]:
        """The 95 % range of the cover."""
        half = INTERVAL_95 * self.cover_sigma_m
        return self.cover_m - half, self.cover_m + half


def spots_of(scene: Scene, ground: Ground, asked: Asked, measure: Measure) -> list[Spot]:
    """Return the spots asked for, along each line and in the order asked for.

    Raises UnknownSpotError naming everything the site does not hold.
    """
    faults: list[str] = []
    nodes = list(_rows(scene.layers["pipe_nodes"]))
    seen = list(_rows(scene.layers["pipe_observations"]))
    if not asked.all:
        nodes = _named(nodes, "node_id", asked.nodes, "node", faults)
        seen = _named(seen, "observation_id", asked.observations, "observation", faults)
    spots = [_node(row, scene, ground) for row in nodes]
    spots += [_observation(row, scene, ground) for row in seen]
    for line, chainage_m in asked.chainages_m:
        try:
            spots.append(_at(scene, ground, line, chainage_m, measure))
        except UnknownSpotError as e:
            faults.append(str(e))
    if faults:
        raise UnknownSpotError("; ".join(faults))
    return spots


def _named(
    rows: Sequence[Any], column: str, names: Iterable[str], what: str, faults: list[str]
) -> list[Any]:
    there = {str(getattr(row, column)): row for row in rows}
    found = []
    for name in names:
        if name in there:
            found.append(there[name])
        else:
            known = ", ".join(list(there)[:20]) or "none"
            faults.append(f"no {what} {name!r}; there are: {known}")
    return found


def _node(row: Any, scene: Scene, ground: Ground) -> Spot:
    named = f"{row.kind.replace('_', ' ')} {row.ref}".strip()
    bend = _number(row.bend_deg)
    return Spot(
        name=row.node_id,
        kind=named if isnan(bend) else f"{named} of {bend:.0f}°",
        line=row.line_id,
        chainage_m=_number(row.chainage_m),
        ground_m=_on_ground(row.geometry, scene, ground),
        cov_m2=_kept_within(_covariance(row), _number(row.plan_95_m)),
        **_levels(row),
        remark="carried on by the counter, not located" if row.placed_by == "carried_on" else "",
    )


def _observation(row: Any, scene: Scene, ground: Ground) -> Spot:
    placed = row.status != "not_placed"
    return Spot(
        name=row.observation_id,
        kind=" ".join(filter(None, ("camera observation", row.code, row.text))),
        line=row.line_id,
        chainage_m=_number(row.chainage_m),
        ground_m=_on_ground(row.geometry, scene, ground) if placed else np.full(2, nan),
        cov_m2=_covariance(row),
        **_levels(row),
        remark="" if row.status == "on_line" else row.reason,
    )


def _at(scene: Scene, ground: Ground, line: str, chainage_m: float, measure: Measure) -> Spot:
    """Return the spot at a chainage: on the drawn path, at the worst uncertainty of its stretch."""
    band = scene.of_line("level_band", line)
    nodes = scene.of_line("pipe_nodes", line)
    located = nodes[nodes["placed_by"] != "carried_on"]
    if not len(band):
        known = ", ".join(scene.lines) or "none"
        raise UnknownSpotError(f"no located line {line!r}; there are: {known}")
    low, high = float(band["chainage_m"].min()), float(band["chainage_m"].max())
    if not low - measure.step_m <= chainage_m <= high + measure.step_m:
        raise UnknownSpotError(
            f"{line} runs from chainage {measure.say(low)} to {measure.say(high)}; "
            f"got {measure.say(chainage_m)}"
        )
    path = pd.concat([f[["chainage_m", "geometry"]] for f in (band, located)])
    path = path.sort_values("chainage_m", kind="stable")
    xy = shapely.get_coordinates(path["geometry"].to_numpy())
    along = path["chainage_m"].to_numpy(dtype=float)
    drawn = np.array([[np.interp(chainage_m, along, axis) for axis in xy.T]])
    segments = scene.of_line("pipe_segments", line)
    on = segments[
        (segments["from_chainage_m"] <= chainage_m + measure.step_m)
        & (segments["to_chainage_m"] >= chainage_m - measure.step_m)
    ]
    off_95 = on["semi_major_95_max_m"].to_numpy(dtype=float)
    sigma = float(off_95.max()) / PLAN_95 if len(off_95) else nan  # NaN where nothing bounds it
    undecided = (on["shape"] == "undecided").any()
    order = band.sort_values("chainage_m", kind="stable")
    read = {
        name: _interpolated(order, name, chainage_m)
        for name in ("cover_m", "cover_sigma_m", "invert_level_m")
    }
    return Spot(
        name=f"{line} at {measure.say(chainage_m)}",
        kind="on the line",
        line=line,
        chainage_m=chainage_m,
        ground_m=_file_to_ground(drawn, scene, ground)[0],
        cov_m2=np.eye(2) * sigma**2,
        cover_m=read["cover_m"],
        cover_sigma_m=read["cover_sigma_m"],
        invert_m=read["invert_level_m"],
        datum=str(order["level_datum"].iloc[0]),
        remark="the shape of the pipe is undecided here" if undecided else "",
    )


def _interpolated(band: Any, column: str, chainage_m: float) -> float:
    """Return a column at a chainage; NaN where a neighbour is unknown."""
    along = band["chainage_m"].to_numpy(dtype=float)
    values = band[column].to_numpy(dtype=float)
    return float(np.interp(chainage_m, along, values))


def _levels(row: Any) -> dict[str, Any]:
    return {
        "cover_m": _number(row.cover_m),
        "cover_sigma_m": _number(row.cover_sigma_m),
        "invert_m": _number(row.invert_level_m),
        "datum": row.level_datum,
    }


def _covariance(row: Any) -> Floats:
    e, n, en = (_number(v) for v in (row.sigma_e_m, row.sigma_n_m, row.cov_en_m2))
    return np.array([[e**2, en], [en, n**2]])


def _kept_within(cov_m2: Floats, off_95_m: float) -> Floats:
    """Return a covariance whose 95 % ellipse reaches no farther than is possible (NaN: any)."""
    if not np.isfinite(cov_m2).all() or isnan(off_95_m):
        return cov_m2
    squares, axes = np.linalg.eigh(cov_m2)
    return np.asarray((axes * np.minimum(squares, (off_95_m / PLAN_95) ** 2)) @ axes.T)


def _on_ground(point: Any, scene: Scene, ground: Ground) -> Floats:
    if point is None or point.is_empty:
        return np.full(2, nan)
    return np.asarray(_file_to_ground(np.array([[point.x, point.y]]), scene, ground)[0])


def _file_to_ground(scene_m: Floats, scene: Scene, ground: Ground) -> Floats:
    return ground.to_ground(scene_m / scene.metres_per + scene.origin)


def _rows(frame: Any) -> Iterable[Any]:
    yield from frame.itertuples(index=False)


def _number(value: object) -> float:
    return nan if value is None or pd.isna(value) else float(str(value))
