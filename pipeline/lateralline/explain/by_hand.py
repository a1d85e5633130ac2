"""What a pencil gets from the marks of a stop, and how far from the record's that may be."""

from __future__ import annotations

from math import cos, hypot, isfinite, nan, radians, sin, sqrt

from lateralline.derive.ellipses import INTERVAL_95
from lateralline.explain.content import ExplainedFigure, formula, held, put
from lateralline.explain.origin import in_files, setting
from lateralline.kernels.dipole import end_null_offsets, mid_null_offset, null_separation
from lateralline.record.lineage import AERIAL
from lateralline.record.rows import FixRow, MarkRow
from lateralline.record.view import RecordView


def by_hand(view: RecordView, fix: FixRow, marks: list[MarkRow]) -> list[ExplainedFigure]:
    """Return what two end nulls, or one and the middle, say of a level transmitter."""
    there = [m for m in marks if m.used and m.geometry is not None]
    ends = [m for m in there if m.kind == "end_null"]
    middles = [m for m in there if m.kind == "mid_null"]
    found: list[ExplainedFigure] = []
    if len(ends) == 2:
        found += _midway(view, fix, ends)
    if len(ends) == 2 or (len(ends) == 1 and len(middles) == 1):
        found.append(_depth_by_nulls(view, fix, ends, middles))
    if isfinite(fix.depth_reading_m):
        found.append(_depth_by_reading(view, fix))
    return found


def _tilt(fix: FixRow) -> tuple[float, str]:
    """Return the tilt to be reckoned with at 95 %, radians, and the same in words."""
    own = fix.tilt_expected_sigma_deg
    sure = INTERVAL_95 * (own if isfinite(own) else fix.tilt_sigma_deg)
    most = sure + (abs(fix.tilt_expected_deg) if isfinite(fix.tilt_expected_deg) else 0.0)
    return radians(min(most, 45.0)), f"a tilt of up to {most:.0f}°"


def _midway(view: RecordView, fix: FixRow, ends: list[MarkRow]) -> list[ExplainedFigure]:
    """Return the place midway between two end nulls."""
    at, heading = fix.geometry, radians(fix.heading_deg)
    assert at is not None
    tilt, tilted = _tilt(fix)
    middle = float(sum(end_null_offsets(tilt))) / 2  # in depths
    off_m = fix.transmitter_depth_m * abs(middle)  # along: what a tilt moves it by
    sources = (formula("dipole"), *in_files(view, [m.source_row for m in ends]))
    found = []
    for name, along, which in (("east", sin(heading), 0), ("north", cos(heading), 1)):
        p, q = ((m.geometry.x, m.geometry.y)[which] if m.geometry else nan for m in ends)
        across = sqrt(1.0 - along**2)
        variance = sum(
            (m.along_sigma_m * along) ** 2 + (m.across_sigma_m * across) ** 2 for m in ends
        )
        found.append(
            ExplainedFigure(
                f"{name} by hand, midway between both end nulls",
                (p + q) / 2,
                "m",
                f"({name} of one end null + {name} of the other) / 2",
                f"({put(p)} + {put(q)}) / 2",
                sources,
                (at.x, at.y)[which],
                by_hand=True,
                expected_95=hypot(INTERVAL_95 * sqrt(variance) / 2, off_m * along),
                why=f"a pencil takes two marks as exact and the transmitter as level; the record "
                f"weighs all marks and the reading by their σ, and allows {tilted}",
            )
        )
    return found


def _depth_by_nulls(
    view: RecordView, fix: FixRow, ends: list[MarkRow], middles: list[MarkRow]
) -> ExplainedFigure:
    """Return the depth by the distance of two end nulls, or of one from the middle."""
    both = len(ends) == 2
    first, second = ends if both else (*ends, *middles)
    a, b, high = first.geometry, second.geometry, setting(view, AERIAL, 0.0)
    assert a is not None
    assert b is not None
    apart, variance = hypot(a.x - b.x, a.y - b.y), first.along_sigma_m**2 + second.along_sigma_m**2
    tilt, tilted = _tilt(fix)
    depth_m = fix.transmitter_depth_m
    if both:
        factor, sign, name = sqrt(2.0), "/", "both end nulls"
        wide = float(null_separation(tilt))
    else:
        factor, sign, name = 1 / sqrt(2.0), "×", "end null and mid null"
        wide = float(end_null_offsets(tilt)[1] - mid_null_offset(tilt))
    off_m = depth_m * abs(wide / factor - 1.0)  # what a tilt makes of it
    what = f"√(({put(a.x)} − {put(b.x)})² + ({put(a.y)} − {put(b.y)})²)"
    times = f"{sign} 1.414214 − {put(high)}"
    return ExplainedFigure(
        "depth by hand, of a level transmitter under level ground",
        apart / factor - high,
        "m",
        f"distance {sign} √2 of {name}, less how high the receiver was held",
        f"{what} {times} = {put(apart)} {times}",
        (
            formula("dipole"),
            *in_files(view, [first.source_row, second.source_row]),
            held("lineage", AERIAL, "value"),
        ),
        depth_m,
        by_hand=True,
        expected_95=hypot(INTERVAL_95 * sqrt(variance) / factor, off_m),
        why="a pencil takes two marks as exact, transmitter and ground as level; the record weighs "
        f"all marks and the reading by their σ, follows the ground, and allows {tilted}",
    )


def _depth_by_reading(view: RecordView, fix: FixRow) -> ExplainedFigure:
    high, read = setting(view, AERIAL, 0.0), fix.depth_reading_m
    ratio, least, scale = (
        setting(view, f"accuracy depth_{name}")
        for name in ("reading_ratio", "reading_min_m", "scale_ratio")
    )
    own = max(ratio * read, least) if isfinite(least) else ratio * read
    return ExplainedFigure(
        "depth by the reading",
        read - high,
        "m",
        "depth reading less how high the receiver was held; the scale of the receiver, "
        "where one was adjusted, is among the adjusted parameters",
        f"{put(read)} − {put(high)}",
        (
            formula("definition"),
            *in_files(view, [fix.source_row]),
            held("lineage", AERIAL, "value"),
        ),
        fix.transmitter_depth_m,
        by_hand=True,
        expected_95=INTERVAL_95 * hypot(own, scale * read if isfinite(scale) else 0.0),
        why="a reading alone, scale and all; the record weighs it by its σ against every mark",
    )
