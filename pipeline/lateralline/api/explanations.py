"""What a figure of a built record rests on: in words, numbers, and on paper.

No explanation is a clearance to dig, and each says so.
"""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path

from lateralline.draw.explained import draw_explanation
from lateralline.explain import Explanation, explain
from lateralline.explain.content import lines_of
from lateralline.record.view import read_record

__all__ = ["Explanation", "as_plain", "explain", "explain_to", "lines_of"]


def explain_to(told: Explanation, gpkg: Path, out: Path, *, paper: str, replace: bool) -> int:
    """Write an explanation of a record as PDF and return its pages; raises `draw_explanation`."""
    view = read_record(gpkg, told.site_id)
    return draw_explanation(told, view, out, paper=paper, replace=replace)


def as_plain(told: Explanation) -> dict[str, object]:
    """Return an explanation as plain values for a document; lengths are in metres.

    Each figure says whether the record holds the same (`agrees`), with its source in words.
    """
    from lateralline.explain.content import SOURCES

    figures = [{**asdict(f), "source": SOURCES[f.source], "agrees": f.agrees} for f in told.figures]
    tables = [
        {"title": t.title, "note": t.note,
         "rows": [dict(zip(t.heads, row, strict=True)) for row in t.rows]}
        for t in told.tables
    ]  # fmt: skip
    whole = asdict(told)
    return {**whole, "figures": figures, "tables": tables, "record": dict(told.record)}
