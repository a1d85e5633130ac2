"""What is simulated: kinds of marks, ground, tilt, and the accuracies the solver is given."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from math import nan, radians

import numpy as np

from lateralline.records import Floats, Ints, Marks, StopRows, Texts
from lateralline.settings import Accuracy, Run, Settings, bare_settings, standard_accuracy
from lateralline.simulate.field import place_marks
from lateralline.simulate.truth import Kind, Poses, TrueGround

#: Stops that share one run, receiver and day: a lateral of ten stops.
PER_LINE = 10
GNSS_SIGMA_M = 0.02
NULLS: tuple[Kind, ...] = ("end_null", "mid_null")

Keep = Callable[[Texts, Ints], "np.ndarray"]


def _all(kind: Texts, nth: Ints) -> np.ndarray:
    return np.ones(len(kind), dtype=bool)


def _first_end(kind: Texts, nth: Ints) -> np.ndarray:
    return np.asarray((kind != "end_null") | (nth == 0))


@dataclass(frozen=True, slots=True)
class StopScenario:
    """One way stops lie and are marked. Noise is that of the accuracies but for those in `true`."""

    name: str
    kinds: tuple[Kind, ...] = NULLS
    tilt_sigma_deg: float = 3.0
    grade: float = 0.0
    keep: Keep = _all
    reading: bool = True
    true: dict[str, float] = field(default_factory=dict)  # accuracies that really hold
    given: dict[str, float] = field(default_factory=dict)  # accuracies the solver is given

    @property
    def accuracy(self) -> Accuracy:
        """What the solver is given."""
        prior = {"tilt_prior_rad": radians(self.tilt_sigma_deg)}
        return standard_accuracy(**(prior | self.given))


#: Every mix of the design that a field sheet may hold; depth 0.4–4 m, reading 7 %, 2°, 3 cm, 2 cm.
SCENARIOS = (
    StopScenario("level ground, tilt 3°"),
    StopScenario("20 % slope, tilt 3°", grade=0.2),
    StopScenario("level ground, tilt 10°", tilt_sigma_deg=10.0),
    StopScenario("20 % slope, tilt 10°", tilt_sigma_deg=10.0, grade=0.2),
    StopScenario("one end null", keep=_first_end),
    StopScenario("no mid null", kinds=("end_null",)),
    StopScenario("no depth reading", reading=False),
    StopScenario("with total peak", kinds=(*NULLS, "peak_total")),
    StopScenario("no mid null, total peak", kinds=("end_null", "peak_total")),
    StopScenario("with axial peak", kinds=(*NULLS, "peak_axial")),
)

#: No mark points along the pipe: the heading is a guess from the neighbours, ± 30°. What comes of
#: it is shown, without a bound: the guess is no Gaussian prior, and its σ is wide for it.
GUESSED = (
    StopScenario("mid null, total peak, reading", kinds=("mid_null", "peak_total")),
    StopScenario("axial peak and reading", kinds=("peak_axial",)),
    StopScenario("total peak and reading", kinds=("peak_total",)),
)

#: The solver is given accuracies that do not hold.
WRONG = (
    StopScenario(
        "tilt 3° told, 10° true",
        tilt_sigma_deg=10.0,
        given={"tilt_prior_rad": radians(3.0)},
    ),
    StopScenario(
        "receiver 1° told, 3° true",
        given={"receiver_angle_rad": radians(1.0)},
        true={"receiver_angle_rad": radians(3.0)},
    ),
)


@dataclass(frozen=True, slots=True)
class Simulated:
    """k stops as the solver takes them, and what is true; `exact` marks carry no noise."""

    marks: Marks
    exact_m: Floats  # (n, 3) where each mark would lie without any noise
    stops: StopRows
    poses: Poses
    ground: TrueGround
    settings: Settings


def simulate(scenario: StopScenario, count: int, seed: int) -> Simulated:
    """Return `count` stops in lines of ten; equal seeds give equal stops."""
    rng = np.random.default_rng(seed)
    given = scenario.accuracy
    true = replace(given, tilt_prior_rad=radians(scenario.tilt_sigma_deg), **scenario.true)
    index = np.arange(count)
    travel = 3.0 * index.astype(np.float64)
    bump = true.ground_slope_ratio * rng.normal(size=(2, count))
    # each stop has its own slope about the site's, through the site's plane over the transmitter
    ground = TrueGround(
        -bump[0] * travel, 0.8 * scenario.grade + bump[0], 0.6 * scenario.grade + bump[1]
    )
    run = np.char.add("R", (index // PER_LINE).astype(np.str_))
    stop = (index % PER_LINE).astype(np.str_)
    poses = _poses(rng, scenario, ground, run, stop, travel)
    state = rng.bit_generator.state
    noisy = place_marks(rng, poses, ground, scenario.kinds, true)
    rng.bit_generator.state = state
    without_noise = replace(
        true,
        receiver_angle_rad=0.0,
        mark_placing_m=0.0,
        mid_across_depths=0.0,
        peak_across_depths=0.0,
        peak_along_depths=0.0,
    )
    exact = place_marks(rng, poses, ground, scenario.kinds, without_noise)
    marks, exact_m = _marks(rng, scenario, poses, noisy, exact, true)
    scale = np.repeat(rng.normal(1.0, true.depth_scale_ratio, -(-count // PER_LINE)), PER_LINE)
    # stops lie at depths of their own: the cable runs from each to the next
    legs = np.linalg.norm(np.diff(poses.xyz_m, axis=0, prepend=poses.xyz_m[:1]), axis=1)
    stops = stop_rows(rng, poses, np.cumsum(legs), scale[:count], true)
    if not scenario.reading:
        stops = replace(stops, depth_reading_m=np.full(count, nan))
    runs = tuple(
        Run(str(r), str(r), "", 0.0, "with", 0.0, 0.03, receiver=str(r)) for r in np.unique(run)
    )
    settings = replace(bare_settings(), id="PROOF", accuracy=given, runs=runs)
    return Simulated(marks, exact_m, stops, poses, ground, settings)


def _poses(
    rng: np.random.Generator,
    scenario: StopScenario,
    ground: TrueGround,
    run: Texts,
    stop: Texts,
    travel: Floats,
) -> Poses:
    count = len(run)
    plan = np.column_stack([travel, np.zeros(count)])
    depth = rng.uniform(0.4, 4.0, count)
    level = ground.level(plan[:, 0], plan[:, 1])
    tilt = rng.normal(0.0, radians(scenario.tilt_sigma_deg), count)
    # the way of travel is east; bends of up to 45° either way
    heading = 0.5 * np.pi + rng.uniform(-0.25 * np.pi, 0.25 * np.pi, count)
    xyz = np.column_stack([plan, level - depth])
    return Poses(tuple(run), tuple(stop), travel, travel, xyz, heading, tilt, depth)


def _marks(
    rng: np.random.Generator,
    scenario: StopScenario,
    poses: Poses,
    noisy: tuple[Ints, list[Kind], Floats],
    exact: tuple[Ints, list[Kind], Floats],
    true: Accuracy,
) -> tuple[Marks, Floats]:
    pose, names, spots = noisy
    kind = np.array(names)
    key = {
        (p, k, i): n
        for n, (p, k, i) in enumerate(zip(exact[0], exact[1], _nth(*exact[:2]), strict=True))
    }
    nth = _nth(pose, names)
    partner = np.array([key.get(k, -1) for k in zip(pose, names, nth, strict=True)])
    keep = scenario.keep(kind, nth) & (partner >= 0)
    pose, kind, spots, partner = pose[keep], kind[keep], spots[keep], partner[keep]
    marks = gnss_marks(rng, poses, pose, kind, spots, (GNSS_SIGMA_M, GNSS_SIGMA_M), true)
    return marks, exact[2][partner]


def gnss_marks(
    rng: np.random.Generator,
    poses: Poses,
    pose: Ints,
    kind: Texts,
    spots_m: Floats,
    sigma_m: tuple[float, float],
    accuracy: Accuracy,
) -> Marks:
    """Return painted spots (n, 3) as GNSS places them, with its σ in plan and in level.

    `pose` (n,) is the stop each was painted at.
    """
    n, (plan, level) = len(pose), sigma_m
    variance = [plan**2 + accuracy.mark_placing_m**2] * 2 + [level**2]
    index = np.arange(n)
    return Marks(
        "marks.csv",
        index + 2,
        np.char.add("M", index.astype(np.str_)),
        np.array(poses.run)[pose],
        np.array(poses.stop)[pose],
        kind,
        np.full(n, "gnss"),
        np.full(n, ""),
        spots_m + rng.normal(size=(n, 3)) * (plan, plan, level),
        np.tile(np.diag(variance), (n, 1, 1)),
        np.ones(n, bool),
        np.ones(n, bool),
        np.full(n, nan),
        np.zeros(n, np.int64),
    )


def _nth(pose: Ints, names: list[Kind]) -> Ints:
    """Return which of its kind each mark is at its stop; marks come stop by stop, kind by kind."""
    kind = np.array(names)
    again = (pose[1:] == pose[:-1]) & (kind[1:] == kind[:-1])
    return np.concatenate([[0], again]).astype(np.int64)


def stop_rows(
    rng: np.random.Generator, poses: Poses, counter_m: Floats, scale: Floats, accuracy: Accuracy
) -> StopRows:
    """Return stops (k,) with a depth reading each; `scale` (k,) is that of their receivers."""
    count, depth = len(poses.stop), poses.depth_m
    noise = np.maximum(accuracy.depth_reading_ratio * depth, accuracy.depth_reading_min_m)
    return StopRows(
        "stops.csv",
        np.arange(count) + 2,
        np.array(poses.run),
        np.array(poses.stop),
        counter_m,
        scale * depth + noise * rng.normal(size=count),
        np.full(count, nan),
        np.full(count, ""),
    )
