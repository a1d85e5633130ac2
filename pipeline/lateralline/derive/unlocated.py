"""Pipe of the record that is not drawn, and where it may be: the `unlocated` layer.

What is not drawn is still in the ground. The rule:

- *A line that is not drawn* has a row for each of its runs, or one when it has none.
- *A run of a drawn line* whose counters cannot be brought to that line has one: its pipe may lie
  past the line's ends. A run from the same entry the same way counts along with one that can.
- *An end of a drawn line* has one when a run was pushed more than `SAME_PLACE_M` past it, as a
  stop, an observation or its entry say. A stop left out between two located ones has none: the
  corridor spans it.

The polygon is where the axis may be. Each stop that is not located is a spot: its marks widened by
√2 times the depth, the farthest a mark stands from its transmitter (the mid null of a vertical
one), and by their own 95 %. Exposures, control points named as the entry, located stops and the
junction are spots of their own 95 %. Spots are joined in the order of the counter and carried on
as far as it went (`spots`): all round, but ahead only past an end of a drawn line where nothing is
marked. Without counters the convex hull of all spots is taken.

A row without a polygon has no spot: the pipe may be anywhere.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass, replace
from math import hypot, isfinite, nan, sqrt
from typing import Final

import numpy as np
import shapely

from lateralline.derive.axis import Axis, outside_diameter_m
from lateralline.derive.chainage import END_NAMES, reach
from lateralline.derive.ellipses import INTERVAL_95, ellipses_95
from lateralline.derive.nodes import SAME_PLACE_M
from lateralline.derive.spots import LEAST_M, KnownPlace, ahead_of, area_of
from lateralline.derive.tables import GEOMETRY, Columns, filled
from lateralline.derive.ties import ControlPoints
from lateralline.records import Exposures, FieldRecord, Fixes, Floats, Marks
from lateralline.settings import Run, Settings

#: Depth of a stop whose depth nobody knows, unless a stop of the site is deeper: common practice,
#: no source; the deepest the solver is proven for.
DEEPEST_M: Final = 4.0
#: A depth reading alone is not believed below this: it may be in another unit.
SHALLOWEST_M: Final = 1.0
#: A mark is no farther from its transmitter in plan than this many depths: the mid null of a
#: vertical transmitter (`kernels.dipole`).
MARK_REACH_DEPTHS: Final = sqrt(2.0)
#: A located stop that the line left out is no farther off it than this and still on it.
_BESIDE_M: Final = 0.5


@dataclass(frozen=True, slots=True)
class SearchedSite:
    """What is known of a site, and those of its lines that are drawn."""

    record: FieldRecord
    marks: Marks
    exposures: Exposures
    fixes: Fixes
    control: ControlPoints
    axes: dict[str, Axis]  # by line

    @property
    def settings(self) -> Settings:
        """What site.toml says."""
        return self.record.settings

    def runs(self, line: str) -> list[Run]:
        """Return the runs of a line."""
        return [run for run in self.settings.runs if run.line == line]


def unlocated(site: SearchedSite) -> Iterator[Columns]:
    """Yield the rows of the layer `unlocated` of a site, in the site frame."""
    for line in lines_of(site):
        axis, runs = site.axes.get(line), site.runs(line)
        if axis is not None:
            for run in runs:
                yield from _of_drawn(site, axis, run)
        else:
            searched: list[Run | None] = [*runs] or [None]
            yield from (_not_drawn(site, line, run) for run in searched)


def lines_of(site: SearchedSite) -> list[str]:
    """Return every line the site names: by a run, a pipe, a branch, an exposure."""
    settings = site.settings
    named = [
        *(run.line for run in settings.runs),
        *(pipe.line for pipe in settings.pipes),
        *(branch.line for branch in settings.branches),
        *(branch.joins for branch in settings.branches),
        *map(str, site.exposures.line.tolist()),
    ]
    return [line for line in dict.fromkeys(named) if line]


def site_row(name: str, why: str) -> Columns:
    """Return the row, without geometry, of a site of a batch that was not built."""
    unknown = dict.fromkeys(("counted_m", "mark_reach_m", "outside_diameter_m", "area_m2"), nan)
    row: Columns = unknown | dict.fromkeys(("line_id", "run_id", "stop_id"), "")
    row |= {
        "extent": "site",
        "what": f"site {name}: none of its lines is in this record",
        "why": why,
        "made_by": "nothing: a site that is not built has no place here",
    }
    of_no_record = {"record_version": None, "valid_from": None}
    return filled("unlocated", row, {"site_id": name, "crs_shift_95_m": 0.0} | of_no_record)


# ---- rows ----------------------------------------------------------------------------------


def _not_drawn(site: SearchedSite, line: str, run: Run | None) -> Columns:
    """Return the row of a line that is not drawn, as far as one of its runs shows it."""
    spots = [*_exposures(site, line, run), *_junction(site, line)]
    what, counted, stops = f"line {line}: not drawn", np.empty(0), list[int]()
    if run is not None:
        what = f"line {line}, run {run.id}: not drawn"
        spots += [*_stops(site, run), *_entry(site, run)]
        counted = _counted(site, run)
        stops = [i for i in _rows(site, run) if not site.fixes.solved[i]]
    why = {
        0: "no stop of it is located",
        1: "one stop of it is located, and a line needs two",
    }.get(
        sum(spot.by == "stop" for spot in spots), "no line could be laid through its located stops"
    )
    area = area_of(spots, counted, site.settings.accuracy)
    return _row(site, line, run, stops, spots, area, counted) | {
        "extent": "line",
        "what": what,
        "why": why,
    }


def _of_drawn(site: SearchedSite, axis: Axis, run: Run) -> Iterator[Columns]:
    """Yield the rows of a run of a drawn line: past its ends, or of the whole run."""
    on_line = _on_line(site, axis)
    left = [i for i in _rows(site, run) if i not in on_line]
    if (twin := _counts_along(site, axis, run)) is not None:
        yield from _past_ends(site, axis, run, twin, left)
        return
    spots, counted = _stops(site, run, left), _counted(site, run)
    mapped = len(left) < len(_rows(site, run))  # the line contains what of it is known
    if not len(counted) or (mapped and not spots):
        return
    near = [_nearest_on(axis, np.mean(spot.at_m, axis=0)) for spot in spots]
    spots = [replace(spot, counter_m=nan) for spot in [*spots, *near]]
    area = area_of(spots, np.empty(0), site.settings.accuracy)
    yield _row(site, run.line, run, left, spots, area, counted) | {
        "extent": "run",
        "what": f"run {run.id} of line {axis.line.line}: where on the line it was is not known",
        "why": "none of its counters can be brought to the line",
    }


def _past_ends(
    site: SearchedSite, axis: Axis, run: Run, twin: Run, left: list[int]
) -> Iterator[Columns]:
    """Yield a row for each end of a drawn line that a run was pushed past."""
    accuracy = site.settings.accuracy
    shift = twin.counter_at_entry_m - run.counter_at_entry_m

    def past(counter_m: Floats, *, upstream: bool) -> Floats:
        """Return how far past an end counters (n,) of `run` are; 0 on the line."""
        found = reach(axis, twin, counter_m + shift, accuracy)
        return np.where((found.chainage_m > 0.0) == upstream, found.beyond_m, 0.0)

    places = site.fixes.counter_m[left] - run.transmitter_lag_m
    counted = np.append(_counted(site, run, left), run.counter_at_entry_m)
    for upstream in (False, True):
        if not upstream and axis.line.joins:
            continue  # it ends in the line it joins
        farthest = float(past(counted, upstream=upstream).max())
        if farthest <= SAME_PLACE_M:
            continue
        beyond = past(places, upstream=upstream).tolist()
        there = [i for i, by in zip(left, beyond, strict=True) if by]
        spots = [
            replace(spot, counter_m=float(past(np.array([spot.counter_m]), upstream=upstream)[0]))
            for spot in _stops(site, run, there)
        ]
        end, way = _end(axis, upstream=upstream)
        if spots:
            area = area_of([end, *spots], np.array([0.0, farthest]), accuracy)
        else:
            area = ahead_of(end, way, farthest, accuracy)
        which = END_NAMES[run.flow_told][upstream]
        span = np.array([0.0, farthest])
        yield _row(site, run.line, run, there, spots, area, span) | {
            "extent": "beyond_end",
            "what": f"line {axis.line.line} past the {which} end of its located part, where run "
            f"{run.id} went",
            "why": "no stop there is located" if there else "nobody marked a stop there",
        }


def _row(
    site: SearchedSite,
    line: str,
    run: Run | None,
    stops: list[int],
    spots: list[KnownPlace],
    area: tuple[shapely.Polygon | None, str],
    counted_m: Floats,
) -> Columns:
    """Return a row with its polygon and how that was made, but what it is and why."""
    shape, made_by = area
    return {
        "line_id": line,
        "run_id": "" if run is None else run.id,
        "stop_id": ", ".join(str(site.fixes.stop[i]) for i in stops),
        "made_by": made_by,
        "counted_m": float(np.ptp(counted_m)) if len(counted_m) else nan,
        "mark_reach_m": max((s.radius_m for s in spots if s.by == "marks"), default=nan),
        "outside_diameter_m": outside_diameter_m(site.settings.pipe(line)),
        "area_m2": nan if shape is None else shape.area,
        GEOMETRY: shape,
    }


# ---- spots ---------------------------------------------------------------------------------


def _rows(site: SearchedSite, run: Run) -> list[int]:
    return [int(i) for i in np.flatnonzero(site.fixes.run == run.id)]


def _on_line(site: SearchedSite, axis: Axis) -> set[int]:
    """Return the stops that a drawn line contains: its own, and located ones beside its path."""
    path = shapely.LineString(axis.line.xyz_m[:, :2])
    fixes = site.fixes
    off = shapely.distance(shapely.points(np.nan_to_num(fixes.xyz_m[:, :2])), path)
    beside = np.flatnonzero(fixes.solved & (off <= _BESIDE_M))
    return {i for i in axis.line.fix.tolist() if i >= 0} | set(beside.tolist())


def _stops(site: SearchedSite, run: Run, left: Collection[int] | None = None) -> list[KnownPlace]:
    """Return the spots of a run's stops: of those a line left out, or of all where it is not drawn.

    A located stop is its own spot, but left out of a line it counts as one more of its marks.
    """
    fixes, marks, out = site.fixes, site.marks, []
    sure = ellipses_95(fixes.cov[:, :3, :3]).semi_major_m
    for i in _rows(site, run):
        if left is not None and i not in left:
            continue
        counter = float(fixes.counter_m[i]) - run.transmitter_lag_m
        located = bool(fixes.solved[i] and isfinite(sure[i]))
        if located and left is None:
            out.append(_spot(counter, fixes.xyz_m[i], sure[i], "stop"))
            continue
        mine = (marks.run == run.id) & (marks.stop == fixes.stop[i]) & marks.placed
        mine &= np.isfinite(marks.xyz_m[:, :2]).all(axis=1) & (marks.kind != "ground")
        spots = [*marks.xyz_m[mine, :2], *([fixes.xyz_m[i, :2]] if located else [])]
        if spots:
            off = np.nan_to_num(ellipses_95(marks.cov_m2[mine]).semi_major_m)
            radius = MARK_REACH_DEPTHS * _depth_m(site, i) + float(off.max(initial=0.0))
            out.append(KnownPlace(counter, tuple(spots), radius, "marks"))
    return out


def _depth_m(site: SearchedSite, stop: int) -> float:
    """Return the most a stop may be deep: by its solution or reading, else the deepest there is."""
    fixes, accuracy, rows = site.fixes, site.settings.accuracy, site.record.stops
    readings = dict(zip(rows.row.tolist(), rows.depth_reading_m.tolist(), strict=True))
    off = 1.0 + INTERVAL_95 * hypot(accuracy.depth_reading_ratio, accuracy.depth_scale_ratio)
    own = [off * readings.get(int(fixes.row[stop]), nan), float(fixes.depth_m[stop])]
    known = [depth for depth in own if isfinite(depth) and depth > 0.0]
    others = fixes.depth_m[np.isfinite(fixes.depth_m)]
    typical: list[float] = [float(np.median(others)) if len(others) else SHALLOWEST_M]
    deepest: list[float] = [DEEPEST_M, *others.tolist()]
    return max(known + typical if known else deepest)


def _exposures(site: SearchedSite, line: str, run: Run | None) -> list[KnownPlace]:
    """Return the spots of exposures of a run, and of its line where they name no run."""
    seen, out = site.exposures, []
    off = ellipses_95(seen.cov_m2).semi_major_m
    for i in np.flatnonzero(seen.placed & np.isfinite(seen.xyz_m[:, :2]).all(axis=1)).tolist():
        own, of_run = str(seen.run[i]), "" if run is None else run.id
        if (own != of_run) if own else (seen.line[i] != line):
            continue
        counter = float(seen.counter_m[i])
        if run is not None and not isfinite(counter) and seen.name[i] == run.entry:
            counter = run.counter_at_entry_m
        out.append(_spot(counter, seen.xyz_m[i], off[i], "exposure"))
    return out


def _entry(site: SearchedSite, run: Run) -> list[KnownPlace]:
    """Return the control point that has the name of a run's entry."""
    places = site.control.xyz_m[(site.control.point == run.entry) & (run.entry != "")]
    return [
        _spot(run.counter_at_entry_m, at, 0.0, "control")
        for at in places
        if np.isfinite(at[:2]).all()
    ]


def _junction(site: SearchedSite, line: str) -> list[KnownPlace]:
    """Return where a branch joins a drawn line, by the counter of that line's run."""
    out = []
    for branch in site.settings.branches:
        axis = site.axes.get(branch.joins)
        run = next((r for r in site.runs(branch.joins) if r.id == branch.run), None)
        if branch.line != line or axis is None or run is None:
            continue
        found = reach(axis, run, np.array([branch.at_counter_m]), site.settings.accuracy)
        if isfinite(found.chainage_m[0]):
            place = axis.at(found.chainage_m).by_counter(found.counter_sigma_m)
            out.append(_spot(nan, place.xyz_m[0], place.ellipse_major_95_m[0], "junction"))
    return out


def _end(axis: Axis, *, upstream: bool) -> tuple[KnownPlace, Floats]:
    """Return an end of a drawn line as a spot, and the unit way the pipe leaves there."""
    at = axis.at(np.array([axis.length_m if upstream else 0.0]))
    way = at.tangent[0, :2] * (1.0 if upstream else -1.0)
    return _spot(0.0, at.xyz_m[0], at.ellipse_major_95_m[0], "end"), way


def _nearest_on(axis: Axis, at_m: Floats) -> KnownPlace:
    path = shapely.LineString(axis.line.xyz_m[:, :2])
    on = shapely.get_coordinates(path.interpolate(path.project(shapely.Point(at_m))))[0]
    return _spot(nan, on, 0.0, "end")


def _spot(counter_m: float, at_m: Floats, off_95_m: float, by: str) -> KnownPlace:
    """Return a spot at one place (2 or more) that is known to within its 95 %."""
    return KnownPlace(counter_m, (at_m[:2],), max(float(np.nan_to_num(off_95_m)), LEAST_M), by)


# ---- counters ------------------------------------------------------------------------------


def _counted(site: SearchedSite, run: Run, stops: Collection[int] | None = None) -> Floats:
    """Return the counters of places a run's pipe is known to pass (n,), its entry with others.

    Of its stops, some or all of them, its observations, its exposures and the junction.
    """
    fixes, seen, shown = site.fixes, site.record.observations, site.exposures
    rows = [i for i in _rows(site, run) if stops is None or i in stops]
    counters = np.concatenate(
        [
            fixes.counter_m[rows] - run.transmitter_lag_m,
            seen.counter_m[seen.run == run.id],
            shown.counter_m[shown.run == run.id],
            np.array([b.at_counter_m for b in site.settings.branches if b.run == run.id]),
        ]
    )
    counters = counters[np.isfinite(counters)]
    return np.append(counters, run.counter_at_entry_m) if len(counters) else counters


def _counts_along(site: SearchedSite, axis: Axis, run: Run) -> Run | None:
    """Return the run whose counter reaches the line: this one, or one pushed the same way from the
    same entry; None when there is none."""
    same = [r for r in site.runs(run.line) if run.pushed_as(r)]
    for twin in (run, *same):
        if ((axis.line.run == twin.id) & np.isfinite(axis.line.counter_m)).any():
            return twin
    return None
