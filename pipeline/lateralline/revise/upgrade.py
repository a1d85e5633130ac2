"""A site's files with the names of version 2 of the schemas, and nothing else changed.

Lines, comments, order, quotes, line ends and encoding stay; where a row of method polar had its
distance and bearing in the columns of a baseline, two columns follow those and hold them. In a
workbook (`write.upgraded_workbook`) they follow the last column. The old site is not touched.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from lateralline import csv_file
from lateralline.ingest.intake import BOM, SITE_FILE, UTF16, is_book
from lateralline.ingest.ledger import Ledger
from lateralline.ingest.sections import find_lines
from lateralline.ingest.site_input import raw_site
from lateralline.ingest.tables import column_title, separator_of, trimmed
from lateralline.ingest.version_1 import POLAR, as_key
from lateralline.ingest.workbook import TABLES
from lateralline.output import refuse_target, whole_file, whole_folder
from lateralline.renamed import (
    input_columns,
    input_values,
    polar_columns,
    section_keys,
    section_values,
)
from lateralline.revise.added import ADDED_FILE, read_added
from lateralline.revise.merge import copy_rest, keep_apart, with_grids_found
from lateralline.write.upgraded_workbook import retitled, upgraded_workbook

#: Text files of settings, and the table of the schemas each is declared by.
_TOML: Final[Mapping[str, str]] = {SITE_FILE: "site", ADDED_FILE: "site", "codes.toml": "codes"}


@dataclass(frozen=True, slots=True)
class Upgrade:
    """What an upgrade wrote: the files in which names changed; none = nothing was to be done."""

    out: Path
    changed: tuple[str, ...]


def upgrade(site: Path, out: Path) -> Upgrade:
    """Write a site, a folder or a workbook, with the names of version 2 to `out`.

    A folder of what is added to a site is taken too.
    Nothing is written where nothing is to be done. Raises SiteFaultsError for a site whose files
    cannot be taken apart, and where one of them has both names of one quantity; OutputExistsError
    when `out` is there, or does not lie apart from `site`.
    """
    keep_apart(out, site)
    refuse_target(out, "", replace=False)
    files = _files(site)
    _refuse_what_cannot_be_read(site, files)
    new = {path.name: data for path in files if (data := _upgraded(path)) is not None}
    changed = tuple(sorted(new))
    if not changed:
        return Upgrade(out, ())
    if not site.is_dir():
        with whole_file(out) as made:
            made.write_bytes(new[site.name])
        return Upgrade(out, changed)
    with whole_folder(out) as made:
        copy_rest(site, made, new.keys())
        for name, content in new.items():
            (made / name).write_bytes(content)
        settings = made / SITE_FILE
        if settings.is_file():
            text = settings.read_bytes().decode("utf-8")
            found = with_grids_found(text, site, out)
            if found != text:
                settings.write_bytes(found.encode("utf-8"))
    return Upgrade(out, changed)


def _refuse_what_cannot_be_read(site: Path, files: Sequence[Path]) -> None:
    """Raise SiteFaultsError for a site, or a folder of what is added to one, with such files."""
    settings = any(path.name == SITE_FILE or is_book(path) for path in files)
    if site.is_dir() and files and not settings:
        ledger = Ledger()
        read_added(site, ledger)
        ledger.raise_faults(site.name)
        return
    raw_site(site)


def _files(site: Path) -> list[Path]:
    """Return the files of a site that may hold names of the schemas."""
    if not site.is_dir():
        return [site]
    ours = {*(f"{name}.csv" for name in TABLES), *_TOML}
    return [p for p in sorted(site.iterdir()) if p.is_file() and (p.name in ours or is_book(p))]


def _upgraded(path: Path) -> bytes | None:
    """Return the new content of a file; None when it stays as it is."""
    data = path.read_bytes()
    if is_book(path):
        return upgraded_workbook(path.name, data)
    text, encoding = _text(data)
    if path.name in _TOML:
        new = upgraded_toml(_TOML[path.name], text)
    else:
        new = upgraded_csv(path.stem, text)
    return None if new == text else new.encode(encoding)


def _text(data: bytes) -> tuple[str, str]:
    """Return a text and an encoding that gives its bytes back, byte-order mark included."""
    if data.startswith(UTF16):
        encoding = "utf-16-le" if data.startswith(UTF16[0]) else "utf-16-be"
        return data.decode(encoding), encoding
    try:
        return data.decode("utf-8"), "utf-8"
    except UnicodeDecodeError:
        return data.decode("latin-1"), "latin-1"  # names of columns are in ASCII: all else stays


# ---- tables of text ------------------------------------------------------------------------


def upgraded_csv(table: str, text: str) -> str:
    r"""Return an input table as text with the names of version 2.

    >>> upgraded_csv("observations", "run, Severity ,text\n# a, severity\nR1,3,severity\n")
    'run, defect_severity ,text\n# a, severity\nR1,3,severity\n'
    >>> print(upgraded_csv("marks", "method,station,offset,side\npolar,5,90,\noffset,1,2,\n"))
    method,base_distance,base_offset,polar_distance,polar_azimuth_deg,side
    polar,,,5,90,
    offset,1,2,,,
    <BLANKLINE>
    """
    mark = BOM if text.startswith(BOM) else ""
    text = text.removeprefix(mark)
    separator = separator_of(text)
    records = list(_records(text, separator))
    head = next((i for i, (_, cells) in enumerate(records) if _is_row(cells)), None)
    if head is None:
        return mark + text
    raw = _cells(records[head][0], separator)
    names = [column_title(trimmed(cell))[0] for cell in records[head][1]]
    rows = [i for i, (_, cells) in enumerate(records) if i > head and _is_row(cells)]
    parts = {i: _cells(records[i][0], separator) for i in rows}
    for column, values in input_values(table).items():
        if column in names:
            of = names.index(column)
            for row in parts.values():
                row[of] = _renamed(row[of], values)
    polar = {old: new for old, new in polar_columns(table).items() if old in names}
    how = names.index("method") if polar and "method" in names else None
    compass = {i for i in rows if how is not None and as_key(records[i][1][how]) == POLAR}
    if compass:
        at = [names.index(old) for old in polar]
        behind = max(at) + 1
        raw[behind:behind] = [retitled(raw[i], names[i], polar[names[i]]) for i in at]
        for i, row in parts.items():
            own = [row[k] for k in at] if i in compass else [""] * len(at)
            if i in compass:
                for k in at:
                    row[k] = ""
            row[behind:behind] = own
    columns = input_columns(table)
    for n, cell in enumerate(raw):
        name = column_title(trimmed(cell.strip().strip('"')))[0]
        if name in columns:
            raw[n] = retitled(cell, name, columns[name])
    out = [record for record, _ in records]
    for i, row in {head: raw, **parts}.items():
        out[i] = separator.join(row) + out[i][len(out[i].rstrip("\r\n")) :]
    return mark + "".join(out)


def _records(text: str, separator: str) -> Iterator[tuple[str, list[str]]]:
    """Yield each record as it stands, line end included, and its cells; blanks and comments too."""
    lines, done = list(io.StringIO(text, newline="")), 0
    for first, end, cells in csv_file.records(text, separator):
        if first - 1 > done:
            yield "".join(lines[done : first - 1]), []
        yield "".join(lines[first - 1 : end - 1]), cells
        done = end - 1
    if done < len(lines):
        yield "".join(lines[done:]), []


def _is_row(cells: list[str]) -> bool:
    return any(map(trimmed, cells)) and not trimmed(cells[0]).startswith("#")


def _cells(record: str, separator: str) -> list[str]:
    r"""Return the cells of a record as they stand, quotes included, without its line end.

    >>> _cells('a, "x, ""y"" z" ,c\n', ",")
    ['a', ' "x, ""y"" z" ', 'c']
    """
    record = record.rstrip("\r\n")
    cells, begin, quoted = [], 0, False
    for at, sign in enumerate(record):
        if sign == '"' and (quoted or not record[begin:at].strip(" ")):
            quoted = not quoted
        elif sign == '"' and record[at - 1] == '"':
            quoted = True  # the second of two quotes within quotes
        elif sign == separator and not quoted:
            cells.append(record[begin:at])
            begin = at + 1
    return [*cells, record[begin:]]


def _renamed(cell: str, values: Mapping[str, str]) -> str:
    """Return a cell as it stands with its value renamed."""
    bare = trimmed(cell).strip('"').strip()
    new = values.get(as_key(bare))
    return cell if new is None else cell.replace(bare, new, 1)


# ---- settings --------------------------------------------------------------------------------


def upgraded_toml(table: str, text: str) -> str:
    """Return settings as text with the keys and values of version 2.

    >>> upgraded_toml("codes", '[words]\\ncrown = "SOFFIT, crown" # as painted\\n')
    '[words]\\ninside_top = "SOFFIT, crown" # as painted\\n'
    """
    lines = text.splitlines(keepends=True)
    for (section, _, key), line in find_lines(text).items():
        written = lines[line - 1]
        new = section_keys(table, section).get(key)
        if new is not None:
            written = written.replace(key, new, 1)
        for old, today in section_values(table, section).get(new or key, {}).items():
            named = rf"""(=\s*)(["']){re.escape(old)}\2"""
            written = re.sub(named, rf"\g<1>\g<2>{today}\g<2>", written, count=1)
        lines[line - 1] = written
    return "".join(lines)
