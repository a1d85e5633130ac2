"""What data alone cannot show: for each such mistake a faultless site whose data are the same.

A twin is another truth. Surveyed without noise it gives what the mistake makes of the true site, to
less than one σ of every reading, with the same settings: whatever is said of the one must be said
of the other, of which all is true. So no finding can name the mistake by the data.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields, replace
from functools import cache
from math import hypot

import numpy as np

from lateralline.settings import Accuracy, standard_accuracy
from lateralline.simulate.survey import Row
from lateralline.simulate.truth import Sight, TrueGround, TrueLine, TrueRun, Truth
from lateralline.units import METRES_PER
from tests.trust.catalogue import Mistake
from tests.trust.sites import SiteTables, made_of

#: From the true site's truth and tables and the mistaken tables, all without noise.
Twin = Callable[[Truth, SiteTables, SiteTables], Truth]


#: How far before its junction a branch may turn that joins elsewhere, past its last stop.
_TURN_M = 0.4
#: Where the foot of a riser lies between an opened entry and the first stop.
_RISER = 0.6


@dataclass(frozen=True)
class Hidden:
    """Why a mistake is hidden, in words, and the truth of which its data are true."""

    why: str
    twin: Twin


def exact(truth: Truth) -> Truth:
    """A crew that measures without error."""
    crew = replace(truth.crew, gnss_sigma_h_m=0.0, gnss_sigma_v_m=0.0)
    control = tuple(replace(c, sigma_h_m=0.0) for c in truth.control)
    return replace(truth, crew=crew, control=control)


def exact_tables(name: str, other: Callable[[Truth], Truth]) -> SiteTables:
    """Survey a site without noise."""
    none = Accuracy(**{f.name: 0.0 for f in fields(Accuracy)})
    return made_of(name, 1, lambda truth: exact(other(truth)), none).given


def _elsewhere(truth: Truth, sound: SiteTables, faulty: SiteTables) -> Truth:
    """The same pipe at other coordinates, at another level, in what the settings name."""
    crs = faulty.settings["crs"]
    moved = [_mean(faulty, c) - _mean(sound, c) for c in ("x", "y")]
    level = METRES_PER[sound.settings["units"]["level"]]
    up = level * (_mean(faulty, "z") - _mean(sound, "z"))
    anchor = (truth.anchor[0] + moved[0], truth.anchor[1] + moved[1])
    crs_named = {"horizontal": crs["horizontal"], "vertical": crs["vertical"]}
    return raised(replace(truth, anchor=anchor, **crs_named), up)


def raised(truth: Truth, up_m: float) -> Truth:
    """The same pipe and ground, higher."""
    lines = (replace(ln, axis_m=ln.axis_m + np.array([0.0, 0.0, up_m])) for ln in truth.lines)
    ground = replace(truth.ground, level_m=truth.ground.level_m + up_m)
    return replace(truth, ground=ground, lines=tuple(lines))


def _mean(site: SiteTables, column: str) -> float:
    rows = [*site.control, *site.marks]
    given = [float(r[column]) for r in rows if r.get(column)]
    return float(np.mean(given)) if given else 0.0


def _mirrored(truth: Truth, sound: SiteTables, faulty: SiteTables) -> Truth:
    """East and west exchanged, on the other side of Greenwich."""
    lines = (replace(ln, axis_m=ln.axis_m * (-1.0, 1.0, 1.0)) for ln in truth.lines)
    g = truth.ground
    ground = TrueGround(g.level_m, -g.grade_east, g.grade_north, -g.swell_m, g.swell_length_m)
    return replace(truth, anchor=(-truth.anchor[0], truth.anchor[1]), ground=ground,
                   lines=tuple(lines))  # fmt: skip


def _seen_elsewhere(truth: Truth, sound: SiteTables, faulty: SiteTables) -> Truth:
    """What the camera saw lies where it is booked."""
    rows = zip(sound.tables["observations"], faulty.tables["observations"], strict=True)
    unit = METRES_PER[sound.settings["units"]["counter"]]
    further = [unit * (float(f["counter"]) - float(s["counter"])) for s, f in rows]
    sights: tuple[Sight, ...] = tuple(
        replace(s, travel_m=s.travel_m + more)
        for s, more in zip(truth.sights, further, strict=True)
    )
    return replace(truth, sights=sights)


def _entry_elsewhere(truth: Truth, sound: SiteTables, faulty: SiteTables) -> Truth:
    """Every entry lies further along the pipe, by what the counters of the stops read less."""
    unit = METRES_PER[sound.settings["units"]["counter"]]
    lines = {ln.line: ln for ln in truth.lines}
    runs, sights = [], list(truth.sights)
    moved_m: dict[str, float] = {}
    for run in truth.runs:
        named = next(r for r in faulty.settings["run"] if r["id"] == run.id)
        was = next(r for r in sound.settings["run"] if r["id"] == run.id)
        less = [
            float(s["counter"]) - float(f["counter"])
            for s, f in zip(sound.stops, faulty.stops, strict=True)
            if s["run"] == run.id
        ]
        stops_m = unit * float(np.mean(less))
        less_m = stops_m + unit * (named["counter_at_entry"] - was["counter_at_entry"])
        lines[run.line] = _entered(lines[run.line], run, less_m)
        moved_m[run.line] = stops_m
        counted_m = unit * (named["counter_at_entry"] - was["counter_at_entry"])
        runs.append(
            replace(
                run,
                travel_m=tuple(t - less_m for t in run.travel_m),
                counter_at_entry_m=run.counter_at_entry_m + counted_m,
            )
        )
        sights = [replace(s, travel_m=s.travel_m - counted_m) if s.run == run.id else s
                  for s in sights]  # fmt: skip
    _junctions_elsewhere(lines, moved_m)
    return replace(truth, lines=tuple(lines.values()), runs=tuple(runs), sights=tuple(sights))


def _junctions_elsewhere(lines: dict[str, TrueLine], moved_m: dict[str, float]) -> None:
    """Move each junction along its parent, and let the branch turn to it past its own last stop.

    `moved_m`: by parent how much further the junction lies the way the camera went, downstream.
    """
    for name, branch in lines.items():
        less_m = moved_m.get(branch.joins, 0.0)
        if not less_m:
            continue
        parent = lines[branch.joins]
        at = parent.nodes.index(branch.nodes[0])
        beside = parent.axis_m[at - 1] - parent.axis_m[at]  # downstream
        place = parent.axis_m[at] + less_m * beside / np.linalg.norm(beside)
        axis = parent.axis_m.copy()
        axis[at] = place
        lines[branch.joins] = replace(parent, axis_m=axis)
        way = branch.axis_m[1] - branch.axis_m[0]
        turn = branch.axis_m[0] + _TURN_M * way / np.linalg.norm(way)
        axis = np.vstack([place, turn, branch.axis_m[1:]])
        lines[name] = replace(branch, axis_m=axis, nodes=(branch.nodes[0], "", *branch.nodes[1:]))


def _risen(truth: Truth, sound: SiteTables, faulty: SiteTables) -> Truth:
    """The pipe rises, or drops, steeply between an opened entry and the first stop."""
    unit = METRES_PER[sound.settings["units"]["depth"]]
    rows = zip(sound.exposures, faulty.exposures, strict=True)
    return _with_risers(
        truth, {s["name"]: unit * (float(s["depth"]) - float(f["depth"])) for s, f in rows}
    )


def _with_risers(truth: Truth, up_m: dict[str, float]) -> Truth:
    """Return the site with the pipe higher where it was opened, by so much, as before elsewhere."""
    lines, runs = {ln.line: ln for ln in truth.lines}, {r.id: r for r in truth.runs}
    sights = list(truth.sights)
    for opening in truth.openings:
        run = runs[opening.run]
        line = lines[run.line]
        at = line.nodes.index(opening.node)
        beside = at + (1 if at == 0 else -1)
        way = line.axis_m[beside] - line.axis_m[at]
        along_m = _RISER * run.travel_m[0]
        foot = line.axis_m[at] + along_m * way / np.linalg.norm(way)
        top = line.axis_m[at] + np.array([0.0, 0.0, up_m[opening.name]])
        more_m = float(np.linalg.norm(foot - top)) - along_m
        axis = line.axis_m.copy()
        axis[at] = top
        low = max(at, beside)
        lines[line.line] = replace(
            line,
            axis_m=np.insert(axis, low, foot, axis=0),
            nodes=(*line.nodes[:low], "", *line.nodes[low:]),
        )
        runs[run.id] = replace(run, travel_m=tuple(t + more_m for t in run.travel_m))
        sights = [replace(s, travel_m=s.travel_m + more_m) if s.run == run.id else s
                  for s in sights]  # fmt: skip
    return replace(truth, lines=tuple(lines.values()), runs=tuple(runs.values()),
                   sights=tuple(sights))  # fmt: skip


def _entered(line: TrueLine, run: TrueRun, further_m: float) -> TrueLine:
    """Return the line with the node of the entry moved along the pipe the way the camera goes."""
    at = line.nodes.index(run.entry)
    beside = at + (1 if at == 0 else -1)
    way = line.axis_m[beside] - line.axis_m[at]
    axis = line.axis_m.copy()
    axis[at] += further_m * way / np.linalg.norm(way)
    return replace(line, axis_m=axis)


def _other_ride(truth: Truth, sound: SiteTables, faulty: SiteTables) -> Truth:
    """The transmitter rides as high as is said: the pipe lies lower, but where it was opened."""
    unit = METRES_PER[sound.settings["units"]["pipe"]]
    ride_m = {r["id"]: unit * float(r["ride_height"]) for r in faulty.settings["run"]}
    more_m = {r.id: ride_m[r.id] - r.ride_height_m for r in truth.runs}
    runs = tuple(replace(r, ride_height_m=ride_m[r.id]) for r in truth.runs)
    opened = {o.name: more_m[o.run] for o in truth.openings}
    return _with_risers(replace(truth, runs=runs), opened)


def _other_relief(truth: Truth, sound: SiteTables, faulty: SiteTables) -> Truth:
    """Ground that rises more or less, and pipe as deep below it as before."""
    named = faulty.settings["units"]["level"]
    own = METRES_PER[sound.settings["units"]["level"]]
    k = METRES_PER[named] * _mean(faulty, "z") / (own * _mean(sound, "z"))
    g = truth.ground
    ground = TrueGround(k * g.level_m, k * g.grade_east, k * g.grade_north, k * g.swell_m,
                        g.swell_length_m)  # fmt: skip
    lines = []
    for line in truth.lines:
        under = g.level(*line.axis_m[:, :2].T)
        axis = line.axis_m.copy()
        axis[:, 2] += (k - 1.0) * under
        lines.append(replace(line, axis_m=axis))
    level = (named, truth.steps.level[1])
    return replace(
        truth, ground=ground, lines=tuple(lines), steps=replace(truth.steps, level=level)
    )


HIDDEN: dict[str, Hidden] = {
    "elsewhere": Hidden(
        "The same pipe lies somewhere else: all positions, or all levels, move together.",
        _elsewhere,
    ),
    "mirror": Hidden("The mirror image of the site, on the other side of Greenwich.", _mirrored),
    "observation": Hidden("The camera saw it at that place.", _seen_elsewhere),
    "entry": Hidden("The camera went in at another place along the pipe.", _entry_elsewhere),
    "riser": Hidden(
        "The pipe rises so much between the opened cleanout and the first stop.", _risen
    ),
    "ride": Hidden("The transmitter rides so high, in a pipe that lies lower.", _other_ride),
    "relief": Hidden("Ground that rises less or more, with the pipe as deep below.", _other_relief),
}


@cache
def is_hidden(mistake: Mistake, name: str) -> bool:
    """Whether a faultless site has the data of a mistake on one kind of site."""
    return bool(mistake.hidden) and max(apart(mistake, name).values()) < 1.0


def apart(mistake: Mistake, name: str) -> dict[str, float]:
    """Return by column how many σ the data of a mistake are off those of the twin."""
    sound = exact_tables(name, lambda truth: truth)
    faulty = sound.copy()
    if mistake.change(faulty, np.random.default_rng(1)) is None:
        return {"": np.inf}
    twin = HIDDEN[mistake.hidden].twin
    return differences(faulty, exact_tables(name, lambda truth: twin(truth, sound, faulty)))


def differences(one: SiteTables, other: SiteTables) -> dict[str, float]:
    """Return by column how far two sites' data are apart at most, in σ; inf where no number.

    Settings must be equal; numbers of settings to what a crew writes down.
    """
    worst: dict[str, float] = {"settings": _settings_apart(one.settings, other.settings)}
    for table, rows in one.tables.items():
        others = other.tables[table]
        if len(rows) != len(others):
            worst[table] = np.inf
            continue
        for a, b in zip(rows, others, strict=True):
            for column in a:
                key = f"{table}.{column}"
                far = _apart(column, a, b, one)
                worst[key] = max(worst.get(key, 0.0), far)
    return worst


def _settings_apart(one: object, other: object) -> float:
    if isinstance(one, dict) and isinstance(other, dict) and one.keys() == other.keys():
        return max((_settings_apart(one[k], other[k]) for k in one), default=0.0)
    if isinstance(one, list) and isinstance(other, list) and len(one) == len(other):
        return max((_settings_apart(a, b) for a, b in zip(one, other, strict=True)), default=0.0)
    if isinstance(one, float | int) and isinstance(other, float | int):
        return 0.0 if abs(one - other) <= 0.02 else np.inf
    return 0.0 if one == other else np.inf


def _apart(column: str, a: Row, b: Row, site: SiteTables) -> float:
    one, other = a.get(column, ""), b.get(column, "")
    if one == other:
        return 0.0
    if column == "ties":
        pairs = zip(one.split(";"), other.split(";"), strict=True)
        both = [(s.split(":"), t.split(":")) for s, t in pairs]
        if any(s[0] != t[0] for s, t in both):
            return np.inf
        return max(abs(float(s[1]) - float(t[1])) for s, t in both) / _sigma(column, a, site)
    try:
        return abs(float(one) - float(other)) / _sigma(column, a, site)
    except (ValueError, KeyError):
        return np.inf


def _sigma(column: str, row: Row, site: SiteTables) -> float:
    """Return one σ of a reading in its unit, placing included where it is of a mark."""
    a, units = standard_accuracy(), site.settings["units"]
    mark_m = hypot(a.mark_placing_m, a.tape_m) if "kind" in row else a.tape_m
    tape, level = METRES_PER[units["tape"]], METRES_PER[units["level"]]
    geographic = site.settings["crs"]["horizontal"] == "EPSG:4326"
    grid = 1e5 if geographic else 1.0  # a degree is some 1e5 m
    return {
        "x": mark_m / grid, "y": mark_m / grid, "z": a.level_m / level,
        "base_distance": mark_m / tape, "base_offset": mark_m / tape, "ties": mark_m / tape,
        "polar_distance": mark_m / tape,
        "polar_azimuth_deg": float(np.degrees(a.bearing_reading_rad)),
        "counter": a.counter_m / METRES_PER[units["counter"]],
        "depth_reading": max(a.depth_reading_ratio * float(row.get("depth_reading") or 0.0),
                             a.depth_reading_min_m / METRES_PER[units["depth"]]),
        "depth": a.exposure_m / METRES_PER[units["depth"]],
        "tilt_deg": float(np.degrees(a.tilt_measured_rad)),
    }[column]  # fmt: skip
