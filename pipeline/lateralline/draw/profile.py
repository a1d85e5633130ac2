"""The profile drawer: heights over chainage at two stated scales, with a band of figures below."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import chain, pairwise
from math import ceil, floor, isnan, nan
from typing import Final

import numpy as np
from matplotlib.axes import Axes

from lateralline.derive.ellipses import INTERVAL_95
from lateralline.draw import symbols
from lateralline.draw.canvas import Canvas, fitted, line_mm, strokes, width_mm
from lateralline.draw.furniture import round_up
from lateralline.draw.labels import Label, colour_of, node_name, place
from lateralline.draw.paper import Box, PaperScale
from lateralline.draw.plan import draw_points, halo
from lateralline.measure import DASH
from lateralline.record.ends import open_at
from lateralline.record.profile import At, LineProfile, ground_of, known_points
from lateralline.record.rows import AlongRow
from lateralline.record.symbology import area_of, style_of
from lateralline.record.view import RecordView, number
from lateralline.records import Floats
from lateralline.wording import off_by

#: Paper around the graph: level axis at the left, title above, in mm.
LEFT, TOP, RIGHT = 19.0, 12.4, 2.5
PAD: Final = 8.0  # room for labels above the ground and below the pipe
SIDE: Final = 4.0  # of the graph before the first and after the last station
LEAST: Final = 78.0  # a piece takes so much, for the words above it
_TICK: Final = 7.0
_STUB: Final = 2.2  # of an open end, and to the middle of its "?"
_QUERY: Final = 3.1
_EARTH: Final = 1.4  # strip of hatching under the ground line
_COLUMN: Final = 2.9  # figures of the band stand no nearer
_SAME_M: Final = 1e-6  # chainages this close are one


@dataclass(frozen=True, slots=True)
class Piece:
    """A stretch of one line's profile that stands on one sheet."""

    profile: LineProfile
    low: float  # chainage, m
    high: float
    part: int
    parts: int

    def width(self, scale: PaperScale) -> float:
        """Return how much paper the piece takes, axis and margins included, in mm."""
        return max((self.high - self.low) * scale.mm_per_m + LEFT + RIGHT + 2 * SIDE, LEAST)

    def holds(self, rows: Iterable[tuple[At, float]]) -> list[tuple[At, float]]:
        """Return the rows that stand on this stretch, with their heights."""
        low, high = self.low - _SAME_M, self.high + _SAME_M
        return [(row, y) for row, y in rows if low <= row.chainage_m <= high]


@dataclass(frozen=True, slots=True)
class ProfileScales:
    """How a site's profiles are drawn."""

    along: PaperScale
    up: PaperScale
    graph_mm: float  # height of the graph

    @property
    def steeper(self) -> float:
        """How many times steeper than true slopes are drawn."""
        return self.along.denominator / self.up.denominator


def pieces(profile: LineProfile, room: float, scale: PaperScale) -> list[Piece]:
    """Cut a line's profile into stretches that fit `room` mm of paper."""
    low, high = profile.reach
    most = (room - LEFT - RIGHT - 2 * SIDE) / scale.mm_per_m
    count = max(ceil((high - low) / most - 1e-9), 1)
    ends = np.linspace(low, high, count + 1)
    return [
        Piece(profile, float(a), float(b), n + 1, count) for n, (a, b) in enumerate(pairwise(ends))
    ]


def draw_profile(
    canvas: Canvas, box: Box, view: RecordView, piece: Piece, scales: ProfileScales
) -> None:
    """Draw one piece at the upper left of `box`, to scale."""
    profile, mm = piece.profile, scales.along.mm_per_m
    span = scales.graph_mm / scales.up.mm_per_m
    low, high = profile.heights(piece.low, piece.high)
    base = (low + high - span) / 2
    side = SIDE / mm
    width = (piece.high - piece.low + 2 * side) * mm
    inner = Box(box.x + LEFT, box.y + TOP, width, scales.graph_mm)
    axes = canvas.axes(inner, xlim=(piece.low - side, piece.high + side), ylim=(base, base + span))
    axes.set_gid("profile")
    _head(canvas, box, view, piece, scales, inner)
    _levels(canvas, axes, inner, view, scales.up)
    _lines(axes, profile, scales)
    _open_ends(axes, piece, mm)
    _spots(axes, view, profile)
    place(axes, _labels(view, piece), _obstacles(profile, piece))
    _draw_band(canvas, inner, view, piece, mm)


def _head(
    canvas: Canvas, box: Box, view: RecordView, piece: Piece, scales: ProfileScales, inner: Box
) -> None:
    line = piece.profile.line
    room = max(inner.right - box.x, LEAST - RIGHT)
    pipe = "  ".join(filter(None, (line.material, line.nominal)))
    part = f", part {piece.part} of {piece.parts}" * (piece.parts > 1)
    canvas.words(box.x, box.y + 1.8, f"PROFILE {line.line_id}{part}   {pipe}", 8.0,
                 bold=True, room=room)  # fmt: skip
    what = (
        f"depth below ground in {view.measure.head}, no levels were measured"
        if view.depth_only
        else f"{view.word('level')}s in {view.unit}: {view.datum}"
    )
    unknown = line.line_id in view.flow_unknown
    start = "from the entry end, flow not known" if unknown else "from downstream, flow ←"
    about = (
        f"horizontal {scales.along}, vertical {scales.up} (heights × {scales.steeper:g}); "
        f"{view.word('distance along pipe')} {start}; ± 95 %; {what}"
    )
    if any(not (isnan(s.gradient) or s.fall_shown) for s in piece.profile.segments):
        about += f"; {DASH} {view.word('fall of the pipe')} not shown by the levels"
    text = Box(box.x, box.y + 4.0, room, TOP - 4.5)
    canvas.paragraph(text, about, 6.0, colour=symbols.GREY)


def _levels(canvas: Canvas, axes: Axes, inner: Box, view: RecordView, up: PaperScale) -> None:
    low, high = axes.get_ylim()
    step = round_up(_TICK / up.mm_per_m / view.per)
    places = max(0, -floor(np.log10(step) + 1e-9))
    counts = range(ceil(low / view.per / step), floor(high / view.per / step) + 1)
    levels = [k * step * view.per for k in counts]
    west, east = axes.get_xlim()
    across = [[(west, level), (east, level)] for level in levels]
    axes.plot(*strokes(across), color=symbols.FAINT, lw=0.3, zorder=0.5)
    for k, level in zip(counts, levels, strict=True):
        y = inner.foot - (level - low) * up.mm_per_m
        canvas.rule(inner.x - 1.0, y, inner.x, y)
        figure = abs(k * step) if view.depth_only else k * step
        if y < inner.foot - 1.2:  # the band of figures begins below
            canvas.words(inner.x - 1.6, y, f"{figure:.{places}f}", 6.0, align="right")


def _lines(axes: Axes, profile: LineProfile, scales: ProfileScales) -> None:
    at, invert, low, high = profile.inverts.T
    corridor = symbols.area_look(area_of("position_corridor"))
    axes.fill_between(at, low, high, zorder=2, **corridor)
    for rule, segments in style_of("pipe_segments").by_rule(profile.segments):
        drawn = np.full(len(at), nan)
        for s in segments:
            here = (at >= s.from_chainage_m - _SAME_M) & (at <= s.to_chainage_m + _SAME_M)
            drawn[here] = invert[here]
        axes.plot(at, drawn, zorder=4, **symbols.line_look(rule.as_line))
    if isnan(profile.top_m):
        axes.plot(at, invert + profile.bore_m, zorder=4, **symbols.sign_look("inside_top"))
    else:
        axes.plot(at, invert + profile.top_m, zorder=4, **symbols.sign_look("outside_top"))
    if len(profile.ground):
        x, ground = profile.ground.T
        strip = _EARTH / scales.up.mm_per_m
        look = symbols.sign_look("ground")
        axes.fill_between(x, ground - strip, ground, fc="none", ec=look["color"], lw=0, zorder=1.5,
                          hatch=symbols.EARTH_HATCH)  # fmt: skip
        axes.plot(x, ground, zorder=4, **look)
    for node, y in profile.nodes:
        if node.carried_on and np.isfinite(invert).any():
            end = np.nanargmin(np.where(np.isfinite(invert), np.abs(at - node.chainage_m), nan))
            axes.plot([at[end], node.chainage_m], [invert[end], y], zorder=4,
                      **symbols.sign_look("carried_on"))  # fmt: skip


def _open_ends(axes: Axes, piece: Piece, mm: float) -> None:
    """Let the pipe run on, dotted, past each open end, `mm` of paper to the metre of chainage."""
    at, invert = known_points(piece.profile.inverts[:, :2]).T
    look = symbols.sign_look("open_end")
    opens = open_at([bool(piece.profile.line.joins_line_id)])[0]
    for n, way, is_open in zip((0, -1), (-1.0, 1.0), opens.tolist(), strict=True):
        if not (is_open and len(at) and piece.low - _SAME_M <= at[n] <= piece.high + _SAME_M):
            continue
        y = [float(invert[n])] * 2
        axes.plot([at[n], at[n] + way * _STUB / mm], y, zorder=8, path_effects=[halo(3.0)], **look)
        axes.text(
            float(at[n] + way * _QUERY / mm), y[0], "?", size=8, weight="bold",
            color=look["color"], ha="center", va="center", zorder=9, path_effects=[halo(2.0)],
            gid="open end", clip_on=True,
        )  # fmt: skip


def _spots(axes: Axes, view: RecordView, profile: LineProfile) -> None:
    plumb, bar = symbols.sign_look("plumb"), symbols.sign_look("ellipse")
    down, bars = [], []
    for fix, y in profile.fixes:
        x = fix.chainage_m
        sigma = fix.transmitter_depth_sigma_m if view.depth_only else fix.level_sigma_m
        half = INTERVAL_95 * sigma
        down.append([(x, y), (x, ground_of(view, fix))])
        bars.append([(x, y - half), (x, y + half)])
    axes.plot(*strokes(down), zorder=3, **plumb)
    axes.plot(*strokes(bars), zorder=5, **bar)
    _draw_rows(axes, profile.fixes, 6)
    _draw_rows(axes, profile.nodes, 7)
    _draw_rows(axes, _lifted(profile), 7)


def _lifted(profile: LineProfile) -> list[tuple[AlongRow, float]]:
    """Return the observations at the inside top, where the camera looks."""
    return [(row, y + np.nan_to_num(profile.bore_m)) for row, y in profile.seen]


def _draw_rows(axes: Axes, rows: Sequence[tuple[AlongRow, float]], zorder: float) -> None:
    if not rows:
        return
    style = style_of(rows[0][0].layer)
    for rule in style.rule:
        here = [(row.chainage_m, y) for row, y in rows if style.rule_of(row) is rule]
        draw_points(axes, np.array(here).reshape(-1, 2), symbols.point_looks(rule.as_point), zorder)


def _labels(view: RecordView, piece: Piece) -> list[Label]:
    pipe, seen, stops = map(colour_of, ("pipe_segments", "pipe_observations", "transmitter_fixes"))
    bore = np.nan_to_num(piece.profile.bore_m)
    labels = []
    for node, y in piece.holds(piece.profile.nodes):
        name = "end" if node.kind == "end_located" else node_name(view, node).split(", nearest")[0]
        labels.append(Label(node.chainage_m, y, fitted(name, 34.0, 6.0), pipe, 6.0, "bold"))
    for row, y in piece.holds(piece.profile.seen):
        labels.append(Label(row.chainage_m, y + bore, fitted(row.name, 24.0, 6.0), seen, 6.0))
    for fix, y in piece.holds(piece.profile.fixes):
        ground = ground_of(view, fix)
        text = fitted(fix.name, 16.0, 6.0)
        labels.append(Label(fix.chainage_m, y if isnan(ground) else ground, text, stops, 6.0))
    return labels


def _obstacles(profile: LineProfile, piece: Piece) -> Floats:
    """Return points (n, 2) all along ground, invert and top."""
    at = np.linspace(piece.low, piece.high, 300)
    invert, ground = known_points(profile.inverts[:, :2]), known_points(profile.ground)
    paths = [(invert, 0.0), (invert, np.nan_to_num(profile.top_m)), (ground, 0.0)]
    dense = [np.column_stack([at, np.interp(at, *p.T) + up]) for p, up in paths if len(p)]
    spots = np.array([(f.chainage_m, y) for f, y in profile.fixes]).reshape(-1, 2)
    return np.vstack([*dense, spots])


# ---- the band of figures --------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class BandLine:
    """One row of the band under a profile."""

    name: str
    height: float
    is_gradient: bool = False


def band_lines(view: RecordView) -> tuple[BandLine, ...]:
    """Return the rows of the band: levels, or depths alone."""
    unit, tape, along = view.unit, view.measure.head, view.word("distance along pipe")
    if view.depth_only:
        return (
            BandLine(f"{along}, {unit}", 7.8),
            BandLine(f"to invert, {tape}", _tall(view)),
            BandLine(f"cover, {tape}", _tall(view)),
        )
    return (
        BandLine(f"{along}, {unit}", 7.8), BandLine(f"ground, {unit}", 9.6),
        BandLine(f"invert, {unit}", 9.6), BandLine(f"cover, {tape}", _tall(view)),
        BandLine(f"{view.word('fall of the pipe')}, %", 5.6, True),
    )  # fmt: skip


def _tall(view: RecordView) -> float:
    """Return the height of a row of depths, turned to stand upright, in mm."""
    return 12.4 if view.measure.unit == "ft-in" else 7.8


def band_mm(view: RecordView) -> float:
    """Return the height of the band and the title, what a panel needs besides the graph."""
    return TOP + sum(r.height for r in band_lines(view)) + 1.0


def _draw_band(canvas: Canvas, inner: Box, view: RecordView, piece: Piece, mm: float) -> None:
    """Draw the band below the graph `inner`, `mm` of paper to the metre of chainage."""
    side = SIDE / mm
    y = inner.foot
    stations = _stations(piece, mm)
    unsized = isnan(piece.profile.top_m)
    for n, row in enumerate(band_lines(view)):
        cell = Box(inner.x - LEFT, y, inner.width + LEFT, row.height)
        canvas.frame(cell, lw=0.35)
        name = row.name
        if unsized and name.startswith("to invert"):  # all that is known is where the camera was
            name = name.replace("to invert", "transmitter")
        canvas.words(cell.x + 1.0, y + row.height / 2, name, 6.0, room=LEFT - 1.2)
        if unsized and name.startswith("cover"):
            canvas.words(inner.x + 1.5, y + row.height / 2, "no outside size given",
                         6.0, room=inner.width - 2.0)  # fmt: skip
        elif row.is_gradient:
            _grades(canvas, inner, Box(inner.x, y, inner.width, row.height), piece, mm)
        else:
            for chainage in stations:
                x = inner.x + (chainage - piece.low + side) * mm
                text = _figure(view, piece.profile, chainage, n)
                canvas.words(x, y + row.height / 2, text, 6.0, turned=True, align="center")
        y += row.height
    canvas.rule(inner.x, inner.foot, inner.x, y, lw=0.35)
    for chainage in stations:
        x = inner.x + (chainage - piece.low + side) * mm
        canvas.rule(x, inner.foot - 1.2, x, inner.foot, lw=0.35)


def _stations(piece: Piece, mm: float) -> list[float]:
    """Return the chainages that figures are given for: nodes first, then stops, none too near."""
    kept: list[float] = []
    nodes, fixes = piece.holds(piece.profile.nodes), piece.holds(piece.profile.fixes)
    for at in chain((n.chainage_m for n, _ in nodes), (f.chainage_m for f, _ in fixes)):
        if all(abs(at - other) * mm >= _COLUMN for other in kept):
            kept.append(at)
    return sorted(kept)


def _figure(view: RecordView, profile: LineProfile, chainage: float, row: int) -> str:
    if row == 0:
        return view.length(chainage)
    invert = _at(profile.inverts[:, :2], chainage)
    ground = _at(profile.ground, chainage)
    about = ""
    here = [(n, y) for n, y in profile.nodes if abs(n.chainage_m - chainage) < _SAME_M]
    if here:
        node, invert = here[0]
        about = "≈" if node.carried_on else ""
        ground = ground if isnan(node.ground_level_m) else node.ground_level_m
    cover = ground - invert - profile.top_m
    if view.depth_only:
        return about + view.measure.bare(-invert if row == 1 else cover)
    told = view.measure.bare(cover) if row == 3 else view.length((ground, invert)[row - 1])
    return about * (row > 1) + told


def _at(path: Floats, chainage: float) -> float:
    path = known_points(path)
    if not len(path) or not path[0, 0] - _SAME_M <= chainage <= path[-1, 0] + _SAME_M:
        return nan
    return float(np.interp(chainage, *path.T))


def _grades(canvas: Canvas, inner: Box, cell: Box, piece: Piece, mm: float) -> None:
    """Write each gradient that levels show, with its ±, where they fit between its ends."""
    for s in piece.profile.segments:
        ends = np.clip([s.from_chainage_m, s.to_chainage_m], piece.low, piece.high)
        a, b = inner.x + (ends - piece.low + SIDE / mm) * mm
        if b <= a:
            continue
        for x in (a, b):
            canvas.rule(x, cell.y, x, cell.foot, lw=0.3)
        if isnan(s.gradient):
            continue
        lines = [number(100 * s.gradient, "{:.1f}") if s.fall_shown else DASH]
        if s.fall_shown and not isnan(s.gradient_sigma):
            lines.append(f"± {off_by(100 * INTERVAL_95 * s.gradient_sigma, 1)}")
        step = line_mm(6.0)
        lines = [line for line in lines if width_mm(line, 6.0) <= b - a - 0.4]
        top = cell.y + (cell.height - step * len(lines)) / 2
        for n, line in enumerate(lines):
            canvas.words((a + b) / 2, top + (n + 0.5) * step, line, 6.0, align="center")
