"""The profile on paper: heights over chainage at two stated scales, with a band of figures."""

from __future__ import annotations

from math import ceil, floor
from typing import Any, Final

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from lateralline.records import Floats
from lateralline.write.picture.labels import Label, place
from lateralline.write.sheet import looks
from lateralline.write.sheet.band import draw_band
from lateralline.write.sheet.canvas import Canvas, fitted
from lateralline.write.sheet.furniture import round_up
from lateralline.write.sheet.paper import Box, Scale
from lateralline.write.sheet.pieces import LEAST, LEFT, RIGHT, SIDE, TOP, Piece, Scales
from lateralline.write.sheet.profile_data import Profile
from lateralline.write.sheet.site import Site
from lateralline.write.sheet.words import node_name

_TICK: Final = 7.0
_EARTH: Final = 1.4  # strip of hatching under the ground line


def draw(canvas: Canvas, box: Box, site: Site, piece: Piece, scales: Scales) -> None:
    """Draw one piece at the upper left of `box`, to scale."""
    profile, mm = piece.profile, scales.along.mm_per_m
    span = scales.graph_mm / scales.up.mm_per_m
    low, high = profile.heights(piece.low, piece.high)
    base = (low + high - span) / 2
    side = SIDE / mm
    width = (piece.high - piece.low + 2 * side) * mm
    inner = Box(box.x + LEFT, box.y + TOP, width, scales.graph_mm)
    axes = canvas.axes(
        inner,
        xlim=(piece.low - side, piece.high + side),
        ylim=(base, base + span),
        xticks=[],
        yticks=[],
    )
    axes.set_gid("profile")
    _head(canvas, box, site, piece, scales, inner)
    _levels(canvas, axes, inner, site, scales.up)
    _lines(axes, site, profile, scales)
    _spots(axes, profile)
    place(axes, _labels(site, piece), _obstacles(profile, piece))
    draw_band(canvas, inner, site, piece, mm)


def _head(canvas: Canvas, box: Box, site: Site, piece: Piece, scales: Scales, inner: Box) -> None:
    line = site.of_line("pipe_centreline", piece.profile.line).iloc[0]
    room = max(inner.right - box.x, LEAST - RIGHT)
    pipe = "  ".join(filter(None, (str(line["material"] or ""), str(line["nominal"] or ""))))
    part = f", part {piece.part} of {piece.parts}" * (piece.parts > 1)
    canvas.words(box.x, box.y + 1.8, f"PROFILE {piece.profile.line}{part}   {pipe}", 8.0,
                 bold=True, room=room)  # fmt: skip
    what = (
        f"depth below ground in {site.unit}, no levels were measured"
        if site.depth_only
        else f"levels in {site.unit}: {site.datum}"
    )
    said = (
        f"horizontal {scales.along}, vertical {scales.up} (heights × {scales.steeper:g}); "
        f"chainage from downstream, flow ←; ± 95 %; {what}"
    )
    text = Box(box.x, box.y + 4.0, room, TOP - 4.5)
    canvas.paragraph(text, said, 6.0, colour=looks.GREY)


def _levels(canvas: Canvas, axes: Axes, inner: Box, site: Site, up: Scale) -> None:
    low, high = axes.get_ylim()
    step = round_up(_TICK / up.mm_per_m / site.per)
    places = max(0, -floor(np.log10(step) + 1e-9))
    for k in range(ceil(low / site.per / step), floor(high / site.per / step) + 1):
        level = k * step * site.per
        y = inner.foot - (level - low) * up.mm_per_m
        axes.axhline(level, color=looks.FAINT, lw=0.3, zorder=0.5)
        canvas.rule(inner.x - 1.0, y, inner.x, y)
        said = abs(k * step) if site.depth_only else k * step
        if y < inner.foot - 1.2:  # the band of figures begins below
            canvas.words(inner.x - 1.6, y, f"{said:.{places}f}", 6.0, align="right")


def _lines(axes: Axes, site: Site, profile: Profile, scales: Scales) -> None:
    at, invert, low, high = profile.inverts.T
    axes.fill_between(
        at, low, high, fc=looks.BAND, ec=looks.PIPE, lw=0.35, zorder=2,
    )  # fmt: skip
    segments = site.of_line("pipe_segments", profile.line)
    unsure = segments[segments["shape"] == "undecided"]
    known = invert.copy()
    for s in unsure.itertuples():
        inside = (at > s.from_chainage_m + 1e-6) & (at < s.to_chainage_m - 1e-6)
        known[inside] = np.nan
        here = (at >= s.from_chainage_m - 1e-6) & (at <= s.to_chainage_m + 1e-6)
        axes.plot(at[here], invert[here], color=looks.PIPE, lw=1.3, ls=looks.UNDECIDED_DASH,
                  zorder=4)  # fmt: skip
    axes.plot(at, known, color=looks.PIPE, lw=1.6, zorder=4)
    for above, look in (
        (profile.top_m, {"lw": 0.8}),
        (
            profile.bore_m if np.isnan(profile.top_m) else np.nan,
            {"lw": 0.8, "ls": looks.CROWN_DASH},
        ),
    ):
        axes.plot(at, invert + above, color=looks.PIPE, zorder=4, **look)
    if len(profile.ground):
        x, ground = profile.ground.T
        strip = _EARTH / scales.up.mm_per_m
        axes.fill_between(
            x,
            ground - strip,
            ground,
            fc="none",
            ec=looks.GROUND,
            lw=0,
            hatch=looks.EARTH_HATCH,
            zorder=1.5,
        )
        axes.plot(x, ground, color=looks.GROUND, lw=1.3, zorder=4)
    for node in profile.nodes[profile.nodes["placed_by"] == "carried_on"].itertuples():
        end = np.argmin(np.abs(at - node.chainage_m))
        axes.plot([at[end], node.chainage_m], [invert[end], node.y], color=looks.PIPE, lw=1.1,
                  ls=looks.CARRIED_DASH, zorder=4)  # fmt: skip


def _spots(axes: Axes, profile: Profile) -> None:
    fixes = profile.fixes
    axes.vlines(
        fixes["chainage_m"], fixes["y"], fixes["ground_y"], color=looks.FIX, lw=0.4,
        ls=(0, (1, 2)), zorder=3,
    )  # fmt: skip
    half = fixes["half_95"].to_numpy(dtype=float)
    axes.vlines(
        fixes["chainage_m"], fixes["y"] - half, fixes["y"] + half, color=looks.FIX, lw=0.8, zorder=5
    )
    _points(axes, fixes, looks.FIX_LOOK, 6)
    for kind, look in looks.NODES.items():
        nodes = profile.nodes
        _points(axes, nodes[nodes["kind"] == kind], look, 7)
    seen = profile.seen.copy()
    seen["y"] = seen["y"] + np.nan_to_num(profile.bore_m)
    _points(axes, seen, looks.SEEN_LOOK, 7)


def _points(axes: Axes, rows_: Any, look: Any, zorder: float) -> None:
    if len(rows_):
        axes.plot(
            rows_["chainage_m"], rows_["y"], look.marker, ms=look.size, mfc=look.face,
            mec=look.edge, mew=0.6, ls="none", zorder=zorder,
        )  # fmt: skip


def _labels(site: Site, piece: Piece) -> list[Label]:
    labels = []
    for node in piece.holds(piece.profile.nodes).itertuples():
        name = "end" if node.kind == "line_end" else node_name(node).split(", nearest")[0]
        text = fitted(name, 34.0, 6.0)
        labels.append(Label(node.chainage_m, node.y, text, looks.PIPE, 6.0, "bold"))
    for seen in piece.holds(piece.profile.seen).itertuples():
        at = seen.y + np.nan_to_num(piece.profile.bore_m)
        text = fitted(str(seen.code or seen.text or "seen"), 24.0, 6.0)
        labels.append(Label(seen.chainage_m, at, text, looks.SEEN, 6.0))
    for fix in piece.holds(piece.profile.fixes).itertuples():
        text = fitted(f"{fix.run_id}/{fix.stop_id}", 16.0, 6.0)
        ground = fix.y if pd.isna(fix.ground_y) else fix.ground_y
        labels.append(Label(fix.chainage_m, ground, text, looks.FIX, 6.0))
    return labels


def _obstacles(profile: Profile, piece: Piece) -> Floats:
    """Return points (n, 2) all along ground, invert and top."""
    at = np.linspace(piece.low, piece.high, 300)
    top = np.nan_to_num(profile.top_m)
    invert = profile.inverts[np.isfinite(profile.inverts[:, 1])]
    paths = [(invert[:, :2], 0.0), (invert[:, :2], top), (profile.ground, 0.0)]
    dense = [np.column_stack([at, np.interp(at, *p.T) + up]) for p, up in paths if len(p)]
    spots = profile.fixes[["chainage_m", "y"]].to_numpy(dtype=float)
    return np.vstack([*dense, spots])
