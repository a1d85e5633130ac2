"""What a figure of a built record rests on: in words, numbers, and on paper.

No explanation is a clearance to dig, and each says so.
"""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path

from lateralline.draw.explained import draw_explanation
from lateralline.explain import ExplainedFigure, ExplainedTable, Explanation, explain
from lateralline.explain.content import lines_of, numbered
from lateralline.record.view import read_record

__all__ = ["Explanation", "as_plain", "explain", "explain_to", "lines_of"]


def explain_to(told: Explanation, gpkg: Path, out: Path, *, paper: str, replace: bool) -> int:
    """Write an explanation of a record as PDF and return its pages; raises `draw_explanation`."""
    view = read_record(gpkg, told.site_id)
    return draw_explanation(told, view, out, paper=paper, replace=replace)


def as_plain(told: Explanation) -> dict[str, object]:
    """Return an explanation as plain values for a document; lengths are in metres.

    Each figure says whether the record holds the same (`agrees`); its sources and those of tables
    are numbers of `sources`, with the place in each.
    """
    numbers = numbered(told.figures, told.tables)

    def cites(of: ExplainedFigure | ExplainedTable) -> list[dict[str, object]]:
        return [{"number": numbers[source.text], "at": source.at} for source in of.sources]

    figures = [{**asdict(f), "sources": cites(f), "agrees": f.agrees} for f in told.figures]
    tables = [
        {"title": t.title, "note": t.note, "sources": cites(t),
         "rows": [dict(zip(t.heads, row, strict=True)) for row in t.rows]}
        for t in told.tables
    ]  # fmt: skip
    sources = [{"number": number, "text": text} for text, number in numbers.items()]
    whole = asdict(told)
    return {
        **whole, "figures": figures, "tables": tables, "sources": sources,
        "record": dict(told.record),
    }  # fmt: skip
