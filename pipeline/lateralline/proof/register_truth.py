"""Matching and connecting where record and register draw the same simulated pipes with errors.

Pipes lie 200 m apart, so each pair is judged by itself. The bounds:

moved       one pipe drawn twice is called moved in at most 1 of 100 pairs, whether each place errs
            by itself, whole lines are shifted, or both by half
found       one pipe drawn twice is one pair in at least 99 of 100
seen        a register's line that lies off, all along, by 1.5 times the limit is called moved in at
            least 90 of 100
chainage    where a lateral meets a main, ± 95 % holds the true chainage in at least 95 of 100

How many are seen that lie off by the limit itself stands beside them. A small number of pairs
widens each bound by two standard deviations of chance.
"""

from __future__ import annotations

from dataclasses import dataclass
from time import process_time
from typing import Final

import numpy as np
import shapely

from lateralline.derive.ellipses import INTERVAL_95
from lateralline.matching.connect import AHEAD_M, mains_near
from lateralline.matching.located import ends_of
from lateralline.matching.pairing import FALSE_ALARM, Pairing, Uncertain, limit_sigmas, pairs_of
from lateralline.proof.lines import Statistic, chance
from lateralline.record.layers import Shapes
from lateralline.records import Floats

_APART_M: Final = 200.0
_STOP_M: Final = 3.0
#: Standard deviations on each axis, drawn for each pipe between these.
_RECORD_M: Final = (0.03, 0.25)
_REGISTER_M: Final = (0.1, 0.6)
#: How much of each error all places of a line share: none, all, half of the variance.
_SHARED: Final = {"each place by itself": 0.0, "whole lines shifted": 1.0, "both by half": 0.5}
_FOUND: Final = 0.99
_SEEN: Final = 0.90
_FULL: Final = 2_000
#: Looked for as far as this, well past 1.5 limits.
_WITHIN_M: Final = 10.0


@dataclass(frozen=True, slots=True, eq=False)
class DrawnTwice:
    """Pipes (n) as a record and as a register draw them."""

    ours: Uncertain
    theirs: Uncertain


def prove_register(count: int, seed: int) -> tuple[Statistic, ...]:
    """Simulate `count` pairs of each kind and as many laterals; the same seed, the same rows."""
    return (
        *(row for name, shared in _SHARED.items() for row in _pairs(name, shared, count, seed)),
        *_laterals(count, seed),
    )


def drawn_twice(count: int, seed: int, shared: float, off_limits: float = 0.0) -> DrawnTwice:
    """Return pipes drawn twice; the register's off across by `off_limits` times the limit.

    Pipes of 6 to 60 m with up to two bends of 45°; the record has a located point every 3 m and
    the bends, the register its ends and bends: a line that cuts a bend is not one pipe drawn
    twice. `shared` is the part of the variance that all places share.
    """
    rng = np.random.default_rng([seed, 22])
    own, its = rng.uniform(*_RECORD_M, count), rng.uniform(*_REGISTER_M, count)
    side = int(np.ceil(np.sqrt(count)))
    ours: list[Floats] = []
    theirs: list[Floats] = []
    for n in range(count):
        corners, across = _pipe(rng)
        corners += _APART_M * np.array([n % side, n // side])
        pipe = shapely.LineString(corners)
        stops = np.linspace(0.0, pipe.length, max(round(pipe.length / _STOP_M), 1) + 1)
        bends = shapely.line_locate_point(pipe, shapely.points(corners[1:-1]))
        along = np.union1d(stops, bends)
        at = shapely.get_coordinates(shapely.line_interpolate_point(pipe, along))
        limit = limit_sigmas(np.array([len(at) + len(corners)]))[0] * np.hypot(own[n], its[n])
        ours.append(at + _errors(rng, len(at), own[n], shared))
        drawn = corners + _errors(rng, len(corners), its[n], shared)
        theirs.append(drawn + off_limits * limit * across)
    return DrawnTwice(_uncertain(ours, own), _uncertain(theirs, its))


def _pipe(rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Return the corners (k, 2) of a pipe and the way across its first leg (2,)."""
    bends = np.radians(45.0) * rng.choice([-1.0, 1.0], int(rng.integers(0, 3)))
    turn = rng.uniform(0.0, 2.0 * np.pi) + np.concatenate([[0.0], np.cumsum(bends)])
    legs = rng.uniform(6.0, 60.0) * rng.dirichlet(np.full(len(turn), 4.0))
    steps = legs[:, None] * np.column_stack([np.cos(turn), np.sin(turn)])
    corners = np.vstack([np.zeros(2), np.cumsum(steps, axis=0)])
    return corners, np.array([-np.sin(turn[0]), np.cos(turn[0])])


def _errors(rng: np.random.Generator, count: int, sigma_m: float, shared: float) -> Floats:
    """Return errors (count, 2) of σ on each axis, a part of their variance one for all."""
    alone = rng.normal(0.0, sigma_m * np.sqrt(1.0 - shared), (count, 2))
    return np.asarray(alone + rng.normal(0.0, sigma_m * np.sqrt(shared), 2))


def _uncertain(drawn: list[Floats], sigma_m: Floats) -> Uncertain:
    shapes: Shapes = np.array([shapely.LineString(xy) for xy in drawn], dtype=object)
    return Uncertain.of(shapes, np.array([len(xy) for xy in drawn]), sigma_m)


def cpu_seconds(count: int, seed: int) -> float:
    """Return the seconds of CPU that matching `count` lines against as many takes."""
    drawn = drawn_twice(count, seed, 0.5)
    begun = process_time()
    _matched(drawn)
    return process_time() - begun


def _pairs(name: str, shared: float, count: int, seed: int) -> tuple[Statistic, ...]:
    """Return the rows of one kind of error."""
    same, off = (_matched(drawn_twice(count, seed, shared, x)) for x in (0.0, 1.5))
    slack = 0.0 if count >= _FULL else 1.0
    at_limit = _matched(drawn_twice(count, seed, shared, 1.0))
    one = np.bincount(same.ours, minlength=count) == 1
    group = f"pairs, {name}"
    return (
        Statistic(group, "one pipe called moved", count, _seen(same, count),
                  most=FALSE_ALARM + slack * chance(FALSE_ALARM, count)),
        Statistic(group, "one pipe found as one pair", count, float(one.mean()),
                  least=_FOUND - slack * chance(_FOUND, count)),
        Statistic(group, "moved by 1.5 limits and called so", count, _seen(off, count),
                  least=_SEEN - slack * chance(_SEEN, count)),
        Statistic(group, "moved by the limit and called so", count, _seen(at_limit, count)),
    )  # fmt: skip


def _matched(drawn: DrawnTwice) -> Pairing:
    none = np.empty(0, dtype=np.int64)
    return pairs_of(drawn.ours, drawn.theirs, (none, none), _WITHIN_M)


def _seen(pairing: Pairing, count: int) -> float:
    """Return the share of `count` pipes with a pair called moved."""
    return len(np.unique(pairing.ours[pairing.moved])) / count


# ---- laterals ------------------------------------------------------------------------------


def _laterals(count: int, seed: int) -> tuple[Statistic, ...]:
    """Return how often ± 95 % holds the true chainage on the main, the end on it or before it."""
    slack = 0.0 if count >= _FULL else chance(0.95, count)
    rows = []
    for name, short_m in (("end on the main", 0.0), ("end 1.5 m before it", 1.5)):
        held, judged = _chainages_held(count, seed, short_m)
        rows.append(Statistic(f"laterals that {name}", "± 95 % holds the true chainage", judged,
                              held, least=0.95 - slack))  # fmt: skip
    return tuple(rows)


def _chainages_held(count: int, seed: int, short_m: float) -> tuple[float, int]:
    """Return the share of laterals whose chainage is held, and how many a main was found for."""
    rng = np.random.default_rng([seed, 23])
    own, its = rng.uniform(*_RECORD_M, count), rng.uniform(*_REGISTER_M, count)
    true = rng.uniform(10.0, 50.0, count)
    turn = rng.uniform(np.radians(30.0), np.radians(150.0), count) * rng.choice([-1.0, 1.0], count)
    lines, mains = [], []
    for n in range(count):
        base = np.array([0.0, _APART_M * n])
        main = base + np.array([[0.0, 0.0], [60.0, 0.0]])
        way = np.array([np.cos(turn[n]), np.sin(turn[n])])  # with the flow
        back = short_m + _STOP_M * np.arange(5)
        stops = base + np.array([true[n], 0.0]) - back[:, None] * way
        lines.append(shapely.LineString(stops + _errors(rng, 5, own[n], 0.0)))
        mains.append(shapely.LineString(main + _errors(rng, 2, its[n], 0.0)))
    path, main = (np.array(x, dtype=object) for x in (lines, mains))
    near = mains_near(path, ends_of(path, own), np.arange(count), main, its,
                      np.full(count, np.nan), AHEAD_M)  # fmt: skip
    off = np.abs(near.at_m - true[near.line])
    return float(np.mean(off <= INTERVAL_95 * near.at_sigma_m)), len(off)
