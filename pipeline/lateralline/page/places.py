"""What can be picked on a page and what is known of it, and where each finding points.

Facts are values ± 95 % with a unit, in metres or in the crew's feet. The page's script formats the
same facts again when units are switched; `assets/units.js` follows the rules of this file to the
letter, and a test in a browser holds the two together. Planned works come from the overlay that
`lateralline clearance` wrote.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from math import isnan, nan
from pathlib import Path
from typing import Final, NamedTuple

import geopandas as gpd
import numpy as np
import pyogrio
import shapely

from lateralline.derive.ellipses import ELLIPSE_95, INTERVAL_95
from lateralline.errors import LaterallineError
from lateralline.measure import Measure
from lateralline.output.proof import sha256
from lateralline.record.layers import Shapes
from lateralline.record.reading import named_today
from lateralline.record.rows import (
    FindingRow,
    FixRow,
    LayerRow,
    MarkRow,
    NodeRow,
    ObservationRow,
    PointRow,
    SegmentRow,
    reals,
    rows_of,
    texts,
)
from lateralline.record.view import Bounds, RecordView, bounds_of
from lateralline.records import Floats
from lateralline.units import METRES_PER, PER_FOOT
from lateralline.wording import chance, in_unit, off_by, rounded_down, rounded_up

#: Decimals of a length, and where its ± is finer than that shows.
_DECIMALS: Final = 2
_FINE: Final = 0.01

UNIT_NAMES: Final = {"m": "m", "ft": "ft", "us-ft": "US ft"}


class Fact(NamedTuple):
    """One line of what is known of a place: a length in metres, an angle in degrees, or text."""

    name: str
    value: float | str
    half_95: float | None = None  # half the 95 % interval
    #: length | tape (a length that is taped) | off (how far off one may be) | lower (what one is at
    #: least) | least (the same of one that is taped) | angle | grade | text
    kind: str = "text"


def fact_text(fact: Fact, unit: str, *, with_unit: bool = True, inches: bool = False) -> str:
    r"""Return a fact in words; lengths in `unit`, ± 95 %.

    With `inches` a taped length in feet is in feet and inches.

    >>> fact_text(Fact("depth", 1.0, 0.05, "length"), "ft")
    '3.28 ± 0.17 ft'
    >>> fact_text(Fact("depth", 1.0, 0.004, "length"), "m")
    '1.000 ± 0.004 m'
    >>> fact_text(Fact("depth", 1.25, 0.0812, "tape"), "ft", inches=True)
    '4\' 1 1/4" ± 3 1/4"'
    >>> fact_text(Fact("tilt", -1.5, 4.0, "angle"), "m")
    '-1.5 ± 4.0°'
    >>> fact_text(Fact("grade", 0.0125, 0.003, "grade"), "m"), fact_text(Fact("code", "CRACK"), "m")
    ('1.25 ± 0.30 %', 'CRACK')
    """
    if isinstance(fact.value, str):
        return in_unit(fact.value, unit, UNIT_NAMES[unit])
    if fact.kind in ("tape", "off", "least") and inches and unit in PER_FOOT:
        tape = Measure.of_crew(unit)
        if fact.kind != "tape":
            return (tape.bare_off if fact.kind == "off" else tape.bare_least)(fact.value)
        off = "" if fact.half_95 is None else f" ± {tape.bare_off(fact.half_95)}"
        return tape.bare(fact.value) + off
    of_length = (1.0 / METRES_PER[unit], _DECIMALS, " " + UNIT_NAMES[unit])
    factor, decimals, sign = {
        "length": of_length,
        "tape": of_length,
        "off": of_length,
        "lower": of_length,
        "least": of_length,
        "grade": (100.0, 2, " %"),
        "angle": (1.0, 1, "°"),
    }[fact.kind]
    value = fact.value * factor
    half = None if fact.half_95 is None else fact.half_95 * factor
    if fact.kind in ("length", "tape") and half is not None and half < _FINE:
        decimals += 1
    if fact.kind == "off":
        value = rounded_up(value, decimals)
    elif fact.kind in ("lower", "least"):
        value = rounded_down(value, decimals)
    text = f"{value:.{decimals}f}"
    text += "" if half is None else f" ± {off_by(half, decimals)}"
    return text + (sign if with_unit else "")


def measured(name: str, value: float, sigma: float = nan, kind: str = "length") -> Iterable[Fact]:
    """Yield a fact when its value is known, and nothing when it is not.

    >>> [fact_text(fact, "m") for fact in measured("depth", 1.0, 0.14)]
    ['1.00 ± 0.28 m']
    """
    if not isnan(value):
        yield Fact(name, value, known(INTERVAL_95 * sigma), kind)


def known(value: float) -> float | None:
    """Return a number, None for NaN: JSON has none.

    >>> known(1.0), known(nan)
    (1.0, None)
    """
    return None if isnan(value) else float(value)


def worded(name: str, *texts: str) -> Iterable[Fact]:
    """Yield a fact of the texts that are given, joined; nothing when none is."""
    given = " ".join(filter(None, texts))
    if given:
        yield Fact(name, given)


# ---- places ---------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class PagePlace:
    """A stop, node, observation or control point: where it is and what is known of it."""

    title: str
    line: str
    chainage: float | None
    x: float | None
    y: float | None
    facts: tuple[Fact, ...]


@dataclass(frozen=True, slots=True)
class PageTarget:
    """Where a finding points: part of the plan, part of a line, perhaps one stop."""

    box: Bounds | None = None  # west, south, east, north, m
    line: str = ""
    reach: tuple[float, float] | None = None  # chainages, m
    stop: int | None = None


def stops(view: RecordView) -> list[PagePlace]:
    """Return every stop, in the order of the layer, unsolved ones too."""
    marks: dict[str, list[str]] = {}
    for mark in view.rows(MarkRow):
        words = f"{mark.mark_id} {mark.kind.replace('_', ' ')}{'' if mark.used else ' (not used)'}"
        marks.setdefault(f"{mark.run_id}/{mark.stop_id}", []).append(words)
    return [
        _place(row, f"stop {row.name}", _of_stop(view, row, ", ".join(marks.get(row.name, ()))))
        for row in view.fixes
    ]


def nodes(view: RecordView) -> list[PagePlace]:
    """Return every node as each line has it."""
    return [_place(row, _node_title(view, row), _of_node(view, row)) for row in view.line_nodes]


def seen(view: RecordView) -> list[PagePlace]:
    """Return every observation of the camera."""
    return [
        _place(row, f"seen: {row.code or row.text}".strip(), _of_seen(view, row))
        for row in view.observations
    ]


def control(view: RecordView) -> list[PagePlace]:
    """Return every control point, by the axes of the plan."""
    found = []
    for row in view.control:
        x, y = (nan, nan) if row.geometry is None else (row.geometry.x, row.geometry.y)
        facts = (
            *measured("east of the corner", x),
            *measured("north of the corner", y),
            *measured("level", row.point_level_m, row.level_sigma_m),
            *measured("position ±", ELLIPSE_95 * row.position_sigma_m),
        )
        found.append(PagePlace(f"control point {row.point}", "", None, known(x), known(y), facts))
    return found


def _place(row: FixRow | NodeRow | ObservationRow, title: str, facts: Iterable[Fact]) -> PagePlace:
    x, y = (None, None) if row.geometry is None else (row.geometry.x, row.geometry.y)
    return PagePlace(title, row.line_id, known(row.chainage_m), x, y, tuple(facts))


def _of_stop(view: RecordView, row: FixRow, marks: str) -> Iterator[Fact]:
    yield from worded("status", row.status.replace("_", " "))
    yield from worded("because", row.reason)
    yield from measured("depth", row.transmitter_depth_m, row.transmitter_depth_sigma_m, "tape")
    yield from measured(
        f"{view.word('level')} of transmitter", row.transmitter_level_m, row.level_sigma_m
    )
    yield from measured(view.word("ground level"), row.ground_level_m)
    yield from measured(view.word("distance along pipe"), row.chainage_m)
    yield from measured("counter", row.counter_m)
    yield from _off(view, row.ellipse_major_95_m)
    yield from measured(f"{view.word('position ±')}, least", row.ellipse_minor_95_m, kind="off")
    yield from measured("heading", row.heading_deg, row.heading_sigma_deg, "angle")
    yield from measured("tilt", row.tilt_deg, row.tilt_sigma_deg, "angle")
    yield from measured("moved by the line's adjustment", row.shift_m, kind="tape")
    if not isnan(row.chi2):
        yield Fact("misfit (χ²)", f"{row.chi2:.2f} on {known(row.dof) or 0:.0f} to spare")
    yield from worded("marks", marks)
    yield from worded("note", row.note)
    yield from worded("from", row.source_row)


def _off(view: RecordView, off_m: float) -> Iterable[Fact]:
    return measured(view.word("position ±"), off_m, kind="off")


def _node_title(view: RecordView, row: NodeRow) -> str:
    """Return what a node is, an end of a located line by which of both ends."""
    if row.kind != "end_located":
        return row.named + ", not located" * row.carried_on
    return f"open {view.end_of(row.line_id, upper=row.chainage_m > 0.0)} {row.ref}".strip()


def _of_node(view: RecordView, row: NodeRow) -> Iterator[Fact]:
    if row.carried_on:
        yield Fact("not located", "carried on by the counter alone")
    yield from measured(view.word("distance along pipe"), row.chainage_m)
    yield from measured(view.word("invert"), row.invert_level_m, row.invert_sigma_m)
    yield from measured("cover", row.cover_m, row.cover_sigma_m, "tape")
    yield from measured(view.word("ground level"), row.ground_level_m)
    yield from measured("bend", row.bend_deg, row.bend_sigma_deg, "angle")
    yield from measured("bend radius", row.bend_radius_m, row.bend_radius_sigma_m)
    yield from worded("nearest fitting", row.nearest_fitting)
    yield from _off(view, row.ellipse_major_95_m)
    yield from _tied(row)


def _of_seen(view: RecordView, row: ObservationRow) -> Iterator[Fact]:
    yield from worded("what", row.text)
    yield from worded("severity", row.defect_severity)
    yield from worded("clock", " to ".join(filter(None, (row.clock_from, row.clock_to))))
    yield from measured(view.word("distance along pipe"), row.chainage_m, row.chainage_sigma_m)
    yield from measured("counter", row.counter_m)
    yield from measured(view.word("invert"), row.invert_level_m, row.invert_sigma_m)
    yield from measured("cover", row.cover_m, row.cover_sigma_m, "tape")
    yield from _off(view, row.ellipse_major_95_m)
    yield from worded("because", row.reason)
    yield from _tied(row)


def _tied(row: NodeRow | ObservationRow) -> Iterator[Fact]:
    if row.tie_a_point and row.tie_b_point:
        for point, tape in ((row.tie_a_point, row.tie_a_m), (row.tie_b_point, row.tie_b_m)):
            yield from measured(f"tape from {point}", tape, row.tie_sigma_m, "tape")
        yield from worded("side", row.tie_side)


def targets(view: RecordView) -> list[PageTarget]:
    """Return where each finding points, from its subject and its chainage.

    A subject is what `Finding.subject` says: "stop R1/4", "mark M3", "line L1", "run R1", "site".
    """
    return [_target(view, row) for row in view.rows(FindingRow)]


def _target(view: RecordView, row: FindingRow) -> PageTarget:
    what, _, name = row.subject.partition(" ")
    if what == "mark":
        mark = next((m for m in view.rows(MarkRow) if m.mark_id == name), None)
        if mark is not None:
            found = _of_stop_named(view, f"{mark.run_id}/{mark.stop_id}")
            return PageTarget(_box([mark]) or found.box, found.line, found.reach, found.stop)
    if what == "stop":
        return _of_stop_named(view, name)
    if what == "run":
        lines = [fix.line_id for fix in view.fixes if fix.run_id == name]
        name, what = (lines[0], "line") if lines else (name, what)
    if what in ("line", "lines"):
        return _of_line(view, name.split(",")[0].strip(), row.chainage_m)
    if what in ("control", "baseline", "point"):
        named = re.split(r"[–, ]+", name)
        return PageTarget(_box([row for row in view.control if row.point in named]))
    return PageTarget()


def _of_stop_named(view: RecordView, name: str) -> PageTarget:
    found = next(((n, fix) for n, fix in enumerate(view.fixes) if fix.name == name), None)
    if found is None:
        return PageTarget()
    n, fix = found
    reach = None if isnan(fix.chainage_m) else (fix.chainage_m, fix.chainage_m)
    return PageTarget(_box([fix]), fix.line_id, reach, n)


def _of_line(view: RecordView, line: str, at: float) -> PageTarget:
    path = centreline(view, line)
    if not len(path):
        return PageTarget()
    if not isnan(at):
        x, y = (float(np.interp(at, path[:, 0], path[:, i])) for i in (1, 2))
        return PageTarget((x, y, x, y), line, (at, at))
    (west, south), (east, north) = path[:, 1:].min(axis=0), path[:, 1:].max(axis=0)
    box = (float(west), float(south), float(east), float(north))
    return PageTarget(box, line, (float(path[0, 0]), float(path[-1, 0])))


def _box(rows: Iterable[PointRow]) -> Bounds | None:
    return bounds_of(row.geometry.bounds for row in rows if row.geometry is not None)


def centreline(view: RecordView, line: str) -> Floats:
    """Return chainage, x, y (n, 3) of a line's vertices, from downstream, m.

    Chainage runs along the pipe in three dimensions; within a segment it is shared out by the
    length in plan.
    """
    parts: list[Floats] = []
    for row in sorted(view.rows(SegmentRow, line), key=lambda s: s.from_chainage_m):
        if row.geometry is None:
            continue
        xy = shapely.get_coordinates(row.geometry)
        along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])
        share = along / along[-1] if along[-1] > 0.0 else np.linspace(0.0, 1.0, len(along))
        at = row.from_chainage_m + share * (row.to_chainage_m - row.from_chainage_m)
        parts.append(np.column_stack([at, xy]))
    path = np.vstack(parts) if parts else np.empty((0, 3))
    path = path[np.isfinite(path).all(axis=1)]
    _, first = np.unique(path[:, 0].round(4), return_index=True)
    return np.asarray(path[first])


# ---- planned works --------------------------------------------------------------------------


_VERDICTS: Final = {"conflict": "✖ conflict", "no_conflict_shown": "no conflict shown"}
_LEVELS_BY: Final = {
    "level": "levels of both",
    "depth_below_ground": "depths of both below ground",
    "plan_only": "plan alone",
}


class NoClearanceError(LaterallineError, ValueError):
    """A file that is no clearance, or one of another record."""


class PairRow(LayerRow):
    """A line and a planned thing near it."""

    layer = "clearance_pairs"
    line_id, work_id, work_name, verdict, levels_by, what = texts(6)
    (
        separation_m, separation_lower_95_m, required_m, probability_below_required,
        probability_contact, chainage_m, worst_chainage_m, pipe_axis_level_m, pipe_axis_depth_m,
    ) = reals(9)  # fmt: skip


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
    return bool((_read_clearance(gpkg, "planned_works")["record_sha256"] == sha256(record)).all())


def read_works(gpkg: Path, view: RecordView) -> Works:
    """Return what was found for the site of a scene whose record the clearance was of."""
    pairs = _read_clearance(gpkg, "clearance_pairs")
    outlines = _read_clearance(gpkg, "planned_works")
    crs = pairs.crs
    pairs = pairs[pairs["site_id"] == view.site_id]
    risk = {
        "calm": pairs["verdict"] != "conflict",
        "unlikely": -pairs["probability_below_required"].fillna(1.0),
        "margin": (pairs["separation_lower_95_m"] - pairs["required_m"]).fillna(-np.inf),
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


def places_of_works(view: RecordView, works: Works) -> list[PagePlace]:
    """Return each pair as a place to pick: where on the pipe, and what was found."""
    return [
        PagePlace(
            f"{row.work_name or row.work_id} · {row.line_id}",
            row.line_id, row.chainage_m, float(x), float(y), tuple(_of_pair(view, row)),
        )
        for row, (x, y) in zip(works.pairs, works.ends_m[:, 0], strict=True)
    ]  # fmt: skip


def _of_pair(view: RecordView, row: PairRow) -> Iterator[Fact]:
    yield Fact("verdict", _VERDICTS[row.verdict])
    yield from measured("separation", row.separation_m)
    if row.separation_lower_95_m >= 0.0:
        yield from measured("lower 95 %", row.separation_lower_95_m, kind="lower")
    else:
        yield Fact("lower 95 %", "no bound" if isnan(row.separation_lower_95_m) else "≤ 0")
    yield from measured("required", row.required_m)
    yield Fact("chance of less", chance(row.probability_below_required, "not known"))
    yield Fact("chance of contact", chance(row.probability_contact, "not known"))
    along = view.word("distance along pipe")
    yield from measured(along, row.chainage_m)
    yield from measured(f"{along} of the lower bound", row.worst_chainage_m)
    yield from worded("vertical part by", _LEVELS_BY.get(row.levels_by, row.levels_by))
    yield from worded("in words", row.what)


def _read_clearance(gpkg: Path, layer: str) -> gpd.GeoDataFrame:
    try:
        return named_today(layer, pyogrio.read_dataframe(gpkg, layer=layer))
    except (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError) as e:
        raise NoClearanceError(f"{gpkg} is no output of lateralline clearance ({e})") from e
