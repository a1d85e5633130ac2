"""What pictures of overlays have in common: plan north up and to scale, margin, key, caution."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Final, TypeAlias

import matplotlib
import numpy as np
import shapely
from matplotlib.axes import Axes

from lateralline.draw import symbols
from lateralline.draw.canvas import Canvas, line_mm, save, width_mm, wrapped
from lateralline.draw.furniture import LegendEntry, draw_caution, draw_north, draw_sign, scale_bar
from lateralline.draw.labels import Label, colour_of
from lateralline.draw.paper import Align, Box, PaperScale
from lateralline.draw.plan import fill
from lateralline.draw.symbols import AreaLook
from lateralline.output import whole_file
from lateralline.record.ends import OpenEnds
from lateralline.record.layers import Shapes
from lateralline.record.symbology import area_of
from lateralline.records import Floats

#: A margin lists so many rows of a kind, and says how many more there are.
MOST_ROWS: Final = 16
SMALL_PT: Final = 7.0
_NOTE_PT: Final = 6.4

_WIDTH_MM, _HEIGHT_MM = 297.0, 210.0
_DPI: Final = 110
_EDGE_MM: Final = 6.0
_GAP_MM: Final = 5.0
_CAUTION_MM: Final = 13.0
_HEAD_MM: Final = 10.0
_PLAN: Final = 0.62  # of the width
_BAR_MM: Final = 46.0
_ROOM_M: Final = 0.5
_PAD_MM: Final = 10.0  # for open ends and labels
_ENTRY_MM: Final = 4.4
_ROW_MM: Final = 4.6

#: Columns of a table as shares of the margin: where each begins or ends.
Columns: TypeAlias = tuple[tuple[float, Align], ...]


class Margin:
    """The text beside a plan, from the top down."""

    def __init__(self, canvas: Canvas, box: Box) -> None:
        """Begin at the top of `box`."""
        self.canvas, self.box, self.y = canvas, box, box.y

    def title(self, text: str) -> None:
        """Write the title."""
        self.paragraph(text, 12.0, bold=True)
        self.y += 3.0

    def paragraph(
        self, text: str, size_pt: float = SMALL_PT, *, bold: bool = False, colour: str = symbols.INK
    ) -> None:
        """Write a paragraph."""
        for line in wrapped(text, self.box.width, size_pt, bold=bold):
            y = self.y + line_mm(size_pt) / 2
            self.canvas.words(self.box.x, y, line, size_pt, bold=bold, colour=colour)
            self.y += line_mm(size_pt)
        self.y += 1.2

    def head(self, cells: Sequence[str], columns: Columns, units: Sequence[str] = ()) -> None:
        """Write the head of a table, below it the units if there are any, and a rule."""
        self.row(cells, columns, symbols.GREY)
        if units:
            self.y -= 1.2
            self.row(units, columns, symbols.GREY)
        box = self.box
        self.canvas.rule(box.x, self.y, box.right, self.y, color=symbols.FAINT, lw=0.6)
        self.y += 1.2

    def row(
        self, cells: Sequence[str], columns: Columns, colour: str, *, bold: bool = False
    ) -> None:
        """Write a row of a table."""
        for (share, side), cell in zip(columns, cells, strict=True):
            self.canvas.words(
                self.box.x + share * self.box.width, self.y + _ROW_MM / 2, cell, SMALL_PT,
                align=side, colour=colour, bold=bold,
            )  # fmt: skip
        self.y += _ROW_MM

    def key(self, entries: Sequence[LegendEntry]) -> None:
        """Explain signs."""
        for entry in entries:
            self.y += _ENTRY_MM
            draw_sign(self.canvas, self.box.x, self.y - _ENTRY_MM / 2, entry)
            self.canvas.words(self.box.x + 10.5, self.y - _ENTRY_MM / 2, entry.text, SMALL_PT)
        self.y += 4.0


@dataclass(frozen=True, slots=True)
class PlanPanel:
    """The plan of an overlay: axes in metres on the ground, and their scale."""

    axes: Axes
    scale: PaperScale

    @property
    def view(self) -> shapely.Polygon:
        """What it shows."""
        (x0, x1), (y0, y1) = self.axes.get_xlim(), self.axes.get_ylim()
        return shapely.box(x0, y0, x1, y1)

    def metres(self, mm: float) -> float:
        """Return metres on the ground of a length on paper."""
        return mm / self.scale.mm_per_m


@dataclass(frozen=True, slots=True, eq=False)
class OverlayPlan:
    """What every picture of an overlay shows, metres; shapes of the same index are of one line."""

    title: str
    north: str
    line_ids: Sequence[str]
    paths: Sequence[shapely.LineString]
    open_ends: OpenEnds
    pipes: Sequence[shapely.Polygon]  # outside of the pipe
    corridors: Sequence[shapely.Polygon | None]
    unlocated: Sequence[tuple[str, shapely.Polygon]]  # name, and where the pipe may be
    box: Floats  # (4,) west, south, east, north of what must be seen
    notes: Sequence[str]
    caution: str
    unit: str  # of lengths in words


@contextmanager
def picture(
    shown: OverlayPlan, out: Path, kind: str, *, replace: bool
) -> Iterator[tuple[PlanPanel, Margin]]:
    """Yield plan and margin of a picture that is put in place, whole, when the block ends well.

    The plan shows the box with some room; scale bar and north arrow stand above it. The notes stand
    whole below plan and margin: the picture is as much higher as they need.
    """
    with whole_file(out, kind, replace=replace) as made, matplotlib.rc_context(symbols.RC):
        wide = _WIDTH_MM - 2 * _EDGE_MM
        columns = _in_columns(shown.notes, (wide - _GAP_MM) / 2)
        deep = max(map(len, columns)) * line_mm(_NOTE_PT) + 2 * _GAP_MM
        canvas = Canvas(_WIDTH_MM, _HEIGHT_MM + deep)
        body = Box(_EDGE_MM, _EDGE_MM, wide, _HEIGHT_MM + deep - 2 * _EDGE_MM)
        upper = body.height - _CAUTION_MM - deep
        over = _PLAN * wide
        margin = Box(body.x + over + _GAP_MM, body.y, wide - over - _GAP_MM, upper)
        plan = _plan(canvas, Box(body.x, body.y, over, upper), shown)
        yield plan, Margin(canvas, margin)
        for n, lines in enumerate(columns):
            x = body.x + n * (wide + _GAP_MM) / 2
            for k, line in enumerate(lines):
                y = body.y + upper + _GAP_MM + (k + 0.5) * line_mm(_NOTE_PT)
                canvas.words(x, y, line, _NOTE_PT, colour=symbols.GREY)
        at = Box(body.x, body.foot - _CAUTION_MM, wide, _CAUTION_MM)
        draw_caution(canvas, at, shown.caution)
        save(canvas.figure, made, _DPI, kind)


def _in_columns(notes: Sequence[str], room_mm: float) -> tuple[list[str], list[str]]:
    """Return the lines of notes, in order, in two columns of about equal length.

    An empty line parts two notes of a column.
    """
    each = [wrapped(note, room_mm, _NOTE_PT) for note in notes]
    in_all, columns = sum(map(len, each)) + len(each), (list[str](), list[str]())
    before = 0
    for lines in each:
        column = columns[2 * before >= in_all]
        column += [""] * bool(column) + lines
        before += len(lines) + 1
    return columns


def _plan(canvas: Canvas, box: Box, shown: OverlayPlan) -> PlanPanel:
    inner = box.inset(0.0, _HEAD_MM, 0.0, 0.0)
    x0, y0, x1, y1 = (shown.box + _ROOM_M * np.array([-1, -1, 1, 1])).tolist()
    across, down = inner.width - 2 * _PAD_MM, inner.height - 2 * _PAD_MM
    mm = min(across / (x1 - x0), down / (y1 - y0))
    half = inner.width / mm / 2, inner.height / mm / 2
    east, up = (x0 + x1) / 2, (y0 + y1) / 2
    axes = canvas.axes(
        inner, xlim=(east - half[0], east + half[0]), ylim=(up - half[1], up + half[1])
    )
    scale = PaperScale(1000.0 / mm)
    canvas.words(box.x, box.y + 3.0, "PLAN", 9.0, bold=True)
    room = width_mm(f"000 {shown.unit}", 6.0)
    scale_bar(canvas, box.right - 22.0 - room / 2, box.y + 2.4, shown.unit, scale, _BAR_MM)
    draw_north(canvas, box.right - 6.0, box.y - 0.6, shown.north)
    return PlanPanel(axes, scale)


# ---- signs of overlays ----------------------------------------------------------------------


def pipe_look() -> AreaLook:
    """Return how the outside of a pipe looks in plan."""
    colour = colour_of("pipe_segments")
    return AreaLook(fc=colour, ec=colour, lw=0.6, ls="-")


def pipe_entries() -> list[LegendEntry]:
    """Return the key to pipes and their corridors."""
    corridor = symbols.area_look(area_of("position_corridor"))
    return [
        LegendEntry("outside of the pipe, as located", area=pipe_look()),
        LegendEntry("95 % corridor of its axis", area=corridor),
    ]


def unlocated_entry(text: str) -> LegendEntry:
    """Return the key to where pipe may be that nobody located."""
    return LegendEntry(text, area=symbols.unlocated_look())


def draw_pipes(axes: Axes, pipes: Sequence[object], corridors: Sequence[object]) -> None:
    """Draw the outsides of pipes over their corridors."""
    fill(axes, corridors, symbols.area_look(area_of("position_corridor")), 2)
    fill(axes, pipes, pipe_look(), 3.5)


def draw_unlocated(plan: PlanPanel, areas: Sequence[tuple[str, shapely.Geometry]]) -> list[Label]:
    """Fill where named pipe may be that nobody located; return a label for each in sight."""
    words = []
    for name, area in areas:
        fill(plan.axes, [area], symbols.unlocated_look(), 0.5)
        seen = shapely.intersection(area, plan.view)
        if not seen.is_empty:
            at = shapely.point_on_surface(seen)
            words.append(Label(at.x, at.y, f"{name}?", symbols.WARN, 9, "bold"))
    return words


def draw_numbers(
    panel: PlanPanel, marks: Sequence[tuple[int, shapely.Geometry, bool]], near: Floats
) -> Floats:
    """Put each number beside its line or point, where least else is; return what is taken then.

    Filled are those of what must be looked at.
    """
    away_m = panel.metres(4.8)
    turn = np.radians(np.arange(0, 360, 22.5))
    ring = away_m * np.column_stack([np.cos(turn), np.sin(turn)])
    taken = near
    for number, line, filled in marks:
        middle = line if line.geom_type == "Point" else line.interpolate(0.5, normalized=True)
        at = shapely.get_coordinates(middle)[0]
        spots = at + ring
        room = np.linalg.norm(spots[:, None] - taken[None], axis=2).min(axis=1)
        best = spots[int(np.argmax(room))]
        taken = np.vstack([taken, best, *(best + ring / 2)])
        colour = symbols.WARN if filled else symbols.INK
        panel.axes.plot(*np.array([at, best]).T, color=colour, lw=0.7, zorder=7)
        panel.axes.text(
            float(best[0]), float(best[1]), str(number), size=8.2, weight="bold", ha="center",
            va="center", zorder=8, color="white" if filled else colour,
            bbox={"boxstyle": "circle,pad=0.28", "fc": colour if filled else "white",
                  "ec": colour, "lw": 1.1},
        )  # fmt: skip
    return taken


def line_labels(plan: PlanPanel, names: Sequence[str], paths: Sequence[object]) -> list[Label]:
    """Return a label on the upper part of each line in sight."""
    words = []
    for name, path in zip(names, paths, strict=True):
        seen = shapely.intersection(path, plan.view)
        if not seen.is_empty:
            at = shapely.line_interpolate_point(shapely.get_parts(seen)[0], 0.86, normalized=True)
            words.append(Label(at.x, at.y, name, colour_of("pipe_segments"), 9, "bold"))
    return words


def along(lines: Sequence[object], spacing_m: float) -> Floats:
    """Return points (n, 2) on lines, for labels to keep clear of."""
    shapes: Shapes = np.array([line for line in lines if line is not None], dtype=object)
    if not len(shapes):
        return np.empty((0, 2))
    cut = shapely.length(shapes) > 0.0  # two things on one spot have no way between
    shapes[cut] = shapely.segmentize(shapes[cut], spacing_m)
    return np.asarray(shapely.get_coordinates(shapes))
