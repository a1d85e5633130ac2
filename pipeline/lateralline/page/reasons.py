"""What all on a page rests on, as its script has it: the texts of `explain`, each once."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import groupby
from typing import Final

from lateralline.explain.content import (
    HOW,
    ExplainedSource,
    compared,
    numbered,
    said,
)
from lateralline.explain.whole import WholeSpot, explain_all, place_step
from lateralline.record.rows import FindingRow
from lateralline.record.view import RecordView

#: A page tells the reasons where there are so many stops at most; of more, `explain` tells each.
MOST_EXPLAINED: Final = 60
#: What stands over the spots of each kind.
_HEADS: Final = {
    "site": "Site and record", "line": "Lines", "run": "Runs", "segment": "Segments",
    "stop": "Stops", "node": "Nodes", "exposure": "Exposures",
    "observation": "Seen by the camera", "mark": "Marks", "control point": "Control points",
    "baseline": "Baselines", "place": "Places along the pipe", "finding": "Findings",
}  # fmt: skip


def told_why(view: RecordView, findings: Sequence[FindingRow]) -> dict[str, object]:
    """Return what all with a name rests on; texts that many share are told by their number.

    `groups` are the spots by kind, in order; `of` says which spot tells of a stop, node,
    observation, control point, finding (in the order of `findings`) and line of the page, each in
    its own order, None for none.
    """
    every = explain_all(view) if len(view.fixes) <= MOST_EXPLAINED else []
    numbers = numbered(*(part for spot in every for part in (spot.told.figures, spot.told.tables)))
    shared = _Shared(numbers)
    kinds = groupby(every, key=lambda spot: spot.meant.kind)
    return {
        "groups": [[_HEADS[kind], [shared.spot(spot) for spot in spots]] for kind, spots in kinds],
        "texts": list(shared.texts),
        "sources": list(numbers),
        "how": HOW,
        "apart": "" if (step := place_step(view)) is None else f"{step:g} {view.measure.plain}",
        "of": _which(view, every, findings),
    }


class _Shared:
    """Texts by number, as spots come to them."""

    def __init__(self, sources: Mapping[str, int]) -> None:
        self.texts: dict[object, int] = {}
        self._sources = sources

    def number(self, text: object) -> int:
        """Return the number of a text, or of texts in tuples."""
        return self.texts.setdefault(text, len(self.texts))

    def cited(self, sources: Sequence[ExplainedSource]) -> int:
        """Return the number of sources, each by its own number and those of row and columns."""
        return self.number(
            tuple(
                (self._sources[s.text], *(self.number(part) for part in (s.row, s.columns) if part))
                for s in sources
            )
        )

    def spot(self, spot: WholeSpot) -> list[object]:
        """Return title, words, figures, tables, what it leads to, and where a place lies."""
        figures = [
            [self.number(f.what), said(f.value) + ("" if f.unit == "1" else f" {f.unit}"),
             self.number(f.formula), f.worked, self.number(compared(f, why=False)),
             self.number(f.why), self.cited(f.sources)]
            for f in spot.told.figures
        ]  # fmt: skip
        tables = [
            [self.number(t.title), self.number(t.heads), self.number(t.rows), self.number(t.note),
             self.cited(t.sources)]
            for t in spot.told.tables
        ]  # fmt: skip
        words = [self.number(text) for text in spot.told.said]
        at = [spot.line, spot.chainage_m] if spot.line else []
        return [spot.title, words, figures, tables, spot.leads, *at]


def _which(
    view: RecordView, every: Sequence[WholeSpot], findings: Sequence[FindingRow]
) -> dict[str, list[int | None]]:
    """Return which spot tells of each thing on the page, by kind."""
    by_name = {(spot.meant.kind, spot.meant.named): n for n, spot in enumerate(every)}
    by_row = {id(spot.row): n for n, spot in enumerate(every) if spot.row is not None}

    def first(*keys: tuple[str, str]) -> int | None:
        return next((by_name[key] for key in keys if key in by_name), None)

    return {
        "stops": [first(("stop", fix.name)) for fix in view.fixes],
        "nodes": [
            first(("exposure", node.ref), ("stop", node.ref), ("node", node.node_id))
            for node in view.line_nodes
        ],
        "seen": [first(("observation", seen.observation_id)) for seen in view.observations],
        "control": [first(("control point", p.point), ("site", "site")) for p in view.control],
        "findings": [by_row.get(id(row)) for row in findings],
        "lines": [first(("line", row.line_id)) for row in view.centrelines],
    }
