"""The profile on paper: heights over chainage at two stated scales, with a band of figures."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from math import ceil, floor
from typing import Any, Final

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from lateralline.derive.ellipses import INTERVAL_95
from lateralline.records import Floats
from lateralline.write.picture.labels import Label, place
from lateralline.write.picture.scene import number
from lateralline.write.sheet import looks
from lateralline.write.sheet.canvas import Canvas, fitted, line_mm
from lateralline.write.sheet.furniture import round_up
from lateralline.write.sheet.paper import Box, Scale
from lateralline.write.sheet.profile_data import Profile
from lateralline.write.sheet.site import Site
from lateralline.write.sheet.words import node_name

#: Paper around the graph: level axis at the left, title above, in mm.
LEFT, TOP, RIGHT = 19.0, 12.5, 2.5
PAD: Final = 9.5  # room for labels above the ground and below the pipe
_SIDE: Final = 3.0  # of the graph before the first and after the last station
_TICK: Final = 7.0
_LEAST: Final = 78.0  # a piece takes so much, for the words above it
_COLUMN: Final = 2.9  # figures of the band stand no nearer
_EARTH: Final = 1.4  # strip of hatching under the ground line


@dataclass(frozen=True, slots=True)
class Row:
    """One row of the band under a profile."""

    name: str
    height: float


@dataclass(frozen=True, slots=True)
class Piece:
    """A stretch of one line's profile that stands on one sheet."""

    profile: Profile
    low: float  # chainage, m
    high: float
    part: int
    parts: int

    def width(self, scale: Scale) -> float:
        """Return how much paper the piece takes, axis and margins included, in mm."""
        return max((self.high - self.low) * scale.mm_per_m + LEFT + RIGHT + 2 * _SIDE, _LEAST)


@dataclass(frozen=True, slots=True)
class Scales:
    """How a site's profiles are drawn."""

    along: Scale
    up: Scale
    graph_mm: float  # height of the graph

    @property
    def steeper(self) -> float:
        """How many times steeper than true slopes are drawn."""
        return self.along.denominator / self.up.denominator


def rows(site: Site) -> tuple[Row, ...]:
    """Return the rows of the band: levels, or depths alone."""
    unit = site.unit
    if site.depth_only:
        return (
            Row(f"chainage, {unit}", 8.5),
            Row(f"to invert, {unit}", 8.5),
            Row(f"cover, {unit}", 8.5),
        )
    return (
        Row(f"chainage, {unit}", 8.5), Row(f"ground, {unit}", 10.5), Row(f"invert, {unit}", 10.5),
        Row(f"cover, {unit}", 8.0), Row("grade, %", 5.6),
    )  # fmt: skip


def band_mm(site: Site) -> float:
    """Return the height of the band and the title, what a panel needs besides the graph."""
    return TOP + sum(r.height for r in rows(site)) + 1.0


def pieces(profile: Profile, room: float, scale: Scale) -> list[Piece]:
    """Cut a line's profile into stretches that fit `room` mm of paper."""
    low, high = profile.reach
    most = (room - LEFT - RIGHT - 2 * _SIDE) / scale.mm_per_m
    count = max(ceil((high - low) / most - 1e-9), 1)
    ends = np.linspace(low, high, count + 1)
    return [
        Piece(profile, float(a), float(b), n + 1, count) for n, (a, b) in enumerate(pairwise(ends))
    ]


def draw(canvas: Canvas, box: Box, site: Site, piece: Piece, scales: Scales) -> None:
    """Draw one piece at the upper left of `box`, to scale."""
    profile, mm = piece.profile, scales.along.mm_per_m
    span = scales.graph_mm / scales.up.mm_per_m
    low, high = profile.heights(piece.low, piece.high)
    base = (low + high - span) / 2
    side = _SIDE / mm
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
    _band(canvas, inner, site, piece, mm, side)


def _head(canvas: Canvas, box: Box, site: Site, piece: Piece, scales: Scales, inner: Box) -> None:
    line = site.of_line("pipe_centreline", piece.profile.line).iloc[0]
    room = max(inner.right - box.x, _LEAST - RIGHT)
    pipe = "  ".join(filter(None, (str(line["material"] or ""), str(line["nominal"] or ""))))
    part = ""
    if piece.parts > 1:
        reach = f"{site.say(piece.low)} to {site.say(piece.high)} {site.unit}"
        part = f"   part {piece.part} of {piece.parts}: chainage {reach}"
    canvas.words(box.x, box.y + 1.8, f"PROFILE {piece.profile.line}   {pipe}{part}", 8.0,
                 bold=True, room=room)  # fmt: skip
    what = (
        f"depth below ground in {site.unit}: no levels were measured"
        if site.depth_only
        else f"levels in {site.unit}: {site.datum}"
    )
    said = (
        f"horizontal {scales.along}, vertical {scales.up}: heights × {scales.steeper:g}.  "
        f"{what}.  Chainage from the downstream end; flow ←"
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
            x, ground - strip, ground, fc="none", ec=looks.GROUND, lw=0, hatch="//////", zorder=1.5
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
    for node in _within(piece.profile.nodes, piece).itertuples():
        text = fitted(node_name(node).split(", nearest")[0], 34.0, 6.0)
        labels.append(Label(node.chainage_m, node.y, text, looks.PIPE, 6.0, "bold"))
    for seen in _within(piece.profile.seen, piece).itertuples():
        at = seen.y + np.nan_to_num(piece.profile.bore_m)
        text = fitted(str(seen.code or seen.text or "seen"), 24.0, 6.0)
        labels.append(Label(seen.chainage_m, at, text, looks.SEEN, 6.0))
    for fix in _within(piece.profile.fixes, piece).itertuples():
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


def _within(rows_: Any, piece: Piece) -> Any:
    at = rows_["chainage_m"]
    return rows_[(at >= piece.low - 1e-6) & (at <= piece.high + 1e-6)]


# ---- the band ------------------------------------------------------------------------------


def _band(canvas: Canvas, inner: Box, site: Site, piece: Piece, mm: float, side: float) -> None:
    y = inner.foot
    table = rows(site)
    stations = _stations(piece, mm)
    for n, row in enumerate(table):
        cell = Box(inner.x - LEFT, y, inner.width + LEFT, row.height)
        canvas.frame(cell, lw=0.35)
        canvas.words(cell.x + 1.0, y + row.height / 2, row.name, 6.0, room=LEFT - 1.5)
        if row.name.startswith("grade"):
            _grades(canvas, inner, Box(inner.x, y, inner.width, row.height), piece, mm, side)
        else:
            for chainage in stations:
                x = inner.x + (chainage - piece.low + side) * mm
                text = _figure(site, piece.profile, chainage, n)
                canvas.words(x, y + row.height / 2, text, 6.0, turned=True, align="center")
        y += row.height
    canvas.rule(inner.x, inner.foot, inner.x, y, lw=0.35)
    for chainage in stations:
        x = inner.x + (chainage - piece.low + side) * mm
        canvas.rule(x, inner.foot - 1.2, x, inner.foot, lw=0.35)


def _stations(piece: Piece, mm: float) -> list[float]:
    """Return the chainages that figures are given for: nodes first, then stops, none too near."""
    kept: list[float] = []
    for rows_ in (piece.profile.nodes, piece.profile.fixes):
        for at in _within(rows_, piece)["chainage_m"]:
            if all(abs(at - other) * mm >= _COLUMN for other in kept):
                kept.append(float(at))
    return sorted(kept)


def _figure(site: Site, profile: Profile, chainage: float, row: int) -> str:
    if row == 0:
        return site.say(chainage)
    node = profile.nodes[np.abs(profile.nodes["chainage_m"] - chainage) < 1e-6]
    invert = _at(profile.inverts[:, :2], chainage)
    ground = _at(profile.ground, chainage)
    about = ""
    if len(node):
        first = node.iloc[0]
        invert = float(first["y"])
        about = "≈" if first["placed_by"] == "carried_on" else ""
        if not pd.isna(first["ground_level_m"]):
            ground = float(first["ground_level_m"])
    cover = ground - invert - profile.top_m
    if site.depth_only:
        return about + site.say(-invert if row == 1 else cover)
    return about * (row > 1) + site.say((ground, invert, cover)[row - 1])


def _at(path: Floats, chainage: float) -> float:
    path = path[np.isfinite(path).all(axis=1)]
    if not len(path) or not path[0, 0] - 1e-6 <= chainage <= path[-1, 0] + 1e-6:
        return float("nan")
    return float(np.interp(chainage, *path.T))


def _grades(canvas: Canvas, inner: Box, cell: Box, piece: Piece, mm: float, side: float) -> None:
    """Write each segment's grade and half its 95 % interval where they fit between its ends."""
    for s in piece.profile.grades.itertuples():
        ends = np.clip([s.from_chainage_m, s.to_chainage_m], piece.low, piece.high)
        a, b = inner.x + (ends - piece.low + side) * mm
        if b <= a:
            continue
        for x in (a, b):
            canvas.rule(x, cell.y, x, cell.foot, lw=0.3)
        if pd.isna(s.grade):
            continue
        lines = [number(100 * s.grade, "{:.1f}")]
        if not pd.isna(s.grade_sigma):
            lines.append(f"± {100 * INTERVAL_95 * s.grade_sigma:.1f}")
        step = line_mm(6.0)
        top = cell.y + (cell.height - step * len(lines)) / 2
        for n, line in enumerate(lines):
            if fitted(line, b - a - 0.4, 6.0) == line:
                canvas.words((a + b) / 2, top + (n + 0.5) * step, line, 6.0, align="center")
