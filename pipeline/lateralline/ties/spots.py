"""The spots that can be asked for: nodes, observations, and any chainage of a line."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import isnan, nan
from typing import TypeVar

import numpy as np

from lateralline.derive.ellipses import INTERVAL_95
from lateralline.errors import UnknownSpotError
from lateralline.frames.operations import PLAN_95
from lateralline.record.rows import AlongRow, BandRow, NodeRow, ObservationRow, PointRow, SegmentRow
from lateralline.record.view import RecordView
from lateralline.records import Floats
from lateralline.ties.measure import Measure

T = TypeVar("T", NodeRow, ObservationRow)


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

    @property
    def cover_95_m(self) -> tuple[float, float]:
        """The 95 % range of the cover."""
        half = INTERVAL_95 * self.cover_sigma_m
        return self.cover_m - half, self.cover_m + half


def spots_of(view: RecordView, asked: Asked, measure: Measure) -> list[TieSpot]:
    """Return the spots asked for, along each line and in the order asked for.

    Raises UnknownSpotError naming everything the site does not hold.
    """
    faults: list[str] = []
    nodes, seen = list(view.nodes), list(view.observations)
    if not asked.all:
        nodes = _named({n.node_id: n for n in nodes}, asked.nodes, "node", faults)
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
    return spots


def _named(there: dict[str, T], names: Iterable[str], what: str, faults: list[str]) -> list[T]:
    found = []
    for name in names:
        if name in there:
            found.append(there[name])
        else:
            known = ", ".join(list(there)[:20]) or "none"
            faults.append(f"no {what} {name!r}; there are: {known}")
    return found


def _node(row: NodeRow) -> TieSpot:
    named = f"{row.kind.replace('_', ' ')} {row.ref}".strip()
    return TieSpot(
        name=row.node_id,
        kind=named if isnan(row.bend_deg) else f"{named} of {row.bend_deg:.0f}°",
        line=row.line_id,
        chainage_m=row.chainage_m,
        ground_m=_place(row),
        cov_m2=_kept_within(_covariance(row), row.plan_95_m),
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
        ground_m=_place(row) if row.status != "not_placed" else np.full(2, nan),
        cov_m2=_covariance(row),
        cover_m=row.cover_m,
        cover_sigma_m=row.cover_sigma_m,
        invert_m=row.invert_level_m,
        datum=row.level_datum,
        remark="" if row.status == "on_line" else row.reason,
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
            f"{line} runs from chainage {measure.say(low)} to {measure.say(high)}; "
            f"got {measure.say(chainage_m)}"
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
    sigma = float(np.max([s.semi_major_95_max_m for s in on])) / PLAN_95 if on else nan

    def drawn(values: Iterable[float], rows: Sequence[AlongRow]) -> float:
        return float(np.interp(chainage_m, [row.chainage_m for row in rows], list(values)))

    xy = np.array([_place(row) for row in path])
    return TieSpot(
        name=f"{line} at {measure.say(chainage_m)}",
        kind="on the line",
        line=line,
        chainage_m=chainage_m,
        ground_m=np.array([drawn(axis, path) for axis in xy.T]),
        cov_m2=np.eye(2) * sigma**2,
        cover_m=drawn((b.cover_m for b in band), band),
        cover_sigma_m=drawn((b.cover_sigma_m for b in band), band),
        invert_m=drawn((b.invert_level_m for b in band), band),
        datum=band[0].level_datum,
        remark="the shape of the pipe is undecided here" if any(s.undecided for s in on) else "",
    )


def _covariance(row: NodeRow | ObservationRow) -> Floats:
    e, n, en = row.sigma_e_m, row.sigma_n_m, row.cov_en_m2
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
