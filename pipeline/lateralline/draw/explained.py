"""What a spot of a record rests on, as PDF: the house's tables, caution and title block."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import chain
from math import ceil
from pathlib import Path
from typing import TYPE_CHECKING, Final, TypeAlias

import numpy as np

from lateralline.draw.paper import OFFICE_PAPERS, paper_size
from lateralline.errors import extra
from lateralline.explain import ExplainedTable, Explanation
from lateralline.explain.content import HOW, cited, compared, numbered, said
from lateralline.output import whole_file
from lateralline.record.view import RecordView

if TYPE_CHECKING:
    from lateralline.draw.tables import TableSection

Row: TypeAlias = tuple[str, ...]

_SHARES: Final = (16, 100)
#: Of a table as it is told, before it is laid on its side; and how many rows then lie abreast.
_MOST_COLUMNS: Final = 8
_MOST_ACROSS: Final = 4
#: Of a long table of short texts, whose parts stand side by side: parts, signs in a line of the
#: page, and signs of a cell beyond which it is wrapped.
_MOST_PARTS: Final = 3
_SIGNS_ACROSS: Final = 160
_CAPPED: Final = 30


def draw_explanation(
    told: Explanation, view: RecordView, out: Path, *, paper: str = "A4", replace: bool = False
) -> int:
    """Draw an explanation into a PDF and return its pages. Equal records give equal bytes.

    Raises MissingExtraError without matplotlib, ValueError for a paper that is none of
    OFFICE_PAPERS, and OutputExistsError when `out` is there and may not be replaced.
    """
    with extra("draw", "drawing"):
        from lateralline.draw.canvas import Canvas, pdf_pages
        from lateralline.draw.furniture import SheetTitle, body_of, draw_title_block
        from lateralline.draw.tables import TableColumn, TableSection, draw_tables, paginate
    if paper not in OFFICE_PAPERS:
        raise ValueError(f"paper must be one of {', '.join(OFFICE_PAPERS)}; got {paper!r}")

    def texts(title: str, rows: tuple[str, ...] | list[str]) -> TableSection:
        return TableSection(title, "", [TableColumn("", 165)], [[row] for row in rows])

    numbers = numbered(told.figures, told.tables)
    figures = [
        [
            f.what, said(f.value) + ("" if f.unit == "1" else f" {f.unit}"), f.formula, f.worked,
            compared(f), cited(f.sources, numbers),
        ]
        for f in told.figures
    ]  # fmt: skip
    heads = [
        TableColumn("figure", 22), TableColumn("value", 13, "right"), TableColumn("formula", 28),
        TableColumn("with its numbers", 30), TableColumn("the record's own", 42),
        TableColumn("sources", 28),
    ]  # fmt: skip
    sections = [
        texts(told.title, told.said),
        TableSection("How the figures come about", HOW, heads, figures),
        *(section for t in told.tables for section in _sections(t, cited(t.sources, numbers))),
        texts("Findings here", told.findings),
        texts("Assumed", told.assumed),
        TableSection(
            "Sources",
            "",
            [TableColumn("", 8), TableColumn("what", 155)],
            [[f"[{number}]", text] for text, number in numbers.items()],
        ),
        TableSection(
            "The record", "", [TableColumn("what", 30), TableColumn("is", 135)], told.record
        ),
    ]
    width, height = paper_size(paper, wide=False)
    about = f"{told.title} ({view.sha256[:12]})"
    with (
        whole_file(out, "explanation", replace=replace) as made,
        pdf_pages(made, "explanation", about, "lateralline") as add_page,
    ):
        body = body_of(width, height, view)
        pages = paginate([s for s in sections if s.rows], body)
        for n, blocks in enumerate(pages):
            canvas = Canvas(width, height)
            draw_tables(canvas, body, blocks)
            draw_title_block(canvas, view, SheetTitle(n + 1, len(pages), "none: tables"))
            add_page(canvas.figure)
    return len(pages)


def _sections(table: ExplainedTable, cites: str) -> list[TableSection]:
    """Return a table, one of many columns on its side, one of many short rows in parts abreast."""
    from lateralline.draw.tables import TableColumn, TableSection

    laid = [_abreast(*_with_units(table))]
    if len(table.heads) > _MOST_COLUMNS:
        groups = (table.rows[n : n + _MOST_ACROSS] for n in range(0, len(table.rows), _MOST_ACROSS))
        sides = ([*zip(table.heads, *rows, strict=True)] for rows in groups)
        laid = [(heads, tuple(rows)) for heads, *rows in sides]
    about = "; ".join(filter(None, (table.note, f"from {cites}")))
    return [
        TableSection(
            table.title,
            "" if n else about,
            [TableColumn(head, _share(cells)) for head, *cells in zip(heads, *rows, strict=True)],
            rows,
        )
        for n, (heads, rows) in enumerate(laid)
    ]


def _with_units(table: ExplainedTable) -> tuple[Row, tuple[Row, ...]]:
    """Return a table with each value's unit behind it, where that has a column of its own."""
    if not {"value", "unit"} <= set(table.heads):
        return table.heads, table.rows
    value, unit = table.heads.index("value"), table.heads.index("unit")

    def merged(row: Row) -> Row:
        said = row[value] if row[unit] in ("", "1") else f"{row[value]} {row[unit]}"
        return tuple(said if n == value else t for n, t in enumerate(row) if n != unit)

    heads = tuple(head for head in table.heads if head != "unit")
    return heads, tuple(map(merged, table.rows))


def _abreast(heads: Row, rows: tuple[Row, ...]) -> tuple[Row, tuple[Row, ...]]:
    """Return a long table of short texts in parts that stand side by side."""
    signs = sum(
        min(max(map(len, column)), _CAPPED) + 2 for column in zip(heads, *rows, strict=True)
    )
    parts = min(_MOST_PARTS, int(_SIGNS_ACROSS // signs))
    if len(rows) < _MOST_COLUMNS or parts < 2:
        return heads, rows
    deep = ceil(len(rows) / parts)
    blank = ("",) * len(heads)
    padded = [*rows, *[blank] * (deep * parts - len(rows))]
    beside = zip(*(padded[n * deep : (n + 1) * deep] for n in range(parts)), strict=True)
    return heads * parts, tuple(tuple(chain.from_iterable(row)) for row in beside)


def _share(cells: Sequence[str]) -> float:
    """Return a column's share of the width: as its longest text asks, within bounds."""
    return float(np.clip(max(map(len, cells), default=0), *_SHARES))
