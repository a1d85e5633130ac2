"""A faultless twin of one faulty site, noise and all: another pipe of which its data are true.

What a mistake does to some site may be what chance does to another. The twin is looked for among
pipes with as many vertices as the true one, or two more where a mistake lies between two stops: the
pipe and the places of the stops that fit best. Its readings without noise, and the noise of all
readings together, are those of the simulator. The data of the faulty site are true of the twin if
they lie off its readings by no more than chance allows, each and all together.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final

import numpy as np

from lateralline.distributions import chi2, norm
from lateralline.records import Floats
from lateralline.settings import Accuracy, standard_accuracy
from lateralline.simulate.survey import Row, Surveyed, survey
from lateralline.simulate.truth import TrueLine, TrueRun, Truth
from lateralline.stages import SiteResult
from tests.trust.claims import missed
from tests.trust.sites import SiteTables, Slip, made

#: Surveys by which the noise of readings is known.
_SURVEYS: Final = 400
#: Steps of the fit, and by how much a parameter is changed to see what it does, in metres.
_STEPS: Final = 4
_CHANGE_M: Final = 0.02
#: One reading may be off by so many σ, all together as 19 in 20 faultless surveys are.
_ONE: Final = float(norm.isf(0.0005))
_ALL: Final = 0.05
#: A bend that the twin has and the true pipe has not is no sharper: half of what fittings reach.
_TURN_DEG: Final = 45.0
#: A mistake at more stops than these is no matter of the pipe beside them.
_BESIDE: Final = 2
#: A claim is held if the truth lies no more outside.
HELD_M: Final = 0.05
#: Nearer to a vertex than this no other is put.
_APART_M: Final = 0.3
_TABLES: Final = ("control", "marks", "stops", "exposures")
#: Columns that are no readings.
_NO_READINGS: Final = frozenset(("sigma_h", "sigma_v", "sigma", "note", "paint", "text"))


@dataclass(frozen=True)
class Fitted:
    """A twin, and how far the data of the faulty site are off it."""

    surveyed: Surveyed  # the twin without noise, for claims to be held against
    turn_deg: float  # the sharpest bend that the true pipe has not
    worst: float  # the reading farthest off, in σ
    together: float  # χ² of all
    limit: float  # 95 % of it

    @property
    def agrees(self) -> bool:
        """Whether the faulty data are true of the twin."""
        likely = self.worst <= _ONE and self.together <= self.limit
        return likely and self.turn_deg <= _TURN_DEG


def fitted(name: str, seed: int, faulty: SiteTables, beside: Sequence[str] = ()) -> Fitted | None:
    """Return the pipe that fits the data of a faulty site best; None where none can be compared.

    `beside` are stops, "R1/3", on either side of which the pipe may bend.
    """
    sound = made(name, seed)
    if faulty.settings != sound.given.settings or _words(faulty) != _words(sound.given):
        return None
    given = _readings(faulty.tables)
    truth = _bent(sound.surveyed.truth, beside)
    noise, sigma = _noise(name, seed)
    if len(given) != len(sigma):
        return None
    read = sigma > 0.0  # the others are what readings count from: axes of a sketch, the entry
    if not np.array_equal(given[~read], _readings(sound.given.tables)[~read]):
        return None
    scale = sigma[read]

    def off(by_m: Floats) -> Floats:
        return (given - _readings_of(_exact(_moved(truth, by_m))))[read] / scale

    values, vectors = np.linalg.eigh(noise)
    whiten = (vectors / np.sqrt(np.maximum(values, 1e-6 * values[-1]))) @ vectors.T
    at = np.zeros(_freedoms(truth))
    try:
        for _ in range(_STEPS):
            now = off(at)
            slopes = [
                (now - off(at + change)) / _CHANGE_M for change in _CHANGE_M * np.eye(len(at))
            ]
            at = at + np.linalg.lstsq(whiten @ np.column_stack(slopes), whiten @ now, rcond=1e-9)[0]
        left = off(at)
    except (ValueError, np.linalg.LinAlgError):
        return None  # a pipe so far off that marks are missing
    twin = _exact(_moved(truth, at))
    # the noise of n readings known by m surveys makes χ² too large by (m − 1) / (m − n − 2)
    n, m = len(left), _SURVEYS
    together = float(np.square(whiten @ left).sum()) * (m - n - 2) / (m - 1)
    limit = float(chi2.isf(_ALL, n - len(at)))
    return Fitted(twin, _turn_deg(twin.truth, truth), float(np.abs(left).max()), together, limit)


def by_chance(name: str, seed: int, faulty: SiteTables, slip: Slip, result: SiteResult) -> bool:
    """Whether the data of a faulty site are true of another pipe, and what is claimed of that too.

    What the camera saw is left out: nothing but its counter was read of it.
    """
    stops = [at for at in dict.fromkeys(slip.at) if "/" in at]
    twin = fitted(name, seed, faulty, stops if len(stops) <= _BESIDE else ())
    if twin is None or not twin.agrees:
        return False
    claims = missed(result, twin.surveyed, 0.0)
    return max(off for claim, off in claims.items() if claim != "seen") <= HELD_M


def _bent(truth: Truth, beside: Sequence[str]) -> Truth:
    """Return the same site with vertices in its pipes midway from stops to their neighbours."""
    lines = {ln.line: ln for ln in truth.lines}
    for name in beside:
        run_id, stop = name.split("/")
        run, i = truth.run(run_id), int(stop) - 1
        for j in (i - 1, i + 1):
            if 0 <= j < len(run.travel_m):
                line = lines[run.line]
                midway = (run.travel_m[i] + run.travel_m[j]) / 2.0
                at = float(run.chainage_m(line, midway))
                if np.abs(line.chainage_m - at).min() > _APART_M:
                    put = int(np.searchsorted(line.chainage_m, at))
                    axis = np.insert(line.axis_m, put, line.at([at])[0], axis=0)
                    nodes = (*line.nodes[:put], "", *line.nodes[put:])
                    lines[run.line] = replace(line, axis_m=axis, nodes=nodes)
    return replace(truth, lines=tuple(lines.values()))


def _turn_deg(twin: Truth, truth: Truth) -> float:
    """Return by how much a pipe turns at most where that of `truth` runs straight on."""
    most = 0.0
    for one, other in zip(twin.lines, truth.lines, strict=True):
        turns = []
        for axis in (one.axis_m, other.axis_m):
            way = np.diff(axis, axis=0)
            way = way / np.linalg.norm(way, axis=1, keepdims=True)
            cosine = np.clip((way[:-1] * way[1:]).sum(axis=1), -1.0, 1.0)
            turns.append(np.degrees(np.arccos(cosine)))
        more = np.where(turns[1] < 1.0, turns[0], 0.0)
        most = max(most, float(more.max(initial=0.0)))
    return most


def _exact(truth: Truth) -> Surveyed:
    """Survey without error: the same spots in the same order."""
    crew = replace(truth.crew, gnss_sigma_h_m=0.0, gnss_sigma_v_m=0.0)
    control = tuple(replace(c, sigma_h_m=0.0) for c in truth.control)
    none = Accuracy(**dict.fromkeys(Accuracy.__dataclass_fields__, 0.0))
    return survey(np.random.default_rng(0), replace(truth, crew=crew, control=control), none)


@lru_cache(maxsize=64)
def _noise(name: str, seed: int) -> tuple[Floats, Floats]:
    """Return σ (n,) of each reading of one site, and correlations of those that have any."""
    truth = made(name, seed).surveyed.truth
    rng = np.random.default_rng([seed, 400])
    all_of = [_readings_of(survey(rng, truth, standard_accuracy())) for _ in range(_SURVEYS)]
    read = np.array(all_of)
    sigma = np.where(np.ptp(read, axis=0) > 0.0, read.std(axis=0), 0.0)
    return np.corrcoef(read[:, sigma > 0.0].T), sigma


def _readings_of(made_of: Surveyed) -> Floats:
    return _readings({t: getattr(made_of, t) for t in _TABLES})


def _readings(tables: Mapping[str, Sequence[Row]]) -> Floats:
    """Return every number that was read, in the order of rows and columns."""
    out: list[float] = []
    for table in _TABLES:
        for row in tables[table]:
            for column in sorted(row):
                if column in _NO_READINGS or not row[column]:
                    continue
                if column == "ties":
                    out += [float(tie.split(":")[1]) for tie in row[column].split(";")]
                elif (number := _number(column, row[column])) is not None:
                    out.append(number)
    return np.array(out)


def _number(column: str, text: str) -> float | None:
    if column in ("run", "stop", "mark", "name", "point", "line"):
        return None
    try:
        return float(text)
    except ValueError:
        return None


def _words(site: SiteTables) -> list[object]:
    """Return all of the tables that is no reading."""
    return [
        (table, column, text if column != "ties" else [t.split(":")[0] for t in text.split(";")])
        for table in (*_TABLES, "observations")
        for row in site.tables[table]
        for column, text in sorted(row.items())
        if text and (column == "ties" or table == "observations" or _number(column, text) is None)
    ]


def _freedoms(truth: Truth) -> int:
    return 3 * sum(len(ln.axis_m) for ln in truth.lines) + sum(len(r.travel_m) for r in truth.runs)


def _moved(truth: Truth, by_m: Floats) -> Truth:
    """Return the site with vertices of its pipes and stops of its runs moved, junctions kept."""
    left = list(by_m)

    def take(count: int) -> Floats:
        taken, left[:] = left[:count], left[count:]
        return np.array(taken)

    lines: list[TrueLine] = []
    places: dict[tuple[float, ...], Floats] = {}
    for line in truth.lines:
        axis = line.axis_m + take(line.axis_m.size).reshape(-1, 3)
        if line.joins:
            key = tuple(np.round(line.axis_m[0], 6).tolist())
            axis[0] = places.get(key, axis[0])
        for was, now in zip(line.axis_m, axis, strict=True):
            places[tuple(np.round(was, 6).tolist())] = now
        lines.append(replace(line, axis_m=axis))
    runs: list[TrueRun] = [
        replace(r, travel_m=tuple((np.array(r.travel_m) + take(len(r.travel_m))).tolist()))
        for r in truth.runs
    ]
    return replace(truth, lines=tuple(lines), runs=tuple(runs))
