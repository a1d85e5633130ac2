"""What a spot of a record rests on, as PDF: the house's tables, caution and title block."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

from lateralline.draw.paper import OFFICE_PAPERS, paper_size
from lateralline.errors import extra
from lateralline.explain import ExplainedTable, Explanation
from lateralline.explain.content import HOW, cited, compared, numbered, said
from lateralline.output import whole_file
from lateralline.record.view import RecordView

if TYPE_CHECKING:
    from lateralline.draw.tables import TableSection

_SHARES: Final = (16, 100)
#: Of a table as it is told, before it is laid on its side; and how many rows then lie abreast.
_MOST_COLUMNS: Final = 8
_MOST_ACROSS: Final = 6
_MOST_BESIDE: Final = 110  # signs of a remark that stands beside a title and is not cut


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
        return TableSection(title, "", [TableColumn("", 100)], [[row] for row in rows])

    numbers = numbered(told.figures, told.tables)
    figures = [
        [
            f.what, said(f.value), "" if f.unit == "1" else f.unit, f.formula, f.worked,
            compared(f), cited(f.sources, numbers),
        ]
        for f in told.figures
    ]  # fmt: skip
    heads = [
        TableColumn("figure", 22), TableColumn("value", 9, "right"), TableColumn("", 4),
        TableColumn("formula", 32), TableColumn("with its numbers", 32),
        TableColumn("the record's own", 32), TableColumn("sources", 32),
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
            [TableColumn("", 8), TableColumn("what", 100)],
            [[f"[{number}]", text] for text, number in numbers.items()],
        ),
        TableSection(
            "The record", "", [TableColumn("what", 30), TableColumn("is", 100)], told.record
        ),
    ]
    width, height = paper_size(paper, wide=True)
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
    """Return a table, one of many columns on its side, and below what there is to know of it."""
    from lateralline.draw.tables import TableColumn, TableSection

    laid = [(table.heads, table.rows)]
    if len(table.heads) > _MOST_COLUMNS:
        groups = (table.rows[n : n + _MOST_ACROSS] for n in range(0, len(table.rows), _MOST_ACROSS))
        sides = ([*zip(table.heads, *rows, strict=True)] for rows in groups)
        laid = [(heads, tuple(rows)) for heads, *rows in sides]
    about = "; ".join(filter(None, (table.note, f"from {cites}")))
    beside, below = (about, "") if len(about) <= _MOST_BESIDE else ("", about)
    return [
        *(
            TableSection(
                table.title,
                beside,
                [
                    TableColumn(head, _share(cells))
                    for head, *cells in zip(heads, *rows, strict=True)
                ],
                rows,
            )
            for heads, rows in laid
        ),
        TableSection("", "", [TableColumn("", 160)], [[below]] if below else []),
    ]


def _share(cells: Sequence[str]) -> float:
    """Return a column's share of the width: as its longest text asks, within bounds."""
    return float(np.clip(max(map(len, cells), default=0), *_SHARES))
