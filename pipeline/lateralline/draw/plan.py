"""The plan: areas, lines, points and ellipses of a record in ground metres, north up.

A plan too large for one sheet is cut along its lines into overlapping windows.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from itertools import chain
from math import ceil
from typing import Final, TypeVar

import numpy as np
import shapely
from matplotlib.axes import Axes
from matplotlib.collections import EllipseCollection, LineCollection, PatchCollection
from matplotlib.patches import PathPatch, Rectangle
from matplotlib.path import Path as Outline
from matplotlib.patheffects import AbstractPathEffect, withStroke
from shapely import LineString

from lateralline.draw import furniture, symbols
from lateralline.draw.canvas import Canvas
from lateralline.draw.labels import colour_of, not_drawn, place, plan_labels
from lateralline.draw.paper import Box, PaperScale
from lateralline.draw.symbols import AreaLook, LineLook, PointLook
from lateralline.record.ends import QUERY_MM, STUB_MM, OpenEnds, open_ends_of
from lateralline.record.rows import FixRow, MarkRow, PointRow, SegmentRow, UnlocatedRow, ZoneRow
from lateralline.record.symbology import area_of, style_of
from lateralline.record.view import RecordView
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
            found = _holder(windows, path[first:], pad, 2 * overlap, last)
            if found is not None:
                stop, index = first + found[1], found[0]
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


# ---- the plan drawer ------------------------------------------------------------------------


P = TypeVar("P", bound=PointRow)

#: Paper around the drawing itself: head above, coordinates at the left and below, in mm.
LEFT, TOP, RIGHT, FOOT = 5.0, 10.0, 0.5, 5.0
_OBSTACLE_STEP_MM: Final = 1.5
_SYMBOL_MM: Final = 1.5  # half a control point's
_MATCH_MM: Final = 16.0  # half the length of a match line


def window_size(box: Box, scale: PaperScale) -> tuple[float, float]:
    """Return how many ground metres a plan panel shows, east and north."""
    inner = box.inset(LEFT, TOP, RIGHT, FOOT)
    return inner.width / scale.mm_per_m, inner.height / scale.mm_per_m


def draw_plan(
    canvas: Canvas,
    box: Box,
    view: RecordView,
    scale: PaperScale,
    windows: Sequence[Window],
    index: int,
) -> None:
    """Draw window `index` of the plan into `box`; sheet numbers are those of the windows."""
    window = windows[index]
    inner = box.inset(LEFT, TOP, RIGHT, FOOT)
    x0, y0, x1, y1 = window.limits
    axes = canvas.axes(inner, xlim=(x0, x1), ylim=(y0, y1))
    axes.set_gid("plan")
    furniture.draw_head(canvas, box, view, scale, index, len(windows))
    furniture.draw_grid(canvas, axes, inner, view, scale)
    draw_record(axes, view)
    ends = draw_open_ends(axes, open_ends_of(view), scale)
    control = view.located("control_points")
    shown = [w.holds(xy_of(control.geometry.array), _SYMBOL_MM / scale.mm_per_m) for w in windows]
    draw_rows(axes, in_window(view.control, window, _SYMBOL_MM / scale.mm_per_m), 7)
    reserved = [ends, _matches(axes, window, scale)]
    if len(windows) > 1:
        reserved.append(_key_plan(canvas, axes, inner, view, windows, index))
    reserved.append(_flow(axes, view, window, scale))
    far = not_drawn(view, control[~np.any(shown, axis=0)])
    taken = np.vstack([obstacles(view, scale), *reserved])
    reserved.append(furniture.edge_notes(axes, far, scale, taken[window.holds(taken)]))
    keep_clear = np.vstack([taken, reserved[-1]])
    labels = plan_labels(
        view,
        in_window(view.nodes, window),
        in_window(view.control, window),
        in_window(view.observations, window),
        in_window(view.fixes, window),
    )
    place(axes, labels, keep_clear[window.holds(keep_clear)])
    for text in axes.texts:
        text.set_clip_on(True)


def draw_record(axes: Axes, view: RecordView) -> None:
    """Draw all of a record but its control points."""
    areas = [row.geometry for row in view.rows(UnlocatedRow)]
    fill(axes, areas, symbols.unlocated_look(), 0.5)
    zones = view.rows(ZoneRow)
    whole = area_of("tolerance_zone", zone="with_corridor")
    near = area_of("tolerance_zone", zone="as_located")
    fill(axes, [z.geometry for z in zones if z.with_corridor], symbols.area_look(whole), 1)
    fill(axes, [z.geometry for z in zones if not z.with_corridor], symbols.area_look(near), 1.2)
    corridors = view.layers["position_corridor"].geometry
    fill(axes, corridors, symbols.area_look(area_of("position_corridor")), 2)
    near_zones = [z.geometry for z in zones if not z.with_corridor]
    fill(axes, near_zones, outline(symbols.area_look(near)), 3)
    draw_pipe(axes, view)
    draw_ellipses(axes, view.fixes)
    draw_rows(axes, view.rows(MarkRow), 5)
    draw_rows(axes, view.fixes, 6)
    draw_rows(axes, view.nodes, 7)
    draw_rows(axes, view.observations, 7)


def draw_pipe(axes: Axes, view: RecordView) -> None:
    """Draw the axis of every line by its shape, and the way to nodes that are not located."""
    for rule, segments in style_of("pipe_segments").by_rule(view.rows(SegmentRow)):
        lines = [s.geometry for s in segments if s.geometry]
        draw_lines(axes, lines, symbols.line_look(rule.as_line), 4, gid="centreline")
    draw_lines(axes, view.carried_on, symbols.sign_look("carried_on"), 4)


def draw_open_ends(axes: Axes, ends: OpenEnds, scale: PaperScale) -> Floats:
    """Let the pipe run on, dotted, ahead of each open end; return points to keep clear of."""
    look = symbols.sign_look("open_end")
    (west, east), (south, north) = axes.get_xlim(), axes.get_ylim()
    seen = shapely.box(west, south, east, north)
    kept = [np.empty((0, 2))]
    for end, way in zip(ends.at, ends.ways, strict=True):
        if not seen.contains(shapely.Point(*end)):
            continue  # off the plan: a sign there would stand in what is around it
        stub = end + way * STUB_MM / scale.mm_per_m * np.linspace(0.0, 1.0, 8)[:, None]
        axes.plot(*stub.T, zorder=8, path_effects=[halo(4.0)], **look)
        query = end + way * QUERY_MM / scale.mm_per_m
        axes.text(
            float(query[0]), float(query[1]), "?", size=11, weight="bold", color=look["color"],
            ha="center", va="center", zorder=9, path_effects=[halo(3.0)], gid="open end",
            clip_on=True,
        )  # fmt: skip
        kept += [stub, query[None]]
    return np.vstack(kept)


def halo(width: float = 2.2) -> AbstractPathEffect:
    """Return a white edge for text and lines that cross others."""
    return withStroke(linewidth=width, foreground="white")


def draw_ellipses(axes: Axes, fixes: Iterable[FixRow]) -> None:
    """Draw the 95 % ellipse of each stop that has one."""
    known = [f for f in fixes if f.geometry is not None and np.isfinite(f.ellipse_major_95_m)]
    if not known:
        return
    look = symbols.sign_look("ellipse")
    axes.add_collection(
        EllipseCollection(
            [2 * f.ellipse_major_95_m for f in known],
            [2 * f.ellipse_minor_95_m for f in known],
            [90.0 - f.ellipse_azimuth_deg for f in known],  # clockwise from north → from the x axis
            units="xy", offsets=xy_of([f.geometry for f in known]), transOffset=axes.transData,
            facecolors="none", edgecolors=look["color"], linewidths=look["lw"], zorder=4.5,
        )
    )  # fmt: skip


# ---- what other drawings share --------------------------------------------------------------


def draw_rows(axes: Axes, rows: Sequence[PointRow], zorder: float) -> None:
    """Draw rows of one layer of points, each as the rule of its state says."""
    for rule, drawn in style_of(rows[0].layer).by_rule(rows) if rows else ():
        shapes = [row.geometry for row in drawn if row.geometry]
        draw_points(axes, xy_of(shapes), symbols.point_looks(rule.as_point), zorder)


def draw_points(axes: Axes, xy: Floats, looks: Iterable[PointLook], zorder: float) -> None:
    """Draw points (n, 2), each of one or more parts."""
    for look in looks if len(xy) else ():
        axes.plot(*xy.T, ls="none", zorder=zorder, **look)


def draw_lines(
    axes: Axes, lines: Sequence[LineString], look: LineLook, zorder: float, gid: str | None = None
) -> None:
    """Draw lines in plan."""
    paths = [shapely.get_coordinates(line) for line in lines]
    made = LineCollection(
        paths, colors=look["color"], linewidths=look["lw"], linestyles=[look["ls"]]
    )
    made.set(zorder=zorder, capstyle="butt", gid=gid)
    axes.add_collection(made)


def fill(axes: Axes, shapes: Iterable[object], look: AreaLook, zorder: float) -> None:
    """Draw polygons, or the parts of them, holes left open; None is nothing."""
    there = np.array([s for s in shapes if s is not None], dtype=object)
    paths = [
        PathPatch(Outline.make_compound_path(*(Outline(np.asarray(r.coords)) for r in rings)))
        for rings in ((p.exterior, *p.interiors) for p in shapely.get_parts(there))
        if rings[0].coords
    ]
    if paths:
        axes.add_collection(PatchCollection(paths, zorder=zorder, **look))


def outline(look: AreaLook) -> AreaLook:
    """Return the edge of an area alone: drawn above whatever wider lies over it."""
    return look | AreaLook(fc="none")


def obstacles(view: RecordView, scale: PaperScale) -> Floats:
    """Return points (n, 2) that labels should not cover: signs, ellipses, pipe, edges of zones."""
    layers = ("field_marks", "transmitter_fixes", "pipe_nodes", "pipe_observations")
    spots = [xy_of(view.located(n).geometry.array) for n in (*layers, "control_points")]
    edges = [view.located(name).geometry.boundary for name in ("tolerance_zone", "unlocated")]
    for line in (*view.located("pipe_centreline").geometry, *chain.from_iterable(edges)):
        spots.append(shapely.get_coordinates(line.segmentize(_OBSTACLE_STEP_MM / scale.mm_per_m)))
    return np.vstack([np.empty((0, 2)), *spots, *map(_around_ellipse, view.fixes)])


def _around_ellipse(fix: FixRow) -> Floats:
    """Return points (n, 2) on the 95 % ellipse of a stop; none where it has none."""
    if fix.geometry is None or not np.isfinite(fix.ellipse_major_95_m + fix.ellipse_minor_95_m):
        return np.empty((0, 2))
    turn = np.linspace(0.0, 2 * np.pi, 12, endpoint=False)
    azimuth = np.radians(fix.ellipse_azimuth_deg)
    along = np.array([np.sin(azimuth), np.cos(azimuth)])
    across = np.array([along[1], -along[0]])
    centre = np.array([fix.geometry.x, fix.geometry.y])
    major = fix.ellipse_major_95_m * np.cos(turn)[:, None] * along
    return np.asarray(centre + major + fix.ellipse_minor_95_m * np.sin(turn)[:, None] * across)


def xy_of(shapes: Iterable[object]) -> Floats:
    """Return the coordinates (n, 2) of points."""
    return np.asarray(shapely.get_coordinates(np.array(list(shapes), dtype=object))).reshape(-1, 2)


def in_window(rows: Iterable[P], window: Window, pad_m: float = 0.0) -> list[P]:
    """Return the rows of points that a window shows, `pad_m` inside its edge."""
    there = [row for row in rows if row.geometry is not None]
    inside = window.holds(xy_of(row.geometry for row in there), pad_m)
    return [row for row, here in zip(there, inside, strict=True) if here]


# ---- beside the record ----------------------------------------------------------------------


def _flow(axes: Axes, view: RecordView, window: Window, scale: PaperScale) -> Floats:
    """Lay an arrow beside each line the way water runs; return points that labels keep clear of.

    None where nobody knows that way.
    """
    kept = [np.empty((0, 2))]
    frame = shapely.box(*window.limits)
    look = symbols.sign_look("flow")
    lines = view.located("pipe_centreline")
    for line in lines.geometry[~lines["line_id"].isin(view.flow_unknown)]:
        parts = shapely.get_parts(line.intersection(frame))
        parts = [s for s in parts if s.geom_type == "LineString" and s.length > 0.0]
        if not parts:
            continue
        part = max(parts, key=lambda s: float(s.length))
        half = min(6.0 / scale.mm_per_m, part.length / 6)
        middle = 0.4 * part.length
        a, b = shapely.get_coordinates(
            [part.interpolate(middle + half), part.interpolate(middle - half)]
        )
        way = (b - a) / max(float(np.hypot(*(b - a))), 1e-12)
        beside = np.array([way[1], -way[0]]) * 3.2 / scale.mm_per_m
        axes.annotate(
            "", xy=tuple(b + beside), xytext=tuple(a + beside), zorder=6, annotation_clip=True,
            arrowprops={"arrowstyle": "-|>,head_width=0.18,head_length=0.45",
                        "color": look["color"], "lw": look["lw"], "shrinkA": 0, "shrinkB": 0},
        )  # fmt: skip
        kept.append(np.linspace(a + beside, b + beside, 6))
    return np.vstack(kept)


def _matches(axes: Axes, window: Window, scale: PaperScale) -> Floats:
    """Draw match lines; return points that labels keep clear of."""
    kept = [np.empty((0, 2))]
    for match in window.matches:
        across = np.array([-match.along[1], match.along[0]]) * _MATCH_MM / scale.mm_per_m
        ends = np.array([match.at - across, match.at + across])
        axes.plot(*ends.T, color=symbols.INK, lw=1.1, ls=symbols.MATCH_DASH, zorder=8)
        label = np.asarray(match.at) + 0.6 * across
        turn = float(np.degrees(np.arctan2(across[1], across[0])))
        turn = (turn + 90.0) % 180.0 - 90.0
        axes.text(
            float(label[0]), float(label[1]), f"see plan {match.window + 1}",
            size=6.0, rotation=turn, rotation_mode="anchor", ha="center", va="bottom", zorder=8,
            clip_on=True, path_effects=[halo(2.0)],
        )  # fmt: skip
        kept.append(np.linspace(ends[0], ends[1], 20))
    return np.vstack(kept)


def _key_plan(
    canvas: Canvas, axes: Axes, inner: Box, view: RecordView, windows: Sequence[Window], index: int
) -> Floats:
    """Draw all windows small in the emptiest corner; return points that labels keep clear of."""
    limits = np.array([w.limits for w in windows])
    x0, y0 = limits[:, :2].min(axis=0)
    x1, y1 = limits[:, 2:].max(axis=0)
    mm = min(0.3 * inner.width / (x1 - x0), 0.45 * inner.height / (y1 - y0), 60.0 / (y1 - y0))
    width, height = mm * (x1 - x0), mm * (y1 - y0)
    size = np.array([width, height]) * np.ptp(axes.get_xlim()) / inner.width
    corners = [(i, j) for j in (1, 0) for i in (1, 0)]
    taken = obstacles(view, PaperScale(200.0))
    (i, j), low = furniture.emptiest_corner(axes, size, taken, corners)
    box = Box(
        inner.right - width if i else inner.x, inner.y if j else inner.foot - height, width, height
    )
    small = canvas.axes(box, xlim=(x0, x1), ylim=(y0, y1), zorder=12)
    small.set_facecolor("white")
    for line in view.located("pipe_centreline").geometry:
        small.plot(*shapely.get_coordinates(line).T, color=colour_of("pipe_segments"),
                   lw=0.9)  # fmt: skip
    for n, window in enumerate(windows):
        a, b, c, d = window.limits
        here = n == index
        small.add_patch(
            Rectangle((a, b), c - a, d - b, fc="none", ec=symbols.INK, lw=1.2 if here else 0.35)
        )
        small.text(
            window.x, window.y, f"{n + 1}", size=8.0 if here else 6.0, ha="center", va="center",
            weight="bold" if here else "normal", clip_on=True,
        )  # fmt: skip
    return furniture.covered(low, size, 24)
