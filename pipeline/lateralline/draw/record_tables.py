"""The tables of a record: what stands in which column of a sheet, in the words and units of a site.

Depths and taped lengths are feet and inches where the site was taped in feet; stations, levels,
counters and coordinates are decimals. The unit stands in the head of each column.
"""

from __future__ import annotations

from math import isnan, nan
from typing import Final

import numpy as np

from lateralline.derive.ellipses import INTERVAL_95
from lateralline.draw.labels import node_name
from lateralline.draw.tables import TableColumn, TableSection
from lateralline.measure import DASH, Measure
from lateralline.record.ends import located_alone
from lateralline.record.rows import (
    CentrelineRow,
    FindingRow,
    NodeRow,
    ObservationRow,
    PointRow,
    SegmentRow,
    ZoneRow,
)
from lateralline.record.view import RecordView, number
from lateralline.wording import SEVERITY_NAMES, counted, off_by, rounded_up

_ORDER: Final = {"error": 0, "warning": 1, "info": 2}
_SAME_M: Final = 1e-6  # chainages this close are one place
_EACH_95: Final = "± is half the 95 % interval"
#: Of a gradient whose ± is larger than itself.
NOT_SHOWN: Final = "not shown"


def record_tables(view: RecordView) -> list[TableSection]:
    """Return every table that has rows, findings last, errors first among them."""
    built = (
        _line_table(view), _stop_table(view), _node_table(view), _observation_table(view),
        _segment_table(view), _control_table(view), _zone_table(view),
        _register_table(view), _finding_table(view),
    )  # fmt: skip
    return [s for s in built if s.rows]


def _line_table(view: RecordView) -> TableSection:
    u, tape = view.unit, view.measure
    columns = [
        TableColumn("line", 9), TableColumn("pipe", 22), TableColumn("service", 12),
        _number(f"length\n{u}", 11),
        _number("stops", 8), _number(f"mean {view.word('fall of the pipe')}\n%", 17),
        _number(f"least cover\n(≥ at 95 %), {tape.head}", 16),
        _number(f"greatest depth\nof invert, {tape.head}", 16),
        _number(f"{view.word('position ±')}\nat most, {tape.head}", 14),
        _number(f"{view.word('level ±')}\nat most, {u}", 14), TableColumn("band by\nPAS 128", 12),
        TableColumn("band by\nAS 5488", 12), _number("shape\nnot shown", 12),
    ]  # fmt: skip
    rows = [
        [
            r.line_id, " ".join(filter(None, (r.material, r.nominal))), r.service,
            view.length(r.length_m), number(r.stops, "{:.0f}"),
            _fall(r), _least_cover(view, r),
            tape.bare(r.invert_depth_max_m), tape.bare_off(r.position_95_max_m),
            _off(view, r.invert_sigma_max_m), r.pas128_band, r.as5488_band,
            number(r.undecided_segments, "{:.0f}"),
        ]
        for r in view.rows(CentrelineRow)
    ]  # fmt: skip
    carried = (node.ref for node in view.nodes if node.carried_on)
    note = (
        f"{_EACH_95}; cover {located_alone(carried)}; "
        "ASCE 38 levels are judged by a licensed professional and are not stated here"
    )
    return TableSection("Lines", note, columns, rows)


def _off(view: RecordView, sigma_m: float) -> str:
    """Return the ± of a level or a place in the unit of words, never said smaller."""
    return Measure(view.unit).bare_off(INTERVAL_95 * sigma_m)


def _stop_table(view: RecordView) -> TableSection:
    u, tape, along = view.unit, view.measure, view.word("distance along pipe")
    columns = [
        TableColumn("run/stop", 13), _number(f"counter\n{u}", 11), _number(f"{along}\n{u}", 11),
        *_position_columns(view), _number(f"depth ± 95 %\n{tape.head}", 18),
        *([] if view.depth_only else [_number(f"{view.word('invert')} ± 95 %\n{u}", 22)]),
        _number(f"{view.word('position ±')}\n{tape.head}", 14), _number("heading\n°", 11),
        _number("tilt\n°", 9), TableColumn("status", 24),
    ]  # fmt: skip
    inverts = _inverts(view)
    rows = []
    for r in sorted(view.fixes, key=lambda f: (f.run_id, f.counter_m)):
        ref = r.name
        rows.append(
            [
                ref, view.length(r.counter_m), view.length(r.chainage_m), *_position(view, r),
                view.taped_95(r.transmitter_depth_m, r.transmitter_depth_sigma_m),
                *([] if view.depth_only else [view.length_95(*inverts.get(ref, (nan, nan)))]),
                tape.bare_off(r.ellipse_major_95_m), number(r.heading_deg, "{:.1f}"),
                number(r.tilt_deg, "{:.1f}"),
                ": ".join(filter(None, (r.status.replace("_", " "), r.reason))),
            ]
        )  # fmt: skip
    note = (
        "position and depth are the transmitter's; "
        "counter as read at the camera face; heading the way the camera travelled; tilt head-up"
    )
    return TableSection("Stops", note, columns, rows)


def _node_table(view: RecordView) -> TableSection:
    u, tape, along = view.unit, view.measure, view.word("distance along pipe")
    columns = [
        TableColumn("node", 12), TableColumn("what", 44),
        _number(f"{along}\n{u}", 11),
        *_position_columns(view),
        *([] if view.depth_only else [_number(f"{view.word('invert')} ± 95 %\n{u}", 21)]),
        _number(f"cover ± 95 %\n{tape.head}", 16),
        _number(f"{view.word('position ±')}\n{tape.head}", 12),
        TableColumn(f"two tapes to find it, {tape.head}", 46),
    ]  # fmt: skip
    rows = [
        [
            r.node_id,
            node_name(view, r) + ", not located: carried on by counter" * r.carried_on,
            view.length(r.chainage_m), *_position(view, r),
            *([] if view.depth_only else [
                "≈ " * r.carried_on + view.length_95(r.invert_level_m, r.invert_sigma_m)
            ]),
            "≈ " * r.carried_on + view.taped_95(r.cover_m, r.cover_sigma_m),
            tape.bare_off(r.ellipse_major_95_m if isnan(r.position_95_m) else r.position_95_m),
            _tie(view, r),
        ]
        for r in view.line_nodes
    ]  # fmt: skip
    return TableSection("Nodes", _EACH_95, columns, rows)


def _observation_table(view: RecordView) -> TableSection:
    u, tape, along = view.unit, view.measure, view.word("distance along pipe")
    columns = [
        TableColumn("no.", 11), TableColumn("code", 14), TableColumn("what the camera saw", 38),
        TableColumn("clock", 9), _number(f"counter\n{u}", 11), _number(f"{along} ± 95 %\n{u}", 18),
        *_position_columns(view), _number(f"cover ± 95 %\n{tape.head}", 16),
        TableColumn(f"two tapes to find it, {tape.head}", 46),
    ]  # fmt: skip
    rows = [
        [
            r.observation_id, r.code,
            "; ".join(
                filter(None, (r.text, r.defect_severity, view.prose(r.reason)))
            ),
            "–".join(filter(None, (r.clock_from, r.clock_to))), view.length(r.counter_m),
            view.length_95(r.chainage_m, r.chainage_sigma_m), *_position(view, r),
            view.taped_95(r.cover_m, r.cover_sigma_m), _tie(view, r),
        ]
        for r in view.observations
    ]  # fmt: skip
    return TableSection("Observations", _EACH_95, columns, rows)


def _segment_table(view: RecordView) -> TableSection:
    u, tape, along = view.unit, view.measure, view.word("distance along pipe")
    columns = [
        TableColumn("segment", 13), TableColumn("from", 16), TableColumn("to", 16),
        _number(f"{along}\n{u}", 22),
        TableColumn("shape", 16), _number(f"length\n{u}", 11),
        _number(f"{view.word('fall of the pipe')} ± 95 %\n%", 18),
        *([] if view.depth_only else [
            _number(f"{view.word('invert')}\nat from, ± 95 %, {u}", 21),
            _number(f"{view.word('invert')}\nat to, ± 95 %, {u}", 21),
        ]),
        _number(f"least cover\n(≥ at 95 %), {tape.head}", 16),
        _number(f"{view.word('position ±')}\nat most, {tape.head}", 13),
    ]  # fmt: skip
    rows = [
        [
            r.segment_id, r.from_ref, r.to_ref,
            f"{view.length(r.from_chainage_m)} – {view.length(r.to_chainage_m)}",
            r.shape_named, view.length(r.length_m),
            _fall(r),
            *([] if view.depth_only else [
                view.length_95(r.invert_down_level_m, r.invert_down_sigma_m),
                view.length_95(r.invert_up_level_m, r.invert_up_sigma_m),
            ]),
            _least_cover(view, r), tape.bare_off(r.position_95_max_m),
        ]
        for r in view.rows(SegmentRow)
    ]  # fmt: skip
    note = (
        "gradients need levels, and there are none"
        if view.depth_only
        else f"+ falls downstream; {NOT_SHOWN} where the ± is larger than the figure"
    )
    return TableSection("Segments", note, columns, rows)


def _control_table(view: RecordView) -> TableSection:
    u = view.unit
    columns = [
        TableColumn("point", 30), *_position_columns(view),
        _number(f"{view.word('level')}\n{u}", 14),
        _number(f"plan ± 95 %\nper axis, {u}", 16),
        _number(f"{view.word('level')} ± 95 %\n{u}", 16),
    ]  # fmt: skip
    rows = [
        [
            r.point, *_position(view, r), view.length(r.point_level_m),
            _off(view, r.position_sigma_m),
            _off(view, r.level_sigma_m),
        ]
        for r in view.control
    ]  # fmt: skip
    return TableSection("Control", "what tapes were hooked to", columns, rows)


def _zone_table(view: RecordView) -> TableSection:
    u, zone = view.measure.head, view.word("zone to dig by hand")
    columns = [
        TableColumn("line", 9), TableColumn("rule", 40), _number(f"each side\n{u}", 12),
        _number(f"width\n{u}", 12), TableColumn(f"outside diameter\n{u}", 20),
        TableColumn("where the rule stands", 80),
    ]  # fmt: skip
    rows = [
        [
            r.line_id, r.rule_title, *(_wide(view, w) for w in (r.tolerance_m, r.width_m)),
            _wide(view, r.outside_diameter_m) + (" assumed" if r.diameter_assumed else ""),
            r.source,
        ]
        for r in view.rows(ZoneRow)
        if not r.with_corridor
    ]  # fmt: skip
    note = "the corridor comes on top; past an open end the pipe runs on, where nothing is located"
    return TableSection(f"{zone[0].upper()}{zone[1:]}s", note, columns, rows)


def _register_table(view: RecordView) -> TableSection:
    """Return what the owner's register says of each line; without rows where it says nothing."""
    columns = [TableColumn("line", 14), TableColumn("what", 40), TableColumn("value", 120)]
    rows = [[line, what, value] for line in view.lines for what, value in view.register(line)]
    note = "as the owner's register has it; no statement on a boundary"
    return TableSection("Register", note, columns, rows)


def _finding_table(view: RecordView) -> TableSection:
    columns = [
        TableColumn("severity", 12), TableColumn("about", 22), TableColumn("what was found", 62),
        TableColumn("by how much", 44), TableColumn("what to do", 50),
    ]  # fmt: skip
    found = sorted(
        view.rows(FindingRow), key=lambda r: (bool(r.accepted), _ORDER.get(r.severity, 0))
    )
    rows = [
        [_asked(r), r.subject, *(view.prose(text)
         for text in (r.what, r.by_how_much, r.accepted or r.what_to_do))]
        for r in found
    ]  # fmt: skip
    counts = ", ".join(counted(n, s) for s in (*_ORDER, "accepted") if (n := view.findings[s]))
    return TableSection("Findings", counts, columns, rows)


def _asked(row: FindingRow) -> str:
    """Return how much a finding matters; of an accepted one that it is accepted."""
    called = SEVERITY_NAMES.get(row.severity, row.severity)
    if row.accepted:
        return f"accepted ({called})"
    return called.upper() if row.severity == "error" else called


def _number(head: str, share: float) -> TableColumn:
    return TableColumn(head, share, "right")


def _position_columns(view: RecordView) -> list[TableColumn]:
    """Return the columns of a position."""
    return [_number(f"{name}\n{view.coordinate_unit}", 19) for name in view.axis_names]


def _position(view: RecordView, row: PointRow) -> list[str]:
    if row.geometry is None:
        return [DASH] * 2
    at = view.coordinates(np.array([[row.geometry.x, row.geometry.y]]))[0]
    return [view.coordinate(float(v)) for v in at]


def _fall(row: CentrelineRow | SegmentRow) -> str:
    """Return a gradient in per cent with its ±, where levels show one."""
    if not row.fall_shown:
        return DASH if isnan(row.gradient) else NOT_SHOWN
    shown, half = number(100 * row.gradient), 100 * INTERVAL_95 * row.gradient_sigma
    return shown if isnan(half) else f"{shown} ± {off_by(half, 2)}"


def _least_cover(view: RecordView, row: CentrelineRow | SegmentRow) -> str:
    """Return the least cover of a line or segment and its bound: "1.02 (≥ 0.92)"."""
    if isnan(row.cover_min_m):
        return "unknown"
    reach = None
    if isinstance(row, SegmentRow):  # both its ends among the stations
        reach = (row.from_chainage_m - _SAME_M, row.to_chainage_m + _SAME_M)
    bound = view.least_cover_95_m(row.line_id, reach)
    tape = view.measure
    return f"{tape.bare(row.cover_min_m)} (≥ {'?' if isnan(bound) else tape.bare_least(bound)})"


def _inverts(view: RecordView) -> dict[str, tuple[float, float]]:
    """Return invert level and σ at each located point, by its name."""
    segments = view.rows(SegmentRow)
    down = {s.from_ref: (s.invert_down_level_m, s.invert_down_sigma_m) for s in segments}
    return down | {s.to_ref: (s.invert_up_level_m, s.invert_up_sigma_m) for s in segments}


def _wide(view: RecordView, metres: float) -> str:
    """Return a width, never said too small."""
    return view.measure.bare_off(metres) if view.in_feet else f"{rounded_up(metres, 3):.3f}"


def _tie(view: RecordView, row: NodeRow | ObservationRow) -> str:
    if not row.tie_a_point or not row.tie_b_point:
        return ""
    a, b = (
        f"{view.measure.bare(m)} from {p}"
        for m, p in ((row.tie_a_m, row.tie_a_point), (row.tie_b_m, row.tie_b_point))
    )
    return f"{a}, {b}, on the {row.tie_side} looking from the first to the second"
