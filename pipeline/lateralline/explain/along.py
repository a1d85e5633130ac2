"""What lies on a line: nodes, segments, places between, and what the camera saw."""

from __future__ import annotations

from math import hypot, isfinite, isnan, nan
from typing import Final

from lateralline.derive.ellipses import INTERVAL_95
from lateralline.explain.content import (
    ExplainedFigure,
    ToldSpot,
    formula,
    half_95,
    held,
    put,
    said,
)
from lateralline.explain.origin import in_files, setting
from lateralline.explain.segment import bend_figures, segments_at
from lateralline.explain.stop import ellipse_figures, level_figures
from lateralline.record.rows import (
    BandRow,
    NodeRow,
    ObservationRow,
    PipePointRow,
)
from lateralline.record.view import RecordView
from lateralline.wording import off_by

#: A chainage as it is printed, in metres or feet, is off by half of it at most.
PRINTED_M: Final = 0.01
#: What a node's place rests on, in words.
_PLACED: Final = {
    "adjustment": "located: the adjustment of the whole line put it there",
    "counter": "not located by marks of its own: its counter puts it on the located line",
    "carried_on": "not located: the counter alone carries it on beyond the located line",
}


def tell_node(view: RecordView, node: NodeRow, told: ToldSpot) -> None:
    """Tell what a node rests on."""
    named = node.named if node.ref else f"{node.kind.replace('_', ' ')} {node.node_id}"
    told.said.append(f"This is {named}; {_PLACED.get(node.placed_by, '')}.")
    tell_spot(view, node, node.node_id, told)
    if isfinite(node.bend_deg):
        half = INTERVAL_95 * node.bend_sigma_deg
        told.said.append(
            f"The pipe turns by {node.bend_deg:.1f}° ± {off_by(half, 1)}° (95 %) in space"
            + (f"; the nearest standard fitting is {node.nearest_fitting}"
               if node.nearest_fitting else "")
            + "."
        )  # fmt: skip
    if node.kind == "bend":
        told.figures += bend_figures(view, node)


def tell_spot(view: RecordView, spot: PipePointRow, named: str, told: ToldSpot) -> None:
    """Tell place, levels and cover of a spot on a line."""
    if isfinite(spot.cover_m):
        told.said.append(
            f"Cover {view.taped_both(spot.cover_m)} ± "
            f"{view.off_both(INTERVAL_95 * spot.cover_sigma_m)} (95 %)."
        )
    if isfinite(spot.ellipse_major_95_m):
        told.said.append(
            f"In plan it may be off by {view.off_both(spot.ellipse_major_95_m)} (95 %, the long "
            "half axis)."
        )
        at_most = getattr(spot, "position_95_m", nan)
        if at_most < spot.ellipse_major_95_m:
            told.said[-1] += (
                f" The counted length lets it be no farther off than {view.off_both(at_most)}, "
                "which is what sheets and findings state."
            )
    told.figures += level_figures(view, spot, named)
    told.figures += ellipse_figures(
        spot, spot.east_sigma_m, spot.north_sigma_m, spot.east_north_covariance_m2, named
    )


def tell_observation(view: RecordView, seen: ObservationRow, told: ToldSpot) -> None:
    """Tell where the counter puts what the camera saw."""
    told.said.append(
        f"The camera saw {seen.name} at counter {view.length_both(seen.counter_m)} of its run."
    )
    if seen.reason:
        told.said.append(f"{seen.status.replace('_', ' ')}: {view.prose(seen.reason)}.")
    if isfinite(seen.chainage_m):
        half = view.off_both(INTERVAL_95 * seen.chainage_sigma_m)
        told.said.append(
            f"That is {view.word('distance along pipe')} {view.length_both(seen.chainage_m)} "
            f"± {half} (95 %) of line {seen.line_id}."
        )
        told.figures += _by_counter(view, seen)
        tell_spot(view, seen, seen.observation_id, told)


def tell_place(view: RecordView, line: str, chainage_m: float, told: ToldSpot) -> None:
    """Tell what a place on a line rests on: its levels, and how far aside pipe may lie there."""
    before, after = _beside(view, line, chainage_m)
    between = after.chainage_m - before.chainage_m
    share = (chainage_m - before.chainage_m) / between if between else 0.0
    beside = f"{line} at {said(before.chainage_m, 2)} m"
    beside += f" and {said(after.chainage_m, 2)} m" if between else ""
    levels = (
        ("invert", "invert_level_m", "least squares"),
        ("invert, lowest (95 %)", "invert_lower_95_m", "paths"),
        ("invert, highest (95 %)", "invert_upper_95_m", "paths"),
        ("ground level", "ground_level_m", "definition"),
        ("cover", "cover_m", "definition"),
    )
    for what, column, source in levels if between else levels[:-1]:
        a, b = getattr(before, column), getattr(after, column)
        if isnan(a) or isnan(b):
            continue
        told.figures.append(
            ExplainedFigure(
                what,
                a + share * (b - a),
                "m",
                "straight between the places beside it that the record holds: first + share of the "
                "way × (second − first)"
                if between
                else "a place that the record holds",
                f"{put(a)} + {put(share)} × ({put(b)} − {put(a)})" if between else "",
                (formula(source), held("level_band", beside, column)),
            )
        )
    told.figures += [] if between else level_figures(view, before, beside)
    told.figures += _least_cover(before, after, line)
    segments = segments_at(view, line, chainage_m)
    least = min(before.cover_lower_95_m, after.cover_lower_95_m)
    if segments and isfinite(segments[0].position_95_max_m):
        told.said.append(
            f"In plan the pipe may lie aside by at most "
            f"{view.off_both(segments[0].position_95_max_m)} (95 %) on this segment."
        )
    told.said.append(
        f"Cover at least {view.least_both(least)} (95 %)." if isfinite(least)
        else "Nothing bounds the cover here."
    )  # fmt: skip


def _beside(view: RecordView, line: str, chainage_m: float) -> tuple[BandRow, BandRow]:
    """Return the places of the record before and after a chainage; one that it is of, twice."""
    band = [b for b in view.rows(BandRow, line) if isfinite(b.chainage_m)]
    near = min(band, key=lambda b: abs(b.chainage_m - chainage_m))
    if abs(near.chainage_m - chainage_m) <= PRINTED_M / 2:
        return near, near
    before = max((b for b in band if b.chainage_m <= chainage_m), key=lambda b: b.chainage_m)
    after = min((b for b in band if b.chainage_m >= chainage_m), key=lambda b: b.chainage_m)
    return before, after


def _least_cover(before: BandRow, after: BandRow, line: str) -> list[ExplainedFigure]:
    """Return the cover at least at the places beside one, from the highest invert and the ground.

    Of the two the smaller is said.
    """
    figures: list[ExplainedFigure] = []
    for at in sorted({before.chainage_m: before, after.chainage_m: after}.values(),
                     key=lambda b: b.cover_lower_95_m):  # fmt: skip
        if isnan(at.cover_lower_95_m + at.invert_upper_95_m):  # without levels: no figure to put in
            continue
        up, ground = at.invert_upper_95_m - at.invert_level_m, INTERVAL_95 * at.ground_sigma_m
        own = at.bounded_by not in ("reach", "nothing")
        off = hypot(up, ground) if own else up + ground
        where = "" if before is after else f" at {said(at.chainage_m, 2)} m along the pipe"
        where += "" if figures or before is after else "; the least beside it is what is said"
        in_words = "√((highest − invert)² + (1.960 × σ of the ground)²)" if own else (
            "((highest − invert) + 1.960 × σ of the ground), since nothing but the counter bounds "
            "the pipe and such an error is not averaged out"
        )  # fmt: skip
        up_put = f"{put(at.invert_upper_95_m)} − {put(at.invert_level_m)}"
        sigma = f"1.959964 × {put(at.ground_sigma_m)}"
        figures.append(
            ExplainedFigure(
                f"cover at least (95 %){where}",
                at.cover_m - off,
                "m",
                f"cover − {in_words}",
                f"{put(at.cover_m)} − "
                + (f"√(({up_put})² + ({sigma})²)" if own else f"(({up_put}) + {sigma})"),
                (
                    formula("normal"),
                    held(
                        "level_band", f"{line} at {said(at.chainage_m, 2)} m",
                        "cover_m", "invert_level_m", "invert_upper_95_m", "ground_sigma_m",
                    ),
                ),
                at.cover_lower_95_m,
            )
        )  # fmt: skip
    return figures


def _by_counter(view: RecordView, seen: ObservationRow) -> list[ExplainedFigure]:
    """Return where the counter puts what was seen, from the stops before and after it."""
    run = seen.observation_id.rpartition("/")[0]
    lag = setting(view, f"run {run}: transmitter lag", 0.0)
    stops = sorted(
        (fix.counter_m - lag, fix.chainage_m, fix)
        for fix in view.fixes
        if fix.run_id == run and isfinite(fix.counter_m) and isfinite(fix.chainage_m)
    )
    before = [stop for stop in stops if stop[0] <= seen.counter_m]
    after = [stop for stop in stops if stop[0] > seen.counter_m]
    figures: list[ExplainedFigure] = []
    if before and after:
        (c, at, low), (d, to, high) = before[-1], after[0]
        figures.append(
            ExplainedFigure(
                f"{view.word('distance along pipe')} by the counter, shared out between stops "
                f"{low.name} and {high.name}",
                at + (seen.counter_m - c) / (d - c) * (to - at),
                "m",
                "that of the one + (counter − a) / (b − a) × (that of the other − that of the one);"
                f" a and b are the counters of the stops less the transmitter's lag, {said(lag)}",
                f"{put(at)} + ({put(seen.counter_m)} − {put(c)}) / ({put(d)} − {put(c)}) × "
                f"({put(to)} − {put(at)})",
                (
                    formula("definition"),
                    *in_files(view, [seen.source_row, low.source_row, high.source_row]),
                    held("transmitter_fixes", f"{low.name}, {high.name}", "chainage_m"),
                ),
                seen.chainage_m,
                by_hand=True,
                why="the record shares it out between the nearest located points whose counter is "
                "known, an exposure, an entry or a junction among them",
            )
        )
    figures.append(
        half_95(
            f"{view.word('distance along pipe')} ± (95 %)",
            seen.chainage_sigma_m,
            held("pipe_observations", seen.observation_id, "chainage_sigma_m"),
            more=", which takes in counter, scale and the line itself",
        )
    )
    return figures
