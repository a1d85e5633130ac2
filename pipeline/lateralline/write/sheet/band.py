"""The band of figures under a profile: what a longitudinal section says at each station."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from lateralline.derive.ellipses import INTERVAL_95
from lateralline.records import Floats
from lateralline.write.picture.scene import number
from lateralline.write.sheet.canvas import Canvas, line_mm, width_mm
from lateralline.write.sheet.paper import Box
from lateralline.write.sheet.pieces import LEFT, SIDE, TOP, Piece
from lateralline.write.sheet.profile_data import Profile
from lateralline.write.sheet.site import Site

_COLUMN: Final = 2.9  # figures stand no nearer


@dataclass(frozen=True, slots=True)
class Row:
    """One row of the band under a profile."""

    name: str
    height: float


def rows(site: Site) -> tuple[Row, ...]:
    """Return the rows of the band: levels, or depths alone."""
    unit = site.unit
    if site.depth_only:
        return (
            Row(f"chainage, {unit}", 7.8),
            Row(f"to invert, {unit}", 7.8),
            Row(f"cover, {unit}", 7.8),
        )
    return (
        Row(f"chainage, {unit}", 7.8), Row(f"ground, {unit}", 9.6), Row(f"invert, {unit}", 9.6),
        Row(f"cover, {unit}", 7.6), Row("grade, %", 5.6),
    )  # fmt: skip


def band_mm(site: Site) -> float:
    """Return the height of the band and the title, what a panel needs besides the graph."""
    return TOP + sum(r.height for r in rows(site)) + 1.0


def draw_band(canvas: Canvas, inner: Box, site: Site, piece: Piece, mm: float) -> None:
    """Draw the band below the graph `inner`, `mm` of paper to the metre of chainage."""
    side = SIDE / mm
    y = inner.foot
    table = rows(site)
    stations = _stations(piece, mm)
    for n, row in enumerate(table):
        cell = Box(inner.x - LEFT, y, inner.width + LEFT, row.height)
        canvas.frame(cell, lw=0.35)
        unsized = bool(np.isnan(piece.profile.top_m))
        name = row.name
        if unsized and name.startswith("to invert"):  # all that is known is where the camera was
            name = name.replace("to invert", "transmitter")
        canvas.words(cell.x + 1.0, y + row.height / 2, name, 6.0, room=LEFT - 1.2)
        if unsized and name.startswith("cover"):
            canvas.words(inner.x + 1.5, y + row.height / 2, "no outside size given",
                         6.0, room=inner.width - 2.0)  # fmt: skip
        elif row.name.startswith("grade"):
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
        for at in piece.holds(rows_)["chainage_m"]:
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
        lines = [line for line in lines if width_mm(line, 6.0) <= b - a - 0.4]
        top = cell.y + (cell.height - step * len(lines)) / 2
        for n, line in enumerate(lines):
            canvas.words((a + b) / 2, top + (n + 0.5) * step, line, 6.0, align="center")
