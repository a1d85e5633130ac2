"""What a tie starts from and leads to: the reader's unit, points to tape from, spots of a line."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from math import isnan, nan
from pathlib import Path
from typing import Final, TypeVar

import numpy as np

from lateralline.contract import Column
from lateralline.derive.ellipses import INTERVAL_95
from lateralline.errors import FrameError, UnknownSpotError
from lateralline.frames.operations import PLAN_95, apply, best
from lateralline.ingest.cells import UNKNOWN_UNIT
from lateralline.ingest.conventions import read_table
from lateralline.ingest.intake import may_be_read, read_bytes
from lateralline.ingest.ledger import Ledger
from lateralline.ingest.limits import MAP_BYTES
from lateralline.ingest.points.layer_points import map_points
from lateralline.ingest.points.survey_points import ColumnChoice
from lateralline.ingest.rows import typed_rows
from lateralline.measure import Measure
from lateralline.names import MUST_BE, composed, wrong_name
from lateralline.record.ground import GroundPlane
from lateralline.record.rows import AlongRow, BandRow, NodeRow, ObservationRow, PointRow, SegmentRow
from lateralline.record.view import RecordView
from lateralline.records import Floats

# ---- points that tapes start from -----------------------------------------------------------


_TABLES: Final = (".csv", ".tsv", ".txt")


@dataclass(frozen=True, slots=True, eq=False)
class TapePoints:
    """k points with their σ on each axis, in metres on the ground."""

    name: tuple[str, ...]
    ground_m: Floats  # (k, 2)
    sigma_m: Floats  # (k,)
    notes: tuple[str, ...] = ()  # how a file of more points was read, where that is not plain


def shift_95_of(view: RecordView) -> float:
    """Return how far, at 95 %, a shift of datum may have moved the whole site together, metres."""
    off = view.layers["position_corridor"]["crs_shift_95_m"].to_numpy(dtype=np.float64)
    return float(np.nan_to_num(off).max(initial=0.0))


def control_of(view: RecordView) -> TapePoints:
    """Return the site's control; a point without σ has the one it had in the survey.

    What a shift of datum may be off by is not in its σ: the pipe was moved by the same.
    """
    placed = [row for row in view.control if row.geometry is not None]
    shift_m2 = (shift_95_of(view) / PLAN_95) ** 2
    sigma = np.sqrt(
        np.maximum(np.array([row.position_sigma_m for row in placed]) ** 2 - shift_m2, 0.0)
    )
    return TapePoints(
        tuple(row.point for row in placed),
        np.array([(row.geometry.x, row.geometry.y) for row in placed if row.geometry]).reshape(
            -1, 2
        ),
        np.where(np.isnan(sigma), view.control_sigma_m, sigma),
    )


def with_more(points: TapePoints, path: Path, view: RecordView) -> TapePoints:
    """Return the points and those of a file: a table as control.csv is, or a map layer.

    What a shift of datum may be off by is in the σ of these: it moved the site and nothing that was
    measured elsewhere. Coordinates of a table are in the built file's CRS and `sigma_h` in its unit
    (metres for degrees), as in control.csv; a map layer is transformed from its own CRS. Raises
    SiteFaultsError naming every fault, FrameError when a layer's CRS leads nowhere near.
    """
    ledger = Ledger()
    taken = set(points.name)
    if path.suffix.lower() in _TABLES:
        name, xy, sigma, notes = _of_table(path, taken, view.ground, ledger)
    else:
        name, xy, sigma, notes = *_of_layer(path, taken, view.ground, ledger), ()
    assumed = view.lineage.gnss_sigma_m
    return TapePoints(
        points.name + name,
        np.vstack([points.ground_m, view.ground.to_ground(xy)]),
        np.concatenate(
            [
                points.sigma_m,
                np.hypot(np.where(np.isnan(sigma), assumed, sigma), shift_95_of(view) / PLAN_95),
            ]
        ),
        (f"{path.name} is read {', '.join(notes)}",) if notes else (),
    )


def _of_table(
    path: Path, taken: set[str], ground: GroundPlane, ledger: Ledger
) -> tuple[tuple[str, ...], Floats, Floats, tuple[str, ...]]:
    axis = None if ground.crs is None else ground.crs.axis_info[0]
    geographic = ground.crs is not None and ground.crs.is_geographic
    unit = "" if axis is None else axis.unit_name

    def unit_of(column: Column) -> str:
        if column.name in ("x", "y"):
            return "degrees" if geographic else unit
        return column.unit or (UNKNOWN_UNIT if column.unit_from else "")

    table = read_table("control", path.name, read_bytes(path, ledger), ledger)
    ledger.raise_faults(path.name)
    assert table is not None  # else there is a fault
    rows = typed_rows("control", table, unit_of, ledger)
    if not rows and not ledger.faults:
        ledger.fault(path.name, 0, "rows", "", "must be there")
    for row in rows:
        name = row.text("point")
        if name in taken:
            row.fault(ledger, "point", "must be a name of its own")
        taken.add(name)
    ledger.raise_faults(path.name)
    xy = np.column_stack([rows.numbers("x"), rows.numbers("y")])
    sigma_m = 1.0 if geographic or axis is None else float(axis.unit_conversion_factor)
    names = tuple(rows.texts("point").tolist())
    return names, xy, rows.numbers("sigma_h", sigma_m), table.notes


def _of_layer(
    path: Path, taken: set[str], ground: GroundPlane, ledger: Ledger
) -> tuple[tuple[str, ...], Floats, Floats]:
    may_be_read(path, ledger, MAP_BYTES, smaller="copy the layer of points into a file of its own")
    ledger.raise_faults(path.name)
    found = map_points(path, ledger, choice=ColumnChoice(options=False))
    ledger.raise_faults(path.name)
    assert found is not None  # else there is a fault
    for i, name in enumerate(found.name.tolist()):
        at = int(found.row[i])
        if hint := wrong_name(name):
            ledger.fault(found.file, at, "point", name, f"must be {MUST_BE}", hint)
        elif composed(name) in taken:
            ledger.fault(found.file, at, "point", name, "must be a name of its own")
        taken.add(composed(name))
    ledger.raise_faults(path.name)
    names, xy = tuple(map(composed, found.name.tolist())), np.column_stack([found.x, found.y])
    if found.crs is None or ground.crs is None:
        if (found.crs is None) != (ground.crs is None):
            raise FrameError(f"{path.name}: one of layer and site is a sketch, the other is not")
        return names, xy, found.sigma_h
    transformer, operation = best(found.crs.to_2d(), ground.crs, ground.area())
    if not operation.usable:
        raise FrameError(f"{path.name}: only a ballpark way from {operation.source} to the site")
    plan = found.crs.to_2d()
    unit_m = 1.0 if plan.is_geographic else plan.axis_info[0].unit_conversion_factor
    return names, apply(transformer, xy, None), found.sigma_h * unit_m


# ---- spots to find again --------------------------------------------------------------------


_SAME_M: Final = 1e-6  # chainages this close are one place
Spot = TypeVar("Spot", NodeRow, ObservationRow)


@dataclass(frozen=True, slots=True)
class Asked:
    """What was asked for; nothing at all asks for every node and observation.

    Located points between segments are nodes too, but have a card only by name.
    """

    chainages_m: tuple[tuple[str, float], ...] = ()  # line and chainage
    nodes: tuple[str, ...] = ()
    observations: tuple[str, ...] = ()

    @property
    def all(self) -> bool:
        """Whether nothing was named."""
        return not (self.chainages_m or self.nodes or self.observations)


@dataclass(frozen=True, slots=True, eq=False)
class TieSpot:
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
    cover_lower_95_m: float = nan  # of the level band at this place; NaN where none is there
    shift_sigma_m: float = 0.0  # of cov_m2, on each axis: what moved control and pipe together

    @property
    def cov_to_control_m2(self) -> Floats:
        """(2, 2) of the record against its own control."""
        own, axes = np.linalg.eigh(self.cov_m2 - np.eye(2) * self.shift_sigma_m**2)
        return np.asarray((axes * np.maximum(own, 0.0)) @ axes.T)

    @property
    def cover_95_m(self) -> tuple[float, float]:
        """The 95 % range of the cover: at least what the level band says, where there is one.

        NaN where nothing says either.
        """
        half = INTERVAL_95 * self.cover_sigma_m
        own = self.cover_m - half if isnan(self.cover_lower_95_m) else self.cover_lower_95_m
        return own, self.cover_m + half


def spots_of(view: RecordView, asked: Asked, measure: Measure) -> list[TieSpot]:
    """Return the spots asked for, along each line and in the order asked for.

    Raises UnknownSpotError naming everything the site does not hold.
    """
    faults: list[str] = []
    nodes, seen = list(view.nodes), list(view.observations)
    if not asked.all:
        by_name = {n.node_id: n for n in (*nodes, *view.rows(NodeRow))}
        nodes = _named(by_name, asked.nodes, "node", faults)
        by_id = {o.observation_id: o for o in seen}
        seen = _named(by_id, asked.observations, "observation", faults)
    spots = [*map(_node, nodes), *map(_observation, seen)]
    for line, chainage_m in asked.chainages_m:
        try:
            spots.append(_at(view, line, chainage_m, measure))
        except UnknownSpotError as e:
            faults.append(str(e))
    if faults:
        raise UnknownSpotError("; ".join(faults))
    shift_sigma_m = shift_95_of(view) / PLAN_95
    return [
        replace(
            spot,
            shift_sigma_m=shift_sigma_m,
            cover_lower_95_m=_cover_at_least_m(view, spot.line, spot.chainage_m),
        )
        for spot in spots
    ]


def _named(
    there: dict[str, Spot], names: Iterable[str], what: str, faults: list[str]
) -> list[Spot]:
    found = []
    for name in names:
        if name in there:
            found.append(there[name])
        else:
            known = ", ".join(list(there)[:20]) or "none"
            faults.append(f"no {what} {name!r}; there are: {known}")
    return found


def _node(row: NodeRow) -> TieSpot:
    return TieSpot(
        name=row.node_id,
        kind=row.named if isnan(row.bend_deg) else f"{row.named} of {row.bend_deg:.0f}°",
        line=row.line_id,
        chainage_m=row.chainage_m,
        ground_m=_place(row),
        cov_m2=_kept_within(_covariance(row), row.position_95_m),
        cover_m=row.cover_m,
        cover_sigma_m=row.cover_sigma_m,
        invert_m=row.invert_level_m,
        datum=row.level_datum,
        remark="carried on by the counter, not located" if row.carried_on else "",
    )


def _observation(row: ObservationRow) -> TieSpot:
    return TieSpot(
        name=row.observation_id,
        kind=" ".join(filter(None, ("camera observation", row.code, row.text))),
        line=row.line_id,
        chainage_m=row.chainage_m,
        ground_m=_place(row) if row.status != "not_located" else np.full(2, nan),
        cov_m2=_covariance(row),
        cover_m=row.cover_m,
        cover_sigma_m=row.cover_sigma_m,
        invert_m=row.invert_level_m,
        datum=row.level_datum,
        remark="" if row.status == "located" else row.reason,
    )


def _at(view: RecordView, line: str, chainage_m: float, measure: Measure) -> TieSpot:
    """Return the spot at a chainage: on the drawn path, at the worst uncertainty of its stretch."""
    band = sorted(view.rows(BandRow, line), key=lambda b: b.chainage_m)
    if not band:
        known = ", ".join(view.lines) or "none"
        raise UnknownSpotError(f"no located line {line!r}; there are: {known}")
    low, high = band[0].chainage_m, band[-1].chainage_m
    if not low - measure.step_m <= chainage_m <= high + measure.step_m:
        raise UnknownSpotError(
            f"{line} runs from chainage {measure.length(low)} to {measure.length(high)}; "
            f"got {measure.length(chainage_m)}"
        )
    located = [node for node in view.rows(NodeRow, line) if not node.carried_on]
    path: list[AlongRow] = sorted((*band, *located), key=lambda row: row.chainage_m)
    on = [
        s
        for s in view.rows(SegmentRow, line)
        if s.from_chainage_m <= chainage_m + measure.step_m
        and s.to_chainage_m >= chainage_m - measure.step_m
    ]
    # NaN where nothing bounds it
    sigma = float(np.max([s.position_95_max_m for s in on])) / PLAN_95 if on else nan

    def drawn(values: Iterable[float], rows: Sequence[AlongRow]) -> float:
        return float(np.interp(chainage_m, [row.chainage_m for row in rows], list(values)))

    xy = np.array([_place(row) for row in path])
    return TieSpot(
        name=f"{line} at {measure.length(chainage_m)}",
        kind="on the line",
        line=line,
        chainage_m=chainage_m,
        ground_m=np.array([drawn(axis, path) for axis in xy.T]),
        cov_m2=np.eye(2) * sigma**2,
        cover_m=drawn((b.cover_m for b in band), band),
        cover_sigma_m=drawn((b.cover_sigma_m for b in band), band),
        invert_m=drawn((b.invert_level_m for b in band), band),
        datum=band[0].level_datum,
        remark="the shape of the pipe is not shown here" if any(s.undecided for s in on) else "",
    )


def _cover_at_least_m(view: RecordView, line: str, chainage_m: float) -> float:
    """Return the lower 95 % bound of the cover at a chainage: the less of those beside it.

    NaN where nothing bounds it, and off the level band, as at an entry that was not located.
    """
    at = view.of_line("level_band", line)["chainage_m"].to_numpy(dtype=float)
    before, after = at[at <= chainage_m + _SAME_M], at[at >= chainage_m - _SAME_M]
    if not (len(before) and len(after)):
        return nan
    return view.least_cover_95_m(line, (before.max() - _SAME_M, after.min() + _SAME_M))


def _covariance(row: NodeRow | ObservationRow) -> Floats:
    e, n, en = row.east_sigma_m, row.north_sigma_m, row.east_north_covariance_m2
    return np.array([[e**2, en], [en, n**2]])


def _kept_within(cov_m2: Floats, off_95_m: float) -> Floats:
    """Return a covariance whose 95 % ellipse reaches no farther than is possible (NaN: any)."""
    if not np.isfinite(cov_m2).all() or isnan(off_95_m):
        return cov_m2
    squares, axes = np.linalg.eigh(cov_m2)
    return np.asarray((axes * np.minimum(squares, (off_95_m / PLAN_95) ** 2)) @ axes.T)


def _place(row: PointRow) -> Floats:
    """Return where a row stands (2), m on the ground; NaN where it has no place."""
    return np.full(2, nan) if row.geometry is None else np.array([row.geometry.x, row.geometry.y])
