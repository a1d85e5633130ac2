"""Practice in bulk: random simple sites, and random stops without any files.

Every site or block of stops has its own generator grown from (seed, index), so a batch may be
streamed, cut or run in any order and stay the same.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import cos, radians, sin
from pathlib import Path

import numpy as np

from lateralline.records import Marks, StopRows
from lateralline.settings import Accuracy, standard_accuracy
from lateralline.simulate.field import place_marks
from lateralline.simulate.scenarios import UTM_ANCHOR, standstills, walk
from lateralline.simulate.sheet import files_of, write_files
from lateralline.simulate.survey import survey
from lateralline.simulate.truth import (
    Crew,
    Kind,
    Poses,
    TrueGround,
    TrueLine,
    TrueRun,
    Truth,
    axis_below,
)

_BENDS_DEG = (-45.0, -22.5, 0.0, 0.0, 22.5, 45.0)


def random_site(rng: np.random.Generator, index: int) -> Truth:
    """Return one simple random site: a GNSS-surveyed lateral of up to two bends.

    Laterals are 10–35 m long, 0.8–2.5 m deep at the main, fall 1–4 %; the ground slopes up to 6 %.
    `index` names the site and sets its lot, 50 m from the next.
    """
    slope, aspect = rng.uniform(0.0, 0.06), rng.uniform(0.0, 2.0 * np.pi)
    ground = TrueGround(
        float(rng.uniform(120.0, 180.0)),
        float(slope * sin(aspect)),
        float(slope * cos(aspect)),
        float(rng.uniform(0.0, 0.02)),
    )
    total, pieces = float(rng.uniform(10.0, 35.0)), int(rng.integers(1, 4))
    turns = [float(t) for t in rng.choice(_BENDS_DEG, pieces)]
    plan = walk(
        (0.0, 0.0), float(rng.uniform(0.0, 360.0)), tuple((total / pieces, t) for t in turns)
    )
    axis = axis_below(
        ground,
        plan[::-1],
        depth_m=float(rng.uniform(0.8, 2.5)),
        fall=float(rng.uniform(0.01, 0.04)),
    )
    cover = ground.level(axis[:, 0], axis[:, 1]) - axis[:, 2]
    axis[:, 2] -= max(0.0, 0.7 - float(cover.min()))  # nowhere shallower than 0.7 m
    line = TrueLine("L1", axis, ("MAIN", *[""] * (len(axis) - 2), "CO1"))
    spacing = max(2.0, min(4.0, total / 9.0))
    bends = total / pieces * np.arange(1, pieces)
    travel = standstills(rng, bends, first_m=1.2, last_m=line.length_m - 0.7, spacing_m=spacing)
    return Truth(
        f"PR-{index:06d}",
        f"Practice {index}",
        "EPSG:32617",
        "ellipsoidal",
        (UTM_ANCHOR[0] + 50.0 * (index % 200), UTM_ANCHOR[1] + 50.0 * (index // 200)),
        ground,
        (line,),
        (TrueRun("R1", "L1", "CO1", "with", travel),),
        Crew(kinds=("end_null", "mid_null")),
    )


def write_batch(root: Path, count: int, seed: int) -> Iterator[Path]:
    """Write `count` random sites under `root`, yielding each folder once it is there."""
    accuracy = standard_accuracy()
    for index in range(count):
        rng = np.random.default_rng([seed, index])
        site = survey(rng, random_site(rng, index), accuracy)
        folder = root / site.truth.id
        write_files(folder, files_of(site))
        yield folder


@dataclass(frozen=True, slots=True)
class StopBatch:
    """Random unconnected stops as the solver takes them, and where they truly are."""

    marks: Marks
    stops: StopRows
    truth: Poses


def random_stops(
    rng: np.random.Generator,
    count: int,
    accuracy: Accuracy | None = None,
    *,
    kinds: tuple[Kind, ...] = ("end_null", "mid_null"),
    depth_m: tuple[float, float] = (0.4, 4.0),
    tilt_sigma_rad: float | None = None,
    tilt_limit_rad: float = radians(20.0),
    tilt_measured: bool = False,
    ground_slope: float = 0.20,
    survey_sigma_m: tuple[float, float] = (0.02, 0.03),
) -> StopBatch:
    """Return `count` random stops, each a run of its own, on ground sloping up to `ground_slope`.

    Tilts are drawn from the tilt prior (or `tilt_sigma_rad`), cut at `tilt_limit_rad`; with
    `tilt_sigma_rad` infinite they are uniform within the limit. `survey_sigma_m` is that of each
    mark's plan axes and level. Every stop has a depth scale of its own. Being alone in its run, a
    stop says nothing of the way the camera went: a measured tilt may belong to either end.
    """
    a = accuracy or standard_accuracy()
    slope, aspect = rng.uniform(0.0, ground_slope, count), rng.uniform(0.0, 2.0 * np.pi, count)
    ground = TrueGround(0.0, slope * np.sin(aspect), slope * np.cos(aspect))
    depth = rng.uniform(*depth_m, count)
    sigma = a.tilt_prior_rad if tilt_sigma_rad is None else tilt_sigma_rad
    if np.isinf(sigma):
        tilt = rng.uniform(-tilt_limit_rad, tilt_limit_rad, count)
    else:
        tilt = np.clip(rng.normal(0.0, sigma, count), -tilt_limit_rad, tilt_limit_rad)
    names = np.array([f"R{i}" for i in range(count)])
    xyz = np.column_stack([np.zeros((count, 2)), -depth])
    poses = Poses(
        tuple(names.tolist()),
        ("1",) * count,
        np.zeros(count),
        np.zeros(count),
        xyz,
        rng.uniform(0.0, 2.0 * np.pi, count),
        tilt,
        depth,
    )
    pose, found, spots = place_marks(rng, poses, ground, kinds, a)
    n = len(pose)
    horizontal, vertical = survey_sigma_m
    noise = rng.normal(0.0, 1.0, (n, 3)) * (horizontal, horizontal, vertical)
    variance = np.array([horizontal**2 + a.mark_placing_m**2] * 2 + [vertical**2])
    index = np.arange(n)
    marks = Marks(
        "marks.csv",
        index + 2,
        np.array([f"M{i}" for i in index]),
        names[pose],
        np.full(n, "1"),
        np.array(found),
        np.full(n, "gnss"),
        np.full(n, ""),
        spots + noise,
        np.broadcast_to(np.diag(variance), (n, 3, 3)).copy(),
        np.ones(n, bool),
        np.ones(n, bool),
        np.full(n, np.nan),
        np.zeros(n, np.int64),
    )
    reading_sigma = np.maximum(a.depth_reading_ratio * depth, a.depth_reading_min_m)
    day = rng.normal(1.0, a.depth_scale_ratio, count)
    reading = day * depth + rng.normal(0.0, 1.0, count) * reading_sigma
    measured = tilt + rng.normal(0.0, a.tilt_measured_rad, count)
    stops = StopRows(
        "stops.csv",
        np.arange(count) + 2,
        names,
        np.full(count, "1"),
        np.zeros(count),
        reading,
        measured if tilt_measured else np.full(count, np.nan),
        np.full(count, ""),
    )
    return StopBatch(marks, stops, poses)
