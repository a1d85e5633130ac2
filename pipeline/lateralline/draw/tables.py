"""The tables of a sheet: what stands in which column, and how they run over pages.

A heading stands again on each page, rows are never torn, nothing is written over its box.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import isnan, nan
from typing import Final

import numpy as np

from lateralline.derive.ellipses import INTERVAL_95
from lateralline.draw import symbols
from lateralline.draw.canvas import Canvas, line_mm, printable, unbroken, width_mm, wrapped
from lateralline.draw.labels import node_name
from lateralline.draw.paper import Align, Box
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

_SIZE: Final = 6.2
_MOST_LINES: Final = 8  # of one cell
_PAD: Final = 1.4  # beside a cell's text
_LEADS: Final = (0.77, 0.5, 0.3)  # above and below it; the tighter where they save a page
_TITLE_MM: Final = 6.0
_GAP: Final = 4.0
_MOST_LEAST: Final = 30.0  # mm of unbroken text
_WIDEST: Final = 1.6  # a column is no wider than so many times its share in mm


@dataclass(frozen=True, slots=True)
class TableColumn:
    """A column: its heading, of which each line is kept, and its share of the width."""

    head: str
    share: float
    align: Align = "left"


@dataclass(frozen=True, slots=True)
class TableSection:
    """A table with its title."""

    title: str
    note: str
    columns: Sequence[TableColumn]
    rows: Sequence[Sequence[str]]


@dataclass(frozen=True, slots=True)
class Block:
    """A part of a table that stands on one page."""

    section: TableSection
    y: float  # mm below the top of the body
    first: int  # row
    last: int
    widths: tuple[float, ...]
    lead: float  # mm above and below a cell's text


def paginate(sections: Sequence[TableSection], body: Box) -> list[list[Block]]:
    """Return what stands on each page; a table is torn only between rows.

    Rows stand tighter where that saves a page that would hold next to nothing.
    """
    return min((_paged(sections, body, lead) for lead in _LEADS), key=len)


def _paged(sections: Sequence[TableSection], body: Box, lead: float) -> list[list[Block]]:
    pages: list[list[Block]] = [[]]
    y = 0.0
    for section in map(_without_empty, sections):
        widths = _widths(section, body.width)
        head = _TITLE_MM + _head_mm(section, widths, lead)
        heights = [_row_mm(section, row, widths, lead) for row in section.rows]
        first = 0
        while first < len(heights):
            if y + head + heights[first] > body.height and pages[-1]:
                pages.append([])
                y = 0.0
            last, used = first, head
            while last < len(heights) and (
                y + used + heights[last] <= body.height or last == first
            ):
                used += heights[last]
                last += 1
            if len(heights) - last == 1 and last - first > 2:  # no row stands alone overleaf
                last -= 1
                used -= heights[last]
            pages[-1].append(Block(section, y, first, last, widths, lead))
            y += used + _GAP
            first = last
    return [page for page in pages if page]


def draw_tables(canvas: Canvas, body: Box, blocks: Sequence[Block]) -> None:
    """Draw the tables of one page."""
    for block in blocks:
        _draw_block(canvas, body, block)


def _draw_block(canvas: Canvas, body: Box, block: Block) -> None:
    section, widths, lead = block.section, block.widths, block.lead
    y = body.y + block.y
    title = section.title + (" (continued)" if block.first else "")
    canvas.words(body.x, y + 2.4, title, 9.0, bold=True)
    beside = body.x + width_mm(title, 9.0, bold=True) + 3.0
    canvas.words(beside, y + 2.7, section.note, 6.0, colour=symbols.GREY, room=body.right - beside)
    y += _TITLE_MM
    right = body.x + sum(widths)
    canvas.rule(body.x, y, right, y, lw=0.9)
    head = _head_mm(section, widths, lead)
    x = body.x
    for column, width in zip(section.columns, widths, strict=True):
        at = Box(x, y, width, head)
        _cell(canvas, at, _head_lines(column, width), column.align, lead, bold=True)
        x += width
    y += head
    canvas.rule(body.x, y, right, y, lw=0.6)
    for row in section.rows[block.first : block.last]:
        height = _row_mm(section, row, widths, lead)
        x = body.x
        for column, width, text in zip(section.columns, widths, row, strict=True):
            lines = _lines(text, width)
            _cell(canvas, Box(x, y, width, height), lines, column.align, lead)
            x += width
        y += height
        canvas.rule(body.x, y, right, y, lw=0.25, color=symbols.FAINT)


def _without_empty(section: TableSection) -> TableSection:
    """Return a table without the columns that are empty."""
    kept = [k for k in range(len(section.columns)) if any(row[k] for row in section.rows)]
    rows = [[row[k] for k in kept] for row in section.rows]
    return replace(section, columns=[section.columns[k] for k in kept], rows=rows)


def _cell(
    canvas: Canvas, box: Box, lines: Sequence[str], align: Align, lead: float, *, bold: bool = False
) -> None:
    step = line_mm(_SIZE)
    x = box.right - _PAD if align == "right" else box.x + _PAD
    for n, line in enumerate(lines):
        y = box.y + lead + (n + 0.5) * step
        canvas.words(x, y, line, _SIZE, bold=bold, align=align, room=box.width - 2 * _PAD + 0.01)


def _widths(section: TableSection, width: float) -> tuple[float, ...]:
    """Return the columns' widths in mm: shares of the page, but never sparsely wide.

    A column whose share would break its figures, or a word of its heading, takes what they need.
    """
    shares = np.array([c.share for c in section.columns])
    least = np.array([_least(section, k) for k in range(len(shares))])
    kept = np.zeros(len(shares), dtype=bool)
    while True:
        room = width - least[kept].sum()
        per = min(room / max(shares[~kept].sum(), 1e-9), _WIDEST)
        short = ~kept & (shares * per < least)
        if not short.any() or room <= 0.0:
            break
        kept |= short
    widths = np.where(kept, least, shares * max(per, 0.0))
    return tuple(float(w) for w in widths * min(width / max(widths.sum(), 1e-9), 1.0))


def _least(section: TableSection, k: int) -> float:
    """Return the width that column `k` needs for its figures and the words of its heading."""
    column = section.columns[k]
    needs = [width_mm(word, _SIZE, bold=True) for word in unbroken(column.head)]
    if column.align == "right":
        needs += [width_mm(printable(row[k]), _SIZE) for row in section.rows]
    return min(max(needs, default=0.0), _MOST_LEAST) + 2 * _PAD + 0.01


def _lines(text: str, width: float) -> list[str]:
    return wrapped(str(text), width - 2 * _PAD, _SIZE, _MOST_LINES) or [""]


def _head_lines(column: TableColumn, width: float) -> list[str]:
    room = width - 2 * _PAD
    return [
        line
        for part in column.head.split("\n")
        for line in wrapped(part, room, _SIZE, 2, bold=True)
    ]


def _head_mm(section: TableSection, widths: Sequence[float], lead: float) -> float:
    deep = max(len(_head_lines(c, w)) for c, w in zip(section.columns, widths, strict=True))
    return deep * line_mm(_SIZE) + 2 * lead


def _row_mm(
    section: TableSection, row: Sequence[str], widths: Sequence[float], lead: float
) -> float:
    deep = max(len(_lines(text, width)) for text, width in zip(row, widths, strict=True))
    return deep * line_mm(_SIZE) + 2 * lead


# ---- the tables of a record -----------------------------------------------------------------


_ORDER: Final = {"error": 0, "warning": 1, "info": 2}
_SAME_M: Final = 1e-6  # chainages this close are one place
_EACH_95: Final = "± is half the 95 % interval"


def record_tables(view: RecordView) -> list[TableSection]:
    """Return every table that has rows, findings last, errors first among them."""
    built = (
        _line_table(view), _stop_table(view), _node_table(view), _observation_table(view),
        _segment_table(view), _control_table(view), _zone_table(view),
        _register_table(view), _finding_table(view),
    )  # fmt: skip
    return [s for s in built if s.rows]


def _line_table(view: RecordView) -> TableSection:
    u = view.unit
    columns = [
        TableColumn("line", 9), TableColumn("pipe", 22), TableColumn("service", 12),
        _number(f"length\n{u}", 11),
        _number("stops", 8), _number(f"mean {view.word('fall of the pipe')}\n%", 17),
        _number(f"least cover\n(≥ at 95 %), {u}", 16),
        _number(f"greatest depth\nof invert, {u}", 16), _number(f"position ±\nat most, {u}", 14),
        _number(f"{view.word('level ±')}\nat most, {u}", 14), TableColumn("band by\nPAS 128", 12),
        TableColumn("band by\nAS 5488", 12), _number("undecided\nsegments", 12),
    ]  # fmt: skip
    rows = [
        [
            r.line_id, " ".join(filter(None, (r.material, r.nominal))), r.service,
            view.length(r.length_m), number(r.stops, "{:.0f}"),
            _grade(r.gradient, r.gradient_sigma), _least_cover(view, r),
            view.length(r.invert_depth_max_m), view.length(r.position_95_max_m),
            view.length(INTERVAL_95 * r.invert_sigma_max_m), r.pas128_band, r.as5488_band,
            number(r.undecided_segments, "{:.0f}"),
        ]
        for r in view.rows(CentrelineRow)
    ]  # fmt: skip
    note = (
        f"{_EACH_95}; ASCE 38 levels are judged by a licensed professional and are not stated here"
    )
    return TableSection("Lines", note, columns, rows)


def _stop_table(view: RecordView) -> TableSection:
    u, along = view.unit, view.word("distance along pipe")
    columns = [
        TableColumn("run/stop", 13), _number(f"counter\n{u}", 11), _number(f"{along}\n{u}", 11),
        *_position_columns(view), _number(f"depth ±95 %\n{u}", 18),
        *([] if view.depth_only else [_number(f"{view.word('invert')} ±95 %\n{u}", 22)]),
        _number(f"semi-major\n95 %, {u}", 14), _number("heading\n°", 11), _number("tilt\n°", 9),
        TableColumn("status", 24),
    ]  # fmt: skip
    inverts = _inverts(view)
    rows = []
    for r in sorted(view.fixes, key=lambda f: (f.run_id, f.counter_m)):
        ref = r.name
        rows.append(
            [
                ref, view.length(r.counter_m), view.length(r.chainage_m), *_position(view, r),
                view.length_95(r.transmitter_depth_m, r.transmitter_depth_sigma_m),
                *([] if view.depth_only else [view.length_95(*inverts.get(ref, (nan, nan)))]),
                view.length(r.ellipse_major_95_m), number(r.heading_deg, "{:.1f}"),
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
    u, along = view.unit, view.word("distance along pipe")
    columns = [
        TableColumn("node", 12), TableColumn("what", 44),
        _number(f"{along}\n{u}", 11),
        *_position_columns(view),
        *([] if view.depth_only else [_number(f"{view.word('invert')} ±95 %\n{u}", 21)]),
        _number(f"cover ±95 %\n{u}", 16), _number(f"plan 95 %\n{u}", 12),
        TableColumn(f"two tapes to find it, {u}", 46),
    ]  # fmt: skip
    rows = [
        [
            r.node_id,
            node_name(r) + ", not located: carried on by counter" * r.carried_on,
            view.length(r.chainage_m), *_position(view, r),
            *([] if view.depth_only else [view.length_95(r.invert_level_m, r.invert_sigma_m)]),
            view.length_95(r.cover_m, r.cover_sigma_m),
            view.length(r.ellipse_major_95_m if isnan(r.position_95_m) else r.position_95_m),
            _tie(view, r),
        ]
        for r in view.line_nodes
    ]  # fmt: skip
    return TableSection("Nodes", _EACH_95, columns, rows)


def _observation_table(view: RecordView) -> TableSection:
    u, along = view.unit, view.word("distance along pipe")
    columns = [
        TableColumn("no.", 11), TableColumn("code", 14), TableColumn("what the camera saw", 38),
        TableColumn("clock", 9), _number(f"counter\n{u}", 11), _number(f"{along} ±95 %\n{u}", 18),
        *_position_columns(view), _number(f"cover ±95 %\n{u}", 16),
        TableColumn(f"two tapes to find it, {u}", 46),
    ]  # fmt: skip
    rows = [
        [
            r.observation_id, r.code,
            "; ".join(
                filter(None, (r.text, r.defect_severity, with_own_unit(r.reason, view.unit)))
            ),
            "–".join(filter(None, (r.clock_from, r.clock_to))), view.length(r.counter_m),
            view.length_95(r.chainage_m, r.chainage_sigma_m), *_position(view, r),
            view.length_95(r.cover_m, r.cover_sigma_m), _tie(view, r),
        ]
        for r in view.observations
    ]  # fmt: skip
    return TableSection("Observations", _EACH_95, columns, rows)


def _segment_table(view: RecordView) -> TableSection:
    u, along = view.unit, view.word("distance along pipe")
    columns = [
        TableColumn("segment", 13), TableColumn("from", 16), TableColumn("to", 16),
        _number(f"{along}\n{u}", 22),
        TableColumn("shape", 16), _number(f"length\n{u}", 11),
        _number(f"{view.word('fall of the pipe')} ±95 %\n%", 18),
        *([] if view.depth_only else [
            _number(f"invert down ±95 %\n{u}", 21), _number(f"invert up ±95 %\n{u}", 21)
        ]),
        _number(f"least cover\n(≥ at 95 %), {u}", 16), _number(f"position ±\nat most, {u}", 13),
    ]  # fmt: skip
    rows = [
        [
            r.segment_id, r.from_ref, r.to_ref,
            f"{view.length(r.from_chainage_m)} – {view.length(r.to_chainage_m)}",
            str(r.shape).replace("_", " "), view.length(r.length_m),
            _grade(r.gradient, r.gradient_sigma),
            *([] if view.depth_only else [
                view.length_95(r.invert_down_level_m, r.invert_down_sigma_m),
                view.length_95(r.invert_up_level_m, r.invert_up_sigma_m),
            ]),
            _least_cover(view, r), view.length(r.position_95_max_m),
        ]
        for r in view.rows(SegmentRow)
    ]  # fmt: skip
    note = (
        "gradients need levels, and there are none"
        if view.depth_only
        else "a positive gradient falls downstream"
    )
    return TableSection("Segments", note, columns, rows)


def _control_table(view: RecordView) -> TableSection:
    u = view.unit
    columns = [
        TableColumn("point", 30), *_position_columns(view),
        _number(f"{view.word('level')}\n{u}", 14),
        _number(f"plan ±95 %\nper axis, {u}", 16), _number(f"{view.word('level')} ±95 %\n{u}", 16),
    ]  # fmt: skip
    rows = [
        [
            r.point, *_position(view, r), view.length(r.point_level_m),
            view.length(INTERVAL_95 * r.position_sigma_m),
            view.length(INTERVAL_95 * r.level_sigma_m),
        ]
        for r in view.control
    ]  # fmt: skip
    return TableSection("Control", "what tapes were hooked to", columns, rows)


def _zone_table(view: RecordView) -> TableSection:
    u = view.unit
    columns = [
        TableColumn("line", 9), TableColumn("rule", 40), _number(f"each side\n{u}", 12),
        _number(f"width\n{u}", 12), TableColumn("outside diameter", 20),
        TableColumn("where the rule stands", 80),
    ]  # fmt: skip
    rows = [
        [
            r.line_id, r.rule_title, view.length(r.tolerance_m, 3), view.length(r.width_m, 3),
            view.length(r.outside_diameter_m, 3) + (" assumed" if r.diameter_assumed else ""),
            r.source,
        ]
        for r in view.rows(ZoneRow)
        if not r.with_corridor
    ]  # fmt: skip
    note = "the corridor comes on top; the pipe runs on past both ends, where nothing is located"
    return TableSection("Hand-dig zones", note, columns, rows)


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
        [_asked(r), r.subject, *(with_own_unit(text, view.unit)
         for text in (r.what, r.by_how_much, r.accepted or r.what_to_do))]
        for r in found
    ]  # fmt: skip
    counts = ", ".join(f"{n} {s}" for s in (*_ORDER, "accepted") if (n := view.findings[s]))
    return TableSection("Findings", counts, columns, rows)


def _asked(row: FindingRow) -> str:
    """Return how much a finding matters; of an accepted one that it is accepted."""
    if row.accepted:
        return f"accepted ({row.severity})"
    return row.severity.upper() if row.severity == "error" else row.severity


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


def _grade(grade: float, sigma: float) -> str:
    shown = number(100 * grade)
    return shown if isnan(grade) or isnan(sigma) else f"{shown} ± {100 * INTERVAL_95 * sigma:.2f}"


def _least_cover(view: RecordView, row: CentrelineRow | SegmentRow) -> str:
    """Return the least cover of a line or segment and its bound: "1.02 (≥ 0.92)"."""
    if isnan(row.cover_min_m):
        return "unknown"
    reach = None
    if isinstance(row, SegmentRow):  # both its ends among the stations
        reach = (row.from_chainage_m - _SAME_M, row.to_chainage_m + _SAME_M)
    bound = view.least_cover_95_m(row.line_id, reach)
    return f"{view.length(row.cover_min_m)} (≥ {'?' if isnan(bound) else view.length(bound)})"


def _inverts(view: RecordView) -> dict[str, tuple[float, float]]:
    """Return invert level and σ at each located point, by its name."""
    segments = view.rows(SegmentRow)
    down = {s.from_ref: (s.invert_down_level_m, s.invert_down_sigma_m) for s in segments}
    return down | {s.to_ref: (s.invert_up_level_m, s.invert_up_sigma_m) for s in segments}


def _tie(view: RecordView, row: NodeRow | ObservationRow) -> str:
    if not row.tie_a_point or not row.tie_b_point:
        return ""
    a, b = (
        f"{view.length(m)} from {p}"
        for m, p in ((row.tie_a_m, row.tie_a_point), (row.tie_b_m, row.tie_b_point))
    )
    return f"{a}, {b}, on the {row.tie_side} looking from the first to the second"
