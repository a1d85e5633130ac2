"""The plan: marks, fixes with their ellipses, pipe, corridor and dig zone, north up."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import shapely
from matplotlib.axes import Axes
from matplotlib.collections import EllipseCollection, LineCollection, PatchCollection
from matplotlib.patches import PathPatch
from matplotlib.path import Path as Outline

from lateralline.records import Floats
from lateralline.units import METRES_PER
from lateralline.write.picture import style
from lateralline.write.picture.labels import Label, place
from lateralline.write.picture.scene import Scene, estimate, number
from lateralline.write.picture.style import Look

_NORTH_X: Final = 0.962  # of the panel's width
#: Where scale bar and north arrow stand, as points (n, 2) of the panel that labels keep clear of.
_FURNITURE: Final = np.array(
    [[_NORTH_X, 0.8 + 0.02 * i] for i in range(9)] + [[0.02 + 0.02 * i, 0.035] for i in range(11)]
)
_OBSTACLE_STEP_M: Final = 0.15  # the pipe, as points that labels keep clear of


def draw(axes: Axes, scene: Scene) -> None:
    """Draw the plan of a site into `axes`."""
    _draw_areas(axes, scene)
    _draw_pipe(axes, scene)
    _draw_carried_on(axes, scene)
    _draw_fixes(axes, scene)
    for kind, look in style.MARKS.items():
        marks = scene.layers["field_marks"]
        _draw_points(axes, marks[marks["kind"] == kind], look, zorder=5)
    for kind, look in style.NODES.items():
        nodes = scene.layers["pipe_nodes"]
        _draw_points(axes, nodes[nodes["kind"] == kind], look, zorder=7)
    _draw_points(axes, scene.layers["pipe_observations"], style.SEEN_LOOK, zorder=7)
    _draw_points(axes, scene.control, style.CONTROL_LOOK, zorder=7)
    _frame(axes, scene)
    _draw_flow(axes, scene)
    furniture = axes.transAxes.transform(_FURNITURE)
    obstacles = [_obstacles(scene), axes.transData.inverted().transform(furniture)]
    place(axes, _labels(scene), np.vstack(obstacles))


def _draw_areas(axes: Axes, scene: Scene) -> None:
    zones = scene.layers["dig_zone"]
    whole = zones[zones["zone"] == "tolerance_and_corridor"].geometry
    near = zones[zones["zone"] == "tolerance"].geometry
    corridor = scene.layers["position_corridor"].geometry
    axes.add_collection(_patches(whole, fc=style.ZONE, ec="none", alpha=0.75, zorder=1))
    axes.add_collection(_patches(whole, fc="none", ec=style.ZONE_EDGE, lw=1.3, zorder=1.1))
    axes.add_collection(
        _patches(near, fc="none", ec=style.ZONE_EDGE, lw=0.9, ls=(0, (4, 2.5)), zorder=1.2)
    )
    axes.add_collection(
        _patches(corridor, fc=style.CORRIDOR, ec=style.PIPE, lw=0.5, alpha=0.75, zorder=2)
    )


def _draw_pipe(axes: Axes, scene: Scene) -> None:
    segments = scene.layers["pipe_segments"]
    known = segments["shape"] != "undecided"
    for rows, line_style in ((segments[known], "-"), (segments[~known], (0, (3, 1.5)))):
        paths = [shapely.get_coordinates(g) for g in rows.geometry if g is not None]
        axes.add_collection(
            LineCollection(
                paths, colors=style.PIPE, linewidths=2.4, linestyles=[line_style], zorder=4
            )
        )


def _draw_carried_on(axes: Axes, scene: Scene) -> None:
    """Dash the way from the end of a located line to a node the counter carries beyond it."""
    ends = scene.layers["pipe_centreline"].set_index("line_id").geometry
    for node in _rows(scene.carried_on):
        path = shapely.get_coordinates(ends[node.line_id])
        end = path[0] if node.chainage_m < 0.0 else path[-1]
        axes.plot(*zip(end, (node.geometry.x, node.geometry.y), strict=True), **style.CARRIED_ON)


def _draw_flow(axes: Axes, scene: Scene) -> None:
    """Lay an arrow beside the middle of each line, the way the water runs: towards its start."""
    metre_px = axes.get_window_extent().width / np.ptp(axes.get_xlim())
    for line in scene.layers["pipe_centreline"].geometry:
        if line is None or line.length == 0.0:
            continue
        half = min(22.0 / metre_px, line.length / 6)
        middle = 0.42 * line.length
        ends = [line.interpolate(middle + half), line.interpolate(middle - half)]
        a, b = shapely.get_coordinates(ends)
        along = (b - a) / np.hypot(*(b - a))
        beside = np.array([along[1], -along[0]]) * 13.0 / metre_px
        axes.annotate(
            "",
            xy=tuple(b + beside),
            xytext=tuple(a + beside),
            arrowprops={
                "arrowstyle": "-|>,head_width=0.25,head_length=0.6",
                "color": style.PIPE,
                "lw": 1.4,
            },
            zorder=6,
        )


def _draw_fixes(axes: Axes, scene: Scene) -> None:
    fixes = scene.layers["transmitter_fixes"]
    fixes = fixes[fixes.geometry.notna()]
    known = fixes[fixes["semi_major_95_m"].notna()]
    if len(known):
        axes.add_collection(
            EllipseCollection(
                2 * known["semi_major_95_m"].to_numpy(),
                2 * known["semi_minor_95_m"].to_numpy(),
                90.0
                - known["ellipse_azimuth_deg"].to_numpy(),  # clockwise from north → from the x axis
                units="xy",
                offsets=_xy(known),
                transOffset=axes.transData,
                facecolors="none",
                edgecolors=style.FIX,
                linewidths=1.1,
                zorder=4.5,
            )
        )
    _draw_points(axes, fixes, style.FIX_LOOK, zorder=6)


def _draw_points(axes: Axes, frame: Any, look: Look, zorder: float) -> None:
    axes.plot(
        *_xy(frame).T,
        look.marker,
        ms=look.size,
        mfc=look.face,
        mec=look.edge,
        mew=0.9,
        ls="none",
        zorder=zorder,
    )


def _frame(axes: Axes, scene: Scene) -> None:
    """Set limits, grid, scale bar and north arrow."""
    x0, y0, x1, y1 = scene.box
    pad = 0.05 * max(x1 - x0, y1 - y0, 2.0)
    panel = axes.get_window_extent()
    metre_px = min(panel.width / (x1 - x0 + 2 * pad), panel.height / (y1 - y0 + 2 * pad))
    half = np.array([panel.width, panel.height]) / metre_px / 2
    axes.set_xlim((x0 + x1) / 2 - half[0], (x0 + x1) / 2 + half[0])
    axes.set_ylim((y0 + y1) / 2 - half[1], (y0 + y1) / 2 + half[1])
    axes.set_aspect("equal")
    axes.grid(visible=True, color=style.FAINT, lw=0.4, alpha=0.35)
    axes.set_axisbelow(True)
    axes.tick_params(length=3, color=style.FAINT)
    axes.set_title(
        f"PLAN   along the edges: metres from the corner at {scene.corner}",
        loc="left",
        size=9,
        weight="bold",
        pad=5,
    )
    width = axes.get_xlim()[1] - axes.get_xlim()[0]
    _draw_scale(axes, _round_length(width / 6), width)
    axes.annotate(
        "",
        xy=(_NORTH_X, 0.965),
        xytext=(_NORTH_X, 0.875),
        xycoords="axes fraction",
        arrowprops={
            "arrowstyle": "-|>,head_width=0.32,head_length=0.8",
            "color": style.INK,
            "lw": 1.4,
        },
        zorder=10,
    )
    axes.text(
        _NORTH_X,
        0.862,
        scene.north.replace(" ", "\n"),
        transform=axes.transAxes,
        ha="center",
        va="top",
        size=7,
        zorder=10,
    )


def _draw_scale(axes: Axes, length_m: float, width_m: float) -> None:
    x0, y0, height = 0.02, 0.028, 0.009
    share = length_m / width_m / 4
    for i in range(4):
        axes.add_patch(
            PathPatch(
                Outline.unit_rectangle().transformed(_box(x0 + i * share, y0, share, height)),
                transform=axes.transAxes,
                fc=style.INK if i % 2 == 0 else "white",
                ec=style.INK,
                lw=0.7,
                zorder=10,
            )
        )
    for part, text in ((0, "0"), (2, f"{length_m / 2:g}"), (4, f"{length_m:g} m")):
        axes.text(
            x0 + part * share,
            y0 + 0.016,
            text,
            transform=axes.transAxes,
            ha="center",
            size=7.5,
            zorder=10,
        )


def _labels(scene: Scene) -> list[Label]:
    labels, per = [], METRES_PER[scene.unit]
    for row in _rows(scene.layers["pipe_nodes"]):
        what = {
            "entry": row.ref or "entry",
            "line_end": f"{row.line_id} end",
            "bend": f"bend {number(row.bend_deg, '{:.0f}°')}",
            "junction": f"{row.ref} joins {row.line_id}",
            "exposure": row.ref or "exposure",
        }[row.kind]
        if row.kind == "junction" and row.chainage_m == 0.0:
            continue  # the same spot, seen from the line that joins
        level = (
            f"\ninv {estimate(row.invert_level_m, row.invert_sigma_m, per)}"
            f"\ncover {estimate(row.cover_m, row.cover_sigma_m, per)}, not located"
            if row.placed_by == "carried_on"
            else f"\ninv {scene.length(row.invert_level_m)}  cover {scene.length(row.cover_m)}"
        )
        labels.append(Label(row.geometry.x, row.geometry.y, what + level, style.PIPE, 7.5, "bold"))
    for row in _rows(scene.control):
        labels.append(Label(row.geometry.x, row.geometry.y, row.point, style.INK, 7.0))
    for row in _rows(scene.layers["pipe_observations"]):
        text = f"{row.code or row.text or 'seen'} @ {scene.length(row.chainage_m)}"
        labels.append(Label(row.geometry.x, row.geometry.y, text, style.SEEN, 7.0))
    for row in _rows(scene.layers["transmitter_fixes"]):
        text = f"{row.run_id}/{row.stop_id}"
        labels.append(Label(row.geometry.x, row.geometry.y, text, style.FIX, 6.5))
    return labels


def _obstacles(scene: Scene) -> Floats:
    """Return points (n, 2) that labels should not cover: symbols, and the pipe all along."""
    points = [
        _xy(scene.layers[n])
        for n in ("field_marks", "transmitter_fixes", "pipe_nodes", "pipe_observations")
    ]
    points.append(_xy(scene.control))
    for line in scene.layers["pipe_centreline"].geometry:
        if line is not None:
            points.append(shapely.get_coordinates(line.segmentize(_OBSTACLE_STEP_M)))
    return np.vstack(points)


def _rows(frame: Any) -> Any:
    return frame[frame.geometry.notna()].itertuples()


def _xy(frame: Any) -> Floats:
    return np.asarray(shapely.get_coordinates(np.asarray(frame.geometry.array)))


def _patches(shapes: Any, **look: Any) -> PatchCollection:
    """Return polygons with their holes as one collection."""
    polygons = [p for p in shapely.get_parts(np.asarray(shapes.array)) if p is not None]
    paths = [
        PathPatch(Outline.make_compound_path(*(Outline(np.asarray(r.coords)) for r in rings)))
        for rings in ((p.exterior, *p.interiors) for p in polygons)
    ]
    return PatchCollection(paths, **look)


def _box(x: float, y: float, width: float, height: float) -> Any:
    from matplotlib.transforms import Affine2D

    return Affine2D().scale(width, height).translate(x, y)


def _round_length(length: float) -> float:
    """Return 1, 2 or 5 times a power of ten, not longer than `length`.

    >>> _round_length(7.3), _round_length(0.46)
    (5.0, 0.2)
    """
    power = 10.0 ** np.floor(np.log10(length))
    return float(max(k * power for k in (1.0, 2.0, 5.0) if k * power <= length))
