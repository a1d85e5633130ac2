"""Located points of each line: its stops, its exposures brought to the axis, levels at counters.

What lies further off than any cable reaches is left out here, before anything is ordered: a digit
too many in a coordinate puts a stop kilometres off, and everything that hangs on a length would
follow it there. Points that a chain of neighbours no more than `MOST_LEG_M` apart joins are one
group; the largest is believed.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite, nan

import numpy as np

from lateralline.findings import Finding, finding
from lateralline.link.lines import LocatedPoint
from lateralline.link.stochastic import factorable, tilt_regression, without_tilt_prior
from lateralline.proportions import MOST_LEG_M, MOST_SIGMA_M, groups
from lateralline.records import Exposures, Fixes, Flags, Floats, Ints
from lateralline.settings import Run, Settings


def gather_fixes(
    line: str, fixes: Fixes, settings: Settings
) -> tuple[list[LocatedPoint], list[Finding]]:
    """Return the located stops of a line, run by run, and what is wrong with them."""
    runs = tuple(r for r in settings.runs if r.line == line)
    findings: list[Finding] = []
    points: list[LocatedPoint] = []
    for run in runs:
        rows = np.flatnonzero((fixes.run == run.id) & fixes.solved)
        findings += _counter_findings(fixes, rows) + _uncounted(fixes, rows, run)
        sure = np.isfinite(fixes.xyz_m[rows]).all(axis=1)
        sure &= np.isfinite(fixes.cov[rows][:, :3, :3]).all(axis=(1, 2))
        findings += [
            finding("stop-not-located/no-error", f"stop {_name(fixes, i)}", where=fixes.where(i))
            for i in rows[~sure].tolist()
        ]
        rows = rows[sure]
        sigma = np.sqrt(np.maximum(np.einsum("kii->ki", fixes.cov[rows][:, :2, :2]).max(axis=1), 0))
        vague = sigma > MOST_SIGMA_M
        findings += [
            finding(
                "stop-not-located/vague",
                f"stop {_name(fixes, i)}",
                where=fixes.where(i),
                sigma_m=s,
                most_sigma_m=MOST_SIGMA_M,
            )
            for i, s in zip(rows[vague].tolist(), sigma[vague], strict=True)
        ]
        rows = rows[~vague]
        points += [_from_fix(fixes, int(i), run, settings) for i in rows]
    return points, findings


def _from_fix(fixes: Fixes, i: int, run: Run, settings: Settings) -> LocatedPoint:
    a = settings.accuracy
    cov = fixes.cov[i].copy()
    seen = np.array([*fixes.xyz_m[i], fixes.heading_rad[i], fixes.tilt_rad[i]])
    directed = bool(np.isfinite(seen[3:]).all() and np.isfinite(cov).all())
    shared = fixes.shared[i] if len(fixes.shared) else np.zeros((5, 0))
    if not directed:
        cov[3:, :] = cov[:, 3:] = 0.0
        shared = np.concatenate([shared[:3], np.zeros_like(shared[:2])])
    elif np.isfinite(fixes.tilt_prior_rad[i]):
        follow = tilt_regression(seen, cov, float(fixes.tilt_prior_rad[i]))
        seen, cov = without_tilt_prior(seen, cov, float(fixes.tilt_prior_rad[i]))
        shared = follow @ shared
    # A crooked camera is not a crooked pipe.
    cov += np.diag([0.0, 0.0, 0.0, a.axis_heading_rad**2, a.axis_tilt_rad**2])
    return LocatedPoint(
        kind="fix",
        ref=_name(fixes, i),
        where=fixes.where(i),
        fix=i,
        xyz_m=seen[:3],
        heading_rad=float(seen[3]) if directed else float("nan"),
        tilt_rad=float(seen[4]) if directed else float("nan"),
        cov=factorable(cov),
        readings=reading_of(run, float(fixes.counter_m[i]) - run.transmitter_lag_m),
        gnss=bool(fixes.by_gnss[i]) if len(fixes.by_gnss) else False,
        shared=np.nan_to_num(shared),
        depth_m=float(fixes.depth_m[i]),
        metal=bool(fixes.metal[i]) if len(fixes.metal) else False,
        axis_sigma_m=fixes.axis_sigma_m[i] if len(fixes.axis_sigma_m) else np.full(2, np.nan),
    )


def reading_of(run: Run, counter_m: float) -> dict[str, float]:
    """Return a counter as the readings of a point; none where it is NaN."""
    return {run.id: counter_m} if np.isfinite(counter_m) else {}


def _counter_findings(fixes: Fixes, rows: Ints) -> list[Finding]:
    """Counters that turn back between stops as written (a pull-back read throughout is fine)."""
    rows = rows[np.isfinite(fixes.counter_m[rows])]
    rows = rows[np.argsort(fixes.row[rows], kind="stable")]
    steps = np.diff(fixes.counter_m[rows])
    back = np.flatnonzero(steps < 0)
    if len(back) == 0 or (len(back) == len(steps) and len(steps) > 1):
        return []
    return [
        finding(
            "counter-wrong/backwards",
            f"stop {_name(fixes, rows[j + 1])}",
            where=fixes.where(rows[j + 1]),
            about=[f"stop {_name(fixes, rows[j])}"],
            before=f"stop {_name(fixes, rows[j])}",
            back_m=-steps[j],
        )
        for j in back
    ]


def _uncounted(fixes: Fixes, rows: Ints, run: Run) -> list[Finding]:
    """Stops of a run without a counter, once a run."""
    bare = rows[np.isnan(fixes.counter_m[rows])]
    if not len(bare):
        return []
    names = [f"stop {_name(fixes, i)}" for i in bare.tolist()]
    return [
        finding(
            "counter-missing",
            f"run {run.id}",
            where=fixes.where(int(bare[0])),
            about=names,
            stops=names,
            without=len(bare),
            of_all=len(rows),
        )
    ]


def _name(fixes: Fixes, i: int) -> str:
    """A stop as findings name it: R1/3."""
    return f"{fixes.run[i]}/{fixes.stop[i]}"


#: Level of a point whose level nobody measured, about that of its neighbours on the line.
LEVEL_UNKNOWN_M = 1.0


def gather_exposures(
    line: str, exposures: Exposures, width: int, settings: Settings
) -> tuple[list[LocatedPoint], list[Finding]]:
    """Return the placed exposures of a line as points, in the order of their file.

    `width` is how many errors the site's fixes share.
    """
    runs = [r for r in settings.runs if r.line == line]
    points: list[LocatedPoint] = []
    findings: list[Finding] = []
    for i in np.flatnonzero(exposures.placed).tolist():
        run = next((r for r in runs if r.id == exposures.run[i]), None)
        if run is not None or (exposures.line[i] == line and not exposures.run[i]):
            point = _point(exposures, i, line, runs, run, settings, width)
            points.append(point)
            if isfinite(exposures.xyz_m[i, 2]) and np.isnan(point.xyz_m[2]):
                findings.append(
                    finding(
                        "level-unused/dimensions",
                        point.subject,
                        where=point.where,
                        line=f"line {line}",
                        measured_to=str(exposures.measured_to[i]).replace("_", " "),
                    )
                )
    return points, findings


def gather_levels(
    line: str, exposures: Exposures, width: int, settings: Settings
) -> list[LocatedPoint]:
    """Return the levels known at counters of a line's runs: points whose position is NaN."""
    out = []
    for i in np.flatnonzero(exposures.level_only).tolist():
        run = next((r for r in settings.runs if r.id == exposures.run[i] and r.line == line), None)
        if run is None:
            continue
        up = settings.pipe(line).axis_above_m(str(exposures.measured_to[i]), run.ride_height_m)
        cov = np.zeros((5, 5))
        cov[2, 2] = exposures.cov_m2[i, 2, 2]
        out.append(
            LocatedPoint(
                "exposure",
                str(exposures.name[i]),
                f"{exposures.file}:{exposures.row[i]}",
                -1,
                np.array([nan, nan, exposures.xyz_m[i, 2] + up]),
                nan,
                nan,
                cov,
                reading_of(run, _counter_m(exposures, i, run)),
                np.zeros((5, width)),
            )
        )
    return out


def _counter_m(exposures: Exposures, i: int, run: Run) -> float:
    """Where on the run's path an exposure lies.

    The camera face reaches a cleanout; a transmitter that is seen sits its lag behind.
    """
    lag = run.transmitter_lag_m if exposures.measured_to[i] == "transmitter" else 0.0
    return float(exposures.counter_m[i]) - lag


def _point(
    exposures: Exposures,
    i: int,
    line: str,
    runs: Sequence[Run],
    run: Run | None,
    settings: Settings,
    width: int,
) -> LocatedPoint:
    name, where = str(exposures.name[i]), f"{exposures.file}:{exposures.row[i]}"
    if run is None and len(runs) == 1:
        run = runs[0]
    if run is not None and isfinite(exposures.counter_m[i]):
        readings = reading_of(run, _counter_m(exposures, i, run))
    else:
        readings = {r.id: r.counter_at_entry_m for r in runs if r.entry == name}
    ride_m = settings.ride_height_m(line, run.id if run is not None else "")
    up = settings.pipe(line).axis_above_m(str(exposures.measured_to[i]), ride_m)
    xyz, cov = exposures.xyz_m[i].copy(), np.zeros((5, 5))
    cov[:3, :3] = exposures.cov_m2[i]
    xyz[2] += up
    level_known = bool(isfinite(xyz[2]) and isfinite(cov[2, 2]))
    if not level_known:
        xyz[2] = nan
        cov[2, :] = cov[:, 2] = 0.0
        cov[2, 2] = LEVEL_UNKNOWN_M**2
    shared = np.zeros((5, width))
    if len(exposures.shared_m):
        known = exposures.shared_m.shape[2]
        shared[:3, :known] = np.nan_to_num(exposures.shared_m[i])
        shared[2] *= level_known
    return LocatedPoint(
        "exposure", name, where, -1, xyz, nan, nan, factorable(cov), readings, shared
    )


def without_far_points(
    line: str, points: Sequence[LocatedPoint], others_m: Floats
) -> tuple[list[LocatedPoint], list[Finding]]:
    """Return the points of a line that lie together, and a finding on each that does not.

    `others_m` (n, 2) are places of the site's other lines: of groups of equal size they tell the
    one. Where nothing does, none is believed and the line is not drawn.
    """
    if len(points) < 2:
        return list(points), []
    xyz = np.nan_to_num([p.xyz_m for p in points])
    of = groups(xyz, MOST_LEG_M)
    size = np.bincount(of)
    if len(size) == 1:
        return list(points), []
    largest = np.flatnonzero(size == size.max())
    if len(largest) > 1 and len(others_m):
        away = [_nearest(xyz[of == g, :2], others_m) for g in largest]
        largest = largest[np.array(away) < MOST_LEG_M]
    if len(largest) != 1:
        return [], [
            finding(
                "line-not-located",
                f"line {line}",
                variant="scattered",
                where=points[0].where,
                across_m=float(np.linalg.norm(np.ptp(xyz, axis=0))),
                most_m=MOST_LEG_M,
            )
        ]
    kept = of == largest[0]
    return (
        [p for p, k in zip(points, kept, strict=True) if k],
        [
            finding(
                "point-astray",
                points[i].subject,
                variant="line",
                where=points[i].where,
                away_m=_distance(xyz, kept, i),
                most_m=MOST_LEG_M,
            )
            for i in np.flatnonzero(~kept).tolist()
        ],
    )


def _nearest(xy: Floats, others_m: Floats) -> float:
    from scipy.spatial import cKDTree  # slow to import, and hardly a line is scattered

    return float(np.min(cKDTree(others_m).query(xy)[0]))


def _distance(xyz: Floats, kept: Flags, i: int) -> float:
    return float(np.linalg.norm(xyz[kept] - xyz[i], axis=1).min())
