"""Findings on single points, counters and the order of stops, before a line is adjusted.

Each function takes values and returns one `Finding`: its code, severity and subject, the sentence,
the figure and what to do. Nothing here decides anything; `wording_lines` has the rest.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from typing import Final

import numpy as np

from lateralline.link.lines import LocatedPoint
from lateralline.proportions import MOST_LEG_M, MOST_SIGMA_M
from lateralline.records import Effect, Finding, Floats, Severity
from lateralline.settings import Run
from lateralline.wording import metres

_error = partial(Finding, "error", "link")
_warning = partial(Finding, "warning", "link")
_info = partial(Finding, "info", "link")

#: What a wrong factor comes from, as counted over true: in one reading, in all of them.
SLIPS: Final = {
    10.0: "a decimal point, ten times too large",
    0.1: "a decimal point, ten times too small",
    100.0: "centimetres for metres, or a decimal point",
    0.01: "metres for centimetres, or a decimal point",
    1 / 0.3048: "feet taken for metres",
    0.3048: "metres taken for feet",
}
UNIT_SLIPS: Final = SLIPS | {
    12.0: "inches taken for feet",
    1 / 12: "feet taken for inches",
    1 / 0.0254: "inches taken for metres",
    0.0254: "metres taken for inches",
}
#: Findings on stops that only follow from their counters being exchanged.
_FOLLOWS_EXCHANGE: Final = (
    "counter-backwards",
    "counter-impossible",
    "chord-exceeds-counter",
    "order-unclear",
)


# ---- located points ------------------------------------------------------------------------


def fix_without_error(stop: str, where: str) -> Finding:
    """A stop whose position or covariance is not finite."""
    return _warning(
        "fix-without-error",
        f"stop {stop}",
        "its position or covariance is not finite: it is left out of the line",
        "",
        "mark it again",
        where,
    )


def fix_without_place(stop: str, sigma_m: float, where: str) -> Finding:
    """A stop whose position is too uncertain to be of use; `sigma_m` of its worse axis in plan."""
    return _error(
        "fix-without-place",
        f"stop {stop}",
        "its position is known so poorly that it is none: it is left out of the line",
        f"± {metres(sigma_m, 0)} (1 σ); {metres(MOST_SIGMA_M, 0)} at most are of use",
        "look at the sigma of its marks and of their control, or mark it again",
        where,
    )


def counter_backwards(stop: str, before: str, by_m: float, where: str) -> Finding:
    """A counter below that of the stop written before it."""
    return _warning(
        "counter-backwards",
        f"stop {stop}",
        f"its counter is below that of stop {before} written before it; stops are linked in the "
        "order of their counters",
        metres(by_m),
        "check both counter readings",
        where,
        about=(f"stop {before}",),
    )


def exposure_level_unused(point: LocatedPoint, line: str, measured_to: str) -> Finding:
    """An exposure whose level cannot be brought to the pipe's axis."""
    return _warning(
        "exposure-level-unused",
        point.subject,
        f"measured to {measured_to.replace('_', ' ')}, but the pipe's dimensions are not known: it "
        "holds the line in plan only",
        "",
        f"give line {line} a nominal size, or inside_diameter and wall, in site.toml",
        point.where,
    )


def level_off_line(line: str, level: LocatedPoint) -> Finding:
    """A level measured at a counter that is not between located points."""
    return _warning(
        "level-off-line",
        level.subject,
        f"its counter lies beyond what was located of line {line}, or its level cannot be brought "
        "to the axis: it is not used",
        "",
        "check run and counter; give the pipe's dimensions for a crown or outside top",
        level.where,
    )


def point_apart(point: LocatedPoint, away_m: float) -> Finding:
    """A point further from the rest of its line than any cable reaches."""
    return _error(
        "point-astray",
        point.subject,
        "lies further from every other point of its line than any cable reaches: it is left out, "
        "and the rest of the line is drawn",
        f"{metres(away_m, 0)} from the nearest; {metres(MOST_LEG_M, 0)} are believed",
        "check the coordinates of its marks by digits, and the level and station they hang on",
        point.where,
    )


def point_beyond_cable(point: LocatedPoint, beyond_m: float) -> Finding:
    """A point further from the other stops of its run than the cable was counted."""
    return _error(
        "point-astray",
        point.subject,
        "lies further from the other stops of its run than its cable reached: it is left out, and "
        "the rest of the line is drawn",
        f"{metres(beyond_m, 0)} beyond the counted length",
        "check the coordinates of its marks by digits, and its counter",
        point.where,
    )


def line_scattered(line: str, across_m: float, where: str) -> Finding:
    """A line whose points lie in groups far apart, none of which is the larger."""
    return _error(
        "line-not-drawn",
        f"line {line}",
        "its located points lie further apart than any cable reaches, and nothing tells which of "
        "them are right: it is not drawn",
        f"{metres(across_m, 0)} across; neighbours {metres(MOST_LEG_M, 0)} apart are believed",
        "check the coordinates of its marks by digits",
        where,
    )


def line_not_located(line: str, points: Sequence[LocatedPoint], *, surveyed: bool) -> Finding:
    """A line with fewer than two points; an error where someone pushed a camera."""
    severity: Severity = "error" if surveyed else "warning"
    if not points:
        return Finding(
            severity,
            "link",
            "line-without-fix",
            f"line {line}",
            "no stop of it was located: it is not drawn",
            "0 located points",
            "mark at least two stops on it",
        )
    point = points[0]
    loose = " and its heading may be off by 180°" if point.directed else ""
    return Finding(
        severity,
        "link",
        "line-single-fix",
        f"line {line}",
        f"only {point.subject} was located: it is not drawn{loose}",
        "1 located point",
        "mark a second stop, or measure its entry as an exposure",
        point.where,
    )


def entry_not_mapped(run: Run, counted_m: float) -> Finding:
    """The pipe between a run's entry and its nearest located point."""
    return _warning(
        "entry-not-mapped",
        f"run {run.id}",
        f"the pipe from {run.entry or 'its entry'} to the nearest located point is not located: "
        "line, corridor and dig zone end at that point; the entry itself is drawn only where the "
        "counter carries a little beyond it, straight on",
        f"{metres(counted_m)} of counted length",
        f"measure {run.entry or 'the entry'} as an exposure",
    )


# ---- counters ------------------------------------------------------------------------------


def counter_still(run: str, stops: int) -> Finding:
    """A counter that reads the same at stops that lie apart."""
    return _error(
        "counter-still",
        f"run {run}",
        "its counter reads the same at every stop: no length is taken from it, and its stops are "
        "linked in the order they were written",
        f"{stops} stops",
        "enter the readings, or leave the column empty; and see that the stops are in order",
    )


def counter_factor(run: str, ratio: float, stretches: int, slip: float | None) -> Finding:
    """Counters off by a factor throughout; `slip` is the key in `UNIT_SLIPS` that explains it."""
    cause = f" ({UNIT_SLIPS[slip]}?)" if slip is not None else ""
    return _error(
        "counter-factor",
        f"run {run}",
        f"its counters differ by a factor from the distances between its stops throughout{cause}; "
        "they give the order of the stops, but no length is taken from them",
        f"counted {ratio:.3g} times what lies between neighbouring stops (median of {stretches})",
        "check counter under [units], and how the counter was read; and tape under [units], where "
        "no depth reading speaks for it",
    )


def counter_contradiction(run: str) -> Finding:
    """Counters that contradict the places of their stops, none of them more believable."""
    return _error(
        "counter-contradiction",
        f"run {run}",
        "its counters and the places of its stops contradict each other, and too few of them agree "
        "to tell which are wrong; they give the order of the stops, but no length is taken from "
        "them: the line is drawn by its marks",
        "",
        "check every counter reading of the run, and mark its stops again",
    )


def counters_exchanged(
    run: str, a: LocatedPoint, b: LocatedPoint, read_m: Sequence[float]
) -> Finding:
    """Two readings of a run that belong to each other's stop; neither is used."""
    return _error(
        "counters-exchanged",
        f"run {run}",
        f"the counters of {a.subject} and {b.subject} look exchanged: the places of both, and of "
        "the stops beside them, fit only the other way round",
        f"{metres(read_m[0])} at {a.subject}, {metres(read_m[1])} at {b.subject}",
        "compare with the field sheet and exchange them; until then neither is used, and both "
        "stops are placed in the line by their marks",
        a.where,
        about=(a.subject, b.subject),
        explains=(Effect.of(_FOLLOWS_EXCHANGE, [a.subject, b.subject]),),
    )


def counter_jump(run: str, points: Sequence[LocatedPoint], by_m: float) -> Finding:
    """Several readings off by as much: the counter was set anew, or slipped."""
    names = ", ".join(p.subject for p in points)
    return _error(
        "counter-jump",
        f"run {run}",
        f"its counter jumped: the readings of {names} do not go on from the others; they are not "
        "used, and these are placed in the line by their marks",
        metres(by_m, 1, signed=True),
        "correct the counters after the jump, or give them a run of their own",
        points[0].where,
    )


def counter_impossible(
    point: LocatedPoint, run: str, read_m: float, expected_m: float, slip: float | None
) -> Finding:
    """One reading that cannot be; `slip` is the key in `SLIPS` that explains it."""
    cause = f": {SLIPS[slip]}" if slip is not None else ""
    return _error(
        "counter-impossible",
        point.subject,
        f"its counter reading cannot be: where it was marked, run {run} would have read about "
        f"{metres(expected_m, 1)}, not {metres(read_m)}{cause}; the reading is not used, and it is "
        "placed in the line by its marks",
        metres(read_m - expected_m, 1, signed=True),
        f"correct the counter of {point.subject}; if it is right, mark it again",
        point.where,
    )


def chord_exceeds_counter(
    a: LocatedPoint, b: LocatedPoint, run: str, apart_m: float, counted_m: float, by_chance_m: float
) -> Finding:
    """Neighbours on a run further apart than the cable between them."""
    return _error(
        "chord-exceeds-counter",
        b.subject,
        f"lies further from {a.subject} than the cable of run {run} reached: {metres(apart_m)} "
        f"apart, {metres(counted_m)} counted",
        f"{metres(apart_m - counted_m)} too far (by chance up to {metres(by_chance_m)})",
        "read the counter at both again, and mark both again",
        b.where or a.where,
        about=(a.subject,),
    )


# ---- order ---------------------------------------------------------------------------------


def flow_contradicts(run: Run, other: Run, stops: int) -> Finding:
    """A run whose stops lie along the pipe in the reverse order of its counter."""
    right = "with" if run.flow == "against" else "against"
    return _error(
        "flow-contradicts",
        f"run {run.id}",
        "its stops lie along the pipe in the reverse order of what its flow and counter say, going "
        f"by run {other.id}: the line is drawn without run {run.id}",
        f"{stops} stops left out",
        f'give flow = "{right}" for run {run.id} in site.toml, if that of run {other.id} is right',
    )


def order_unclear(line: str, name: str) -> Finding:
    """A run or point that nothing places along its line."""
    return _warning(
        "order-unclear",
        f"line {line}",
        f"nothing says where {name} belongs along the line",
        "",
        "give it a counter reading, name the entry it starts from, or add a stop",
    )


# ---- one place -----------------------------------------------------------------------------


def counter_duplicate(keep: LocatedPoint, drop: LocatedPoint) -> Finding:
    """Two stops of a run at one counter."""
    return _warning(
        "counter-duplicate",
        drop.subject,
        f"has the same counter reading as stop {keep.ref}; the less certain of the two is left out "
        "of the line",
        f"{metres(np.hypot(*(drop.xyz_m - keep.xyz_m)[:2]))} apart in plan",
        "correct the counter of one of them, or remove one",
        drop.where,
    )


def exposures_one_place(keep: LocatedPoint, other: LocatedPoint) -> Finding:
    """Two exposures of one place that agree."""
    return _info(
        "exposures-one-place",
        other.subject,
        f"is the same place as exposure {keep.ref}, and agrees with it: both are used, and the "
        f"node is called {keep.ref}",
        f"{metres(np.hypot(*(other.xyz_m - keep.xyz_m)[:2]))} apart in plan",
        "none needed, if they are one place; else check their counters",
        other.where,
    )


def exposures_disagree(
    a: LocatedPoint, b: LocatedPoint, gap_m: Floats, spread_m2: Floats, test: float, limit: float
) -> Finding:
    """Two exposures of one place that contradict each other: b less a (3,), and its covariance."""
    plan = float(np.hypot(*gap_m[:2]))
    way = gap_m[:2] / plan if plan > 0 else np.array([0.0, 1.0])
    sigma = float(np.sqrt(way @ spread_m2[:2, :2] @ way))
    level, level_sigma = gap_m[2] + 0.0, float(np.sqrt(spread_m2[2, 2]))
    towards = float(np.degrees(np.arctan2(way[0], way[1]))) % 360
    return _error(
        "exposures-disagree",
        a.subject,
        f"exposure {b.ref} of the same place lies elsewhere, and the two cannot tell which of "
        "them is wrong: neither counts as seen; the node lies between them as far as the line "
        "leaves it, with an uncertainty that holds both",
        f"{b.ref} lies {metres(plan)} ± {metres(sigma)} towards {towards:.0f}° and "
        f"{metres(level, signed=True)} ± {metres(level_sigma)} in level of it, "
        f"√T = {np.sqrt(test):.1f} (limit {np.sqrt(limit):.2f})",
        "measure both again; correct their counters if they are two places",
        a.where,
    )


def exposure_disagrees(
    stop: LocatedPoint, seen: LocatedPoint, test: float, limit: float
) -> Finding:
    """An exposure that contradicts the stop at the same place."""
    gap = seen.xyz_m - stop.xyz_m
    return _error(
        "exposure-disagrees",
        seen.subject,
        f"lies elsewhere than stop {stop.ref} at the same counter; the exposure is kept",
        f"{metres(np.hypot(*gap[:2]))} in plan, {metres(gap[2], signed=True)} in level"
        f", √T = {np.sqrt(test):.1f} (limit {np.sqrt(limit):.2f})",
        f"measure the exposure again, then mark stop {stop.ref} again",
        seen.where,
    )
