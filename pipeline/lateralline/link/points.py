"""The located points of one line, and those that are its fixes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from lateralline.kernels.curves import directions
from lateralline.link.priors import tilt_regression, without_tilt_prior
from lateralline.proportions import MOST_SIGMA_M
from lateralline.records import Finding, Fixes, Floats
from lateralline.settings import Run, Settings
from lateralline.wording import metres


@dataclass(frozen=True, slots=True)
class Point:
    """One located point of a line, with what was observed there."""

    kind: str  # fix | exposure | junction
    ref: str  # "R1/3", an exposure's name, a line id
    where: str  # "stops.csv:14"
    fix: int  # index into Fixes, else −1
    xyz_m: Floats  # (3,) transmitter axis; level NaN = unknown
    heading_rad: float  # NaN when nothing gives a direction
    tilt_rad: float
    cov: Floats  # (5, 5) with the axis's own variance; only (3, 3) counts without a direction
    readings: Mapping[str, float]  # run → counter at which the transmitter stood here
    #: (5, c) what one σ of each error shared through the site does to it; part of `cov`
    shared: Floats = field(default_factory=lambda: np.zeros((5, 0)))
    gnss: bool = False  # GNSS put every mark it rests on

    @property
    def directed(self) -> bool:
        """True when the point says which way the pipe runs."""
        return bool(np.isfinite(self.heading_rad))

    @property
    def subject(self) -> str:
        """The point as a finding names it."""
        return f"{'stop' if self.fix >= 0 and self.kind == 'fix' else self.kind} {self.ref}"

    @property
    def direction(self) -> Floats:
        """Unit vector (3,) of the axis."""
        return directions(self.heading_rad, self.tilt_rad)

    def reversed(self) -> Point:
        """The same point looked at from the other end of the transmitter: α + π, −θ."""
        sign = np.array([1.0, 1.0, 1.0, 1.0, -1.0])
        return replace(
            self,
            heading_rad=(self.heading_rad + np.pi) % (2 * np.pi),
            tilt_rad=-self.tilt_rad,
            cov=self.cov * np.outer(sign, sign),
            shared=self.shared * sign[:, None],
        )


def gather_fixes(line: str, fixes: Fixes, settings: Settings) -> tuple[list[Point], list[Finding]]:
    """Return the located stops of a line, run by run, and what is wrong with them."""
    runs = tuple(r for r in settings.runs if r.line == line)
    findings: list[Finding] = []
    points: list[Point] = []
    for run in runs:
        rows = np.flatnonzero((fixes.run == run.id) & fixes.solved)
        findings += _counter_findings(run, fixes, rows)
        sure = np.isfinite(fixes.xyz_m[rows]).all(axis=1)
        sure &= np.isfinite(fixes.cov[rows][:, :3, :3]).all(axis=(1, 2))
        findings += [_without_error(run, fixes, int(i)) for i in rows[~sure]]
        rows = rows[sure]
        sigma = np.sqrt(np.maximum(np.einsum("kii->ki", fixes.cov[rows][:, :2, :2]).max(axis=1), 0))
        vague = sigma > MOST_SIGMA_M
        findings += [_vague(run, fixes, int(i)) for i in rows[vague]]
        rows = rows[~vague]
        points += [_from_fix(fixes, int(i), run, settings) for i in rows]
    return points, findings


def _from_fix(fixes: Fixes, i: int, run: Run, settings: Settings) -> Point:
    a = settings.accuracy
    cov = fixes.cov[i].copy()
    seen = np.array([*fixes.xyz_m[i], fixes.heading_rad[i], fixes.tilt_rad[i]])
    directed = bool(np.isfinite(seen[3:]).all() and np.isfinite(cov).all())
    shared = fixes.shared[i] if len(fixes.shared) else np.zeros((5, 0))
    if not directed:
        cov[3:, :] = cov[:, 3:] = 0.0
        shared = np.concatenate([shared[:3], np.zeros_like(shared[:2])])
    elif np.isfinite(fixes.tilt_prior_rad[i]):
        follow = tilt_regression(cov, float(fixes.tilt_prior_rad[i]))
        seen, cov = without_tilt_prior(seen, cov, float(fixes.tilt_prior_rad[i]))
        shared = follow @ shared
    # A crooked camera is not a crooked pipe.
    cov += np.diag([0.0, 0.0, 0.0, a.axis_heading_rad**2, a.axis_tilt_rad**2])
    return Point(
        kind="fix",
        ref=f"{run.id}/{fixes.stop[i]}",
        where=fixes.where(i),
        fix=i,
        xyz_m=seen[:3],
        heading_rad=float(seen[3]) if directed else float("nan"),
        tilt_rad=float(seen[4]) if directed else float("nan"),
        cov=factorable(cov),
        readings=reading_of(run, float(fixes.counter_m[i]) - run.transmitter_lag_m),
        gnss=bool(fixes.by_gnss[i]) if len(fixes.by_gnss) else False,
        shared=np.nan_to_num(shared),
    )


def _without_error(run: Run, fixes: Fixes, i: int) -> Finding:
    return Finding(
        "warning",
        "link",
        "fix-without-error",
        f"stop {run.id}/{fixes.stop[i]}",
        "its position or covariance is not finite: it is left out of the line",
        "",
        "mark it again",
        fixes.where(i),
    )


def _vague(run: Run, fixes: Fixes, i: int) -> Finding:
    sigma = float(np.sqrt(np.einsum("ii->i", fixes.cov[i][:2, :2]).max()))
    return Finding(
        "error",
        "link",
        "fix-without-place",
        f"stop {run.id}/{fixes.stop[i]}",
        "its position is known so poorly that it is none: it is left out of the line",
        f"± {metres(sigma, 0)} (1 σ); {metres(MOST_SIGMA_M, 0)} at most are of use",
        "look at the sigma of its marks and of their control, or mark it again",
        fixes.where(i),
    )


def reading_of(run: Run, counter_m: float) -> dict[str, float]:
    """Return a counter as the readings of a point; none where it is NaN."""
    return {run.id: counter_m} if np.isfinite(counter_m) else {}


def factorable(cov: Floats) -> Floats:
    """A covariance kept positive definite through rounding; rows that are zero stay zero."""
    used = np.diag(cov) > 0
    used[:3] = True
    sigma = np.sqrt(np.maximum(np.diag(cov)[used], 1e-12))
    values, vectors = np.linalg.eigh(cov[np.ix_(used, used)] / np.outer(sigma, sigma))
    unit = (vectors * np.maximum(values, 1e-9)) @ vectors.T
    out = np.zeros_like(cov)
    out[np.ix_(used, used)] = unit * np.outer(sigma, sigma)
    return out


def _counter_findings(run: Run, fixes: Fixes, rows: np.ndarray) -> list[Finding]:
    """Counters that turn back between stops as written (a pull-back read throughout is fine)."""
    rows = rows[np.isfinite(fixes.counter_m[rows])]
    rows = rows[np.argsort(fixes.row[rows], kind="stable")]
    steps = np.diff(fixes.counter_m[rows])
    back = np.flatnonzero(steps < 0)
    if len(back) == 0 or (len(back) == len(steps) and len(steps) > 1):
        return []
    return [
        Finding(
            "warning",
            "link",
            "counter-backwards",
            f"stop {run.id}/{fixes.stop[rows[j + 1]]}",
            f"its counter is below that of stop {run.id}/{fixes.stop[rows[j]]} written before it; "
            "stops are linked in the order of their counters",
            metres(-steps[j]),
            "check both counter readings",
            fixes.where(rows[j + 1]),
            about=(f"stop {run.id}/{fixes.stop[rows[j]]}",),
        )
        for j in back
    ]
