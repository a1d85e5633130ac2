"""The plan on paper: one window of it, to a true scale, north up."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import shapely
from matplotlib.axes import Axes
from matplotlib.collections import EllipseCollection, LineCollection, PatchCollection
from matplotlib.patches import PathPatch, Rectangle
from matplotlib.path import Path as Outline
from matplotlib.patheffects import withStroke

from lateralline.records import Floats
from lateralline.write.picture.labels import place
from lateralline.write.picture.style import Look
from lateralline.write.sheet import furniture, looks, words
from lateralline.write.sheet.canvas import Canvas
from lateralline.write.sheet.paper import Box, Scale
from lateralline.write.sheet.site import Site
from lateralline.write.sheet.windows import Window

#: Paper around the drawing itself: head above, coordinates at the left and below, in mm.
LEFT, TOP, RIGHT, FOOT = 5.0, 10.0, 0.5, 5.0
_LABELLED: Final = ("pipe_nodes", "control_points", "pipe_observations", "transmitter_fixes")
_OBSTACLE_STEP_MM: Final = 1.5
_SYMBOL_MM: Final = 1.5  # half a control point's
_MATCH_MM: Final = 16.0  # half the length of a match line


def window_size(box: Box, scale: Scale) -> tuple[float, float]:
    """Return how many ground metres a plan panel shows, east and north."""
    inner = box.inset(LEFT, TOP, RIGHT, FOOT)
    return inner.width / scale.mm_per_m, inner.height / scale.mm_per_m


def draw(
    canvas: Canvas,
    box: Box,
    site: Site,
    scale: Scale,
    windows: list[Window],
    index: int,
) -> None:
    """Draw window `index` of the plan into `box`; sheet numbers are those of the windows."""
    window = windows[index]
    inner = box.inset(LEFT, TOP, RIGHT, FOOT)
    x0, y0, x1, y1 = window.limits
    axes = canvas.axes(inner, xlim=(x0, x1), ylim=(y0, y1), xticks=[], yticks=[])
    axes.set_gid("plan")
    furniture.head(canvas, box, site, scale, index, len(windows))
    furniture.grid(canvas, axes, inner, site, scale)
    _areas(axes, site)
    _pipe(axes, site)
    _fixes(axes, site)
    for layer, kinds in (("field_marks", looks.MARKS), ("pipe_nodes", looks.NODES)):
        rows = site.located(layer)
        for kind, look in kinds.items():
            points(axes, rows[rows["kind"] == kind], look, zorder=5 if layer[0] == "f" else 7)
    points(axes, site.located("pipe_observations"), looks.SEEN_LOOK, zorder=7)
    known = site.located("control_points")
    seen = [w.holds(_xy(known), _SYMBOL_MM / scale.mm_per_m) for w in windows]
    control(axes, known[seen[index]])
    reserved = [_matches(axes, window, scale)]
    if len(windows) > 1:
        reserved.append(_key_plan(canvas, axes, inner, site, windows, index))
    reserved.append(_flow(axes, site, window, scale))
    far = words.not_drawn(site, known[~np.any(seen, axis=0)])
    taken = np.vstack([_obstacles(site, scale), *reserved])
    reserved.append(furniture.edge_notes(axes, far, scale, taken[window.holds(taken)]))
    shown = {}
    for layer in _LABELLED:
        rows = site.located(layer)
        shown[layer] = rows[window.holds(_xy(rows))] if len(rows) else rows
    obstacles = np.vstack([_obstacles(site, scale), *reserved])
    place(axes, words.plan_labels(site, shown), obstacles[window.holds(obstacles)])
    for text in axes.texts:
        text.set_clip_on(True)


def points(axes: Axes, rows: Any, look: Look, zorder: float) -> None:
    """Draw the points of a layer."""
    if len(rows):
        axes.plot(
            *_xy(rows).T, look.marker, ms=look.size, mfc=look.face, mec=look.edge, mew=0.6,
            ls="none", zorder=zorder,
        )  # fmt: skip


def control(axes: Axes, rows: Any) -> None:
    """Draw control points: a ring with a cross through it."""
    points(axes, rows, looks.CONTROL_LOOK, zorder=7)
    points(axes, rows, looks.CROSS_LOOK, zorder=7.1)


def _areas(axes: Axes, site: Site) -> None:
    zones, corridor = site.frame("dig_zone"), site.frame("position_corridor")
    whole = zones[zones["zone"] == "tolerance_and_corridor"].geometry
    near = zones[zones["zone"] == "tolerance"].geometry
    edge = {"fc": "none", "ec": looks.ZONE_EDGE}
    axes.add_collection(_patches(whole, fc=looks.ZONE, ec="none", zorder=1))
    axes.add_collection(_patches(whole, **edge, lw=0.8, ls=looks.ZONE_DASH, zorder=1.1))
    axes.add_collection(_patches(near, **edge, lw=0.6, ls=looks.TOLERANCE_DASH, zorder=1.2))
    axes.add_collection(
        _patches(corridor.geometry, fc=looks.CORRIDOR, ec=looks.PIPE, lw=0.35, zorder=2)
    )


def _pipe(axes: Axes, site: Site) -> None:
    segments = site.frame("pipe_segments")
    known = segments["shape"] != "undecided"
    for rows, dash in ((segments[known], "-"), (segments[~known], looks.UNDECIDED_DASH)):
        paths = [shapely.get_coordinates(g) for g in rows.geometry if g is not None]
        lines = LineCollection(paths, colors=looks.PIPE, linewidths=1.7, linestyles=[dash])
        lines.set(zorder=4, capstyle="butt", gid="centreline")
        axes.add_collection(lines)
    ends = site.frame("pipe_centreline").set_index("line_id").geometry
    nodes = site.located("pipe_nodes")
    for node in nodes[nodes["placed_by"] == "carried_on"].itertuples():
        path = shapely.get_coordinates(ends[node.line_id])
        end = path[0] if node.chainage_m < 0.0 else path[-1]
        axes.plot(
            *zip(end, (node.geometry.x, node.geometry.y), strict=True),
            color=looks.PIPE, lw=1.1, ls=looks.CARRIED_DASH, zorder=4,
        )  # fmt: skip


def _fixes(axes: Axes, site: Site) -> None:
    fixes = site.located("transmitter_fixes")
    known = fixes[fixes["semi_major_95_m"].notna()]
    if len(known):
        azimuth = known["ellipse_azimuth_deg"].to_numpy(dtype=float) + site.turn_deg
        axes.add_collection(
            EllipseCollection(
                2 * known["semi_major_95_m"].to_numpy(dtype=float),
                2 * known["semi_minor_95_m"].to_numpy(dtype=float),
                90.0 - azimuth,  # clockwise from north → from the x axis
                units="xy", offsets=_xy(known), transOffset=axes.transData, facecolors="none",
                edgecolors=looks.FIX, linewidths=0.7, zorder=4.5,
            )
        )  # fmt: skip
    points(axes, fixes, looks.FIX_LOOK, zorder=6)


def _flow(axes: Axes, site: Site, window: Window, scale: Scale) -> Floats:
    """Lay an arrow beside each line the way water runs; return points that labels keep clear of."""
    kept = [np.empty((0, 2))]
    frame = shapely.box(*window.limits)
    for line in site.located("pipe_centreline").geometry:
        seen = shapely.get_parts(line.intersection(frame))
        seen = [s for s in seen if s.geom_type == "LineString" and s.length > 0.0]
        if not seen:
            continue
        part = max(seen, key=lambda s: float(s.length))
        half = min(6.0 / scale.mm_per_m, part.length / 6)
        middle = 0.4 * part.length
        a, b = shapely.get_coordinates(
            [part.interpolate(middle + half), part.interpolate(middle - half)]
        )
        way = (b - a) / max(float(np.hypot(*(b - a))), 1e-12)
        beside = np.array([way[1], -way[0]]) * 3.2 / scale.mm_per_m
        axes.annotate(
            "", xy=tuple(b + beside), xytext=tuple(a + beside), zorder=6, annotation_clip=True,
            arrowprops={"arrowstyle": "-|>,head_width=0.18,head_length=0.45", "color": looks.PIPE,
                        "lw": 1.0, "shrinkA": 0, "shrinkB": 0},
        )  # fmt: skip
        kept.append(np.linspace(a + beside, b + beside, 6))
    return np.vstack(kept)


def _matches(axes: Axes, window: Window, scale: Scale) -> Floats:
    """Draw match lines; return points that labels keep clear of."""
    kept = [np.empty((0, 2))]
    for match in window.matches:
        across = np.array([-match.along[1], match.along[0]]) * _MATCH_MM / scale.mm_per_m
        ends = np.array([match.at - across, match.at + across])
        axes.plot(*ends.T, color=looks.INK, lw=1.1, ls=looks.MATCH_DASH, zorder=8)
        label = np.asarray(match.at) + 0.6 * across
        turn = float(np.degrees(np.arctan2(across[1], across[0])))
        turn = (turn + 90.0) % 180.0 - 90.0
        axes.text(
            float(label[0]), float(label[1]), f"see plan {match.window + 1}",
            size=6.0, rotation=turn, rotation_mode="anchor", ha="center", va="bottom", zorder=8,
            clip_on=True, path_effects=[withStroke(linewidth=2.0, foreground="white")],
        )  # fmt: skip
        kept.append(np.linspace(ends[0], ends[1], 20))
    return np.vstack(kept)


def _key_plan(
    canvas: Canvas, axes: Axes, inner: Box, site: Site, windows: list[Window], index: int
) -> Floats:
    """Draw all windows small in the emptiest corner; return points that labels keep clear of."""
    limits = np.array([w.limits for w in windows])
    x0, y0 = limits[:, :2].min(axis=0)
    x1, y1 = limits[:, 2:].max(axis=0)
    mm = min(0.3 * inner.width / (x1 - x0), 0.45 * inner.height / (y1 - y0), 60.0 / (y1 - y0))
    width, height = mm * (x1 - x0), mm * (y1 - y0)
    west, south, east, north = windows[index].limits
    taken = _obstacles(site, Scale(200.0))
    per = (east - west) / inner.width
    corners = [(i, j) for j in (1, 0) for i in (1, 0)]

    def busy(corner: tuple[int, int]) -> int:
        low = [west, south] + np.array(corner) * (
            [east - west - width * per, north - south - height * per]
        )
        return int(((taken >= low) & (taken <= low + np.array([width, height]) * per)).all(1).sum())

    i, j = min(corners, key=busy)
    box = Box(
        inner.right - width if i else inner.x, inner.y if j else inner.foot - height, width, height
    )
    small = canvas.axes(box, xlim=(x0, x1), ylim=(y0, y1), xticks=[], yticks=[], zorder=12)
    small.set_facecolor("white")
    for line in site.located("pipe_centreline").geometry:
        small.plot(*shapely.get_coordinates(line).T, color=looks.PIPE, lw=0.9)
    for n, window in enumerate(windows):
        a, b, c, d = window.limits
        here = n == index
        small.add_patch(
            Rectangle((a, b), c - a, d - b, fc="none", ec=looks.INK, lw=1.2 if here else 0.35)
        )
        small.text(
            window.x, window.y, f"{n + 1}", size=8.0 if here else 6.0, ha="center", va="center",
            weight="bold" if here else "normal", clip_on=True,
        )  # fmt: skip
    low = np.array([west, south]) + np.array([i, j]) * (
        np.array([east - west, north - south]) - np.array([width, height]) * per
    )
    spots = np.stack(np.meshgrid(*np.linspace(0, 1, 24)[None].repeat(2, 0)), -1).reshape(-1, 2)
    return np.asarray(low + spots * np.array([width, height]) * per)


def _obstacles(site: Site, scale: Scale) -> Floats:
    """Return points (n, 2) that labels should not cover: symbols, and the pipe all along."""
    layers = ("field_marks", "transmitter_fixes", "pipe_nodes", "pipe_observations")
    spots = [_xy(site.located(n)) for n in (*layers, "control_points")]
    for line in site.located("pipe_centreline").geometry:
        spots.append(shapely.get_coordinates(line.segmentize(_OBSTACLE_STEP_MM / scale.mm_per_m)))
    return np.vstack([np.empty((0, 2)), *spots])


def _xy(rows: Any) -> Floats:
    return np.asarray(shapely.get_coordinates(np.asarray(rows.geometry.array))).reshape(-1, 2)


def _patches(shapes: Any, **look: Any) -> PatchCollection:
    """Return polygons with their holes as one collection."""
    polygons = [p for p in shapely.get_parts(np.asarray(shapes.array)) if p is not None]
    paths = [
        PathPatch(Outline.make_compound_path(*(Outline(np.asarray(r.coords)) for r in rings)))
        for rings in ((p.exterior, *p.interiors) for p in polygons)
    ]
    return PatchCollection(paths, **look)
