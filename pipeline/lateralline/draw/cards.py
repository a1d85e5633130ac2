"""Tie cards as PDF: four to a sheet of A4 or letter, with cut marks, vectors at their true size."""

from __future__ import annotations

from collections.abc import Sequence
from io import BytesIO
from pathlib import Path
from textwrap import wrap
from typing import TYPE_CHECKING, Final

import numpy as np

from lateralline.draw.paper import OFFICE_PAPERS, Box, PaperScale, paper_size
from lateralline.errors import extra
from lateralline.measure import Measure
from lateralline.output import whole_file
from lateralline.record.ends import SAID, open_ends_of
from lateralline.ties.tapes import Card, TieLimits, TieTape, card_lines

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from lateralline.draw.canvas import Canvas
    from lateralline.record.view import RecordView
    from lateralline.records import Floats

_CUT_MM: Final = 5.0  # length of a cut mark
_EDGE_MM: Final = 7.0  # inside a card: printers leave a margin
_SKETCH_MM: Final = 55.0  # side of the sketch
_ARC_DEG: Final = 14.0  # of each tape's circle, on either side of the spot
_SIGNS_MM: Final = 5.0  # of spot and point at the ends of a tape
_POINTS: Final = 0.9  # of their size on a map
_BIG: Final = ("tape 1", "tape 2", "check", "pipe", "depth")
_FOOT: Final = ("cut", "agree", "of that", "invert")


def draw_cards(
    cards: Sequence[Card],
    view: RecordView,
    measure: Measure,
    limits: TieLimits,
    out: Path,
    *,
    paper: str = "A4",
    replace: bool = False,
) -> None:
    """Draw the tied cards into a PDF. Equal cards give equal bytes.

    Raises MissingExtraError without matplotlib, ValueError for a paper that is none of
    OFFICE_PAPERS, and OutputExistsError when `out` is there and may not be replaced.
    """
    with whole_file(out, "tie-cards", replace=replace) as made:
        print_cards(cards, view, measure, limits, made, paper=paper)


def print_cards(
    cards: Sequence[Card],
    view: RecordView,
    measure: Measure,
    limits: TieLimits,
    into: Path | BytesIO,
    *,
    paper: str = "A4",
) -> None:
    """Draw the tied cards as PDF into a part of an output; raises as `draw_cards`."""
    with extra("draw", "drawing"):
        from lateralline.draw.canvas import Canvas, pdf_pages
    if paper not in OFFICE_PAPERS:
        raise ValueError(f"paper must be one of {', '.join(OFFICE_PAPERS)}; got {paper!r}")
    width, height = paper_size(paper, wide=True)
    tied = [card for card in cards if card.tied]
    title = f"Tie cards, {view.site_id}"
    with pdf_pages(into, "tie-cards", title, "lateralline") as add_page:
        for first in range(0, len(tied), 4):
            canvas = Canvas(width, height)
            for place, card in enumerate(tied[first : first + 4]):
                x, y = place % 2 * width / 2, place // 2 * height / 2
                _card(canvas, Box(x, y, width / 2, height / 2), card, view, measure, limits)
            _cut_marks(canvas)
            add_page(canvas.figure)


def _card(
    canvas: Canvas, box: Box, card: Card, view: RecordView, measure: Measure, limits: TieLimits
) -> None:
    """Draw one card."""
    from lateralline.draw import furniture, symbols

    inner = box.inset(_EDGE_MM, _EDGE_MM, _EDGE_MM, _EDGE_MM)
    left, top = inner.x, inner.y
    name, *lines = card_lines(card, measure, limits)
    canvas.words(
        left, top + 2, f"{view.site_id} · {card.spot.name}", 10.5, bold=True, room=inner.width - 22
    )
    for i, line in enumerate(wrap(name.partition("  ")[2], 86)[:2]):
        canvas.words(left, top + 7 + 3 * i, line, 6.5)
    text_x = left + _SKETCH_MM + 4
    at, foot_of = top + 14.0, False
    for line in lines:
        title, text = line[2:11].strip(), line[11:].strip()
        if title in _FOOT and not foot_of:
            foot_of, at = True, at + 1.5
            canvas.rule(text_x, at - 2.6, inner.right, at - 2.6, lw=0.3, color=symbols.GREY)
        if title:
            canvas.words(text_x, at, title, 5.4 if foot_of else 6.5, colour=symbols.GREY)
        big = title in _BIG
        for part in wrap(text, 32 if big else 48) or [""]:
            size = 8.0 if big else 5.4 if foot_of else 6.2
            canvas.words(text_x + 11, at, part, size, bold=big)
            at += 4.2 if big else 2.8 if foot_of else 3.3
        at += 0.2 if foot_of else 0.5
    _sketch(canvas, Box(left, top + 12, _SKETCH_MM, _SKETCH_MM), card, view, measure)
    furniture.draw_north(canvas, inner.right - 4.0, top, view.ground.north)
    foot = inner.foot - 12
    canvas.words(left, foot - 4.2, SAID, 5.4, colour=symbols.GREY)
    canvas.words(left, foot, "NO CLEARANCE TO DIG", 7.5, bold=True)
    for i, line in enumerate(wrap(view.caution, 105)):
        canvas.words(left, foot + 3.6 + 2.9 * i, line, 6.0)
    unit = "feet and inches" if measure.unit == "ft-in" else measure.unit
    about = (
        f"surveyed {view.lineage.last_surveyed} · tapes held level · distances in {unit} · "
        "± at 95 %"
    )
    canvas.words(left, inner.foot, about, 5.0, colour=symbols.GREY)


def _sketch(canvas: Canvas, box: Box, card: Card, view: RecordView, measure: Measure) -> None:
    """Draw spot, pipe, points, tapes and the arcs they swing, all to one scale, north up."""
    from lateralline.draw import plan, symbols
    from lateralline.record.symbology import style_of

    spot = card.spot.ground_m
    points = np.array([t.point_m for t in card.tapes])
    both = np.vstack([points, spot])
    low, high = both.min(axis=0), both.max(axis=0)
    half = 0.5 * float((high - low).max()) * 1.45
    east, north = ((low + high) / 2).tolist()
    limits = (east - half, east + half), (north - half, north + half)
    axes = canvas.axes(box, xlim=limits[0], ylim=limits[1])
    for edge in axes.spines.values():
        edge.set(linewidth=0.3, color=symbols.GREY)
    plan.draw_pipe(axes, view)
    plan.draw_open_ends(axes, open_ends_of(view), PaperScale(2000.0 * half / box.width))
    control = style_of("control_points").rule[0].as_point
    for number, tape in enumerate(card.tapes):
        check = number == 2
        ink = symbols.GREY if check else symbols.INK
        axes.plot(
            *zip(tape.point_m, spot, strict=True), color=ink, lw=0.6 if check else 0.9,
            ls=(0, (4, 2)) if check else "-", zorder=5,
        )  # fmt: skip
        if not check:
            axes.plot(*_arc(tape, spot).T, color=ink, lw=0.5, zorder=5)
        looks = symbols.point_looks(control, _POINTS)
        plan.draw_points(axes, tape.point_m[None], looks, 7)
        _name(axes, tape, spot)
        write_distance(axes, tape, spot, measure, box.width / (2 * half))
    axes.plot(*spot, marker="X", ms=7, mfc=symbols.INK, mec="white", mew=0.7, zorder=8)


def _arc(tape: TieTape, spot: Floats) -> Floats:
    """Return the stretch (n, 2) of a tape's circle that runs through the spot."""
    east, north = spot - tape.point_m
    angles = np.arctan2(north, east) + np.radians(np.linspace(-_ARC_DEG, _ARC_DEG, 25))
    return tape.point_m + tape.distance_m * np.column_stack([np.cos(angles), np.sin(angles)])


def _name(axes: Axes, tape: TieTape, spot: Floats) -> None:
    """Name a point on the side away from the spot."""
    up = tape.point_m[1] >= spot[1]
    axes.annotate(
        tape.point[:18], (float(tape.point_m[0]), float(tape.point_m[1])),
        xytext=(0, 8 if up else -8), textcoords="offset points", size=5.6, ha="center",
        va="center", annotation_clip=False, zorder=9,
    )  # fmt: skip


def write_distance(
    axes: Axes,
    tape: TieTape,
    spot: Floats,
    measure: Measure,
    mm_per_m: float,
    share: float = 0.52,
    size_pt: float = 5.8,
) -> None:
    """Write a distance on its tape, readable from below or from the right.

    It stands at `share` of the way from the spot to the point; a tape too short on paper for it
    between the signs of both has none, and the list has the distance.
    """
    from lateralline.draw.canvas import width_mm

    text = measure.length(tape.distance_m)
    if tape.distance_m * mm_per_m < width_mm(text, size_pt) + _SIGNS_MM:
        return
    way = tape.point_m - spot
    angle = float(np.degrees(np.arctan2(way[1], way[0])))
    at = spot + share * way
    axes.text(
        float(at[0]), float(at[1]), text, size=size_pt,
        rotation=(angle + 90.0) % 180.0 - 90.0, rotation_mode="anchor", ha="center", va="center",
        bbox={"fc": "white", "ec": "none", "pad": 0.4}, zorder=6,
    )  # fmt: skip


def _cut_marks(canvas: Canvas) -> None:
    from lateralline.draw import symbols

    width, height = canvas.width, canvas.height
    across, down = width / 2, height / 2
    for x0, y0, x1, y1 in (
        (across, 0, across, _CUT_MM),
        (across, height - _CUT_MM, across, height),
        (0, down, _CUT_MM, down),
        (width - _CUT_MM, down, width, down),
        (across - _CUT_MM, down, across + _CUT_MM, down),
        (across, down - _CUT_MM, across, down + _CUT_MM),
    ):
        canvas.rule(x0, y0, x1, y1, color=symbols.GREY)
