"""What a plan needs beside its drawing: scale, scale bar, north arrow, grid with coordinates."""

from __future__ import annotations

from collections.abc import Sequence
from math import ceil, floor, log10
from typing import Final

import numpy as np
from matplotlib.axes import Axes

from lateralline.draw import symbols
from lateralline.draw.canvas import Canvas, line_mm, width_mm
from lateralline.draw.paper import Box, PaperScale
from lateralline.record.view import RecordView
from lateralline.records import Floats
from lateralline.units import METRES_PER

_GRID_MM: Final = 32.0  # grid crosses are no nearer
_CROSS_MM: Final = 1.6
_BAR_MM: Final = 46.0  # the scale bar is no longer


def head(
    canvas: Canvas, box: Box, view: RecordView, scale: PaperScale, index: int, count: int
) -> None:
    """Write the line above a plan: its name and scale, the scale bar, and which way is north."""
    y = box.y + 4.6
    title = "PLAN" if count == 1 else f"PLAN {index + 1} of {count}"
    canvas.words(box.x, y - 1.6, title, 9.0, bold=True)
    wide = width_mm(title, 9.0, bold=True) + 3.0
    east, up = view.axis_names
    said = f"+ grid: {east} / {up} in {view.coordinate_unit}" + (
        ", invented axes" if view.crs is None else ""
    )
    said += "; ± 95 %"
    end = box.right - 16.0
    bar = scale_bar(canvas, end, y - 2.2, view.unit, scale, min(_BAR_MM, 0.42 * box.width))
    to_scale = f"scale {scale}"
    if box.x + wide + width_mm(to_scale, 7.5) < bar - 3.0:
        canvas.words(box.x + wide, y - 1.6, to_scale, 7.5)
        canvas.words(box.x, y + 2.2, said, 6.0, colour=symbols.GREY, room=end - box.x)
    else:  # a narrow plan: the title block names the grid as well
        canvas.words(box.x, y + 2.4, f"{to_scale}; ± 95 %", 7.5, room=end - box.x)
    north(canvas, box.right - 4.0, box.y, view.north)


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


def north(canvas: Canvas, x: float, y: float, text: str) -> None:
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


def grid(canvas: Canvas, axes: Axes, inner: Box, view: RecordView, scale: PaperScale) -> None:
    """Draw crosses at round coordinates of the file, with the coordinates along two edges."""
    (x0, x1), (y0, y1) = axes.get_xlim(), axes.get_ylim()
    corners = view.ground.to_file(np.array([[x0, y0], [x1, y0], [x0, y1], [x1, y1]]))
    per = np.abs(np.diag(view.ground.metres_per_unit))
    steps = [round_up(_GRID_MM / scale.mm_per_m / p) for p in per]
    xs, ys = (
        np.arange(ceil(c.min() / s - 1e-9), floor(c.max() / s + 1e-9) + 1) * s
        for c, s in zip(corners.T, steps, strict=True)
    )
    middle = corners.mean(axis=0)
    at_x = view.ground.to_ground(np.column_stack([xs, np.full(len(xs), middle[1])]))[:, 0]
    at_y = view.ground.to_ground(np.column_stack([np.full(len(ys), middle[0]), ys]))[:, 1]
    half = _CROSS_MM / scale.mm_per_m
    for x in at_x:
        for y in at_y:
            axes.plot([x - half, x + half], [y, y], color=symbols.FAINT, lw=0.4, zorder=0.5)
            axes.plot([x, x], [y - half, y + half], color=symbols.FAINT, lw=0.4, zorder=0.5)
    for value, at in zip(xs, at_x, strict=True):
        x = inner.x + (at - x0) * scale.mm_per_m
        canvas.rule(x, inner.foot, x, inner.foot + 1.0)
        canvas.words(x, inner.foot + 2.6, _said(value, steps[0], view), 6.0, align="center",
                     room=_GRID_MM)  # fmt: skip
    for value, at in zip(ys, at_y, strict=True):
        y = inner.foot - (at - y0) * scale.mm_per_m
        canvas.rule(inner.x - 1.0, y, inner.x, y)
        text = _said(value, steps[1], view)
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


def _said(value: float, step: float, view: RecordView) -> str:
    places = max(0, -floor(log10(step) + 1e-9))
    unit = "°" if view.coordinate_unit == "°" else ""
    return f"{value:,.{places}f}".replace(",", "\N{NARROW NO-BREAK SPACE}") + unit
