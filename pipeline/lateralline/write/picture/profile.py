"""The profile: ground, crown and invert with its 95 % band over chainage, a panel a line."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.gridspec import SubplotSpec

from lateralline.records import Floats
from lateralline.units import METRES_PER
from lateralline.write.picture import style
from lateralline.write.picture.labels import Label, place
from lateralline.write.picture.scene import MOST_LINES, Scene, number

_INTERVAL_95: Final = 1.959963984540054  # 97.5 % point of N(0, 1)
_SMALLEST_SHARE: Final = 0.18  # of the width, so that a stub's panel can still be read


def draw(figure: Figure, place_in: SubplotSpec, scene: Scene) -> None:
    """Draw the profiles of the longest lines, all on one level scale."""
    lines = scene.lines[:MOST_LINES]
    if not lines:
        axes = figure.add_subplot(place_in)
        axes.set_axis_off()
        axes.text(0.5, 0.5, "No line was located.", ha="center", va="center", size=11)
        return
    lengths = np.array([_length(scene, line) for line in lines])
    shares = np.maximum(lengths / lengths.max(), _SMALLEST_SHARE)
    grid = place_in.subgridspec(1, len(lines), width_ratios=list(shares), wspace=0.03)
    first: Axes | None = None
    panels: list[tuple[Axes, str]] = []
    for i, line in enumerate(lines):
        axes = figure.add_subplot(grid[0, i], sharey=first)
        first = first or axes
        _draw_line(axes, scene, line)
        axes.tick_params(labelleft=i == 0, length=3, color=style.FAINT)
        panels.append((axes, line))
    assert first is not None
    low, high = first.get_ylim()
    first.set_ylim(low - 0.16 * (high - low), high + 0.22 * (high - low))
    datum = scene.of_line("pipe_centreline", lines[0])["level_datum"].iloc[0]
    first.set_ylabel(f"level, m  ({datum})")
    if scene.unit != "m":
        _feet_too(first, panels[-1][0], scene.unit)
    for axes, line in panels:
        _title(axes, line, first=axes is first)
        place(axes, _labels(scene, line), _obstacles(scene, line))


def _draw_line(axes: Axes, scene: Scene, line: str) -> None:
    invert, ground = _invert(scene, line), _ground(scene, line)
    chainage, level, sigma = invert.T
    centreline = scene.of_line("pipe_centreline", line).iloc[0]
    bore = centreline["inside_diameter_m"]
    band = _INTERVAL_95 * sigma
    axes.fill_between(
        chainage, level - band, level + band, color=style.CORRIDOR, alpha=0.75, lw=0, zorder=2
    )
    axes.plot(chainage, level, color=style.PIPE, lw=2.0, zorder=4)
    if not pd.isna(bore):
        axes.fill_between(
            chainage, level, level + bore, color=style.PIPE, alpha=0.22, lw=0, zorder=3
        )
        axes.plot(chainage, level + bore, color=style.PIPE, lw=1.0, ls=(0, (5, 2)), zorder=4)
    if len(ground):
        axes.plot(*ground.T, color=style.GROUND, lw=2.0, zorder=4)
        top = ground[:, 1]
        axes.fill_between(
            ground[:, 0], top, top - 0.035 * _span(invert, ground), color=style.GROUND,
            alpha=0.25, lw=0, zorder=1.5,
        )  # fmt: skip
    fixes = _fixes(scene, line)
    axes.vlines(
        fixes["chainage_m"], fixes["level_m"], fixes["ground_level_m"], color=style.FIX, lw=0.6,
        ls=(0, (1, 1.5)), zorder=3,
    )  # fmt: skip
    look = style.FIX_LOOK
    axes.plot(
        fixes["chainage_m"], fixes["level_m"], look.marker, ms=look.size, mfc=look.face,
        mec=look.edge, ls="none", zorder=6,
    )  # fmt: skip
    for spot in _observed(scene, line).itertuples():
        at = spot.invert_level_m + (0.0 if pd.isna(bore) else bore)
        look = style.SEEN_LOOK
        axes.plot(spot.chainage_m, at, look.marker, ms=look.size, mfc=look.face, mec=look.edge,
                  zorder=7)  # fmt: skip
    axes.grid(visible=True, color=style.FAINT, lw=0.4, alpha=0.35)
    axes.set_axisbelow(True)
    _draw_entry(axes, scene, line, invert)
    nodes = _nodes(scene, line)
    for kind, look in style.NODES.items():
        here = nodes[nodes["kind"] == kind]
        axes.plot(
            here["chainage_m"], here["invert_level_m"], look.marker, ms=0.75 * look.size,
            mfc=look.face, mec=look.edge, ls="none", zorder=5,
        )  # fmt: skip
    reach = np.concatenate([chainage, nodes["chainage_m"]])
    margin = 0.035 * max(np.ptp(reach), 1.0)
    axes.set_xlim(reach.min() - margin, reach.max() + margin)


def _draw_entry(axes: Axes, scene: Scene, line: str, invert: Floats) -> None:
    """Dot the stretch from the located line to an entry that nobody measured."""
    nodes = _nodes(scene, line)
    for entry in nodes[nodes["kind"] == "entry"].itertuples():
        end = invert[np.argmin(np.abs(invert[:, 0] - entry.chainage_m))]
        axes.plot(
            [end[0], entry.chainage_m], [end[1], entry.invert_level_m], color=style.PIPE, lw=1.4,
            ls=(0, (1, 2)), zorder=4,
        )  # fmt: skip


def _feet_too(first: Axes, last: Axes, unit: str) -> None:
    """Set feet inside along the top and the right, where the crew measures in feet."""
    per = METRES_PER[unit]
    ways = (lambda metres: metres / per, lambda feet: feet * per)
    low, high = last.get_xlim()
    last.set_xlim(low, high + 0.035 * (high - low))  # room for the figures at the right
    right = last.secondary_yaxis("right", functions=ways)
    right.tick_params(length=3, color=style.FAINT, direction="in", pad=-20)
    top = first.secondary_xaxis(1.0, functions=ways)
    top.tick_params(length=3, color=style.FAINT, direction="in", pad=-13)
    top.set_xlabel("feet, along the top and here  ", size=7.5, labelpad=-24, loc="right")


def _title(axes: Axes, line: str, *, first: bool) -> None:
    """Name the panel, with how much steeper than true it is drawn."""
    box = axes.get_position().transformed(axes.figure.transFigure)
    (x0, x1), (y0, y1) = axes.get_xlim(), axes.get_ylim()
    steeper = (box.height / (y1 - y0)) / (box.width / (x1 - x0))
    name = f"PROFILE {line}" if first else line
    axes.set_title(f"{name}   heights × {steeper:.1f}", loc="left", size=9, weight="bold", pad=5)
    if first:
        axes.set_xlabel("chainage from the downstream end, m  (← flow)", size=8)


def _labels(scene: Scene, line: str) -> list[Label]:
    labels = []
    for node in _nodes(scene, line).itertuples():
        text = {
            "bend": f"bend {number(node.bend_deg, '{:.0f}°')}",
            "junction": f"{node.ref}",
            "entry": f"{node.ref or 'entry'}",
            "line_end": "",
            "exposure": f"{node.ref or 'exposure'}",
        }[node.kind]
        text = f"{text}\n{scene.length(node.invert_level_m)}".strip()
        labels.append(Label(node.chainage_m, node.invert_level_m, text, style.PIPE, 7.0, "bold"))
    for spot in _observed(scene, line).itertuples():
        labels.append(
            Label(spot.chainage_m, spot.invert_level_m, f"{spot.code or 'seen'}", style.SEEN, 6.8)
        )
    for fix in _fixes(scene, line).itertuples():
        if not pd.isna(fix.depth_m):
            at = fix.ground_level_m
            labels.append(Label(fix.chainage_m, at, scene.length(fix.depth_m), style.FIX, 6.5))
    return labels


def _obstacles(scene: Scene, line: str) -> Floats:
    """Return points (n, 2) all along ground, invert and crown."""
    paths = [_invert(scene, line)[:, :2], _ground(scene, line)]
    bore = scene.of_line("pipe_centreline", line)["inside_diameter_m"].iloc[0]
    if not pd.isna(bore):
        paths.append(paths[0] + [0.0, bore])
    dense = []
    for path in paths:
        if len(path) > 1:
            at = np.linspace(path[0, 0], path[-1, 0], 300)
            dense.append(np.column_stack([at, np.interp(at, *path.T)]))
    fixes = _fixes(scene, line)[["chainage_m", "level_m"]].to_numpy(dtype=float)
    return np.vstack([*dense, fixes])


def _invert(scene: Scene, line: str) -> Floats:
    """Return chainage, invert level and its σ (n, 3), from downstream, bends included."""
    segments, nodes = scene.of_line("pipe_segments", line), scene.of_line("pipe_nodes", line)
    columns = ["chainage_m", "invert_level_m", "invert_sigma_m"]
    parts = [
        segments[["from_chainage_m", "invert_down_m", "invert_down_sigma_m"]],
        segments[["to_chainage_m", "invert_up_m", "invert_up_sigma_m"]],
        nodes[nodes["kind"] != "entry"][columns],
    ]
    points = np.vstack([p.to_numpy(dtype=float) for p in parts])
    points = points[np.isfinite(points[:, :2]).all(axis=1)]
    points[:, 2] = np.nan_to_num(points[:, 2])
    _, unique = np.unique(points[:, 0].round(4), return_index=True)
    return points[unique] if len(points) else np.zeros((1, 3))


def _ground(scene: Scene, line: str) -> Floats:
    """Return chainage and ground level (n, 2) where it is known."""
    points = np.vstack(
        [
            scene.of_line(name, line)[["chainage_m", "ground_level_m"]].to_numpy(dtype=float)
            for name in ("transmitter_fixes", "pipe_nodes")
        ]
    )
    points = points[np.isfinite(points).all(axis=1)]
    _, unique = np.unique(points[:, 0].round(4), return_index=True)
    return np.asarray(points[unique])


def _nodes(scene: Scene, line: str) -> Any:
    nodes = scene.of_line("pipe_nodes", line)
    return nodes[nodes[["chainage_m", "invert_level_m"]].notna().all(axis=1)]


def _fixes(scene: Scene, line: str) -> Any:
    fixes = scene.of_line("transmitter_fixes", line)
    return fixes[fixes[["chainage_m", "level_m"]].notna().all(axis=1)]


def _observed(scene: Scene, line: str) -> Any:
    seen = scene.of_line("pipe_observations", line)
    return seen[seen[["chainage_m", "invert_level_m"]].notna().all(axis=1)]


def _length(scene: Scene, line: str) -> float:
    """Return how much chainage a line's panel shows, its entry included."""
    reach = np.concatenate([_invert(scene, line)[:, 0], _nodes(scene, line)["chainage_m"]])
    return float(np.ptp(reach)) or 1.0


def _span(*paths: Floats) -> float:
    levels = np.concatenate([p[:, 1] for p in paths])
    return float(np.ptp(levels)) or 1.0
