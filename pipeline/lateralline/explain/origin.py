"""Which record an explanation is of, what its coordinates went through, and what was assumed."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from functools import lru_cache
from math import nan
from pathlib import Path
from typing import Final

import numpy as np

from lateralline.explain.content import CHANGED, ExplainedSource, ToldSpot, held, said
from lateralline.output.proof import changed_since, sha256, tables_digest
from lateralline.record.layers import AnyFrame
from lateralline.record.rows import EvidenceRow, FindingRow
from lateralline.record.view import RecordView
from lateralline.wording import SEVERITY_NAMES

#: Topics of the lineage, each a table: title, remark, heads, and which columns stand in it.
_TABLES: Final = (
    ("input", "Files it was made of", "by hash; ids.csv as the build left it",
     ("item", "value", "sha256")),
    ("crs", "Frame", "what coordinates and levels count from", ("item", "value", "unit", "remark")),
    ("operation", "Coordinate operations", "1 σ in metres as published",
     ("item", "value", "accuracy_m", "remark")),
    ("missing_operation", "Better operations that were not there", "", ("item", "value")),
    ("parameter", "Accuracies and settings taken", "1 σ; what the site states or its defaults",
     ("item", "value", "unit", "remark")),
    ("source", "Published tables and rules", "", ("item", "value")),
)  # fmt: skip
_HEADS: Final = {"item": "what", "sha256": "SHA-256", "accuracy_m": "± 1 σ"}


def identity(view: RecordView) -> tuple[tuple[str, str], ...]:
    """Return which record it is: site, version, days, software, hash of its content."""
    about, rows = view.lineage, view.layers["lineage"]
    software = rows[rows["topic"] == "software"]
    made_by = ", ".join(
        f"{i} {v}" for i, v in zip(software["item"], software["value"], strict=True)
    )
    return (
        ("site", f"{view.site_id} {view.name}".strip()),
        ("version of the record", about.version or "not counted"),
        ("valid from", about.valid_from),
        ("last surveyed", about.last_surveyed),
        ("surveyed by", about.surveyor or "not named"),
        ("file", view.source.name),
        ("SHA-256 of what its tables hold", tables_digest(view.source)),
        ("SHA-256 of its bytes", sha256(view.source)),
        ("state", _state(view.source)),
        ("made with", made_by),
        ("levels", about.levels),
        ("directions", about.directions),
    )


def in_files(view: RecordView, source_rows: Iterable[str]) -> tuple[ExplainedSource, ...]:
    """Return rows of files ("marks.csv:14") as sources, each file once, by its hash."""
    hashes = _hashes(view)
    of_file: dict[str, list[str]] = {}
    for row in filter(None, source_rows):
        table = row.rpartition(":")[0]  # of a workbook with its sheet: "site.xlsx marks"
        file = next((name for name in hashes if table == name or table.startswith(f"{name} ")), "")
        of_file.setdefault(file, []).append(row)
    return tuple(
        ExplainedSource(f"{file}, SHA-256 {hashes[file]}" if file else "the files of the site",
                        ", ".join(rows))
        for file, rows in of_file.items()
    )  # fmt: skip


@lru_cache(maxsize=1)
def _hashes(view: RecordView) -> dict[str, str]:
    """Return the SHA-256 of each input file of a record, longest names first."""
    rows = view.layers["lineage"]
    rows = rows[rows["topic"] == "input"]
    named = sorted(zip(rows["item"], rows["sha256"], strict=True), key=lambda of: -len(of[0]))
    return {str(name): str(digest) for name, digest in named}


@lru_cache(maxsize=1)
def stated(view: RecordView) -> dict[str, str]:
    """Return what the lineage states, by item; the first of an item."""
    rows = view.layers["lineage"]
    return dict(zip(rows["item"][::-1], rows["value"][::-1], strict=True))


def setting(view: RecordView, item: str, otherwise: float = nan) -> float:
    """Return a number that the lineage states, in SI; `otherwise` where it states none."""
    return float(stated(view).get(item, otherwise))


def corner_of(view: RecordView) -> str:
    """Return where marks are counted from, and where that lies from the origin of the frame."""
    rows = view.layers["lineage"]
    stated = dict(zip(rows["item"], rows["value"], strict=True))
    if view.ground.crs is None:
        return "corner that is the zero of the sketch, which is the frame's origin too"
    if not {"origin x", "origin y"} <= stated.keys():
        return view.corner
    own = (float(stated["origin x"]), float(stated["origin y"]))
    origin = f"the frame's origin (x {own[0]:.9g}, y {own[1]:.9g} in {view.lineage.horizontal_crs})"
    written = rows.loc[rows["item"] == "written in", "remark"].tolist()
    if not written or str(written[0]) != view.lineage.horizontal_crs:
        return f"{view.corner}; {origin} is in another coordinate system: see the operations"
    [[east, north]] = view.ground.to_ground(np.array([own])).tolist()
    return (
        f"{view.corner} of the file; {origin} lies {said(abs(east), 2)} m "
        f"{'east' if east >= 0 else 'west'} and {said(abs(north), 2)} m "
        f"{'north' if north >= 0 else 'south'} of that corner"
    )


def _state(gpkg: Path) -> str:
    """Return whether a record is as it was written, as the manifest beside it says."""
    changed = changed_since(gpkg)
    if changed is None:
        return "no manifest beside it: nothing says whether it was changed"
    return CHANGED if changed else "as it was written"


def tell_changed(record: Sequence[tuple[str, str]], told: ToldSpot) -> None:
    """Tell before all else that somebody changed the record, where its `identity` says so."""
    if ("state", CHANGED) in record:
        told.said.insert(0, f"The record was {CHANGED}: nothing below is vouched for.")


def tell_origin(view: RecordView, told: ToldSpot) -> None:
    """Tell files, frame, operations, accuracies and published rules, all from the lineage."""
    rows = view.layers["lineage"]
    for topic, title, note, columns in _TABLES:
        some = rows[rows["topic"] == topic]
        heads = [_HEADS.get(c, c) for c in columns]
        told.table(
            title,
            note,
            heads,
            list(_texts(some, columns, note.partition("; ")[0])),
            held("lineage", topic),
        )
    doubted = [
        (e.accuracy, f"{e.reckoned_with:.6g}", e.receiver or "–", e.surveyor or "–")
        for e in view.rows(EvidenceRow)
        if e.accuracy == e.beside
    ]
    told.table(
        "Accuracies the site was solved with",
        "wider than stated where its own residuals denied those",
        ("accuracy", "1 σ", "receiver", "surveyor"),
        doubted,
        held("accuracy_evidence", "reckoned_with"),
    )


def _texts(rows: AnyFrame, columns: Iterable[str], said_above: str) -> Iterator[tuple[str, ...]]:
    """Yield the cells of rows; what is `said_above` in the remark of the table is left out."""
    for values in zip(*(rows[c] for c in columns), strict=True):
        yield tuple("" if v is None or v != v or v == said_above else
                    f"{v:.6g}" if isinstance(v, float) else str(v) for v in values)  # fmt: skip


def assumed_in(view: RecordView) -> tuple[str, ...]:
    """Return what nobody gave and the record takes for given, as its findings say it."""
    return tuple(text_of(view, row) for row in view.rows(FindingRow) if "assumed" in row.code)


def text_of(view: RecordView, row: FindingRow) -> str:
    """Return a finding in one line: how much it matters, what it is about, what was found."""
    told = "; ".join(filter(None, (row.what, row.by_how_much)))
    what_to_do = f" → {row.what_to_do}" if row.what_to_do else ""
    accepted = f" ({row.accepted})" if row.accepted else ""
    named = SEVERITY_NAMES.get(row.severity, row.severity)
    return f"{named}: {row.subject}: {view.prose(told)}{view.prose(what_to_do)}{accepted}"
