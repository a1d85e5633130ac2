"""What no page goes without: the caution and the title block."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from lateralline import __version__
from lateralline.draw import symbols
from lateralline.draw.canvas import Canvas, width_mm, wrapped
from lateralline.draw.paper import MARGIN_MM, Box
from lateralline.record.view import DASH, RecordView

_CAUTION_MM: Final = 10.0
_ROW_MM: Final = 8.4
_WIDE_MM: Final = 250.0  # a title block of two rows needs as much
_GAP: Final = 2.0


@dataclass(frozen=True, slots=True)
class Title:
    """What the title block says of this one sheet."""

    sheet: int
    sheets: int
    scales: str


def body_of(width: float, height: float) -> Box:
    """Return the part of a page that drawings and tables may fill."""
    inside = width - 2 * MARGIN_MM
    foot = _CAUTION_MM + _rows(inside) * _ROW_MM + _GAP
    return Box(MARGIN_MM, MARGIN_MM, inside, height - 2 * MARGIN_MM - foot)


def draw(canvas: Canvas, view: RecordView, title: Title) -> None:
    """Draw caution and title block at the foot of a page."""
    body = body_of(canvas.width, canvas.height)
    caution = Box(body.x, body.foot + _GAP, body.width, _CAUTION_MM)
    draw_caution(canvas, caution, view.caution)
    _title(canvas, Box(body.x, caution.foot, body.width, _rows(body.width) * _ROW_MM), view, title)


def draw_caution(canvas: Canvas, box: Box, caution: str) -> None:
    """Write the caution into a box, framed, in letters as large as two lines allow."""
    canvas.frame(box, fc=symbols.WARN_PAPER, ec=symbols.WARN, lw=1.6)
    size = 8.6
    while len(wrapped(caution, box.width - 4.0, size, bold=True)) > 2 and size > 6.0:
        size -= 0.2
    lines = wrapped(caution, box.width - 4.0, size, 2, bold=True)
    for n, line in enumerate(lines):
        y = box.y + box.height * (n + 0.5 + 0.5 * (2 - len(lines))) / 2
        y += (0.7, -0.7)[n] if len(lines) == 2 else 0.0
        canvas.words(box.x + box.width / 2, y, line, size, bold=True, align="center",
                     colour=symbols.WARN)  # fmt: skip


def _rows(width: float) -> int:
    return 2 if width >= _WIDE_MM else 3


def _title(canvas: Canvas, box: Box, view: RecordView, title: Title) -> None:
    crs = view.lineage.crs_name if view.crs is not None else "sketch on invented axes"
    units = "metres" if not view.in_feet else {"ft": "feet", "us-ft": "US survey feet"}[view.unit]
    coordinates = {"°": "degrees", "m": "metres"}.get(view.coordinate_unit, view.coordinate_unit)
    head = [
        ("site", view.site_id, 30, 11.0),
        ("name", view.name, 56, 8.5),
        ("surveyed", view.lineage.surveyed or DASH, 22, 7.5),
        ("surveyed by", view.lineage.surveyor or DASH, 30, 6.8),
        ("kind of record", "as-built from field marks", 40, 6.8),
        ("sheet", f"{title.sheet} of {title.sheets}", 18, 9.0),
    ]  # fmt: skip
    systems = [
        ("coordinates", f"{crs} ({coordinates})", 62, 6.8),
        ("levels", "none: depths below ground only" if view.depth_only else view.datum, 52, 6.8),
        ("lengths in", units, 30, 6.8),
    ]
    made = [
        ("scales", title.scales, 68, 6.8),
        ("made by", f"lateralline {__version__}", 30, 6.8),
        ("source (SHA-256)", f"asbuilt.gpkg {view.sha256[:12]}", 48, 6.8),
    ]
    rows = [head, systems + made] if _rows(box.width) == 2 else [head, systems, made]
    for n, cells in enumerate(rows):
        whole = sum(share for _, _, share, _ in cells)
        x = box.x
        for name, text, share, size in cells:
            cell = Box(x, box.y + n * _ROW_MM, box.width * share / whole, _ROW_MM)
            canvas.frame(cell, lw=0.5)
            room = cell.width - 2.4
            canvas.words(cell.x + 1.2, cell.y + 1.9, name, 6.0, room=room, colour=symbols.GREY)
            bold = n == 0
            if size < 7.0 and width_mm(text, size, bold=bold) > room:
                for k, line in enumerate(wrapped(text, room, 6.0, 2)):
                    canvas.words(cell.x + 1.2, cell.y + 4.1 + 2.4 * k, line, 6.0, room=room)
            else:
                canvas.words(cell.x + 1.2, cell.y + 5.4, text, size, room=room, bold=bold)
            x += cell.width
