"""The located points of one line: its fixes, and its exposures brought to the transmitter axis."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from scipy.stats import chi2

from lateralline.kernels.curves import directions
from lateralline.link.priors import tilt_regression, without_tilt_prior
from lateralline.records import Exposures, Finding, Fixes, Floats
from lateralline.settings import Run, Settings

#: Level of a point whose level nobody measured, about that of its neighbours on the line.
LEVEL_UNKNOWN_M = 1.0
#: Closer than this, by the counter or in plan, is one place: a test hole dug where a stop was.
SAME_PLACE_M = 0.10
#: Two stops of one run closer than this by the counter are one stop written twice.
SAME_STOP_M = 0.02


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


def gather(
    line: str, fixes: Fixes, exposures: Exposures, settings: Settings
) -> tuple[list[Point], list[Finding]]:
    """Return the located points of a line, in no order yet, and what is wrong with them."""
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
        points += [_from_fix(fixes, int(i), run, settings) for i in rows]
    for i in np.flatnonzero(exposures.placed):
        of_run = next((r for r in runs if r.id == exposures.run[i]), None)
        if of_run is not None or (exposures.line[i] == line and not exposures.run[i]):
            point, said = _from_exposure(
                exposures, int(i), line, runs, of_run, settings, fixes.shared.shape[2]
            )
            points.append(point)
            findings += said
    return points, findings


def gather_levels(line: str, exposures: Exposures, settings: Settings) -> list[Point]:
    """Return the levels known at counters of a line's runs: points without a position."""
    out = []
    for i in np.flatnonzero(exposures.level_only):
        run = next((r for r in settings.runs if r.id == exposures.run[i] and r.line == line), None)
        if run is not None:
            point, _ = _from_exposure(exposures, int(i), line, (run,), run, settings, 0)
            out.append(point)
    return out


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
        readings=_reading(run, float(fixes.counter_m[i]) - run.transmitter_lag_m),
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


def _reading(run: Run, counter_m: float) -> dict[str, float]:
    return {run.id: counter_m} if np.isfinite(counter_m) else {}


def _from_exposure(
    exposures: Exposures,
    i: int,
    line: str,
    runs: tuple[Run, ...],
    run: Run | None,
    settings: Settings,
    width: int,
) -> tuple[Point, list[Finding]]:
    name, measured_to = str(exposures.name[i]), str(exposures.measured_to[i])
    where = f"{exposures.file}:{exposures.row[i]}"
    if run is None and len(runs) == 1:
        run = runs[0]
    counter = float(exposures.counter_m[i])
    if run is not None and np.isfinite(counter):
        # The camera face reaches a cleanout; a transmitter that is seen sits its lag behind.
        lag = run.transmitter_lag_m if measured_to == "transmitter" else 0.0
        readings = _reading(run, counter - lag)
    else:
        readings = {r.id: r.counter_at_entry_m for r in runs if r.entry == name}
    ride = run if run is not None else next(iter(runs), None)
    up = settings.pipe(line).axis_above_m(measured_to, ride.ride_height_m if ride else 0.0)
    xyz, cov = exposures.xyz_m[i].copy(), np.zeros((5, 5))
    cov[:3, :3] = exposures.cov_m2[i]
    findings = []
    level_known = bool(np.isfinite(xyz[2]) and np.isfinite(cov[2, 2]))
    if level_known and np.isnan(up):
        findings.append(
            Finding(
                "warning",
                "link",
                "exposure-level-unused",
                f"exposure {name}",
                f"measured to {measured_to.replace('_', ' ')}, but the pipe's dimensions are not "
                "known: it holds the line in plan only",
                "",
                f"give line {line} a nominal size, or inside_diameter and wall, in site.toml",
                where,
            )
        )
    xyz[2] += up
    if not (level_known and np.isfinite(up)):
        xyz[2] = np.nan
        cov[2, :] = cov[:, 2] = 0.0
        cov[2, 2] = LEVEL_UNKNOWN_M**2
    nan = float("nan")
    shared = np.zeros((5, width))
    if len(exposures.shared_m):
        known = exposures.shared_m.shape[2]
        shared[:3, :known] = np.nan_to_num(exposures.shared_m[i])
        shared[2] *= level_known and np.isfinite(up)
    point = Point("exposure", name, where, -1, xyz, nan, nan, factorable(cov), readings, shared)
    return point, findings


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
            f"{-steps[j]:.2f} m",
            "check both counter readings",
            fixes.where(rows[j + 1]),
        )
        for j in back
    ]


def settle_same_places(points: list[Point]) -> tuple[list[Point], list[Finding]]:
    """Return ordered points with those that are one place made one, and what that showed."""
    out: list[Point] = []
    findings: list[Finding] = []
    for point in points:
        if not out or not _same_place(out[-1], point):
            out.append(point)
        elif out[-1].fix >= 0 and point.fix >= 0:
            keep, drop = sorted((out[-1], point), key=lambda p: float(np.trace(p.cov[:2, :2])))
            out[-1] = keep
            findings.append(
                Finding(
                    "warning",
                    "link",
                    "counter-duplicate",
                    drop.subject,
                    f"has the same counter reading as stop {keep.ref}; the less certain of the two "
                    "is left out of the line",
                    f"{np.hypot(*(drop.xyz_m - keep.xyz_m)[:2]):.2f} m apart in plan",
                    "correct the counter of one of them, or remove one",
                    drop.where,
                )
            )
        else:
            out[-1], said = _joined(out[-1], point)
            findings += said
    return out, findings


def _same_place(a: Point, b: Point) -> bool:
    shared = a.readings.keys() & b.readings.keys()
    within = SAME_STOP_M if a.fix >= 0 and b.fix >= 0 else SAME_PLACE_M
    by_counter = any(abs(a.readings[r] - b.readings[r]) <= within for r in shared)
    if shared or a.kind == b.kind == "fix":
        return by_counter
    same_name = a.kind == b.kind == "exposure" and a.ref == b.ref
    return same_name or float(np.hypot(*(a.xyz_m - b.xyz_m)[:2])) <= SAME_PLACE_M


def _joined(a: Point, b: Point) -> tuple[Point, list[Finding]]:
    """One vertex from an exposure and a fix, or two exposures, and whether they agree."""
    base, seen = (a, b) if a.fix >= 0 else (b, a)
    h = np.eye(5)[:3]
    gap = seen.xyz_m - base.xyz_m
    spread = (base.cov + seen.cov)[:3, :3]
    test = float(gap @ np.linalg.solve(spread, gap))
    limit = float(chi2.ppf(0.999, len(gap)))
    findings = []
    if test > limit and base.fix >= 0:
        findings.append(
            Finding(
                "error",
                "link",
                "exposure-disagrees",
                f"exposure {seen.ref}",
                f"lies elsewhere than stop {base.ref} at the same counter; the exposure is kept",
                f"{np.hypot(*gap[:2]):.2f} m in plan, {gap[2]:+.2f} m in level"
                f", √T = {np.sqrt(test):.1f} (limit {np.sqrt(limit):.2f})",
                f"measure the exposure again, then mark stop {base.ref} again",
                seen.where,
            )
        )
    gain = (base.cov @ h.T) @ np.linalg.inv(spread)
    shift = gain @ gap
    cov = base.cov - gain @ h @ base.cov
    shared = base.shared + gain @ (seen.shared - base.shared)[:3]
    if test > limit:
        shared = np.concatenate([seen.shared[:3], base.shared[3:]])
        keep = seen.cov[:3, :3]
        cov = base.cov.copy()
        cov[:3, 3:], cov[3:, :3], cov[:3, :3] = 0.0, 0.0, keep
        shift = np.concatenate([gap, np.zeros(2)])
    return replace(
        base,
        kind="exposure",
        ref=seen.ref if base.fix >= 0 else base.ref,
        xyz_m=base.xyz_m + shift[:3],
        heading_rad=base.heading_rad + shift[3],
        tilt_rad=base.tilt_rad + shift[4],
        cov=(cov + cov.T) / 2,
        readings={**seen.readings, **base.readings},
        shared=shared,
    ), findings
