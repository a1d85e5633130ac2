"""What stands around a drawing: scale bar, north arrow, grid, key, caution and title block."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, floor, isnan, log10
from typing import Final

import numpy as np
from matplotlib.axes import Axes

from lateralline import __version__
from lateralline.draw import symbols
from lateralline.draw.canvas import Canvas, line_mm, printable, strokes, width_mm, wrapped
from lateralline.draw.paper import MARGIN_MM, Box, PaperScale
from lateralline.draw.symbols import AreaLook, LineLook, PointLook
from lateralline.measure import DASH
from lateralline.record.ends import open_ends_of
from lateralline.record.rows import MarkRow, PointRow, SegmentRow, UnlocatedRow, ZoneRow
from lateralline.record.symbology import area_of, sign, style_of
from lateralline.record.view import RecordView
from lateralline.records import Floats
from lateralline.units import METRES_PER

_GRID_MM: Final = 32.0  # grid crosses are no nearer
_CROSS_MM: Final = 1.6
#: Ends of the two strokes of a cross.
_CROSS: Final = np.array([[[-1, 0], [1, 0]], [[0, -1], [0, 1]]])
_BAR_MM: Final = 46.0  # the scale bar is no longer


def draw_head(
    canvas: Canvas, box: Box, view: RecordView, scale: PaperScale, index: int, count: int
) -> None:
    """Write the line above a plan: its name and scale, the scale bar, and which way is north."""
    y = box.y + 4.6
    title = "PLAN" if count == 1 else f"PLAN {index + 1} of {count}"
    canvas.words(box.x, y - 1.6, title, 9.0, bold=True)
    wide = width_mm(title, 9.0, bold=True) + 3.0
    east, up = view.axis_names
    about = f"+ grid: {east} / {up} in {view.coordinate_unit}" + (
        ", invented axes" if view.crs is None else ""
    )
    about += "; ± 95 %"
    end = box.right - 16.0
    bar = scale_bar(canvas, end, y - 2.2, view.unit, scale, min(_BAR_MM, 0.42 * box.width))
    to_scale = f"scale {scale}"
    if box.x + wide + width_mm(to_scale, 7.5) < bar - 3.0:
        canvas.words(box.x + wide, y - 1.6, to_scale, 7.5)
        canvas.words(box.x, y + 2.2, about, 6.0, colour=symbols.GREY, room=end - box.x)
    else:  # a narrow plan: the title block names the grid as well
        canvas.words(box.x, y + 2.4, f"{to_scale}; ± 95 %", 7.5, room=end - box.x)
    draw_north(canvas, box.right - 4.0, box.y, view.ground.north)


def scale_bar(
    canvas: Canvas, right: float, y: float, unit: str, scale: PaperScale, most_mm: float
) -> float:
    """Draw a scale bar in a unit of length that ends at `right`; return where it begins."""
    per = METRES_PER[unit]
    length = round_down(most_mm / scale.mm_per_m / per)
    mm = length * per * scale.mm_per_m
    room = width_mm(f"{length:g} {unit}", 6.0) / 2
    x = right - room - mm
    parts = 4
    for n in range(parts):
        at = Box(x + n * mm / parts, y + 1.0, mm / parts, 1.3)
        canvas.frame(at, fc=symbols.INK if n % 2 == 0 else "white", lw=0.4)
    for share, text in ((0.0, "0"), (0.5, f"{length / 2:g}"), (1.0, f"{length:g} {unit}")):
        canvas.words(x + share * mm, y - 0.6, text, 6.0, align="center")
    return x


def draw_north(canvas: Canvas, x: float, y: float, text: str) -> None:
    """Draw the north arrow, its tip at (x, y), with which north it is."""
    canvas.arrow(x, y, 9.0)
    for n, word in enumerate(text.split(" ")):
        canvas.words(x - 2.2, y + 3.6 + 2.8 * n, word, 6.0, align="right")
    canvas.words(x + 1.4, y + 4.6, "N", 8.0, bold=True)


def edge_notes(axes: Axes, notes: Sequence[str], scale: PaperScale, taken: Floats) -> Floats:
    """Write what is off the plan into its emptiest corner; return points labels keep clear of.

    `taken` (n, 2) is where something stands already.
    """
    if not notes:
        return np.empty((0, 2))
    size = np.array([max(width_mm(n, 6.0) for n in notes) + 2.0, line_mm(6.0) * len(notes) + 2.0])
    size = size / scale.mm_per_m
    (i, j), low = emptiest_corner(axes, size, taken, [(i, j) for j in (0, 1) for i in (0, 1)])
    axes.annotate(
        "\n".join(notes), (i, j), xycoords="axes fraction", textcoords="offset points",
        xytext=(-3 if i else 3, -3 if j else 3), ha="right" if i else "left",
        va="top" if j else "bottom", size=6.0, color=symbols.INK, zorder=9,
        bbox={"fc": "white", "ec": "none", "pad": 0.8, "alpha": 0.85},
    )  # fmt: skip
    return covered(low, size, 16)


def emptiest_corner(
    axes: Axes, size: Floats, taken: Floats, corners: Sequence[tuple[int, int]]
) -> tuple[tuple[int, int], Floats]:
    """Return the corner (right, upper: 0 or 1) where a box of `size` (2) covers fewest points.

    Its lower left (2) comes with it; of equals, the first of `corners`.
    """
    (x0, x1), (y0, y1) = axes.get_xlim(), axes.get_ylim()

    def low(corner: tuple[int, int]) -> Floats:
        return np.array([x0, y0]) + np.array(corner) * (np.array([x1 - x0, y1 - y0]) - size)

    def busy(corner: tuple[int, int]) -> int:
        inside = (taken >= low(corner)) & (taken <= low(corner) + size)
        return int(inside.all(axis=1).sum())

    best = min(corners, key=busy)
    return best, low(best)


def covered(low: Floats, size: Floats, count: int) -> Floats:
    """Return a raster of points (n, 2) over a box, for labels to keep clear of."""
    raster = np.meshgrid(*np.linspace(0, 1, count)[None].repeat(2, 0))
    return np.asarray(low + np.stack(raster, -1).reshape(-1, 2) * size)


def draw_grid(canvas: Canvas, axes: Axes, inner: Box, view: RecordView, scale: PaperScale) -> None:
    """Draw crosses at round coordinates of the file, with the coordinates along two edges."""
    (x0, x1), (y0, y1) = axes.get_xlim(), axes.get_ylim()
    corners = view.coordinates(np.array([[x0, y0], [x1, y0], [x0, y1], [x1, y1]]))
    k = view.coordinate_scale
    per = k * np.abs(np.diag(view.ground.metres_per_unit))
    steps = [round_up(_GRID_MM / scale.mm_per_m / p) for p in per]
    xs, ys = (
        np.arange(ceil(c.min() / s - 1e-9), floor(c.max() / s + 1e-9) + 1) * s
        for c, s in zip(corners.T, steps, strict=True)
    )
    middle = corners.mean(axis=0)
    at_x = view.ground.to_ground(k * np.column_stack([xs, np.full(len(xs), middle[1])]))[:, 0]
    at_y = view.ground.to_ground(k * np.column_stack([np.full(len(ys), middle[0]), ys]))[:, 1]
    arm = _CROSS_MM / scale.mm_per_m * _CROSS
    crosses = np.stack(np.meshgrid(at_x, at_y), -1).reshape(-1, 1, 1, 2) + arm
    axes.plot(*strokes(crosses.reshape(-1, 2, 2)), color=symbols.FAINT, lw=0.4, zorder=0.5)
    for value, at in zip(xs, at_x, strict=True):
        x = inner.x + (at - x0) * scale.mm_per_m
        canvas.rule(x, inner.foot, x, inner.foot + 1.0)
        canvas.words(x, inner.foot + 2.6, _coordinate(value, steps[0], view), 6.0, align="center",
                     room=_GRID_MM)  # fmt: skip
    for value, at in zip(ys, at_y, strict=True):
        y = inner.foot - (at - y0) * scale.mm_per_m
        canvas.rule(inner.x - 1.0, y, inner.x, y)
        text = _coordinate(value, steps[1], view)
        if inner.y + width_mm(text, 6.0) / 2 < y < inner.foot - width_mm(text, 6.0) / 2:
            canvas.words(inner.x - 2.6, y, text, 6.0, align="center", turned=True)


def round_down(length: float) -> float:
    """Return 1, 2 or 5 times a power of ten, not longer than `length`.

    >>> round_down(7.3), round_down(0.46)
    (5.0, 0.2)
    """
    power = 10.0 ** floor(log10(length))
    return float(max(k * power for k in (1.0, 2.0, 5.0) if k * power <= length * (1 + 1e-9)))


def round_up(least: float) -> float:
    """Return 1, 2 or 5 times a power of ten, not shorter than `least`.

    >>> round_up(7.3), round_up(0.46)
    (10.0, 0.5)
    """
    power = 10.0 ** floor(log10(least))
    return float(min(k * power for k in (1.0, 2.0, 5.0, 10.0) if k * power >= least * (1 - 1e-9)))


def _coordinate(value: float, step: float, view: RecordView) -> str:
    places = max(0, -floor(log10(step) + 1e-9))
    unit = "°" if view.coordinate_unit == "°" else ""
    return f"{value:,.{places}f}".replace(",", "\N{NARROW NO-BREAK SPACE}") + unit


# ---- key ------------------------------------------------------------------------------------


_ENTRY_MM: Final = 4.0  # height of a line of the key
_SIGN_MM: Final = 8.0


@dataclass(frozen=True, slots=True)
class LegendEntry:
    """One sign, of parts drawn over one another, and what it means."""

    text: str
    points: tuple[PointLook, ...] = ()
    lines: tuple[LineLook, ...] = ()
    area: AreaLook | None = None
    earth: bool = False  # hatched below its line, as ground is


def key_mm(view: RecordView, width: float) -> float:
    """Return the height the key takes."""
    return ceil(len(key_entries(view)) / _key_columns(view, width)) * _ENTRY_MM + 2.0


def draw_key(canvas: Canvas, box: Box, view: RecordView) -> None:
    """Draw every sign that the sheets use, with its name."""
    canvas.frame(box, lw=0.35)
    listed = key_entries(view)
    columns = _key_columns(view, box.width)
    width = box.width / columns
    deep = ceil(len(listed) / columns)
    for n, entry in enumerate(listed):
        x = box.x + (n // deep) * width + 1.5
        y = box.y + 1.0 + (n % deep + 0.5) * _ENTRY_MM
        draw_sign(canvas, x, y, entry)
        canvas.words(x + _SIGN_MM + 1.5, y, entry.text, 6.0, room=width - _SIGN_MM - 4.0)


def draw_sign(canvas: Canvas, x: float, y: float, entry: LegendEntry) -> None:
    """Draw a sign whose left end is at (x, y)."""
    if entry.area is not None:
        canvas.frame(Box(x, y - 1.3, _SIGN_MM, 2.6), **entry.area)
    if entry.earth:
        canvas.frame(Box(x, y, _SIGN_MM, 1.3), fc="none", ec=entry.lines[0]["color"], lw=0,
                     hatch=symbols.EARTH_HATCH)  # fmt: skip
    for line in entry.lines:
        canvas.rule(x, y, x + _SIGN_MM, y, **line)
    canvas.symbol(x + _SIGN_MM / 2, y, *entry.points)


def key_entries(view: RecordView) -> list[LegendEntry]:
    """Return all that is drawn of a record."""
    found = _point_entries(view.nodes)
    found += _point_entries(view.rows(MarkRow))
    found += _fix_entries(view)
    found += _point_entries(view.observations)
    found += _point_entries([row for row in view.control if row.geometry is not None])
    found += _pipe_entries(view)
    zones = view.rows(ZoneRow)
    if zones:
        whole = area_of("tolerance_zone", zone="with_corridor")
        near = area_of("tolerance_zone", zone="as_located")
        found += [
            LegendEntry(
                "hand-dig zone: tolerance about the corridor", area=symbols.area_look(whole)
            ),
            LegendEntry("tolerance about the pipe as located", area=symbols.area_look(near)),
        ]
    if any(row.geometry is not None for row in view.rows(UnlocatedRow)):
        text = _in_a_key(style_of("unlocated").rule[0].title)
        found.append(LegendEntry(text, area=symbols.unlocated_look()))
    return found


def _key_columns(view: RecordView, width: float) -> int:
    """Return how many entries stand side by side, none of them cut short."""
    widest = max((width_mm(e.text, 6.0) for e in key_entries(view)), default=30.0)
    return max(int(width / (widest + _SIGN_MM + 4.5)), 1)


def _point_entries(rows: tuple[PointRow, ...] | list[PointRow]) -> list[LegendEntry]:
    """Return an entry for each rule that draws a row with a place."""
    if not rows:
        return []
    placed = [row for row in rows if row.geometry is not None]
    return [
        LegendEntry(_in_a_key(rule.title), symbols.point_looks(rule.as_point))
        for rule, drawn in style_of(rows[0].layer).by_rule(placed)
        if drawn
    ]


def _fix_entries(view: RecordView) -> list[LegendEntry]:
    found = _point_entries(view.fixes)
    if found:
        ellipse = symbols.sign_look("ellipse")
        ring = PointLook(marker="o", ms=7.5, mfc="none", mec=ellipse["color"], mew=ellipse["lw"])
        found.append(LegendEntry(_in_a_key(sign("ellipse").title), (ring,)))
    return found


def _pipe_entries(view: RecordView) -> list[LegendEntry]:
    found = [
        LegendEntry(_in_a_key(rule.title), lines=(symbols.line_look(rule.as_line),))
        for rule, drawn in style_of("pipe_segments").by_rule(view.rows(SegmentRow))
        if drawn
    ]
    if not found:
        return []
    tops = [row.top_m for row in view.centrelines]
    if not all(map(isnan, tops)):
        found.append(sign_entry("outside_top"))
    if any(isnan(row.top_m) and not isnan(row.bore_m) for row in view.centrelines):
        found.append(sign_entry("inside_top"))
    if any(node.carried_on for node in view.nodes):
        found.append(sign_entry("carried_on"))
    if len(open_ends_of(view).at):
        found.append(sign_entry("open_end"))
    corridor = symbols.area_look(area_of("position_corridor"))
    name = "depth" if view.depth_only else "invert"
    found.append(LegendEntry(f"95 % corridor; in profile 95 % of {name}", area=corridor))
    found.append(LegendEntry(_in_a_key(sign("ground").title), lines=(symbols.sign_look("ground"),),
                       earth=True))  # fmt: skip
    return found


def sign_entry(name: str) -> LegendEntry:
    """Return the key to a sign."""
    return LegendEntry(_in_a_key(sign(name).title), lines=(symbols.sign_look(name),))


def _in_a_key(title: str) -> str:
    return title[0].lower() + title[1:]


# ---- caution and title block ----------------------------------------------------------------


_CAUTION_MM: Final = 10.0
_TITLE_ROW_MM: Final = 8.4  # with texts of up to two lines
_TITLE_LINE_MM: Final = 2.4  # for each line more
_TITLE_LINES: Final = 6
_TITLE_PAD: Final = 1.2
_WIDE_MM: Final = 250.0  # a title block of two rows needs as much
_GAP: Final = 2.0


@dataclass(frozen=True, slots=True)
class TitleCell:
    """One cell of the title block: its heading, and its text in one line or wrapped."""

    name: str
    lines: list[str]
    width: float
    size_pt: float
    bold: bool
    whole: bool  # in one line, at its own size


@dataclass(frozen=True, slots=True)
class TitleRow:
    """Cells of the title block that stand side by side."""

    height: float
    cells: list[TitleCell]


@dataclass(frozen=True, slots=True)
class SheetTitle:
    """What the title block says of this one sheet."""

    sheet: int
    sheets: int
    scales: str


def body_of(width: float, height: float, view: RecordView) -> Box:
    """Return the part of a page that drawings and tables may fill."""
    inside = width - 2 * MARGIN_MM
    rows = _title_rows(view, SheetTitle(0, 0, ""), inside)
    foot = _CAUTION_MM + sum(row.height for row in rows) + _GAP
    return Box(MARGIN_MM, MARGIN_MM, inside, height - 2 * MARGIN_MM - foot)


def draw_title_block(canvas: Canvas, view: RecordView, title: SheetTitle) -> None:
    """Draw caution and title block at the foot of a page."""
    body = body_of(canvas.width, canvas.height, view)
    caution = Box(body.x, body.foot + _GAP, body.width, _CAUTION_MM)
    draw_caution(canvas, caution, view.caution)
    y = caution.foot
    for row in _title_rows(view, title, body.width):
        x = body.x
        for cell in row.cells:
            canvas.frame(Box(x, y, cell.width, row.height), lw=0.5)
            room = cell.width - 2 * _TITLE_PAD
            at = x + _TITLE_PAD
            canvas.words(at, y + 1.9, cell.name, 6.0, room=room, colour=symbols.GREY)
            for k, line in enumerate(cell.lines):
                down = 5.4 if cell.whole else 4.1 + _TITLE_LINE_MM * k
                canvas.words(at, y + down, line, cell.size_pt, room=room, bold=cell.bold)
            x += cell.width
        y += row.height


def draw_caution(canvas: Canvas, box: Box, caution: str) -> None:
    """Write the caution into a box, framed, in letters as large as two lines allow."""
    canvas.frame(box, fc=symbols.WARN_PAPER, ec=symbols.WARN, lw=1.6)
    size = 8.6
    while len(wrapped(caution, box.width - 4.0, size, bold=True)) > 2 and size > 6.0:
        size -= 0.2
    lines = wrapped(caution, box.width - 4.0, size, 2, bold=True)
    for n, line in enumerate(lines):
        y = box.y + box.height * (n + 0.5 + 0.5 * (2 - len(lines))) / 2
        y += (0.7, -0.7)[n] if len(lines) == 2 else 0.0
        canvas.words(box.x + box.width / 2, y, line, size, bold=True, align="center",
                     colour=symbols.WARN)  # fmt: skip


def _title_rows(view: RecordView, title: SheetTitle, width: float) -> list[TitleRow]:
    """Return the rows of the title block; a text too long for its cell is wrapped, not cut.

    Only what takes more than `_TITLE_LINES` lines ends in "…".
    """
    units = "metres" if not view.in_feet else {"ft": "feet", "us-ft": "US survey feet"}[view.unit]
    if view.measure.unit == "ft-in":
        units += ", depths in feet and inches"
    head = [
        ("site", view.site_id, 30, 11.0),
        ("name", view.name, 56, 8.5),
        ("surveyed", view.lineage.last_surveyed or DASH, 22, 7.5),
        ("surveyed by", view.lineage.surveyor or DASH, 30, 6.8),
        ("kind of record", "as-built from field marks", 40, 6.8),
        ("sheet", f"{title.sheet} of {title.sheets}", 18, 9.0),
    ]  # fmt: skip
    levels = "depths only, below ground" if view.depth_only else view.datum
    systems = [
        ("coordinates", view.crs_in_words, 62, 6.8),
        (f"{view.word('level')}s", levels, 52, 6.8),
        ("lengths in", units, 30, 6.8),
    ]
    made = [
        ("scales", title.scales, 68, 6.8),
        ("made by", f"lateralline {__version__}", 30, 6.8),
        ("source (SHA-256)", f"asbuilt.gpkg {view.sha256[:12]}", 48, 6.8),
    ]
    rows = []
    texts_of = [head, systems + made] if width >= _WIDE_MM else [head, systems, made]
    for n, texts in enumerate(texts_of):
        per = width / sum(share for _, _, share, _ in texts)
        cells = [_title_cell(*text, per, bold=n == 0) for text in texts]
        deepest = max(len(cell.lines) for cell in cells)
        rows.append(TitleRow(_TITLE_ROW_MM + _TITLE_LINE_MM * max(deepest - 2, 0), cells))
    return rows


def _title_cell(
    name: str, text: str, share: float, size_pt: float, per: float, *, bold: bool
) -> TitleCell:
    text, room = printable(text), share * per - 2 * _TITLE_PAD
    if width_mm(text, size_pt, bold=bold) <= room:
        return TitleCell(name, [text], share * per, size_pt, bold, whole=True)
    bold = bold and size_pt >= 7.0
    lines = wrapped(text, room, 6.0, _TITLE_LINES, bold=bold)
    return TitleCell(name, lines, share * per, 6.0, bold, whole=False)
