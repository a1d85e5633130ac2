"""What a spot of a record rests on, as PDF: the house's tables, caution and title block."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Final

import numpy as np

from lateralline.draw.paper import OFFICE_PAPERS, paper_size
from lateralline.errors import extra
from lateralline.explain import Explanation
from lateralline.explain.content import compared, said, sources_of
from lateralline.output import whole_file
from lateralline.record.view import RecordView

_SHARES: Final = (16, 100)
_NOTE: Final = "lengths in metres; the arithmetic with the numbers of the record put in"


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

    figures = [
        [f.what, said(f.value), "" if f.unit == "1" else f.unit, f.formula, f.worked, compared(f)]
        for f in told.figures
    ]
    heads = [
        TableColumn("figure", 24), TableColumn("value", 9, "right"), TableColumn("", 4),
        TableColumn("formula", 34), TableColumn("with its numbers", 34),
        TableColumn("the record's own", 22),
    ]  # fmt: skip
    sections = [
        texts(told.title, told.said),
        TableSection("How the figures come about", _NOTE, heads, figures),
        *(
            TableSection(
                t.title,
                t.note,
                [
                    TableColumn(head, _share(cells))
                    for head, *cells in zip(t.heads, *t.rows, strict=True)
                ],
                t.rows,
            )
            for t in told.tables
        ),
        texts("Findings here", told.findings),
        texts("Assumed", told.assumed),
        texts("Sources of the formulas", sources_of(told)),
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


def _share(cells: Sequence[str]) -> float:
    """Return a column's share of the width: as its longest text asks, within bounds."""
    return float(np.clip(max(map(len, cells), default=0), *_SHARES))
