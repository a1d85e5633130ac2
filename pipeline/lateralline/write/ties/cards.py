"""Tie cards as PDF: four to a sheet of A4 or letter, with cut marks, vectors at their true size."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from textwrap import wrap
from typing import TYPE_CHECKING, Final

import numpy as np

from lateralline import contract
from lateralline.errors import extra
from lateralline.output import figure_metadata, whole_file
from lateralline.write.picture.style import LITERAL
from lateralline.write.ties.measure import Measure
from lateralline.write.ties.tied import Card, Limits
from lateralline.write.ties.words import card_lines

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from lateralline.records import Floats

#: Sheets the cards are cut from, in mm, landscape.
PAPERS: Final = {"A4": (297.0, 210.0), "letter": (279.4, 215.9)}
_MM: Final = 1 / 25.4
_CUT_MM: Final = 5.0  # length of a cut mark
_EDGE_MM: Final = 7.0  # inside a card: printers leave a margin
_SKETCH_MM: Final = 55.0  # side of the sketch
_ARC_DEG: Final = 14.0  # of each tape's circle, on either side of the spot
_INK, _GREY, _PIPE = "#20262e", "#6b7280", "#0b6b3a"  # the pipe is green by the uniform code


@dataclass(frozen=True, slots=True)
class Heading:
    """What every card of a site says."""

    site: str
    north: str  # "grid north", …
    surveyed: str
    units: str


def draw_cards(
    cards: Sequence[Card],
    heading: Heading,
    measure: Measure,
    limits: Limits,
    out: Path,
    *,
    paper: str = "A4",
    replace: bool = False,
) -> None:
    """Draw the tied cards into a PDF. Equal cards give equal bytes.

    Raises MissingExtraError without matplotlib, ValueError for a paper that is none of PAPERS, and
    OutputExistsError when `out` is there and may not be replaced.
    """
    with extra("draw", "drawing"):
        import matplotlib
        from matplotlib.backends.backend_pdf import PdfPages
        from matplotlib.figure import Figure

        from lateralline.write.picture.lettering import letter
    if paper not in PAPERS:
        raise ValueError(f"paper must be one of {', '.join(PAPERS)}; got {paper!r}")
    width, height = PAPERS[paper]
    tied = [card for card in cards if card.tied]
    about = figure_metadata(out, "tie-cards") | {
        "Title": f"Tie cards, {heading.site}",
        "Creator": "lateralline",
    }
    with (
        whole_file(out, "tie-cards", replace=replace) as made,
        matplotlib.rc_context({**LITERAL, "font.family": "DejaVu Sans", "pdf.fonttype": 42}),
        PdfPages(made, metadata=about) as pdf,
    ):
        for first in range(0, len(tied), 4):
            figure = Figure(figsize=(width * _MM, height * _MM))
            for place, card in enumerate(tied[first : first + 4]):
                corner = (place % 2 * width / 2, place // 2 * height / 2)
                _card(figure, (width, height), corner, card, heading, measure, limits)
            _cut_marks(figure, width, height)
            pdf.savefig(letter(figure))


def _card(
    figure: Figure,
    sheet: tuple[float, float],
    corner: tuple[float, float],
    card: Card,
    heading: Heading,
    measure: Measure,
    limits: Limits,
) -> None:
    """Draw one card; `corner` is its upper left one, in mm from that of the sheet."""
    (across, down), (x, y) = sheet, corner
    wide, high = across / 2, down / 2
    axes = figure.add_axes(
        (x / across, 1 - (y + high) / down, wide / across, high / down),
        xlim=(0, wide),
        ylim=(high, 0),
    )
    axes.set_axis_off()
    left, top = _EDGE_MM, _EDGE_MM
    name, *lines = card_lines(card, measure, limits)
    _words(axes, left, top + 2, f"{heading.site} · {card.spot.name}", 10.5, bold=True)
    for i, line in enumerate(wrap(name.partition("  ")[2], 86)[:2]):
        _words(axes, left, top + 7 + 3 * i, line, 6.5)
    text_x = left + _SKETCH_MM + 4
    at = top + 14.0
    for line in lines:
        title, said = line[2:11].strip(), line[11:].strip()
        if title:
            _words(axes, text_x, at, title, 6.5, colour=_GREY)
        big = title in ("tape 1", "tape 2", "cover")
        for part in wrap(said, 34 if big else 44) or [""]:
            _words(axes, text_x + 11, at, part, 7.5 if big else 6.2, bold=big)
            at += 4.0 if big else 3.3
        at += 0.5
    _sketch(figure, sheet, (x + left, y + top + 12), card, measure)
    _north(axes, wide - _EDGE_MM - 2.0, top, heading.north)
    foot = high - _EDGE_MM - 12
    _words(axes, left, foot, "NO CLEARANCE TO DIG", 7.5, bold=True)
    for i, line in enumerate(wrap(contract.load("dig_zone").caution, 105)):
        _words(axes, left, foot + 3.6 + 2.9 * i, line, 6.0)
    said = f"surveyed {heading.surveyed} · tapes held level · distances in {heading.units}"
    _words(axes, left, high - _EDGE_MM, said, 5.0, colour=_GREY)


def _sketch(
    figure: Figure,
    sheet: tuple[float, float],
    corner: tuple[float, float],
    card: Card,
    measure: Measure,
) -> None:
    """Draw spot, points, tapes and the arcs they swing, all to one scale, north up."""
    (across, down), (x, y) = sheet, corner
    side = _SKETCH_MM
    spot = card.spot.ground_m
    points = np.array([t.point_m for t in card.tapes]) - spot
    low, high = np.vstack([points, [0.0, 0.0]]).min(axis=0), np.vstack([points, [0, 0]]).max(axis=0)
    half = 0.5 * float((high - low).max()) * 1.45
    middle = (low + high) / 2
    axes = figure.add_axes(
        (x / across, 1 - (y + side) / down, side / across, side / down),
        xlim=(middle[0] - half, middle[0] + half),
        ylim=(middle[1] - half, middle[1] + half),
    )
    axes.set_xticks([])
    axes.set_yticks([])
    for edge in axes.spines.values():
        edge.set(linewidth=0.3, color=_GREY)
    for number, (tape, point) in enumerate(zip(card.tapes, points, strict=True)):
        check = number == 2
        axes.plot(
            *zip(point, (0.0, 0.0), strict=True),
            color=_GREY if check else _INK,
            lw=0.6 if check else 0.9,
            ls=(0, (4, 2)) if check else "-",
            zorder=2,
        )
        if not check:
            axes.plot(*_arc(point, tape.distance_m).T, color=_INK, lw=0.5, zorder=2)
        axes.plot(*point, marker="^", ms=5, mfc="white" if check else _INK, mec=_INK, zorder=4)
        _label(axes, point, tape.point, half)
        _along(axes, point, measure.say(tape.distance_m))
    axes.plot(0.0, 0.0, marker="X", ms=7, mfc=_PIPE, mec="white", mew=0.7, zorder=5)


def _arc(point: Floats, radius_m: float) -> Floats:
    """Return the stretch (n, 2) of a tape's circle that runs through the spot at the origin."""
    to_spot = np.arctan2(-point[1], -point[0])
    angles = to_spot + np.radians(np.linspace(-_ARC_DEG, _ARC_DEG, 25))
    return point + radius_m * np.column_stack([np.cos(angles), np.sin(angles)])


def _label(axes: Axes, point: Floats, name: str, half: float) -> None:
    """Name a point on the side away from the spot."""
    away = point / max(float(np.hypot(*point)), 1e-9)
    axes.annotate(
        name[:18],
        (float(point[0]), float(point[1])),
        xytext=(0, 7 if away[1] >= 0 else -7),
        textcoords="offset points",
        size=5.6,
        ha="center",
        va="center",
        color=_INK,
        annotation_clip=False,
        zorder=6,
    )


def _along(axes: Axes, point: Floats, said: str) -> None:
    """Write a distance on its tape, readable from below or from the right."""
    angle = float(np.degrees(np.arctan2(point[1], point[0])))
    angle = (angle + 90.0) % 180.0 - 90.0
    axes.text(
        float(point[0]) * 0.52,
        float(point[1]) * 0.52,
        said,
        size=5.8,
        rotation=angle,
        rotation_mode="anchor",
        ha="center",
        va="center",
        color=_INK,
        bbox={"fc": "white", "ec": "none", "pad": 0.4},
        zorder=3,
    )


def _north(axes: Axes, x: float, top: float, name: str) -> None:
    """Stand an arrow in a card's corner: in the sketch it could hide a point."""
    axes.annotate(
        "",
        xy=(x, top),
        xytext=(x, top + 8.0),
        arrowprops={"arrowstyle": "-|>", "color": _INK, "lw": 0.9, "shrinkA": 0, "shrinkB": 0},
    )
    axes.text(x - 2.0, top + 4.0, name, size=5.5, ha="right", va="center", color=_INK)


def _cut_marks(figure: Figure, width: float, height: float) -> None:
    from matplotlib.lines import Line2D

    across, down = width / 2, height / 2
    strokes = [
        ((across, across), (0, _CUT_MM)),
        ((across, across), (height - _CUT_MM, height)),
        ((0, _CUT_MM), (down, down)),
        ((width - _CUT_MM, width), (down, down)),
        ((across - _CUT_MM, across + _CUT_MM), (down, down)),
        ((across, across), (down - _CUT_MM, down + _CUT_MM)),
    ]
    for xs, ys in strokes:
        line = Line2D(
            [v / width for v in xs],
            [v / height for v in ys],
            transform=figure.transFigure,
            color=_GREY,
            lw=0.4,
        )
        figure.add_artist(line)


def _words(
    axes: Axes,
    x: float,
    y: float,
    text: str,
    size: float,
    *,
    bold: bool = False,
    colour: str = _INK,
) -> None:
    axes.text(
        x,
        y,
        text,
        size=size,
        weight="bold" if bold else "normal",
        color=colour,
        va="center_baseline",
    )
