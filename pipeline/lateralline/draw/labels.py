"""Labels that find a free place: none covers another, a point, or the pipe, if it can be helped."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backend_bases import RendererBase
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.patheffects import withStroke
from matplotlib.transforms import BboxBase

from lateralline.draw.canvas import lettered
from lateralline.draw.symbols import INK
from lateralline.records import Floats

_RADII_PX: Final = (11.0, 17.0, 26.0, 38.0, 54.0, 74.0, 98.0, 126.0)
_ANGLES: Final = np.radians(np.arange(16) * 22.5 + 22.5)
_MARGIN_PX: Final = 2.5
_SYMBOL_PX: Final = 4.5  # half a symbol
_LEADER_PX: Final = 20.0


@dataclass(frozen=True, slots=True)
class Label:
    """Text that belongs to a point (data coordinates)."""

    x: float
    y: float
    text: str
    colour: str = INK
    size: float = 7.5
    weight: str = "normal"


def place(axes: Axes, labels: Sequence[Label], obstacles: Floats) -> None:
    """Draw `labels`, the most important first, clear of one another and of `obstacles` (n, 2).

    The axes must have their final limits. Each label tries places on growing rings around its
    point; the first free one is taken, else the one that covers least. Far labels get a leader.
    """
    figure = axes.get_figure(root=True)
    assert figure is not None
    new_renderer: Callable[[], RendererBase] = FigureCanvasAgg(figure).get_renderer
    renderer = new_renderer()
    axes.apply_aspect()
    frame = axes.get_window_extent(renderer)
    points = axes.transData.transform(obstacles) if len(obstacles) else np.empty((0, 2))
    taken = np.empty((0, 4))
    for label in labels:
        drawn = axes.text(
            label.x,
            label.y,
            lettered(label.text),
            color=label.colour,
            size=label.size,
            weight=label.weight,
            ha="center",
            va="center",
            zorder=9,
            linespacing=1.1,
            path_effects=[withStroke(linewidth=2.2, foreground="white")],
        )
        extent = drawn.get_window_extent(renderer)
        size = np.array([extent.width, extent.height]) + 2 * _MARGIN_PX
        home = axes.transData.transform((label.x, label.y))
        box = _best(home, size, taken, points, frame)
        taken = np.vstack([taken, box])
        centre = (box[:2] + box[2:]) / 2
        drawn.set_position(tuple(axes.transData.inverted().transform(centre)))
        touch = np.clip(home, box[:2], box[2:])
        if np.hypot(*(touch - home)) > _LEADER_PX / 2:
            ends = axes.transData.inverted().transform([home, touch])
            axes.plot(*ends.T, color=label.colour, lw=0.5, alpha=0.7, zorder=8)


def _best(home: Floats, size: Floats, taken: Floats, points: Floats, frame: BboxBase) -> Floats:
    """Return the box (x0, y0, x1, y1) in pixels that covers least; earlier candidates win ties."""
    best, least = np.zeros(4), np.inf
    for radius in _RADII_PX:
        for angle in _ANGLES:
            way = np.array([np.cos(angle), np.sin(angle)])
            centre = home + way * (radius + size / 2 * np.abs(way))
            box = np.concatenate([centre - size / 2, centre + size / 2])
            cost = _cost(box, taken, points, frame)
            if cost == 0.0:
                return box
            if cost < least:
                best, least = box, cost
    return best


def _cost(box: Floats, taken: Floats, points: Floats, frame: BboxBase) -> float:
    outside = box[0] < frame.x0 or box[1] < frame.y0 or box[2] > frame.x1 or box[3] > frame.y1
    width = np.minimum(box[2], taken[:, 2]) - np.maximum(box[0], taken[:, 0])
    height = np.minimum(box[3], taken[:, 3]) - np.maximum(box[1], taken[:, 1])
    over = float((np.maximum(width, 0.0) * np.maximum(height, 0.0)).sum())
    inside = ((points > box[:2] - _SYMBOL_PX) & (points < box[2:] + _SYMBOL_PX)).all(axis=1)
    return float(1e9 * outside + 1e3 * over + inside.sum())
