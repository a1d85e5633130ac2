"""Control points in the site frame: their errors, what hangs on them, whether they can be right.

A slip in a coordinate moves every mark taped from the point and contradicts nothing: a baseline
always fits itself. So its length is a finding, for a person with the tape in hand, and what is out
of proportion is a warning.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import chain
from math import hypot, inf, isnan, sqrt
from typing import Final, NamedTuple, TypeAlias

import numpy as np
from pyproj import CRS

from lateralline.catalogue import Given
from lateralline.findings import Finding, finding
from lateralline.frames import Frame
from lateralline.kernels.taping import Placement
from lateralline.records import FieldRecord, Floats, Ints, Spots
from lateralline.units import METRES_PER

Baseline: TypeAlias = tuple[str, str]  # in the order first taped

# Common practice, no source: nobody tapes a lateral from further away than this.
_LONG_M: Final = 300.0
_TIMES_TAPED: Final = 20.0
_LEVELS_M: Final = 20.0
_METRIC: Final = ("m", "cm")
_A_FOOT: Final = 1e-3  # feet of any definition differ by less
#: Of the variance of control, the part that shifts all of it as a whole, and the part that turns it
#: as a whole, in the mean: its ends move more. The rest is each point's own. Common practice, no
#: source.
SHIFTED, TURNED = 0.5, 0.25
_WHOLE: Final = 3  # east, north, turn


class PlanPositions(NamedTuple):
    """Plan positions of n spots; NaN where one cannot be placed."""

    xy_m: Floats  # (n, 2)
    cov_m2: Floats  # (n, 2, 2) control and tape, or GNSS; without placing and level
    #: (n, 2, 2c + b + 3) what one σ of each shared error does: points, compasses, all control
    by_shared: Floats
    by_level: Floats  # (n, 2) how the position moves with the spot's own level (sloping tape)
    chi2: Floats  # (n,) misfit of three or more ties; else NaN
    dof: Ints  # (n,)
    by_north: Floats  # (n, 2) what one σ of the direction of north does: bearings share it


@dataclass(frozen=True, slots=True)
class PlacedControl:
    """Control points (c rows) in the site frame; a level may be NaN."""

    index: dict[str, int]
    xyz_m: Floats  # (c, 3)
    own_sigma_m: Floats  # each horizontal axis, without what all control is off as a whole
    sigma_v_m: Floats
    whole_m: Floats  # (c, 2, 3) what one σ does to each of control shifted east, north, and turned
    shared: Ints  # (c,) rank among the points that several spots hang on; −1 = not of them
    compass_of: Mapping[str, Ints]  # by noun of a table, which compass each spot was shot with

    @property
    def shares(self) -> int:
        """How many points several spots hang on."""
        return int(self.shared.max(initial=-1)) + 1

    @property
    def width(self) -> int:
        """How many shared errors move spots in plan: of points, of compasses, of all control."""
        compasses = int(max(of.max(initial=-1) for of in self.compass_of.values())) + 1
        return 2 * self.shares + compasses + _WHOLE

    def rows(self, names: Iterable[str]) -> Ints:
        """Return the index of each named point; KeyError when there is none (read has checked)."""
        return np.array([self.index[str(name)] for name in names], dtype=np.int64)

    def hung_on(self, point: Ints, by_control: Floats, cov_m2: Floats) -> tuple[Floats, Floats]:
        """Return the covariance (n, 2, 2) of spots that hang on points, and their shared errors.

        `cov_m2` counts the own errors of the points; point (n, m) are those each spot hangs on,
        `by_control` (n, 2, 2m) its Jacobian. What one σ of each shared error does is
        (n, 2, 2c + b + 3), that of compasses left out.
        """
        n, m = point.shape
        shared = np.zeros((n, 2, self.width + 1))  # the last for points not shared
        by = np.nan_to_num(by_control)
        moved = by * np.repeat(self.own_sigma_m[point], 2, axis=1)[:, None]
        column = 2 * self.shared[point][:, :, None] + np.arange(2)
        column = np.where(column < 0, self.width, column).reshape(n, 1, 2 * m)
        np.add.at(shared, (np.arange(n)[:, None, None], np.arange(2)[None, :, None], column), moved)
        whole = by @ self.whole_m[point].reshape(n, 2 * m, _WHOLE)
        shared[:, :, -1 - _WHOLE : -1] = whole
        return cov_m2 + whole @ whole.transpose(0, 2, 1), shared[:, :, :-1]

    def taped(
        self, placed: Placement, point: Ints, sigma: Floats, by_level: Floats
    ) -> PlanPositions:
        """Return n positions taped from control points (n, c).

        `sigma` (n, k) are those of the measured quantities; `by_level` (n, k) says how these move
        with the spot's own level.
        """
        n = len(point)
        measured = placed.by_measured * sigma[:, None, :]
        control = placed.by_control * np.repeat(self.own_sigma_m[point], 2, axis=1)[:, None, :]
        both = np.concatenate([measured, control], axis=2)
        cov, shared = self.hung_on(point, placed.by_control, both @ both.transpose(0, 2, 1))
        return PlanPositions(
            placed.xy_m,
            cov,
            shared,
            np.einsum("nik,nk->ni", placed.by_measured, by_level),
            np.full(n, np.nan),
            np.zeros(n, dtype=np.int64),
            np.zeros((n, 2)),
        )


def control_in(frame: Frame, record: FieldRecord) -> PlacedControl:
    """Return the control in the site frame.

    Without a sigma of its own a point has gnss_m on each horizontal axis, but none on a local
    sketch, whose axes it defines; and level_m in level.
    """
    rows, accuracy = record.control, record.settings.accuracy
    assumed_m = 0.0 if frame.is_local else accuracy.gnss_m
    xyz = frame.to_local(rows.x, rows.y, rows.z_m)
    sigma = np.where(np.isnan(rows.sigma_h_m), assumed_m, rows.sigma_h_m)
    own_sigma, whole = _as_a_whole(xyz[:, :2], sigma)
    return PlacedControl(
        index={str(name): i for i, name in enumerate(rows.point)},
        xyz_m=xyz,
        own_sigma_m=own_sigma,
        sigma_v_m=np.where(np.isnan(rows.sigma_v_m), accuracy.level_m, rows.sigma_v_m),
        whole_m=whole,
        shared=_shared(rows.point.tolist(), record.marks.spots, record.exposures.spots),
        compass_of=_compasses(record),
    )


def _as_a_whole(xy_m: Floats, sigma_m: Floats) -> tuple[Floats, Floats]:
    """Return what points are off by of their own (c,), and all as a whole (c, 2, 3).

    The last is what one σ of control shifted east and north, and turned about its middle, does to
    each. As a whole it is off by no more than the surest of its points allows.
    """
    whole = np.zeros((len(xy_m), 2, _WHOLE))
    placed = np.isfinite(xy_m).all(axis=1)
    if not placed.any():
        return sigma_m, whole
    sigma = float(sigma_m[placed].min())
    arm = xy_m[placed] - xy_m[placed].mean(axis=0)
    reach = sqrt(float(np.square(arm).sum(axis=1).mean()) / 2.0)
    shift = sigma * sqrt(SHIFTED)
    whole[placed, :, :2] = shift * np.eye(2)
    if reach > 0.0:
        turned = np.column_stack([arm[:, 1], -arm[:, 0]]) / reach
        whole[placed, :, 2] = sigma * sqrt(TURNED) * turned
    own = np.square(sigma_m) - np.where(placed, shift**2 * (1.0 + TURNED / SHIFTED), 0.0)
    return np.asarray(np.sqrt(own)), whole


def _shared(points: Sequence[str], *tables: Spots) -> Ints:
    """Number the points that more than one spot hangs on; −1 for the others."""
    used: Counter[str] = Counter()
    for spots in tables:
        for start, end, ties in zip(spots.base_from, spots.base_to, spots.ties, strict=True):
            used.update({str(start), str(end), *(name for name, _ in ties)})
    several = np.array([used[p] > 1 for p in points], dtype=np.bool_)
    return np.where(several, np.cumsum(several) - 1, -1)


def _compasses(record: FieldRecord) -> dict[str, Ints]:
    """Number the compasses by which more than one spot was shot, of each "mark" and "exposure".

    −1 for other spots. What a compass is off by (iron about the base, the day's declination) it is
    off by at every spot shot from one base on one day.
    """
    day_of = {run.id: str(run.surveyed or "") for run in record.settings.runs}
    marks, exposures = record.marks, record.exposures
    days = ([day_of.get(str(run), "") for run in marks.run], exposures.surveyed.tolist())
    bases = [
        [
            (str(base), on) if method == "polar" else None
            for base, method, on in zip(spots.base_from, spots.method, day, strict=True)
        ]
        for spots, day in zip((marks.spots, exposures.spots), days, strict=True)
    ]
    used = Counter(base for table in bases for base in table if base)
    rank = {base: i for i, base in enumerate(b for b, times in used.items() if times > 1)}
    of = [np.array([rank.get(b, -1) if b else -1 for b in t], dtype=np.int64) for t in bases]
    return {"mark": of[0], "exposure": of[1]}


# ---- whether it can be right ---------------------------------------------------------------


def control_plausible(record: FieldRecord, control: PlacedControl) -> Iterator[Finding]:
    """Yield the length of each baseline, and what of the control is out of proportion."""
    taped = _baselines(record)
    sloping = record.settings.slope_tape
    stretched: set[str] = set()
    for (start, end), longest_m in taped.items():
        east, north, up = np.diff(control.xyz_m[control.rows((start, end))], axis=0)[0].tolist()
        length_m = hypot(east, north, up) if sloping and not isnan(up) else hypot(east, north)
        if not length_m > 0.0:
            continue  # a finding of the spots taped from it
        subject, slope = f"baseline {start}–{end}", "slope" if sloping else ""
        yield _of(record, start, "baseline-check", subject, slope, length_m=length_m)
        variant, why = _out_of_proportion(length_m, longest_m)
        if why:
            stretched |= {start, end}
            yield _of(record, start, "control-implausible", subject, variant, **why)
    yield from _tape_unit(record, taped)
    yield from _level_unit(record)
    used = _used(record)
    yield from _spread(record, control, used, stretched)
    levels = control.xyz_m[control.rows(used), 2]
    if np.isfinite(levels).any():
        low, high = int(np.nanargmin(levels)), int(np.nanargmax(levels))
        if (apart_m := levels[high] - levels[low]) > _LEVELS_M:
            subject, code = f"control point {used[high]}", "control-implausible/levels"
            values: dict[str, Given] = {"low": used[low], "apart_m": apart_m, "most_m": _LEVELS_M}
            yield _of(record, used[high], code, subject, "", **values)


def _tape_unit(record: FieldRecord, taped: Mapping[Baseline, float]) -> Iterator[Finding]:
    """Warn of a metric tape over a grid and levels in feet: nothing else need show it.

    Where depths and counters are in that unit too, the site is consistent, and 3.3 times its size.
    """
    settings = record.settings
    tape, level = (settings.units.get(key, "") for key in ("tape", "level"))
    if taped and tape in _METRIC and level not in _METRIC and _grid_in_feet(record):
        yield finding("unit-wrong/tape-alone", "site", tape=tape, level=level)


def _level_unit(record: FieldRecord) -> Iterator[Finding]:
    """Warn of levels in feet beside lengths in metres, or the other way round.

    Depths and places do not hang on levels, so on ground all but level nothing need show it.
    """
    units = record.settings.units
    tables = (record.marks.spots, record.exposures.spots)
    if not any(np.isfinite(s.z_m).any() for s in tables) or "level" not in units:
        return
    metric = units["level"] in _METRIC
    others = dict.fromkeys(units[key] for key in ("tape", "depth", "counter") if key in units)
    in_metres = {unit in _METRIC for unit in others}
    if (in_feet := _grid_in_feet(record)) is not None:
        in_metres.add(not in_feet)
    if in_metres == {not metric}:
        variant = "level-alone" if metric else "level-alone-feet"
        yield finding("unit-wrong", "site", variant=variant, level=units["level"], others=others)


def _grid_in_feet(record: FieldRecord) -> bool | None:
    """Whether the grid is in feet of any definition; None on a local sketch."""
    if record.settings.horizontal == "local":
        return None
    unit_m = CRS.from_user_input(record.settings.horizontal).axis_info[0].unit_conversion_factor
    return bool(abs(unit_m / METRES_PER["ft"] - 1.0) < _A_FOOT)


def _baselines(record: FieldRecord) -> dict[Baseline, float]:
    """Return each baseline once, whichever way taped, and the longest reading along or off it."""
    longest: dict[Baseline, float] = {}
    for spots in (record.marks.spots, record.exposures.spots):
        for i in np.flatnonzero(spots.method == "offset"):
            start, end = str(spots.base_from[i]), str(spots.base_to[i])
            key = (end, start) if (end, start) in longest else (start, end)
            reading = float(max(abs(spots.station_m[i]), abs(spots.offset_m[i])))
            longest[key] = max(longest.get(key, 0.0), reading)
    return longest


def _out_of_proportion(length_m: float, taped_m: float) -> tuple[str, dict[str, Given]]:
    """Return variant and values of why a length cannot well be; no values when it can."""
    if length_m > _LONG_M:
        return "long", {"length_m": length_m, "most_m": _LONG_M, "alone": ""}
    if 0.0 < taped_m * _TIMES_TAPED < length_m:
        values: dict[str, Given] = {"length_m": length_m, "times": length_m / taped_m}
        return "taped", values | {"longest_m": taped_m, "alone": ""}
    return "", {}


def _spread(
    record: FieldRecord, control: PlacedControl, used: list[str], stretched: set[str]
) -> Iterator[Finding]:
    """Warn of the point furthest from the middle, unless a baseline already was warned of."""
    if len(used) < 2:
        return
    xy = control.xyz_m[control.rows(used), :2]
    away = np.linalg.norm(xy - np.median(xy, axis=0), axis=1)
    far = int(np.argmax(away))
    apart = np.linalg.norm(xy - xy[far], axis=1)
    other = int(np.argmax(apart))
    variant, why = _out_of_proportion(float(apart[other]), _longest_taped_m(record))
    if why and not stretched & {used[far], used[other]}:
        second, first = np.sort(away)[-2:]
        alone = used[far] if len(used) > 2 and first > 5.0 * second else ""
        subject, why = f"control points {used[far]}–{used[other]}", why | {"alone": alone}
        yield _of(record, used[far], "control-implausible", subject, variant, **why)


def _longest_taped_m(record: FieldRecord) -> float:
    """Return the longest length taped on the site; infinite when none was."""
    taped: list[float] = []
    for spots in (record.marks.spots, record.exposures.spots):
        taped += [abs(v) for v in (*spots.station_m, *spots.offset_m) if not isnan(v)]
        taped += [length for ties in spots.ties for _, length in ties]
    return max(taped, default=inf)


def _used(record: FieldRecord) -> list[str]:
    """Return the control points something was taped from; all of them when nothing was yet."""
    every = [str(p) for p in record.control.point]
    named: dict[str, None] = {}
    for spots in (record.marks.spots, record.exposures.spots):
        taped = spots.method != "gnss"
        ties = (name for several in spots.ties for name, _ in several)
        named |= dict.fromkeys(map(str, chain(spots.base_from[taped], spots.base_to[taped], ties)))
    return [name for name in named if name in every] or every  # a method may leave names empty


def _of(
    record: FieldRecord, point: str, code: str, subject: str, variant: str = "", **values: Given
) -> Finding:
    """Return a finding that points at the row of a control point."""
    rows = record.control
    where = f"{rows.file}:{rows.row[int(np.flatnonzero(rows.point == point)[0])]}"
    return finding(code, subject, variant=variant, where=where, more=values)
