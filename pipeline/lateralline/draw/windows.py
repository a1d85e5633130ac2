"""A plan too large for one sheet, cut along its lines into overlapping windows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from math import ceil
from typing import Final

import numpy as np

from lateralline.records import Floats

MOST_PAD: Final = 0.3  # of a window's smaller side, kept clear beside a line


@dataclass(frozen=True, slots=True)
class Match:
    """Where a line goes on in another window: a short rule across it."""

    at: tuple[float, float]
    along: tuple[float, float]  # unit vector of the line there
    window: int  # index of the window it goes on in


@dataclass(slots=True)
class Window:
    """What one sheet shows of the plan: centre and size in ground metres."""

    x: float
    y: float
    width: float
    height: float
    matches: list[Match] = field(default_factory=list)

    @property
    def limits(self) -> tuple[float, float, float, float]:
        """West, south, east, north."""
        w, h = self.width / 2, self.height / 2
        return (self.x - w, self.y - h, self.x + w, self.y + h)

    def holds(self, xy: Floats, pad: float = 0.0) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
        """Tell which of (n, 2) points lie inside, `pad` metres from the edge."""
        half = np.array([self.width, self.height]) / 2 - pad
        return np.asarray((np.abs(np.asarray(xy) - [self.x, self.y]) <= half).all(axis=-1))


def one_window(box: tuple[float, float, float, float], width: float, height: float) -> Window:
    """Return the window of that size about the middle of `box`."""
    x0, y0, x1, y1 = box
    return Window((x0 + x1) / 2, (y0 + y1) / 2, width, height)


def cut(
    lines: Sequence[Floats], width: float, height: float, pad: float, overlap: float
) -> list[Window]:
    """Return windows that together hold every line, `pad` metres inside their edges.

    Each line (n, 2) is followed from its start. A window takes as much of it as fits; the next
    begins `overlap` metres earlier, and halfway in that overlap runs the match line of both.
    """
    pad = min(pad, MOST_PAD * min(width, height))
    overlap = min(overlap, 0.2 * (min(width, height) - 2 * pad))
    size = np.array([width, height]) - 2 * pad
    step = max(min(overlap, float(size.min())) / 8.0, 1e-3)
    windows: list[Window] = []
    for line in lines:
        path, reach = _dense(line, step)
        first, last = 0, -1
        while first < len(path):
            held = _holder(windows, path[first:], pad, 2 * overlap, last)
            if held is not None:
                stop, index = first + held[1], held[0]
            else:
                stop = first + _run(path[first:], size)
                box = (*path[first:stop].min(axis=0), *path[first:stop].max(axis=0))
                windows.append(one_window(box, width, height))
                index = len(windows) - 1
            if last >= 0 and last != index:
                middle = _between(reach, first, overlap)
                _mark(windows, path, middle, last, index)
            last = index
            if stop >= len(path):
                break
            back = int(np.searchsorted(reach, reach[stop - 1] - overlap, side="right"))
            first = max(back, first + 1)
    return windows


def _dense(line: Floats, step: float) -> tuple[Floats, Floats]:
    """Return points along a line no farther than `step` apart, and how far along they lie."""
    lengths = np.hypot(*np.diff(line, axis=0).T)
    reach = np.concatenate([[0.0], np.cumsum(lengths)])
    at = np.unique(np.concatenate([reach, np.linspace(0, reach[-1], ceil(reach[-1] / step) + 1)]))
    path = np.column_stack([np.interp(at, reach, line[:, k]) for k in (0, 1)])
    return path, at


def _holder(
    windows: Sequence[Window], path: Floats, pad: float, least: float, left: int
) -> tuple[int, int] | None:
    """Return the window that holds the start of a path longest, and how many points of it.

    Not the one just `left`, and none that holds less than `least` metres, unless to the end.
    """
    best: tuple[int, int] | None = None
    for index, window in enumerate(windows):
        if index == left or not window.holds(path[:1], 0.999 * pad).all():
            continue
        inside = window.holds(path, 0.999 * pad)
        count = len(inside) if inside.all() else int(np.argmin(inside))
        length = np.hypot(*np.diff(path[:count], axis=0).T).sum() if count > 1 else 0.0
        enough = count == len(path) or length >= least
        if enough and (best is None or count > best[1]):
            best = (index, count)
    return best


def _run(path: Floats, size: Floats) -> int:
    """Return how many points from the start of a path fit a box of that size."""
    low, high = np.minimum.accumulate(path), np.maximum.accumulate(path)
    fits = (high - low <= size * (1 + 1e-9)).all(axis=1)
    return max(len(path) if fits.all() else int(np.argmin(fits)), 2)


def _between(reach: Floats, first: int, overlap: float) -> int:
    """Return the point halfway in the overlap that begins at `first`."""
    return min(int(np.searchsorted(reach, reach[first] + overlap / 2)), len(reach) - 1)


def _mark(windows: Sequence[Window], path: Floats, at: int, before: int, after: int) -> None:
    a, b = path[max(at - 1, 0)], path[min(at + 1, len(path) - 1)]
    way = (b - a) / max(float(np.hypot(*(b - a))), 1e-12)
    spot, along = (float(path[at][0]), float(path[at][1])), (float(way[0]), float(way[1]))
    windows[before].matches.append(Match(spot, along, after))
    windows[after].matches.append(Match(spot, along, before))
