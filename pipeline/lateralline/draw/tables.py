"""Tables on a sheet: how wide their columns are, and how they run over pages.

A heading stands again on each page, rows are never torn, nothing is written over its box.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from lateralline.draw import symbols
from lateralline.draw.canvas import Canvas, line_mm, printable, unbroken, width_mm, wrapped
from lateralline.draw.paper import Align, Box

_SIZE: Final = 6.2
_NOTE_SIZE: Final = 6.0
_MOST_LINES: Final = 8  # of one cell
_PAD: Final = 1.4  # beside a cell's text
_LEADS: Final = (0.77, 0.5, 0.3)  # above and below it; the tighter where they save a page
_TITLE_MM: Final = 6.0
_GAP: Final = 4.0
_MOST_LEAST: Final = 30.0  # mm of unbroken text
_WIDEST: Final = 1.6  # a column is no wider than so many times its share in mm


@dataclass(frozen=True, slots=True)
class TableColumn:
    """A column: its heading, of which each line is kept, and its share of the width."""

    head: str
    share: float
    align: Align = "left"


@dataclass(frozen=True, slots=True)
class TableSection:
    """A table with its title."""

    title: str
    note: str
    columns: Sequence[TableColumn]
    rows: Sequence[Sequence[str]]


@dataclass(frozen=True, slots=True)
class SetTable:
    """A table whose columns have their widths, and how many lines head and rows take."""

    section: TableSection
    widths: tuple[float, ...]
    head_lines: int
    row_lines: tuple[int, ...]
    note: tuple[str, ...] = ()  # lines of it beneath the title; none where it fits beside


@dataclass(frozen=True, slots=True)
class Block:
    """A part of a table that stands on one page."""

    table: SetTable
    y: float  # mm below the top of the body
    first: int  # row
    last: int
    lead: float  # mm above and below a cell's text


def paginate(sections: Sequence[TableSection], body: Box) -> list[list[Block]]:
    """Return what stands on each page; a table is torn only between rows.

    Rows stand tighter where that saves a page that would hold next to nothing.
    """
    tables = [_set(_without_empty(section), body.width) for section in sections]
    return min((_paged(tables, body, lead) for lead in _LEADS), key=len)


def _set(section: TableSection, width: float) -> SetTable:
    widths = _widths(section, width)
    head = max(len(_head_lines(c, w)) for c, w in zip(section.columns, widths, strict=True))
    rows = (zip(row, widths, strict=True) for row in section.rows)
    deep = tuple(max(len(_lines(text, width)) for text, width in row) for row in rows)
    beside = width - width_mm(section.title, 9.0, bold=True) - 3.0
    fits = width_mm(printable(section.note), _NOTE_SIZE) <= beside
    note = () if fits else tuple(wrapped(section.note, width, _NOTE_SIZE, _MOST_LINES))
    return SetTable(section, widths, head, deep, note)


def _note_mm(table: SetTable) -> float:
    return len(table.note) * line_mm(_NOTE_SIZE) + (1.0 if table.note else 0.0)


def _paged(tables: Sequence[SetTable], body: Box, lead: float) -> list[list[Block]]:
    pages: list[list[Block]] = [[]]
    y = 0.0
    for table in tables:
        alone = _TITLE_MM + _lines_mm(table.head_lines, lead)
        heights = [_lines_mm(count, lead) for count in table.row_lines]
        first = 0
        while first < len(heights):
            head = alone + (0.0 if first else _note_mm(table))
            if y + head + heights[first] > body.height and pages[-1]:
                pages.append([])
                y = 0.0
            last, used = first, head
            while last < len(heights) and (
                y + used + heights[last] <= body.height or last == first
            ):
                used += heights[last]
                last += 1
            if len(heights) - last == 1 and last - first > 2:  # no row stands alone overleaf
                last -= 1
                used -= heights[last]
            pages[-1].append(Block(table, y, first, last, lead))
            y += used + _GAP
            first = last
    return [page for page in pages if page]


def draw_tables(canvas: Canvas, body: Box, blocks: Sequence[Block]) -> None:
    """Draw the tables of one page."""
    for block in blocks:
        _draw_block(canvas, body, block)


def _draw_block(canvas: Canvas, body: Box, block: Block) -> None:
    section, widths, lead = block.table.section, block.table.widths, block.lead
    y = body.y + block.y
    title = section.title + (" (continued)" if block.first else "")
    canvas.words(body.x, y + 2.4, title, 9.0, bold=True)
    beside = body.x + width_mm(title, 9.0, bold=True) + 3.0
    beneath = () if block.first else block.table.note
    if not block.table.note:
        room = body.right - beside
        canvas.words(beside, y + 2.7, section.note, _NOTE_SIZE, colour=symbols.GREY, room=room)
    for n, line in enumerate(beneath):
        down = y + _TITLE_MM + (n + 0.3) * line_mm(_NOTE_SIZE)
        canvas.words(body.x, down, line, _NOTE_SIZE, colour=symbols.GREY)
    y += _TITLE_MM + (_note_mm(block.table) if beneath else 0.0)
    right = body.x + sum(widths)
    canvas.rule(body.x, y, right, y, lw=0.9)
    head = _lines_mm(block.table.head_lines, lead)
    x = body.x
    for column, width in zip(section.columns, widths, strict=True):
        at = Box(x, y, width, head)
        _cell(canvas, at, _head_lines(column, width), column.align, lead, bold=True)
        x += width
    y += head
    canvas.rule(body.x, y, right, y, lw=0.6)
    for n in range(block.first, block.last):
        row, height = section.rows[n], _lines_mm(block.table.row_lines[n], lead)
        x = body.x
        for column, width, text in zip(section.columns, widths, row, strict=True):
            lines = _lines(text, width)
            _cell(canvas, Box(x, y, width, height), lines, column.align, lead)
            x += width
        y += height
        canvas.rule(body.x, y, right, y, lw=0.25, color=symbols.FAINT)


def _without_empty(section: TableSection) -> TableSection:
    """Return a table without the columns that are empty."""
    kept = [k for k in range(len(section.columns)) if any(row[k] for row in section.rows)]
    rows = [[row[k] for k in kept] for row in section.rows]
    return replace(section, columns=[section.columns[k] for k in kept], rows=rows)


def _cell(
    canvas: Canvas, box: Box, lines: Sequence[str], align: Align, lead: float, *, bold: bool = False
) -> None:
    step = line_mm(_SIZE)
    x = box.right - _PAD if align == "right" else box.x + _PAD
    for n, line in enumerate(lines):
        y = box.y + lead + (n + 0.5) * step
        canvas.words(x, y, line, _SIZE, bold=bold, align=align, room=box.width - 2 * _PAD + 0.01)


def _widths(section: TableSection, width: float) -> tuple[float, ...]:
    """Return the columns' widths in mm: shares of the page, but never sparsely wide.

    A column whose share would break its figures, or a word of its heading, takes what they need.
    """
    shares = np.array([c.share for c in section.columns])
    least = np.array([_least(section, k) for k in range(len(shares))])
    kept = np.zeros(len(shares), dtype=bool)
    while True:
        room = width - least[kept].sum()
        per = min(room / max(shares[~kept].sum(), 1e-9), _WIDEST)
        short = ~kept & (shares * per < least)
        if not short.any() or room <= 0.0:
            break
        kept |= short
    widths = np.where(kept, least, shares * max(per, 0.0))
    return tuple(float(w) for w in widths * min(width / max(widths.sum(), 1e-9), 1.0))


def _least(section: TableSection, k: int) -> float:
    """Return the width that column `k` needs for its figures and the words of its heading."""
    column = section.columns[k]
    needs = [width_mm(word, _SIZE, bold=True) for word in unbroken(column.head)]
    if column.align == "right":
        needs += [width_mm(printable(row[k]), _SIZE) for row in section.rows]
    return min(max(needs, default=0.0), _MOST_LEAST) + 2 * _PAD + 0.01


def _lines(text: str, width: float) -> list[str]:
    return wrapped(str(text), width - 2 * _PAD, _SIZE, _MOST_LINES) or [""]


def _head_lines(column: TableColumn, width: float) -> list[str]:
    room = width - 2 * _PAD
    return [
        line
        for part in column.head.split("\n")
        for line in wrapped(part, room, _SIZE, 2, bold=True)
    ]


def _lines_mm(count: int, lead: float) -> float:
    """Return how high a row of so many lines is."""
    return count * line_mm(_SIZE) + 2 * lead
