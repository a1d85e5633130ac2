"""One line of the world against what the built record claims of it.

The record is built as anybody builds it, from files through every stage but the last, and only
what it publishes is looked at: layers, lines and findings. A line that is not drawn claims nothing
and counts as one whose corridor does not hold the pipe, told by a finding.
"""

from __future__ import annotations

import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np
import shapely
from scipy.special import chdtrc

from lateralline.findings import Finding
from lateralline.link.gross_errors import READING, doubts
from lateralline.proof.coverage import ELLIPSE_95, INTERVAL_95
from lateralline.proof.line_scores import MOST_NAMED
from lateralline.proof.world_best import apart
from lateralline.proof.world_seen import OF, power
from lateralline.proof.world_survey import (
    RIDE_HEIGHT_M,
    SurveyedLine,
    survey_lines,
    write_site,
)
from lateralline.proof.world_truth import STEP_M, TruePath, World
from lateralline.records import Flags, Floats, Line, Product
from lateralline.stages import SiteFailure, SiteResult, run_site
from lateralline.workers import all_in_order


@dataclass(frozen=True, slots=True, eq=False)
class WorldScore:
    """What one line's claims came to; empty where it was not drawn."""

    number: int
    drawn: bool
    outside_m: float  # how far the pipe leaves the corridor at worst; NaN = not drawn
    inside: float  # share of the pipe's length in it
    half_width_m: float  # corridor's area over twice the pipe's length
    plan: Flags  # stops whose own ellipse holds the transmitter
    depth: Flags
    adjusted: Flags  # the same after the adjustment
    ends: Flags  # of these, the first and the last
    band: Flags  # stations whose interval holds the invert
    band_off_m: float  # by which the pipe leaves the band at worst
    observations: Flags
    gradient: Flags  # of the line as a whole
    false_fall: bool  # a fall or back-fall is stated of a segment that has none
    said: frozenset[str]  # its warnings and errors, as code and variant
    false_errors: tuple[str, ...]  # of these the errors that accuse what is right
    blunder: str  # moved | counter | ""
    named: bool  # by one error, with one other stop at most
    doubted: bool  # by the warning that it, or a bend, is there; likewise
    named_rightly: bool  # by either, as what it is, alone or beside what it cannot be told from
    to_bend_m: float  # from the stop of the blunder, along the pipe
    apart: Floats  # of a misread counter: `world_best.apart`
    power: float  # of a blunder: `world_seen.power`; NaN without
    cpu_s: float
    grades: Flags  # of each segment between two stops
    as_drawn: float  # chance that a pipe just as drawn would misfit its data more; NaN = not drawn

    @property
    def held(self) -> bool:
        """The corridor holds the whole pipe from the first stop to the last."""
        return self.outside_m == 0.0


def score_world(
    seed: int, count: int, departure: World, blunders: bool = False, workers: int | None = 1
) -> Iterator[WorldScore]:
    """Yield what `count` lines of a departure come to, built one by one by so many processes.

    Raises AssertionError where a site that was written here cannot be built.
    """
    lines = survey_lines(seed, count, departure, blunders)
    yield from all_in_order(partial(_built, departure.name), lines, count, workers)


def _built(departure: str, line: SurveyedLine) -> WorldScore:
    with tempfile.TemporaryDirectory() as folder:
        place = write_site(line, Path(folder))
        start = time.process_time()
        result = run_site(place, until="derive")
        cpu_s = time.process_time() - start
    if isinstance(result, SiteFailure):
        faults = "; ".join(map(str, result.faults))
        raise AssertionError(f"{departure} {line.number}: {result.message} {faults}")
    return _score(line, result, cpu_s)


def _score(line: SurveyedLine, result: SiteResult, cpu_s: float) -> WorldScore:
    layers = {product.layer: product for product in result.work["products"]}
    frame = result.work["placed"].frame
    path, travel = line.site.path, line.site.travel_m
    whole = frame.to_local(*path.between(travel[0], travel[-1]).T)
    stops = frame.to_local(*line.stop_xyz_m.T)
    told = [f for f in result.findings if f.severity in ("error", "warning")]
    wrong = {f"stop R1/{stop}" for stop in line.bad_stops}
    bad = int(next(iter(line.bad_stops))) - 1 if line.blunder else -1
    names = [f for f in told if line.blunder and _names(f, wrong)]
    false = tuple(
        f.name for f in told
        if f.severity == "error" and not (wrong & {f.subject, *f.suspects, *f.about})
    )  # fmt: skip
    corridor = layers["position_corridor"].geometry
    drawn = corridor is not None and len(corridor) > 0
    region = corridor[0] if corridor is not None and drawn else shapely.Polygon()
    plan, depth = _fixes(layers["transmitter_fixes"], stops, line.depth_m)
    lines = result.work["linked"].lines
    adjusted, ends = _adjusted(lines, stops)
    band, off = _band(layers["level_band"], whole) if drawn else (np.zeros(0, bool), np.nan)
    outside, inside, half = _corridor(region, whole) if drawn else (np.nan, 0.0, np.nan)
    bends = line.site.bend_m
    grades, false_fall = _grades(layers["pipe_segments"], stops, path, travel)
    return WorldScore(
        number=line.number,
        drawn=drawn,
        outside_m=outside,
        inside=inside,
        half_width_m=half,
        plan=plan,
        depth=depth,
        adjusted=adjusted,
        ends=ends,
        band=band,
        band_off_m=off,
        observations=_plan_held(layers["pipe_observations"],
                                frame.to_local(*path.at(line.sight_travel_m).T)),
        gradient=_gradient(layers["pipe_centreline"], whole, line.site.flow),
        false_fall=false_fall,
        said=frozenset(f.name for f in told),
        false_errors=false,
        blunder=line.blunder,
        named=any(f.denies for f in names),
        doubted=any(map(doubts, names)),
        named_rightly=any(_is_told(f, OF[line.blunder]) for f in names),
        to_bend_m=float(np.abs(bends - travel[bad]).min(initial=np.inf)),
        apart=apart(line, result) if line.blunder == "counter" else np.zeros(0),
        power=power(line, result) if line.blunder else np.nan,
        cpu_s=cpu_s,
        grades=grades,
        as_drawn=float(chdtrc(lines[0].dof, lines[0].chi2)) if lines and lines[0].dof else np.nan,
    )  # fmt: skip


def _names(found: Finding, wrong: set[str]) -> bool:
    stops = set(found.suspects)
    return (found.denies or doubts(found)) and len(stops) <= MOST_NAMED and bool(stops & wrong)


def _is_told(found: Finding, what: str) -> bool:
    """Whether a finding holds this kind of reading for wrong, or one of several that tie."""
    readings = found.values.get("readings")
    said = readings if isinstance(readings, tuple) else ()
    kinds = found.variant.split("-or-")
    return what in kinds or "tied" in kinds or any(str(r).startswith(READING[what]) for r in said)


def _corridor(region: shapely.Geometry, whole: Floats) -> tuple[float, float, float]:
    """Return how far the pipe leaves a region at worst, the share inside, and its half width."""
    plan = shapely.LineString(whole[:, :2])
    half = float(region.area / (2.0 * plan.length))
    if region.covers(plan):
        return 0.0, 1.0, half
    off = shapely.distance(shapely.points(whole[:, :2]), region)
    inside = float(plan.intersection(region).length / plan.length)
    return float(max(off.max(), 1e-9)), inside, half


def _numbers(product: Product, name: str) -> Floats:
    return np.asarray(product.columns[name], dtype=np.float64)


def _plan_held(product: Product, true_m: Floats) -> Flags:
    """Return whether each point's 95 % ellipse holds its truth, of those that have one."""
    assert product.geometry is not None
    there = np.flatnonzero([g is not None and not g.is_empty for g in product.geometry])
    at = shapely.get_coordinates(product.geometry[there])
    var = [_numbers(product, f"{axis}_sigma_m")[there] ** 2 for axis in ("east", "north")]
    both = _numbers(product, "east_north_covariance_m2")[there]
    cov = np.stack([np.stack([var[0], both], -1), np.stack([both, var[1]], -1)], -2)
    return _within(at - true_m[there, :2], cov)


def _within(off_m: Floats, cov_m2: Floats) -> Flags:
    if not len(off_m):
        return np.zeros(0, bool)
    return np.asarray(
        np.einsum("ni,ni->n", off_m, np.linalg.solve(cov_m2, off_m[..., None])[..., 0]) < ELLIPSE_95
    )


def _fixes(product: Product, stops_m: Floats, depth_m: Floats) -> tuple[Flags, Flags]:
    off = np.abs(_numbers(product, "transmitter_depth_m") - depth_m)
    half = INTERVAL_95 * _numbers(product, "transmitter_depth_sigma_m")
    return _plan_held(product, stops_m), (off <= half)[np.isfinite(half)]


def _adjusted(lines: tuple[Line, ...], stops_m: Floats) -> tuple[Flags, Flags]:
    if not lines:
        return np.zeros(0, bool), np.zeros(0, bool)
    (line,) = lines
    rows = np.flatnonzero(line.kind == "fix")
    stop = np.array([_stop(str(line.ref[i])) for i in rows], dtype=np.int64)
    held = _within(line.xyz_m[rows, :2] - stops_m[stop, :2], line.cov_m2[rows, :2, :2])
    return held, held[[0, -1]] if len(held) else held


def _band(product: Product, whole: Floats) -> tuple[Flags, float]:
    """Return which stations hold the invert below them, and how far off the worst is."""
    assert product.geometry is not None
    at = shapely.get_coordinates(product.geometry)
    step = max(int(0.1 / STEP_M) // 2, 1)
    close = whole[::step]
    square = ((at[:, None] - close[None, :, :2]) ** 2).sum(axis=2)
    invert = close[square.argmin(axis=1), 2] - RIDE_HEIGHT_M
    low, high = (_numbers(product, f"invert_{bound}_95_m") for bound in ("lower", "upper"))
    off = np.fmax(low - invert, invert - high)  # NaN bounds bound nothing
    off = np.where(np.isfinite(off), off, 0.0)
    return off <= 0.0, float(max(off.max(initial=0.0), 0.0))


def _gradient(product: Product, whole: Floats, flow: str) -> Flags:
    level = float(np.hypot(*np.diff(whole[:, :2], axis=0).T).sum())
    rise = (whole[-1, 2] - whole[0, 2]) * (1.0 if flow == "against" else -1.0)
    off = np.abs(_numbers(product, "gradient") - rise / level)
    return np.asarray(off <= INTERVAL_95 * _numbers(product, "gradient_sigma"))


def _grades(
    product: Product, stops_m: Floats, path: TruePath, travel_m: Floats
) -> tuple[Flags, bool]:
    """Return which segments' grade intervals hold the truth, and whether a fall is stated falsely.

    A true grade is the rise over the horizontal length of the pipe, bends and all.
    """
    refs = [[_stop(str(ref)) for ref in product.columns[name]] for name in ("from_ref", "to_ref")]
    ends = np.array(refs, dtype=np.int64)  # none of a line that is not drawn
    rise = np.diff(stops_m[ends, 2], axis=0)[0]
    steps = np.hypot(*np.diff(path.xyz_m[:, :2], axis=0).T)
    level = np.concatenate([[0.0], np.cumsum(steps)])
    over = np.abs(np.diff(np.interp(travel_m[ends], path.travel_m, level), axis=0)[0])
    off = np.abs(_numbers(product, "gradient") - rise / over)
    held = off <= INTERVAL_95 * _numbers(product, "gradient_sigma")
    way = {"falls": 1.0, "back_fall": -1.0, "not_shown": 0.0}
    stated = np.array([way[str(fall)] for fall in product.columns["fall"]])
    return np.asarray(held), bool((stated * rise < 0.0).any())


def _stop(ref: str) -> int:
    """Return the row of a stop named as "R1/3"."""
    return int(ref.partition("/")[2]) - 1
