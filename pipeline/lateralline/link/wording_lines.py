"""Findings on adjusted lines: blunders, misfits, shapes of stretches, bends, junctions.

Each function takes values and returns one `Finding`: its code, severity and subject, the sentence,
the figure and what to do. Nothing here decides anything; `wording_points` has those on points.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from typing import Final, TypeAlias

import numpy as np
from scipy.stats import norm

from lateralline.kernels.network import W_LIMIT
from lateralline.link.lines import LocatedPoint, SuspectedBlunder
from lateralline.proportions import MOST_LEG_M
from lateralline.records import Effect, Finding, Floats
from lateralline.settings import Branch
from lateralline.wording import metres

#: The points at both ends of a stretch.
Ends: TypeAlias = tuple[LocatedPoint, LocatedPoint]

_error = partial(Finding, "error", "link")
_warning = partial(Finding, "warning", "link")
_info = partial(Finding, "info", "link")

_Z95: Final = float(norm.ppf(0.975))
#: An error in plan of which a component is less sure than this is told across it only.
_TOLD_M: Final = 0.5
#: Two directions less than 30° apart are one, in words.
_ALIKE: Final = float(np.cos(np.radians(30.0)))
_READING: Final = {
    "plan": "position in plan",
    "level": "level",
    "heading": "heading",
    "tilt": "tilt",
    "counter": "counter reading",
    "kink": "direction",
}
_AGAIN: Final = {
    "plan": "measure this {kind} again, or check its tape dimensions",
    "level": "check the depth reading and the ground levels of this {kind}",
    "heading": "mark the nulls of this {kind} again, the end nulls first",
    "tilt": "check the depth reading and the end nulls of this {kind}",
    "counter": "read the counter at this {kind} again",
}
#: Findings that only follow from a shift of stops.
_FOLLOWS_SHIFT: Final = (
    "shape-contradiction",
    "step-suspected",
    "shape-undecided",
    "bend-at-stop",
    "bend-unsure",
    "chord-exceeds-counter",
    "link-blunder",
    "counter-jump",
)


# ---- lines that are not drawn, or do not fit -------------------------------------------------


def line_failed(line: str, why: str) -> Finding:
    """A line whose numbers fail."""
    return _error(
        "line-not-drawn",
        f"line {line}",
        "its numbers could not be adjusted: it is not drawn, and the other lines are adjusted "
        "without it",
        why,
        "correct what other findings say of its stops; if they say nothing, report it with the "
        "files of this site",
    )


def line_contradicts(
    line: str, stretch: Ends | None, chi2: float, dof: int, most: float
) -> Finding:
    """A line, or one stretch of it, that contradicts itself grossly: σ₀ over `most`."""
    between, where = "", ""
    if stretch is not None:
        a, b = stretch
        between, where = f"between {a.subject} and {b.subject} ", b.where or a.where
    return _error(
        "line-not-drawn",
        f"line {line}",
        f"what was measured {between}contradicts itself by far more than any error of measuring: "
        "wrong readings, stops of another pipe, or runs that do not belong together; no claim can "
        "be made of it, and the line is not drawn",
        f"χ² = {chi2:.0f} on {dof} degrees of freedom, σ₀ = {np.sqrt(chi2 / dof):.0f}; {most:.0f} "
        "is the limit",
        "correct what other findings say of its stops; compare runs, stops and counters with the "
        "field sheet, and mark again what is in doubt",
        where,
    )


def line_not_converged(line: str) -> Finding:
    """A line whose observations would not settle together."""
    return _error(
        "link-not-converged",
        f"line {line}",
        "headings, counters and positions contradict each other so much that they could not be "
        "adjusted: the line runs through its points as they were solved, every stretch undecided",
        "",
        "correct what other findings say of its stops first",
    )


def network_misfit(lines: Sequence[str], chi2: float, dof: int, limit: float) -> Finding:
    """A network beyond the limit of the global test."""
    return _warning(
        "link-misfit",
        f"line {lines[0]}" if len(lines) == 1 else f"lines {', '.join(lines)}",
        "what was measured disagrees by more than the stated accuracies allow; the uncertainties "
        "given are a priori and were not stretched to hide it",
        f"χ² = {chi2:.1f} on {dof} degrees of freedom (limit {limit:.1f}), σ₀ = "
        f"{np.sqrt(chi2 / dof):.2f}",
        "look at the stops named in other findings, else state worse accuracies in site.toml",
    )


# ---- blunders ------------------------------------------------------------------------------


def blunder(s: SuspectedBlunder) -> Finding:
    """A reading left out of the adjustment, or a stop that the pipe turns at."""
    point, what = s.alternative.subject, s.alternative.what
    if what == "kink":
        return _warning(
            "bend-at-stop",
            point.subject,
            "the pipe turns at this stop, or so close to it that neither side can be told to bend; "
            "both stretches beside it are undecided",
            _how_much(s),
            "add a stop half a metre to either side of it",
            point.where,
        )
    again = _AGAIN[what].format(kind="stop" if point.fix >= 0 else point.kind)
    if what == "level" and np.isnan(point.xyz_m[0]):
        again = "check this level, what it was measured to, and its counter"
    by = f"; leaving it out moves the line by up to {metres(s.moved_m)}, at {s.moved_most}"
    return _error(
        "link-blunder",
        point.subject,
        f"its {_READING[what]} contradicts the rest of the line and is left out of the adjustment",
        _how_much(s) + (by if np.isfinite(s.moved_m) else ""),
        again,
        point.where,
    )


def blunder_tied(suspicions: Sequence[SuspectedBlunder]) -> Finding:
    """A blunder that cannot be laid to one reading: the likeliest first."""
    of = (f"{_READING[s.alternative.what]} of {s.alternative.subject.subject}" for s in suspicions)
    worst = suspicions[0].alternative.subject
    return _error(
        "link-blunder",
        worst.subject,
        f"one of these is wrong and the data cannot tell which: {'; '.join(dict.fromkeys(of))}; "
        "all are kept, so the line is less sure than its figures say",
        "; ".join(_how_much(s) for s in suspicions[:2]),
        "measure each of them again, or add a stop between them",
        worst.where,
    )


def _how_much(s: SuspectedBlunder) -> str:
    what, size = s.alternative.what, s.size
    test = f"w = {np.sqrt(s.statistic):.1f} (limit {np.sqrt(s.limit):.2f})"
    if what == "plan":
        return f"{_in_plan(s)}, {test}"
    if what == "kink":
        turn = min(abs(float(np.degrees(size[1] - size[0]))), 180.0)
        return f"{turn:.0f}°, {test}"
    sigma = float(np.sqrt(s.size_cov[0, 0])) if s.size_cov.size else float("nan")
    if what in ("heading", "tilt"):
        return f"{np.degrees(size[0]):+.0f}° ± {np.degrees(sigma):.0f}°, {test}"
    return f"{metres(size[0], signed=True)} ± {metres(sigma)}, {test}"


def _in_plan(s: SuspectedBlunder) -> str:
    """How far off in plan, as far as the data tell: along the pipe they may not."""
    values, vectors = np.linalg.eigh(s.size_cov)
    surest, other = vectors.T
    loose = float(np.sqrt(values[1]))
    if not s.alternative.subject.readings and np.isfinite(s.way).all():
        # where along the pipe a point without counter belongs, only its own position says
        surest, other, loose = np.array([s.way[1], -s.way[0]]), s.way, np.inf
    if loose < _TOLD_M or abs(float(s.size @ other)) > _Z95 * loose:
        off = float(np.hypot(*s.size))
        way = s.size / max(off, 1e-9)
        return f"{metres(off)} ± {metres(_sigma(s.size_cov, way))} towards {_bearing(way)}"
    off = float(s.size @ surest)
    told = f"{metres(abs(off))} ± {metres(_sigma(s.size_cov, surest))}"
    towards = _bearing(surest * np.sign(off))
    if abs(float(s.way @ other)) > _ALIKE:
        return f"{told} across the line (towards {towards}); along the line these data cannot tell"
    return f"{told} towards {towards}; at right angles to that these data cannot tell"


def _sigma(cov: Floats, way: Floats) -> float:
    return float(np.sqrt(way @ cov @ way))


def _bearing(way: Floats) -> str:
    return f"{np.degrees(np.arctan2(way[0], way[1])) % 360:.0f}°"


def stops_shifted(
    line: str,
    ends: Ends,
    few: Sequence[LocatedPoint],
    many: Sequence[LocatedPoint],
    size_m: Floats,
    cov_m2: Floats,
    test: tuple[float, float],
    *,
    sure: bool,
) -> Finding:
    """Stops beside the rest of their line, all by the same (2,); `test`: its statistic, its limit.

    `ends` are those of the stretch where the shift begins; `sure`: no pipe does the same.
    """
    a, b = ends
    off = float(np.hypot(*size_m))
    way = size_m / max(off, 1e-9)
    cause = "a wrong base point or a wrong fix of one GNSS occupation"
    if sure:
        beyond, meanwhile = f", as no pipe does: {cause}?", "the stretch between is undecided, and "
        explains: tuple[Effect, ...] = (
            Effect.of(_FOLLOWS_SHIFT, [a.subject, b.subject, _between(a, b)]),
            Effect.of(("junction-contradiction",), [f"line {line}"]),
        )
    else:
        beyond = " as well as anything else said or drawn there, bends or a blunder: "
        beyond, meanwhile = f"{beyond}{cause}, or not?", ""
        explains = (Effect.of(("step-suspected",), [_between(a, b)]),)
    return Finding(
        "error" if sure else "warning",
        "link",
        "stops-shifted",
        f"line {line}",
        f"stops {', '.join(p.ref for p in few)} may all be shifted against the others: "
        f"{_between(a, b)} the chord fits neither headings nor counter, and one shift of all stops "
        f"beyond explains it{beyond}",
        f"{metres(off)} ± {metres(_sigma(cov_m2, way))} towards {_bearing(way)}, √T = "
        f"{np.sqrt(test[0]):.1f} (limit {np.sqrt(test[1]):.2f})",
        f"measure one mark of {few[0].subject} and one of {many[0].subject} again from one base, "
        f"or a known point from each; until then {meanwhile}which of the two lies right is not "
        "known",
        b.where or a.where,
        about=tuple(p.subject for p in few),
        explains=explains,
    )


# ---- shapes --------------------------------------------------------------------------------


def _between(a: LocatedPoint, b: LocatedPoint) -> str:
    """A stretch as findings are about it."""
    return f"between {a.subject} and {b.subject}"


def _undecided(code: str, line: str, ends: Ends, what: str, by_how_much: str, do: str) -> Finding:
    a, b = ends
    about = (_between(a, b),)
    return _warning(code, f"line {line}", what, by_how_much, do, b.where or a.where, about=about)


def middle_of(counter: float, unit: str, run: str) -> str:
    """Where a crew finds the middle of a stretch: by the counter of a run, in its unit."""
    return f"near counter {counter:.2f} {unit} of run {run}" if run else "midway between them"


def shape_contradiction(
    line: str, ends: Ends, chi2: float, conditions: int, middle: str
) -> Finding:
    """A stretch that neither a straight nor a bend fits."""
    return _undecided(
        "shape-contradiction",
        line,
        ends,
        f"neither a straight pipe nor a bend fits {_between(*ends)}: headings, chord and counter "
        "disagree; it is drawn straight and called undecided",
        f"χ² = {chi2:.1f} on {conditions} conditions of a straight",
        f"add a stop {middle}, and check headings and counters of both",
    )


def step_suspected(line: str, ends: Ends, step_m: Floats, middle: str) -> Finding:
    """A stretch in which the pipe steps, across and up (2,), or an end of it lies elsewhere."""
    across, up = np.nan_to_num(step_m)
    return _undecided(
        "step-suspected",
        line,
        ends,
        f"the pipe steps {_between(*ends)}, or one of them lies elsewhere: the directions beside "
        "them do not lead from one to the other; by what bends cannot be told, so it is drawn "
        "straight and called undecided",
        f"about {metres(up)} in level, {metres(across)} aside",
        f"add a stop {middle}",
    )


def shapes_alike(line: str, ends: Ends, middle: str) -> Finding:
    """A stretch of which the whole line bears two shapes equally well."""
    return _undecided(
        "shape-undecided",
        line,
        ends,
        f"{_between(*ends)} one bend and two explain the line equally well: it is drawn straight "
        "and called undecided",
        "χ² no further apart than chance",
        f"add a stop {middle}",
    )


def bend_hidden(line: str, ends: Ends, sigmas: float, middle: str) -> Finding:
    """A stretch in which a bend would not have shown: a 45° bend stands out by `sigmas`."""
    a, b = ends
    return _info(
        "shape-undecided",
        f"line {line}",
        f"a bend {_between(a, b)} would not have shown: the stretch is drawn straight and called "
        "undecided",
        f"a 45° bend midway would stand out by {sigmas:.1f} σ; 4.1 are needed",
        f"add a stop {middle}",
        b.where or a.where,
        about=(_between(a, b),),
    )


def bend_unsure(line: str, ends: Ends, angle_rad: float, sigma_rad: float) -> Finding:
    """A bend that was found, but whose angle and place are not significant."""
    a, b = ends
    blame = [p.subject for p in ends if not p.directed] or [a.subject, b.subject]
    return _warning(
        "bend-unsure",
        f"line {line}",
        f"it would have to bend {_between(a, b)}, but by what angle and where nothing tells; or "
        f"{' or '.join(blame)} is not where it is said to be: the stretch is drawn straight and "
        "called undecided",
        f"{np.degrees(angle_rad):.0f}° ± {np.degrees(sigma_rad):.0f}°",
        f"check {' and '.join(blame)}, and add a stop {_between(a, b)}",
        a.where or b.where,
    )


def bend_not_standard(line: str, turn_rad: float, sigma_rad: float, nearest: str) -> Finding:
    """A bend whose angle is that of no fitting."""
    return _warning(
        "bend-not-standard",
        f"line {line}",
        f"a bend is no standard fitting and is not held: the nearest is a {nearest}",
        _turn(turn_rad, sigma_rad),
        "look whether two fittings lie close together, and add a stop between them",
    )


def bend_between_fittings(
    line: str, turn_rad: float, sigma_rad: float, names: Sequence[str]
) -> Finding:
    """A bend that may be any of several fittings."""
    return _warning(
        "bend-between-fittings",
        f"line {line}",
        f"a bend may be a {' or a '.join(names)}: which cannot be told, and it is not held",
        _turn(turn_rad, sigma_rad),
        "add a stop on each side of it, or look which it is",
    )


def _turn(turn_rad: float, sigma_rad: float) -> str:
    return f"{np.degrees(turn_rad):.1f}° ± {np.degrees(sigma_rad):.1f}° (1 σ)"


def bends_held(line: str, bend_rad: Sequence[float], moved_m: float, chi2_rise: float) -> Finding:
    """Bends held to the angles of fittings, and what that did to the line."""
    return _info(
        "bends-held",
        f"line {line}",
        "bends are held to standard fittings, as site.toml asks: "
        + ", ".join(f"{np.degrees(t):g}°" for t in bend_rad),
        f"the path moves by up to {metres(moved_m)}, χ² rises by {chi2_rise:.1f}",
        'say bends = "as_found" to keep them as measured',
    )


# ---- junctions -----------------------------------------------------------------------------


def parent_not_drawn(branch: Branch) -> Finding:
    """A branch whose parent could not be drawn."""
    return _warning(
        "junction-unknown",
        f"line {branch.line}",
        f"line {branch.joins}, which it joins, could not be drawn: it is not joined",
        "",
        f"locate two stops on line {branch.joins}",
    )


def junction_far(branch: Branch, away_m: float, where: str) -> Finding:
    """A junction further from the branch than any cable reaches."""
    return _error(
        "junction-far",
        f"line {branch.line}",
        f"its junction with line {branch.joins} lies further from its stops than any cable "
        "reaches: it is not joined",
        f"{metres(away_m, 0)} away; {metres(MOST_LEG_M, 0)} are believed",
        f"check which line it joins, and the coordinates of both; or add a stop on line "
        f"{branch.line} next to the junction",
        where,
    )


def junction_off_line(branch: Branch, beyond_m: float) -> Finding:
    """A junction at a counter where nothing was located; NaN: no counter was."""
    return _error(
        "junction-off-line",
        f"line {branch.line}",
        f"joins line {branch.joins} at counter {metres(branch.at_counter_m)} of run {branch.run}, "
        "beyond what was located there: it is not joined",
        f"{metres(beyond_m)} beyond" if np.isfinite(beyond_m) else "",
        f"add a stop on line {branch.joins} on the other side of the junction",
    )


def junction_contradiction(
    branch: Branch, end: LocatedPoint, apart_m: float, sigma_m: float, *, fitting_may: bool
) -> Finding:
    """Counter and last direction of a branch lead to different places on its parent."""
    return Finding(
        "warning" if fitting_may else "error",
        "link",
        "junction-contradiction",
        f"line {branch.line}",
        f"joins line {branch.joins} at counter {metres(branch.at_counter_m)} of run "
        f"{branch.run}, but {end.subject}, the last before it, leads elsewhere: either "
        "at_counter is wrong, or the branch bends in between; at_counter is left out, and the "
        "junction drawn where the direction leads, as unsure as they are apart",
        f"{metres(apart_m)} ± {metres(sigma_m)} apart along line {branch.joins}, w = "
        f"{apart_m / sigma_m:.1f} (limit {W_LIMIT:.2f})",
        f"check at_counter, and add a stop on line {branch.line} next to the junction",
        end.where,
        about=(f"line {branch.joins}",),
    )


def _not_joined(
    code: str, branch: Branch, what: str, by_how_much: str, end: LocatedPoint
) -> Finding:
    return _warning(
        code,
        f"line {branch.line}",
        f"{what}: it is not joined",
        by_how_much,
        f"add a stop on line {branch.line} next to the junction, or give at_counter",
        end.where,
    )


def junction_without_heading(branch: Branch, end: LocatedPoint) -> Finding:
    """A branch without counter at its junction, nor a heading at its end."""
    what = f"its end towards line {branch.joins} has no heading to follow"
    return _not_joined("junction-unknown", branch, what, "", end)


def branch_turned_away(branch: Branch, end: LocatedPoint) -> Finding:
    """A branch whose last direction leads away from its parent."""
    what = f"line {branch.joins} lies behind its last stop"
    return _not_joined("branch-misses", branch, what, "", end)


def branch_passes(branch: Branch, end: LocatedPoint, miss_m: float, limit_m: float) -> Finding:
    """A branch whose last direction passes its parent."""
    what = f"its end direction passes line {branch.joins} without meeting it"
    by = f"{metres(miss_m)} (95 %: {metres(limit_m)})"
    return _not_joined("branch-misses", branch, what, by, end)


def branch_misses_junction(
    line: str, junction: LocatedPoint, end: LocatedPoint, miss_m: float, limit_m: float
) -> Finding:
    """A branch whose last direction passes the junction it is drawn to."""
    return _warning(
        "branch-misses",
        f"line {line}",
        f"its last direction passes its junction with line {junction.ref} by more than its error",
        f"{metres(miss_m)} (95 %: {metres(limit_m)})",
        f"check at_counter, or add a stop on line {line} next to the junction",
        end.where,
    )
