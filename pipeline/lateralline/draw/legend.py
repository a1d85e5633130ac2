"""The key: every sign that a drawing uses, with its name."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, isnan
from typing import Final

from lateralline.draw import symbols
from lateralline.draw.canvas import Canvas, width_mm
from lateralline.draw.paper import Box
from lateralline.draw.symbols import AreaLook, LineLook, PointLook
from lateralline.record.rows import MarkRow, PointRow, SegmentRow, ZoneRow
from lateralline.record.symbology import area_of, sign, style_of
from lateralline.record.view import RecordView

_ENTRY_MM: Final = 4.0  # height of a line of the key
_SIGN: Final = 8.0


@dataclass(frozen=True, slots=True)
class LegendEntry:
    """One sign, of parts drawn over one another, and what it means."""

    text: str
    points: tuple[PointLook, ...] = ()
    lines: tuple[LineLook, ...] = ()
    area: AreaLook | None = None
    hatch: str = ""  # of the area
    earth: bool = False  # hatched below its line, as ground is


def height_mm(view: RecordView, width: float) -> float:
    """Return the height the key takes."""
    return ceil(len(entries(view)) / _columns(view, width)) * _ENTRY_MM + 2.0


def draw(canvas: Canvas, box: Box, view: RecordView) -> None:
    """Draw every sign that the sheets use, with its name."""
    canvas.frame(box, lw=0.35)
    listed = entries(view)
    columns = _columns(view, box.width)
    width = box.width / columns
    deep = ceil(len(listed) / columns)
    for n, entry in enumerate(listed):
        x = box.x + (n // deep) * width + 1.5
        y = box.y + 1.0 + (n % deep + 0.5) * _ENTRY_MM
        draw_sign(canvas, x, y, entry)
        canvas.words(x + _SIGN + 1.5, y, entry.text, 6.0, room=width - _SIGN - 4.0)


def draw_sign(canvas: Canvas, x: float, y: float, entry: LegendEntry) -> None:
    """Draw a sign whose left end is at (x, y)."""
    if entry.area is not None:
        canvas.frame(Box(x, y - 1.3, _SIGN, 2.6), hatch=entry.hatch, **entry.area)
    if entry.earth:
        canvas.frame(Box(x, y, _SIGN, 1.3), fc="none", ec=entry.lines[0]["color"], lw=0,
                     hatch=symbols.EARTH_HATCH)  # fmt: skip
    for line in entry.lines:
        canvas.rule(x, y, x + _SIGN, y, **line)
    canvas.symbol(x + _SIGN / 2, y, *entry.points)


def entries(view: RecordView) -> list[LegendEntry]:
    """Return all that is drawn of a record."""
    found = _points(view.nodes)
    found += _points(view.rows(MarkRow))
    found += _fixes(view)
    found += _points(view.observations)
    found += _points([row for row in view.control if row.geometry is not None])
    found += _pipe(view)
    zones = view.rows(ZoneRow)
    if zones:
        whole = area_of("dig_zone", zone="tolerance_and_corridor")
        near = area_of("dig_zone", zone="tolerance")
        found += [
            LegendEntry("dig zone: tolerance about the corridor", area=symbols.area_look(whole)),
            LegendEntry("tolerance about the pipe as located", area=symbols.area_look(near)),
        ]
    return found


def _columns(view: RecordView, width: float) -> int:
    """Return how many entries stand side by side, none of them cut short."""
    widest = max((width_mm(e.text, 6.0) for e in entries(view)), default=30.0)
    return max(int(width / (widest + _SIGN + 4.5)), 1)


def _points(rows: tuple[PointRow, ...] | list[PointRow]) -> list[LegendEntry]:
    """Return an entry for each rule that draws a row with a place."""
    if not rows:
        return []
    style = style_of(rows[0].layer)
    drawn = [style.rule_of(row) for row in rows if row.geometry is not None]
    return [
        LegendEntry(_in_a_key(rule.title), symbols.point_looks(rule.point))
        for rule in style.rule
        if rule.point is not None and rule in drawn
    ]


def _fixes(view: RecordView) -> list[LegendEntry]:
    found = _points(view.fixes)
    if found:
        ellipse = symbols.sign_look("ellipse")
        ring = PointLook(marker="o", ms=7.5, mfc="none", mec=ellipse["color"], mew=ellipse["lw"])
        found.append(LegendEntry(_in_a_key(sign("ellipse").title), (ring,)))
    return found


def _pipe(view: RecordView) -> list[LegendEntry]:
    style = style_of("pipe_segments")
    drawn = [style.rule_of(row) for row in view.rows(SegmentRow)]
    if not drawn:
        return []
    found = [
        LegendEntry(_in_a_key(rule.title), lines=(symbols.line_look(rule.line),))
        for rule in style.rule
        if rule.line is not None and rule in drawn
    ]
    tops = [row.top_m for row in view.centrelines]
    if not all(map(isnan, tops)):
        found.append(_sign("outside_top"))
    if any(isnan(row.top_m) and not isnan(row.bore_m) for row in view.centrelines):
        found.append(_sign("inside_top"))
    if any(node.carried_on for node in view.nodes):
        found.append(_sign("carried_on"))
    corridor = symbols.area_look(area_of("position_corridor"))
    name = "depth" if view.depth_only else "invert"
    found.append(LegendEntry(f"95 % corridor; in profile 95 % of {name}", area=corridor))
    found.append(LegendEntry(_in_a_key(sign("ground").title), lines=(symbols.sign_look("ground"),),
                       earth=True))  # fmt: skip
    return found


def _sign(name: str) -> LegendEntry:
    return LegendEntry(_in_a_key(sign(name).title), lines=(symbols.sign_look(name),))


def _in_a_key(title: str) -> str:
    return title[0].lower() + title[1:]
