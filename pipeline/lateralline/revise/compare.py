"""Two records of one site, old and new: what moved, by how much, and what the old one contains."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from math import degrees, nan
from typing import Final

import numpy as np
from scipy.optimize import linear_sum_assignment

from lateralline.derive.axis import Axis
from lateralline.derive.ellipses import ELLIPSE_95, INTERVAL_95, ellipses_95
from lateralline.findings import Finding
from lateralline.records import Exposures, Floats
from lateralline.revise.changes import (
    ExposureCheck,
    Figures,
    LineChange,
    Moved,
    SiteChanges,
    Verdict,
    doubts,
    moved_points,
    noted,
    shared_receivers,
    warnings,
)
from lateralline.revise.containment import (
    OldLine,
    Side,
    axes,
    corridors,
    exposure_containment,
    held_in,
    layer,
    line_containment,
    moved_into,
    plan_in_ellipse,
)
from lateralline.revise.visit import undated
from lateralline.settings import Settings
from lateralline.stages import SiteResult, SiteWork
from lateralline.wording import metres

#: Bends of both records no farther apart than this, or than their 95 % ellipses reach together,
#: are one bend.
SAME_BEND_M: Final = 1.0
#: Farther apart than this they are two whatever their ellipses say.
OTHER_BEND_M: Final = 3.0

Pairs = list[tuple[int, int]]


def compare(old: SiteResult, new: SiteResult, added: dict[str, int]) -> SiteChanges:
    """Return what changed between two records of a site, both run through derive.

    `added` counts what was added, by table; it is passed on. Everything is compared in the old
    site frame.
    """
    before, after = old.work, new.work
    side = Side(before["placed"].frame, after["placed"].frame)
    old_axes, new_axes = axes(before), axes(after)
    regions = corridors(before)
    known = {name: OldLine(axis, regions[name]) for name, axis in old_axes.items()}
    figures = _figures(before), _figures(after)
    tolerances = _tolerances(before)
    names = dict.fromkeys([*new_axes, *old_axes])
    settings = after["record"].settings
    doubtful = doubts(new.findings, settings, _lines_of_exposures(after))
    lines = tuple(
        _judged(
            _line(
                name, known.get(name), new_axes.get(name), side, figures, tolerances.get(name, nan)
            ),
            doubtful.get(name, ()),
        )
        for name in names
    )
    rejected = {f.subject for f in new.findings if f.code == "blunder"}
    exposures = tuple(
        _unjudged(check) if f"exposure {check.name}" in rejected else check
        for check in _exposures(before, after, known, side)
    )
    return SiteChanges(
        site_id=settings.id,
        name=settings.name,
        length_unit=settings.units["tape"],
        added=added,
        levels_compared=side.same_levels,
        lines=lines,
        exposures=exposures,
        findings_come=noted(new.findings, old.findings),
        findings_gone=noted(old.findings, new.findings),
        errors=sum(f.open_error for f in new.findings),
        warnings=(
            *warnings(lines, exposures),
            *shared_receivers(before["record"].settings, settings),
            *undated(before["record"], after["record"]),
        ),
    )


def _figures(work: SiteWork) -> dict[str, Figures]:
    columns = layer(work, "pipe_centreline").columns
    return figures_of(
        dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)
    )


def figures_of(rows: Iterable[Mapping[str, object]]) -> dict[str, Figures]:
    """Return what rows of the centreline layer say of each line, by line."""
    return {
        str(row["line_id"]): Figures(
            length_m=_number(row["length_m"]),
            gradient=_number(row["gradient"]),
            gradient_sigma=_number(row["gradient_sigma"]),
            sideways_95_m=_number(row["position_95_max_m"]),
            level_95_m=INTERVAL_95 * _number(row["invert_sigma_max_m"]),
            chi2=_number(row["chi2"]),
            dof=int(np.nan_to_num(_number(row["dof"]))),
            undecided=int(_number(row["undecided_segments"])),
        )
        for row in rows
    }


def _tolerances(work: SiteWork) -> dict[str, float]:
    columns = layer(work, "tolerance_zone").columns
    lines, tolerances = map(str, columns["line_id"]), map(_number, columns["tolerance_m"])
    return dict(zip(lines, tolerances, strict=True))


# ---- lines ---------------------------------------------------------------------------------


def _line(
    name: str,
    old: OldLine | None,
    new: Axis | None,
    side: Side,
    figures: tuple[dict[str, Figures], dict[str, Figures]],
    tolerance_m: float,
) -> LineChange:
    before, after = (of.get(name) for of in figures)
    if old is None or new is None:
        return LineChange(name, before, after)
    here = moved_into(side, new.line.xyz_m)
    named_old, named_new = _named(old.axis), _named(new)
    same = [(named_old[key], at) for key, at in named_new.items() if key in named_old]
    bends = _same_bends(old.axis, new, here)
    plan, level = line_containment(old, new, side, levels=side.same_levels)
    return LineChange(
        line=name,
        before=before,
        after=after,
        moved=_moved(old, new, here, sorted(same + bends, key=lambda pair: pair[1]), side),
        come=tuple(key[1] for key in named_new if key not in named_old),
        gone=tuple(key[1] for key in named_old if key not in named_new),
        bends_come=_bends_but(new, {at for _, at in bends}),
        bends_gone=_bends_but(old.axis, {at for at, _ in bends}),
        plan=plan,
        level=level,
        tolerance_m=tolerance_m,
    )


def _judged(line: LineChange, doubtful: tuple[Finding, ...]) -> LineChange:
    """Return a line with no verdict on the old record where the new one has errors on the line."""
    plan, level = (
        replace(region, verdict=_withheld(region.verdict)) if doubtful else region
        for region in (line.plan, line.level)
    )
    return replace(line, plan=plan, level=level, doubts=doubtful)


def _withheld(verdict: Verdict) -> Verdict:
    return "withheld" if verdict in ("left", "failed") else verdict


def _named(axis: Axis) -> dict[tuple[str, str], int]:
    """Return the vertex of every point that has a name, from downstream."""
    line = axis.line
    return {
        (kind, ref): at
        for at, (kind, ref) in enumerate(zip(line.kind.tolist(), line.ref.tolist(), strict=True))
        if ref and kind != "bend"
    }


def _same_bends(old: Axis, new: Axis, here_m: Floats) -> Pairs:
    """Return the bends of both records that are one: nearest to each other, all together."""
    a, b = (np.flatnonzero(axis.line.kind == "bend") for axis in (old, new))
    if not len(a) or not len(b):
        return []
    apart = np.linalg.norm(old.line.xyz_m[a, None, :2] - here_m[None, b, :2], axis=2)
    reach = np.add.outer(
        ellipses_95(old.line.cov_m2[a]).semi_major_m, ellipses_95(new.line.cov_m2[b]).semi_major_m
    )
    rows, columns = linear_sum_assignment(apart)
    near = apart <= np.clip(reach, SAME_BEND_M, OTHER_BEND_M)
    return [(int(a[i]), int(b[j])) for i, j in zip(rows, columns, strict=True) if near[i, j]]


def _bends_but(axis: Axis, known: set[int]) -> tuple[str, ...]:
    """Say the bends of a line that are not among `known`: "46° at 13.95 m"."""
    return tuple(
        f"{degrees(abs(angle)):.0f}° at {metres(axis.chainage_m[at])}"
        for stretch in axis.line.stretches
        for at, angle in enumerate(stretch.bend_rad, start=stretch.first + 1)
        if at not in known
    )


def _moved(old: OldLine, new: Axis, here_m: Floats, pairs: Pairs, side: Side) -> tuple[Moved, ...]:
    if not pairs:
        return ()
    a, b = np.array(pairs).T
    line = old.axis.line
    move = here_m[b] - line.xyz_m[a]
    if not side.same_levels:
        move[:, 2] = nan
    in_ellipse = plan_in_ellipse(move[:, :2], line.cov_m2[a, :2, :2]) / ELLIPSE_95
    half = INTERVAL_95 * np.sqrt(line.cov_m2[a, 2, 2])
    _, beside = old.project(here_m[b, :2])
    off, _ = old.outside(here_m[b, :2], new.line.cov_m2[b])
    xy = side.new.to_site_crs(new.line.xyz_m[b])[:, :2]
    old_xy = side.old.to_site_crs(line.xyz_m[a])[:, :2]
    old_95, new_95 = (ellipses_95(cov).semi_major_m for cov in (line.cov_m2[a], new.line.cov_m2[b]))
    new_half = INTERVAL_95 * np.sqrt(new.line.cov_m2[b, 2, 2])
    return moved_points(
        line.line,
        [
            (str(new.line.kind[at]), str(new.line.ref[at]) or f"bend at {new.chainage_m[at]:.2f} m")
            for at in b.tolist()
        ],
        held_in(off, beside),
        move,
        xy,
        old_xy,
        chainage_m=new.chainage_m[b],
        old_chainage_m=old.axis.chainage_m[a],
        of_old_95=in_ellipse,
        of_old_level_95=np.abs(move[:, 2]) / half,
        invert_m=new.vertices.invert_level_m[b],
        old_position_95_m=old_95,
        new_position_95_m=new_95,
        old_level_95_m=half,
        new_level_95_m=new_half,
    )


# ---- exposures -----------------------------------------------------------------------------


def _exposures(
    before: SiteWork, after: SiteWork, known: dict[str, OldLine], side: Side
) -> Iterable[ExposureCheck]:
    """Yield a check of every placed exposure that is new, on a line the old record drew."""
    exposures = after["placed"].exposures
    known_before = set(before["placed"].exposures.name.tolist())
    here = moved_into(side, exposures.xyz_m)
    for i, name in enumerate(exposures.name.tolist()):
        line = known.get(str(exposures.line[i]))
        if name not in known_before and exposures.placed[i] and line is not None:
            above = _invert_above_m(exposures, i, after["record"].settings)
            cov = exposures.cov_m2[i]
            levels = side.same_levels and bool(np.isfinite(here[i, 2]))
            check = exposure_containment(line, name, here[i], cov, above, levels=levels)
            yield _with_places(check, line, here[i], cov, side)


def _unjudged(check: ExposureCheck) -> ExposureCheck:
    """Return a check of an exposure that the new record rejects: no proof against the old one."""
    return replace(check, plan=_withheld(check.plan), level=_withheld(check.level))


def _with_places(
    check: ExposureCheck, old: OldLine, xyz_m: Floats, cov_m2: Floats, side: Side
) -> ExposureCheck:
    """Return a check with both places in the site's CRS, and how sure each is."""
    there = old.axis.at(np.array([check.old_chainage_m]))
    places = side.old.to_site_crs(np.vstack([there.xyz_m, xyz_m]))[:, :2]
    covs = np.stack([there.cov_m2[0], cov_m2])
    position = ellipses_95(covs).semi_major_m
    level = INTERVAL_95 * np.sqrt(covs[:, 2, 2])
    return replace(
        check,
        old_x=float(places[0, 0]),
        old_y=float(places[0, 1]),
        x=float(places[1, 0]),
        y=float(places[1, 1]),
        old_position_95_m=float(position[0]),
        new_position_95_m=float(position[1]),
        old_level_95_m=float(level[0]),
        new_level_95_m=float(level[1]),
    )


def _lines_of_exposures(work: SiteWork) -> dict[str, str]:
    exposures, settings = work["placed"].exposures, work["record"].settings
    columns = (exposures.name.tolist(), exposures.line.tolist(), exposures.run.tolist())
    return {name: settings.line_of(line, run) for name, line, run in zip(*columns, strict=True)}


def _invert_above_m(exposures: Exposures, row: int, settings: Settings) -> float:
    """Return the height of the invert above what an exposure measured; NaN unknown."""
    line, run = str(exposures.line[row]), str(exposures.run[row])
    ride_m = settings.ride_height_m(line, run)
    return settings.pipe(line).axis_above_m(str(exposures.measured_to[row]), ride_m) - ride_m


def _number(value: object) -> float:
    """Return a cell as a plain float; NaN for one that is empty."""
    return nan if value is None else float(str(value))
