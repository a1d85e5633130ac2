"""`ids.csv`: what became of each id of a site, kept beside its tables from one build to the next.

It lies in the site's folder, beside a site that is a workbook. It is written after the site's
layers and only ever grows, so nothing in it is lost; without it, or where it cannot be written, the
same files give the same ids again, but a changed site may not.

Among the inputs of a record it is listed as the build leaves it, and so as the next one finds it: a
build of the same files makes the same record, whether or not one before had kept the ids.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import asdict, replace
from hashlib import sha256
from itertools import islice
from math import isnan
from pathlib import Path
from typing import Final

from lateralline import contract, csv_file, pictures
from lateralline.derive.ids import IdEvent
from lateralline.errors import OutputError, reason
from lateralline.ingest.intake import is_book
from lateralline.ingest.remote import read_behind, rewrite_behind, url_of
from lateralline.ingest.site_input import kept_beside
from lateralline.output import recover, rewrite
from lateralline.records import FieldRecord, IdRows, InputFile

_TABLE = "ids"
#: Files of ids that wait for the disk side by side.
_AT_ONCE: Final = 8
_NOTE = "# written by lateralline, which only adds rows; keep it with the site"


def ids_file(source: Path) -> Path:
    """Return where the ids of a site are kept, for its folder or workbook."""
    folder = source.is_dir() or (url_of(source) and not is_book(source))
    return source / f"{_TABLE}.csv" if folder else source.with_name(kept_beside(source, _TABLE))


def keep_ids(source: Path, events: Sequence[IdEvent]) -> bool:
    """Add rows to the ids of a site, those that do not stand there yet; tell whether any did not.

    Raises OutputError when the disk refuses, or somebody else writes there; UnreadableError for a
    URL that does not answer.
    """
    path = ids_file(source)
    if url_of(path):
        before = read_behind(path)
        after, new = with_events(before, events)
        if new:
            rewrite_behind(path, after, before)
        return bool(new)
    before = path.read_bytes() if path.is_file() else b""
    after, new = with_events(before, events)
    if new:
        rewrite(path, after, before)
    return bool(new)


def keep_all_ids(sites: Iterable[tuple[Path, Sequence[IdEvent]]]) -> dict[Path, str]:
    """Add rows to the ids of many sites; return why not, by the file, where that failed.

    After the record is there, since a build that did not end leaves sites as they were. Several at
    a time: what a file takes is waiting for the disk.
    """
    left, unkept = iter(sites), dict[Path, str]()
    with ThreadPoolExecutor(_AT_ONCE) as pool:
        while some := [*islice(left, 8 * _AT_ONCE)]:  # a few sites in memory at a time
            reasons = pool.map(_why_not, some)
            unkept |= {ids_file(of): why for (of, _), why in zip(some, reasons, strict=True) if why}
    return unkept


def _why_not(site: tuple[Path, Sequence[IdEvent]]) -> str:
    """Add rows to the ids of a site; return why they were not added, "" where they were."""
    try:
        keep_ids(*site)
    except (OutputError, OSError) as e:
        return reason(e)
    return ""


def recover_ids(sources: Iterable[Path]) -> None:
    """Clear what runs that were cut off left beside the ids of sites."""
    for source in (s for s in sources if not url_of(s)):
        with suppress(OSError):  # a site that cannot be read says so where it is read
            recover(ids_file(source).resolve())


def with_ids_as_left(record: FieldRecord, source: Path, events: Sequence[IdEvent]) -> FieldRecord:
    """Return a record that lists its file of ids as `keep_ids` leaves it, if there will be one.

    The files are in the order in which they are read, tables before pictures.
    """
    name, rows = ids_file(source).name, len(record.ids.id)
    content, new = with_events(record.ids.content, events)
    if not content:
        return record
    listed = InputFile(name, sha256(content).hexdigest(), len(content), rows + new)
    tables = [f for f in record.inputs if not f.name.casefold().endswith(pictures.SUFFIXES)]
    others = (f for f in tables if f.name != name)
    known = sorted((*others, listed), key=lambda f: f.name)
    return replace(record, inputs=(*known, *record.inputs[len(tables) :]))


def with_events(before: bytes, events: Sequence[IdEvent]) -> tuple[bytes, int]:
    """Return the content of a file of ids with what is not in it yet, and how many rows that is."""
    text = before.decode("utf-8-sig", errors="replace")
    there = {tuple(cells) for _, _, cells in csv_file.records(text)} if before else set()
    new = [cells for cells in map(_cells, events) if tuple(cells) not in there]
    if not new:
        return before, 0
    head = b"" if before else ids_text().encode()
    gap = b"" if not before or before.endswith((b"\n", b"\r")) else b"\n"
    return before + gap + head + "".join(map(csv_file.record, new)).encode(), len(new)


def ids_text(kept: IdRows | None = None, events: Sequence[IdEvent] = ()) -> str:
    """Return ids.csv whole: what was kept, and more behind it."""
    names = contract.load(_TABLE).names
    text = f"{_NOTE}\n" + csv_file.record(names)
    if kept is not None:
        columns = [
            (kept.position_95_m if name == "position_95" else getattr(kept, name)).tolist()
            for name in names
        ]
        rows = zip(*columns, strict=True)
        text += "".join(csv_file.record(map(_cell, row)) for row in rows)
    return text + "".join(csv_file.record(_cells(e)) for e in events)


def _cells(event: IdEvent) -> list[str]:
    values = asdict(event)
    return [_cell(values[name]) for name in contract.load(_TABLE).names]


def _cell(value: object) -> str:
    """Return a value as it stands in a cell: numbers without noise, nothing for what is not known.

    >>> _cell(2267026.285), _cell(float("nan")), _cell(0.0)
    ('2267026.285', '', '0')
    """
    if not isinstance(value, float):
        return str(value)
    return "" if isnan(value) else f"{value:.9f}".rstrip("0").rstrip(".")
