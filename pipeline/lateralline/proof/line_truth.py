"""Simulated lines with known truth: what is drawn, and why so.

Sites    25 lines each, on one hillside: laterals are surveyed a street at a time. Every line has a
         run, and a receiver's scale, of its own.
Stops    6–20, 1–3.5 m apart, and 3.5–6 m at one step in twelve, where a hedge or a parked car keeps
         the crew off. Crews see bends through the camera and stop before and after them,
         never in them: a stop drawn within 0.5 m of a bend moves clear of it.
Bends    0–3, of standard fittings (22.5–90°) or, where pipe was laid to fit, of any angle between.
         Of the `HARDER` lines with two bends or more a third hold a pair 0.4–1.2 m apart: an
         offset to one side, a turn made of two fittings, or a vertical drop. Vertical bends come
         in pairs because a lateral that stays steep is soon out of the ground; no stop stands on
         the steep piece between, where a tilt prior of 0 ± 5° would not hold. Pairs are of
         22.5° or 45°.
Grades   1–8 %, another after every bend.
Ground   slopes up to 8 %; lines lie on it so that the transmitter is 0.6–1.8 m deep at every stop,
         the depth of house drains (`HARDER`: to 3.5 m); common practice, no source. Each stop's
         own slope about the site's is `ground_slope_ratio`.
Marks    two end nulls and the mid null; one end null and the mid null at 15 % of stops. GNSS of
         2 cm in plan, 3 cm in level. A depth reading at every stop, no measured tilt.
Runs     one; of lines surveyed `TWICE` a second one, pushed through the same pipe from the other
         end (`BOTH_WAYS`) or from the same one again (`AGAIN`), with stops, counter and receiver of
         its own. Where its stops fall is nobody's plan: many lie within half a metre of another.
Noise    exactly as the default accuracies: placing, receiver, mid null across, depth scale and
         reading, counter scale, slip and reading, transmitter axis against pipe axis in heading and
         tilt. Legs are straight: no accuracy is stated for their wander.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import radians
from typing import Literal

import numpy as np

from lateralline.kernels.curves import directions
from lateralline.proof.scenarios import gnss_marks, stop_rows
from lateralline.records import Floats, Ints, Marks, StopRows
from lateralline.settings import Accuracy, Pipe, Run, Settings, bare_settings, standard_accuracy
from lateralline.simulate.field import place_marks
from lateralline.simulate.truth import Crew, Poses, TrueGround, TrueLine, TrueRun, Truth, stand

SPACING_M = (1.0, 3.5)
KEPT_OFF_M, KEPT_OFF_SHARE = (3.5, 6.0), 1.0 / 12.0
STOPS = (6, 20)
CLEAR_OF_BEND_M = 0.5
#: Pipe beyond the first and the last stop.
MARGIN_M = 1.0
FITTINGS_DEG = (22.5, 45.0, 60.0, 67.5, 72.0, 90.0)
ANY_ANGLE_SHARE = 0.25
PAIR_APART_M = (0.4, 1.2)
PAIR_FITTINGS_DEG = (22.5, 45.0)
#: Bends, or pairs, are this far from one another and from the first stop.
GROUPS_APART_M = 1.5
GRADE = (0.01, 0.08)
ONE_END_SHARE = 0.15
LINES_PER_SITE = 25
SITE_SLOPE = 0.08
SITE_EXTENT_M = 100.0
GNSS_SIGMA_M = (0.02, 0.03)  # plan, level


@dataclass(frozen=True, slots=True)
class Population:
    """What kind of lines are simulated."""

    name: str
    depth_m: tuple[float, float]
    pair_share: float  # of the lines with two bends or more, how many hold a close pair
    second: Literal["", "opposite", "again"] = ""  # which way a second run goes


#: The lines the bounds are for: house drains, 2 to 6 feet down, bends one at a time.
USUAL = Population("usual", (0.6, 1.8), 0.0)
#: Shown without a bound: deeper ones, whose fixes are blunter, and pairs of bends that undo each
#: other within a step.
HARDER = Population("harder", (0.6, 3.5), 1.0 / 3.0)
#: The usual lines, run through twice.
BOTH_WAYS = Population("two runs, opposite", (0.6, 1.8), 0.0, "opposite")
AGAIN = Population("two runs, again", (0.6, 1.8), 0.0, "again")
TWICE = (BOTH_WAYS, AGAIN)


@dataclass(frozen=True, slots=True, eq=False)
class SimulatedSite:
    """Lines of one site as the stages take them, and what is true.

    Line "L7" is surveyed by run "R7", and by "S7" when it is twice; a line's vertices are
    downstream → upstream, and every inner one is a bend. Poses, `stops` and so fixes are row by row
    the same stops.
    """

    lines: tuple[TrueLine, ...]
    poses: Poses
    marks: Marks
    stops: StopRows
    settings: Settings

    def rows(self, line: TrueLine) -> Ints:
        """Return the rows of `stops` of a line, run by run in order of the camera's travel."""
        return np.flatnonzero(np.isin(self.stops.run, self.runs(line)))

    def runs(self, line: TrueLine) -> list[str]:
        """Return the ids of a line's runs."""
        return [run.id for run in self.settings.runs if run.line == line.line]


def simulate_site(
    seed: int,
    index: int,
    count: int = LINES_PER_SITE,
    accuracy: Accuracy | None = None,
    population: Population = USUAL,
) -> SimulatedSite:
    """Return one site of `count` lines; equal seed and index give equal sites."""
    rng, accuracy = np.random.default_rng([seed, index]), accuracy or standard_accuracy()
    steep, aspect = rng.uniform(0.0, SITE_SLOPE), rng.uniform(0.0, 2.0 * np.pi)
    ground = TrueGround(0.0, float(steep * np.sin(aspect)), float(steep * np.cos(aspect)))
    pairs = [_line_and_run(rng, i, ground, population) for i in range(count)]
    lines, runs = (tuple(x) for x in zip(*pairs, strict=True))
    if population.second:
        runs += tuple(_second(rng, *pair, population.second) for pair in pairs)
    site = f"LINES-{index}"
    truth = Truth(site, site, "local", "none", (0.0, 0.0), ground, lines, runs, Crew())
    count = sum(len(run.travel_m) for run in runs)
    skew = rng.normal(size=(count, 2)) * (accuracy.axis_heading_rad, accuracy.axis_tilt_rad)
    poses = stand(truth, skew)
    settings = replace(
        bare_settings(),
        id=site,
        accuracy=accuracy,
        pipes=tuple(
            Pipe(x.line, "PVC", "DN110", "sanitary", 0.1036, 0.0032, "EN 1401") for x in lines
        ),
        runs=tuple(
            Run(
                r.id,
                r.line,
                r.entry,
                r.counter_at_entry_m,
                r.flow,
                r.transmitter_lag_m,
                r.ride_height_m,
                receiver=r.id,
            )
            for r in runs
        ),
    )
    marks = _marks(rng, poses, _rough(rng, ground, poses, accuracy), accuracy)
    per_run = [_counter_and_day(rng, run, accuracy) for run in runs]
    counter, day = (np.concatenate(x) for x in zip(*per_run, strict=True))
    stops = stop_rows(rng, poses, counter, day, accuracy)
    return SimulatedSite(lines, poses, marks, stops, settings)


# ---- the pipes ----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Bend:
    at_m: float
    turn_rad: float  # to the right
    rise_rad: float  # upward, besides the change of grade
    paired: bool  # the first of a pair


def _line_and_run(
    rng: np.random.Generator, number: int, ground: TrueGround, population: Population
) -> tuple[TrueLine, TrueRun]:
    count = int(rng.integers(STOPS[0], STOPS[1] + 1))
    bends = _bends(rng, float(np.mean(SPACING_M)) * (count - 1), population.pair_share)
    along = MARGIN_M + _standstills(rng, bends, count)
    end = float(along[-1]) + MARGIN_M
    bends = [b for b in bends if MARGIN_M + b.at_m < end - 0.1]
    line = TrueLine(f"L{number}", np.zeros((2, 3)), ("MAIN", *[""] * len(bends), "CO"))
    while True:
        line = replace(line, axis_m=_axis(rng, bends, end))
        at = line.at(along)
        over = ground.level(at[:, 0], at[:, 1]) - at[:, 2]
        low, high = population.depth_m[0] - over.min(), population.depth_m[1] - over.max()
        if low < high:
            break
    line = replace(line, axis_m=line.axis_m - (0.0, 0.0, rng.uniform(low, high)))
    return line, _run(f"R{number}", line, along, upstream=rng.random() < 0.5)


def _second(
    rng: np.random.Generator, line: TrueLine, first: TrueRun, way: Literal["opposite", "again"]
) -> TrueRun:
    """Return another push through a line, from its other end or from the same one again."""
    start = MARGIN_M * float(rng.uniform(0.5, 1.5))
    bends = [_Bend(float(at) - start, 0.0, 0.0, False) for at in line.chainage_m[1:-1]]
    along = start + _standstills(rng, bends, int(line.length_m / SPACING_M[0]))
    along = along[along < line.length_m - 0.5 * MARGIN_M]
    upstream = (first.flow == "against") == (way == "again")
    return _run(first.id.replace("R", "S"), line, along, upstream=upstream)


def _run(name: str, line: TrueLine, along_m: Floats, *, upstream: bool) -> TrueRun:
    """Return the push that stops at these chainages (k,)."""
    if upstream:
        return TrueRun(name, line.line, "MAIN", "against", tuple(along_m.tolist()))
    travel = (line.length_m - along_m)[::-1]
    return TrueRun(name, line.line, "CO", "with", tuple(travel.tolist()))


def _bends(rng: np.random.Generator, length_m: float, pair_share: float) -> list[_Bend]:
    """Return 0–3 bends along about `length_m`, the first stop at 0."""
    number = int(rng.integers(0, 4))
    pair = number >= 2 and rng.random() < pair_share
    groups = number - pair
    while True:
        at = np.sort(rng.uniform(0.0, length_m, groups))
        if (np.diff(at, prepend=0.0, append=length_m) >= GROUPS_APART_M).all():
            break
    paired = int(rng.integers(groups)) if pair else -1
    out: list[_Bend] = []
    for i, place in enumerate(at.tolist()):
        side = float(rng.choice((-1.0, 1.0)))
        if i != paired:
            out.append(_Bend(place, side * _angle(rng), 0.0, False))
            continue
        half = 0.5 * float(rng.uniform(*PAIR_APART_M))
        angle = radians(float(rng.choice(PAIR_FITTINGS_DEG)))
        turns = {
            "offset": ((side * angle, 0.0), (-side * angle, 0.0)),
            "turn": ((side * angle, 0.0), (side * angle, 0.0)),
            "drop": ((0.0, angle), (0.0, -angle)),
        }
        first, second = turns[str(rng.choice(list(turns)))]
        out.append(_Bend(place - half, *first, True))
        out.append(_Bend(place + half, *second, False))
    return out


def _angle(rng: np.random.Generator) -> float:
    if rng.random() < ANY_ANGLE_SHARE:
        return radians(rng.uniform(FITTINGS_DEG[0], FITTINGS_DEG[-1]))
    return radians(float(rng.choice(FITTINGS_DEG)))


def _standstills(rng: np.random.Generator, bends: list[_Bend], count: int) -> Floats:
    """Return where the transmitter stops (count,), the first at 0, none close to a bend."""
    seconds = [bends[i + 1].at_m if b.paired else b.at_m for i, b in enumerate(bends)]
    zones = [
        (b.at_m - CLEAR_OF_BEND_M, last + CLEAR_OF_BEND_M)
        for b, last in zip(bends, seconds, strict=True)
    ]
    out = [0.0]
    while len(out) < count:
        kept_off = rng.random() < KEPT_OFF_SHARE
        place = out[-1] + rng.uniform(*(KEPT_OFF_M if kept_off else SPACING_M))
        for before, after in zones:
            if before < place < after:
                place = before if before >= out[-1] + SPACING_M[0] else after
        out.append(place)
    return np.array(out)


def _axis(rng: np.random.Generator, bends: list[_Bend], end_m: float) -> Floats:
    """Return an axis (m, 3) somewhere on the site from its downstream end, `end_m` long."""
    start = np.array([*rng.uniform(0.0, SITE_EXTENT_M, 2), 0.0])
    heading = rng.uniform(0.0, 2.0 * np.pi) + np.cumsum([0.0, *(b.turn_rad for b in bends)])
    rise = np.cumsum([0.0, *(b.rise_rad for b in bends)])
    tilt = np.arctan(rng.uniform(*GRADE, len(rise))) + rise
    at = np.array([0.0, *(MARGIN_M + b.at_m for b in bends), end_m])
    steps = np.diff(at)[:, None] * directions(heading, tilt)
    return np.asarray(start + np.concatenate([np.zeros((1, 3)), np.cumsum(steps, axis=0)]))


def _rough(
    rng: np.random.Generator, ground: TrueGround, poses: Poses, accuracy: Accuracy
) -> TrueGround:
    """Return a plane for each stop, of a slope of its own, through the site's straight above it."""
    own = rng.normal(size=(2, len(poses.stop))) * accuracy.ground_slope_ratio
    level = -own[0] * poses.xyz_m[:, 0] - own[1] * poses.xyz_m[:, 1]
    return TrueGround(level, ground.grade_east + own[0], ground.grade_north + own[1])


# ---- the survey ---------------------------------------------------------------------------


def _marks(rng: np.random.Generator, poses: Poses, ground: TrueGround, accuracy: Accuracy) -> Marks:
    pose, names, spots = place_marks(rng, poses, ground, ("end_null", "mid_null"), accuracy)
    kind = np.array(names)
    one_end = rng.random(len(poses.stop)) < ONE_END_SHARE
    which = rng.integers(0, 2, len(poses.stop))
    nth = np.arange(len(pose)) - np.searchsorted(pose, pose)  # tail, head, middle
    keep = ~((kind == "end_null") & one_end[pose] & (nth == which[pose]))
    pose, kind, spots = pose[keep], kind[keep], spots[keep]
    return gnss_marks(rng, poses, pose, kind, spots, GNSS_SIGMA_M, accuracy)


def _counter_and_day(
    rng: np.random.Generator, run: TrueRun, accuracy: Accuracy
) -> tuple[Floats, Floats]:
    """Return a run's counter readings (k,), and its receiver's depth scale at each (k,)."""
    a, count = accuracy, len(run.travel_m)
    face = np.array(run.travel_m) + run.transmitter_lag_m
    slip = np.cumsum(rng.normal(size=count) * a.counter_ratio * np.diff(face, prepend=0.0))
    scale, day = rng.normal(1.0, (a.counter_scale_ratio, a.depth_scale_ratio))
    reading = a.counter_m * rng.normal(size=count)
    return run.counter_at_entry_m + scale * face + slip + reading, np.full(count, day)
