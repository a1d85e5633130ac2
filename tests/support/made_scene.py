"""Made-up sites for linking: no solver, fixes drawn from their own covariance, truth known."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import TypeAlias

import numpy as np

from lateralline.findings import Finding
from lateralline.kernels.curves import chainage
from lateralline.link import link
from lateralline.records import Exposures, Fixes, Floats, Line, Linked, MarkResults, Solved
from lateralline.settings import Accuracy, Branch, Pipe, Run, Settings, bare_settings
from tests.support.finding_names import called

ACCURACY = Accuracy(
    mark_placing_m=0.03,
    tape_m=0.01,
    tape_ratio=0.0005,
    gnss_m=0.05,
    gnss_common_m=0.0,
    level_m=0.01,
    unknown_ground_m=0.10,
    ground_slope_ratio=0.05,
    bearing_rad=np.radians(1),
    bearing_reading_rad=np.radians(0.25),
    field_turn_rad=np.radians(0.25),
    field_turn_metal_rad=np.radians(6),
    receiver_angle_rad=np.radians(2),
    depth_reading_ratio=0.07,
    depth_reading_min_m=0.03,
    depth_scale_ratio=0.05,
    tilt_prior_rad=np.radians(5),
    tilt_measured_rad=np.radians(1),
    axis_heading_rad=np.radians(3),
    axis_tilt_rad=np.radians(3),
    counter_m=0.05,
    counter_ratio=0.005,
    counter_scale_ratio=0.015,
    peak_across_depths=0.05,
    peak_along_depths=0.20,
    mid_across_depths=0.30,
    exposure_m=0.02,
    bends_per_m=0.05,
)
LAG, RIDE = 0.35, 0.03
Path: TypeAlias = Floats | Sequence[float] | Sequence[Sequence[float]]
R1 = Run("R1", "L1", "CO1", 0.0, "against", LAG, RIDE)
PVC = Pipe("L1", "PVC", "DN110", "sanitary", 0.1036, 0.0032, "EN 1401")


@dataclass
class Row:
    """One stop: what was seen, and the truth behind it."""

    run: str
    stop: str
    counter: float
    seen: Floats  # (5,) east, north, up, heading, tilt
    cov: Floats
    truth: Floats
    status: str = "located"


@dataclass
class Shot:
    """One exposure."""

    name: str
    xyz: Path
    to: str = "invert"
    run: str = ""
    line: str = "L1"
    counter: float = float("nan")


@dataclass
class Scene:
    """Fixes and exposures of a made-up site, gathered run by run."""

    runs: list[Run] = field(default_factory=lambda: [R1])
    branches: list[Branch] = field(default_factory=list)
    pipes: list[Pipe] = field(default_factory=lambda: [PVC])
    rows: list[Row] = field(default_factory=list)
    shots: list[Shot] = field(default_factory=list)

    def stops(
        self,
        path: Path,
        at: Path,
        *,
        run: Run = R1,
        rng: np.random.Generator | None = None,
        cov: Floats | None = None,
        scale: float = 1.0,
    ) -> Scene:
        """Add stops at distances along a path; counted from its start (its end if `with`)."""
        vertices = np.array(path, float)
        s = chainage(vertices)
        counted = np.array(at, float) if run.flow == "against" else s[-1] - np.array(at, float)
        counter = counted / scale + run.counter_at_entry_m
        if rng is not None:
            slack = (
                ACCURACY.counter_ratio
                * np.diff(counted, prepend=0.0)
                * rng.normal(size=len(counted))
            )
            counter = counter + np.cumsum(slack)
            counter = counter + ACCURACY.counter_m * rng.normal(size=len(counted))
        for i, d in enumerate(np.array(at, float)):
            leg = int(np.clip(np.searchsorted(s, d, side="right") - 1, 0, len(s) - 2))
            way = (vertices[leg + 1] - vertices[leg]) / (s[leg + 1] - s[leg])
            truth = np.array(
                [
                    *(vertices[leg] + (d - s[leg]) * way),
                    np.arctan2(way[0], way[1]),
                    np.arcsin(way[2]),
                ]
            )
            spread = standard_cov() if cov is None else cov
            seen = truth.copy()
            if rng is not None:
                seen += np.linalg.cholesky(spread) @ rng.normal(size=5)
                seen[3:] += ACCURACY.axis_heading_rad * rng.normal(size=2)
            stop = Row(run.id, str(i + 1), float(counter[i]) + LAG, seen, spread, truth)
            self.rows.append(stop)
        return self

    def exposure(self, name: str, xyz: Path, to: str = "invert", at: float | None = None) -> Scene:
        """Add an exposure; `at` is its counter on run R1."""
        shot = Shot(name, xyz, to)
        self.shots.append(shot if at is None else replace(shot, run="R1", counter=at))
        return self

    def settings(self) -> Settings:
        return replace(
            bare_settings(),
            id="S",
            accuracy=ACCURACY,
            pipes=tuple(self.pipes),
            runs=tuple(self.runs),
            branches=tuple(self.branches),
        )

    def solved(self) -> Solved:
        k = len(self.rows)
        seen = np.array([r.seen for r in self.rows], float).reshape(k, 5)
        zero = np.zeros(k)
        fixes = Fixes(
            run=np.array([r.run for r in self.rows], np.str_),
            stop=np.array([r.stop for r in self.rows], np.str_),
            row=np.arange(2, k + 2),
            counter_m=np.array([r.counter for r in self.rows], float),
            xyz_m=seen[:, :3],
            heading_rad=seen[:, 3],
            tilt_rad=seen[:, 4],
            cov=np.array([r.cov for r in self.rows], float).reshape(k, 5, 5),
            ground_m=zero,
            depth_m=zero,
            depth_sigma_m=zero,
            chi2=zero,
            dof=np.zeros(k, np.int64),
            status=np.array([r.status for r in self.rows], np.str_),
            reason=np.array([""] * k, np.str_),
            marks_used=np.zeros(k, np.int64),
            tilt_prior_rad=np.full(k, np.nan),
        )
        none = np.zeros(0)
        return Solved(fixes, MarkResults(np.zeros(0, bool), *[none] * 9), ())

    def exposures(self) -> Exposures:
        n = len(self.shots)
        return Exposures(
            file="exposures.csv",
            row=np.arange(2, n + 2),
            name=np.array([s.name for s in self.shots], np.str_),
            run=np.array([s.run for s in self.shots], np.str_),
            line=np.array([s.line for s in self.shots], np.str_),
            counter_m=np.array([s.counter for s in self.shots], float),
            measured_to=np.array([s.to for s in self.shots], np.str_),
            xyz_m=np.array([s.xyz for s in self.shots], float).reshape(n, 3),
            cov_m2=np.tile(np.diag([0.02, 0.02, 0.01]) ** 2, (n, 1, 1)),
            ground_m=np.zeros(n),
            placed=np.ones(n, bool),
        )

    def link(self) -> Linked:
        return link(self.solved(), self.exposures(), self.settings())


def standard_cov(heading_deg: float = 3.0) -> Floats:
    """A stop a metre deep, with correlations as a real one has."""
    sigma = np.array([0.04, 0.05, 0.06, np.radians(heading_deg), np.radians(4)])
    r = np.eye(5)
    r[0, 3] = r[3, 0] = 0.3
    r[1, 4] = r[4, 1] = 0.5
    return r * np.outer(sigma, sigma)


def codes(found: Linked) -> list[str]:
    return [called(f) for f in found.findings]


def finding(found: Linked, code: str) -> Finding:
    return next(f for f in found.findings if called(f) == code)


def only(found: Linked) -> Line:
    assert len(found.lines) == 1, found.findings
    return found.lines[0]


NORTH = [(0, 0, 0), (0, 10, 0.2)]
ENTRY: tuple[str, Path] = ("CO1", (0, 0, -RIDE))
