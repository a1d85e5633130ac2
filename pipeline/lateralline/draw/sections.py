"""The tables of a sheet: what stands in which column, as text."""

from __future__ import annotations

from math import isnan, nan
from typing import Final

import numpy as np

from lateralline.derive.ellipses import INTERVAL_95
from lateralline.draw.captions import node_name
from lateralline.draw.tables import TableColumn, TableSection
from lateralline.record.rows import (
    CentrelineRow,
    FindingRow,
    NodeRow,
    ObservationRow,
    PointRow,
    SegmentRow,
    ZoneRow,
)
from lateralline.record.view import DASH, RecordView, number
from lateralline.wording import with_own_unit

_ORDER: Final = {"error": 0, "warning": 1, "info": 2}
_SAME_M: Final = 1e-6  # chainages this close are one place
_EACH_95: Final = "± is half the 95 % interval"


def sections(view: RecordView) -> list[TableSection]:
    """Return every table that has rows, findings last, errors first among them."""
    built = (
        _lines(view), _stops(view), _nodes(view), _observations(view), _segments(view),
        _control(view), _zones(view), _findings(view),
    )  # fmt: skip
    return [s for s in built if s.rows]


def _lines(view: RecordView) -> TableSection:
    u = view.unit
    columns = [
        TableColumn("line", 9), TableColumn("pipe", 22), TableColumn("service", 12),
        _figure(f"length\n{u}", 11),
        _figure("stops", 8), _figure("mean grade\n%", 17),
        _figure(f"least cover\n(≥ at 95 %), {u}", 16),
        _figure(f"greatest depth\nof invert, {u}", 16), _figure(f"plan 95 %\nat most, {u}", 14),
        _figure(f"level 95 %\nat most, {u}", 14), TableColumn("band by\nPAS 128", 12),
        TableColumn("band by\nAS 5488", 12), _figure("undecided\nstretches", 12),
    ]  # fmt: skip
    rows = [
        [
            r.line_id, " ".join(filter(None, (r.material, r.nominal))), r.service,
            view.say(r.length_m), number(r.stops, "{:.0f}"), _grade(r.mean_grade, r.grade_sigma),
            _least_cover(view, r), view.say(r.depth_max_m), view.say(r.semi_major_95_max_m),
            view.say(INTERVAL_95 * r.sigma_u_max_m), r.pas128_band, r.as5488_band,
            number(r.undecided_stretches, "{:.0f}"),
        ]
        for r in view.rows(CentrelineRow)
    ]  # fmt: skip
    note = (
        f"{_EACH_95}; ASCE 38 levels are judged by a licensed professional and are not stated here"
    )
    return TableSection("Lines", note, columns, rows)


def _stops(view: RecordView) -> TableSection:
    u = view.unit
    columns = [
        TableColumn("run/stop", 13), _figure(f"counter\n{u}", 11), _figure(f"chainage\n{u}", 11),
        *_plan(view), _figure(f"depth ±95 %\n{u}", 18),
        *([] if view.depth_only else [_figure(f"invert level ±95 %\n{u}", 22)]),
        _figure(f"semi-major\n95 %, {u}", 14), _figure("heading\n°", 11), _figure("tilt\n°", 9),
        TableColumn("status", 24),
    ]  # fmt: skip
    inverts = _inverts(view)
    rows = []
    for r in sorted(view.fixes, key=lambda f: (f.run_id, f.counter_m)):
        ref = r.name
        rows.append(
            [
                ref, view.say(r.counter_m), view.say(r.chainage_m), *_place(view, r),
                view.say_95(r.depth_m, r.depth_sigma_m),
                *([] if view.depth_only else [view.say_95(*inverts.get(ref, (nan, nan)))]),
                view.say(r.semi_major_95_m), number(r.heading_deg, "{:.1f}"),
                number(r.tilt_deg, "{:.1f}"), ": ".join(filter(None, (r.status, r.reason))),
            ]
        )  # fmt: skip
    note = (
        "position and depth are the transmitter's; "
        "counter as read at the camera face; heading the way the camera travelled; tilt head-up"
    )
    return TableSection("Stops", note, columns, rows)


def _nodes(view: RecordView) -> TableSection:
    u = view.unit
    columns = [
        TableColumn("node", 12), TableColumn("what", 44), _figure(f"chainage\n{u}", 11),
        *_plan(view),
        *([] if view.depth_only else [_figure(f"invert level ±95 %\n{u}", 21)]),
        _figure(f"cover ±95 %\n{u}", 16), _figure(f"plan 95 %\n{u}", 12),
        TableColumn(f"two tapes to find it, {u}", 46),
    ]  # fmt: skip
    rows = [
        [
            r.node_id,
            node_name(r) + ", not located: carried on by counter" * r.carried_on,
            view.say(r.chainage_m), *_place(view, r),
            *([] if view.depth_only else [view.say_95(r.invert_level_m, r.invert_sigma_m)]),
            view.say_95(r.cover_m, r.cover_sigma_m),
            view.say(r.semi_major_95_m if isnan(r.plan_95_m) else r.plan_95_m), _tie(view, r),
        ]
        for r in view.nodes
    ]  # fmt: skip
    return TableSection("Nodes", _EACH_95, columns, rows)


def _observations(view: RecordView) -> TableSection:
    u = view.unit
    columns = [
        TableColumn("no.", 11), TableColumn("code", 14), TableColumn("what the camera saw", 38),
        TableColumn("clock", 9), _figure(f"counter\n{u}", 11), _figure(f"chainage ±95 %\n{u}", 18),
        *_plan(view), _figure(f"cover ±95 %\n{u}", 16),
        TableColumn(f"two tapes to find it, {u}", 46),
    ]  # fmt: skip
    rows = [
        [
            r.observation_id, r.code,
            "; ".join(filter(None, (r.text, r.severity, _said(view, r.reason)))),
            "–".join(filter(None, (r.clock_from, r.clock_to))), view.say(r.counter_m),
            view.say_95(r.chainage_m, r.sigma_along_m), *_place(view, r),
            view.say_95(r.cover_m, r.cover_sigma_m), _tie(view, r),
        ]
        for r in view.observations
    ]  # fmt: skip
    return TableSection("Observations", _EACH_95, columns, rows)


def _segments(view: RecordView) -> TableSection:
    u = view.unit
    columns = [
        TableColumn("segment", 13), TableColumn("from", 16), TableColumn("to", 16),
        _figure(f"chainage\n{u}", 22),
        TableColumn("shape", 16), _figure(f"length\n{u}", 11), _figure("grade ±95 %\n%", 18),
        *([] if view.depth_only else [
            _figure(f"invert down ±95 %\n{u}", 21), _figure(f"invert up ±95 %\n{u}", 21)
        ]),
        _figure(f"least cover\n(≥ at 95 %), {u}", 16), _figure(f"plan 95 %\nat most, {u}", 13),
    ]  # fmt: skip
    rows = [
        [
            r.segment_id, r.from_ref, r.to_ref,
            f"{view.say(r.from_chainage_m)} – {view.say(r.to_chainage_m)}",
            str(r.shape).replace("_", " "), view.say(r.length_m), _grade(r.grade, r.grade_sigma),
            *([] if view.depth_only else [
                view.say_95(r.invert_down_m, r.invert_down_sigma_m),
                view.say_95(r.invert_up_m, r.invert_up_sigma_m),
            ]),
            _least_cover(view, r), view.say(r.semi_major_95_max_m),
        ]
        for r in view.rows(SegmentRow)
    ]  # fmt: skip
    note = (
        "grades need levels, and there are none"
        if view.depth_only
        else "positive grade falls downstream"
    )
    return TableSection("Segments", note, columns, rows)


def _control(view: RecordView) -> TableSection:
    u = view.unit
    columns = [
        TableColumn("point", 30), *_plan(view), _figure(f"level\n{u}", 14),
        _figure(f"plan ±95 %\nper axis, {u}", 16), _figure(f"level ±95 %\n{u}", 16),
    ]  # fmt: skip
    rows = [
        [
            r.point, *_place(view, r), view.say(r.level_m),
            view.say(INTERVAL_95 * r.sigma_h_m), view.say(INTERVAL_95 * r.sigma_v_m),
        ]
        for r in view.control
    ]  # fmt: skip
    return TableSection("Control", "what tapes were hooked to", columns, rows)


def _zones(view: RecordView) -> TableSection:
    u = view.unit
    columns = [
        TableColumn("line", 9), TableColumn("rule", 40), _figure(f"each side\n{u}", 12),
        _figure(f"width\n{u}", 12), TableColumn("outside diameter", 20),
        TableColumn("where the rule stands", 80),
    ]  # fmt: skip
    rows = [
        [
            r.line_id, r.rule_title, view.say(r.tolerance_m, 3), view.say(r.width_m, 3),
            view.say(r.outside_diameter_m, 3) + (" assumed" if r.diameter_assumed else ""),
            r.source,
        ]
        for r in view.rows(ZoneRow)
        if not r.with_corridor
    ]  # fmt: skip
    note = "the corridor comes on top; the pipe runs on past both ends, where nothing is located"
    return TableSection("Dig zones", note, columns, rows)


def _findings(view: RecordView) -> TableSection:
    columns = [
        TableColumn("severity", 12), TableColumn("about", 22), TableColumn("what was found", 62),
        TableColumn("by how much", 44), TableColumn("what to do", 50),
    ]  # fmt: skip
    found = sorted(view.rows(FindingRow), key=lambda r: _ORDER.get(r.severity, 0))
    rows = [
        [r.severity.upper() if r.severity == "error" else r.severity, r.subject,
         _said(view, r.what), _said(view, r.by_how_much), _said(view, r.what_to_do)]
        for r in found
    ]  # fmt: skip
    told = ", ".join(f"{n} {s}" for s in _ORDER if (n := view.findings[s]))
    return TableSection("Findings", told, columns, rows)


def _said(view: RecordView, text: str) -> str:
    return with_own_unit(text, view.unit)


def _figure(head: str, share: float) -> TableColumn:
    return TableColumn(head, share, "right")


def _plan(view: RecordView) -> list[TableColumn]:
    """Return the columns of a position."""
    return [_figure(f"{name}\n{view.coordinate_unit}", 19) for name in view.axis_names]


def _place(view: RecordView, row: PointRow) -> list[str]:
    if row.geometry is None:
        return [DASH] * 2
    at = view.ground.to_file(np.array([[row.geometry.x, row.geometry.y]]))[0]
    return [view.say_coordinate(float(v)) for v in at]


def _grade(grade: float, sigma: float) -> str:
    shown = number(100 * grade)
    return shown if isnan(grade) or isnan(sigma) else f"{shown} ± {100 * INTERVAL_95 * sigma:.2f}"


def _least_cover(view: RecordView, row: CentrelineRow | SegmentRow) -> str:
    """Say the least cover of a line or segment and its bound: "1.02 (≥ 0.92)"."""
    if isnan(row.cover_min_m):
        return "unknown"
    reach = None
    if isinstance(row, SegmentRow):  # both its ends among the stations
        reach = (row.from_chainage_m - _SAME_M, row.to_chainage_m + _SAME_M)
    bound = view.least_cover_95_m(row.line_id, reach)
    return f"{view.say(row.cover_min_m)} (≥ {'?' if isnan(bound) else view.say(bound)})"


def _inverts(view: RecordView) -> dict[str, tuple[float, float]]:
    """Return invert level and σ at each located point, by its name."""
    segments = view.rows(SegmentRow)
    down = {s.from_ref: (s.invert_down_m, s.invert_down_sigma_m) for s in segments}
    return down | {s.to_ref: (s.invert_up_m, s.invert_up_sigma_m) for s in segments}


def _tie(view: RecordView, row: NodeRow | ObservationRow) -> str:
    if not row.tie_a_point or not row.tie_b_point:
        return ""
    a, b = (
        f"{view.say(m)} from {p}"
        for m, p in ((row.tie_a_m, row.tie_a_point), (row.tie_b_m, row.tie_b_point))
    )
    return f"{a}, {b}, on the {row.tie_side} looking from the first to the second"
