"""One set of tables for many sites, as one more source of a site's rows.

    city/
      sites.csv       a row a site: its id under `site`, and what differs of its settings, with the
                      section before the key: crs.horizontal, site.surveyed, dig.rule
      site.toml       settings that all sites share, where there are any
      runs.csv        likewise pipes, branches, accepted: in place of [[run]] of site.toml
      marks.csv       and every other table of a site, each with a column `site`

Each table may be `.parquet` in place of `.csv`; its rows count from 2, below the header. A site is
called by a path that is not there, `city/EX-001`; its ids stand in `city/EX-001.ids.csv`, its
photos in `city/EX-001.photos`, as of a workbook. Limits hold for each site; its faults name the
row of the whole table. A row of a site that `sites.csv` does not have is a fault of that site, and
stops no other. Each process reads a table once and keeps where the rows of each site are.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from hashlib import sha256
from pathlib import Path
from typing import Final
from urllib.parse import quote, unquote

from lateralline import contract, csv_file
from lateralline.errors import Fault, SiteFaultsError
from lateralline.ingest.conventions import as_declared
from lateralline.ingest.intake import SITE_FILE, decode, decode_any, read_input
from lateralline.ingest.ledger import Ledger, nearest
from lateralline.ingest.sections import (
    RawSection,
    Sections,
    section_names,
    table_rows,
    toml_sections,
)
from lateralline.ingest.tables import TextTable, csv_table, separator_of
from lateralline.ingest.workbook import SECTION_SHEETS, TABLES

SITES: Final = "sites"
_SITE: Final = "site"
_ENDINGS: Final = (".csv", ".parquet")
#: What a row without a site is called; no id looks so.
_NAMELESS: Final = "-"


@dataclass(frozen=True, slots=True)
class _BulkTable:
    """A table of many sites: its text, and which lines are whose."""

    file: str
    text: str
    starts: tuple[int, ...]  # of each line in the text, and its end
    header: tuple[int, int]  # first line, and the one after, counted from 0
    spans: Mapping[str, tuple[tuple[int, int], ...]]  # by site

    def of(self, site: str) -> tuple[bytes, list[int]]:
        """Return the header and the rows of a site, and the line in the whole of each line."""
        spans = (self.header, *self.spans.get(site, ()))
        text = "".join(self.text[self.starts[a] : self.starts[b]] for a, b in spans)
        return text.encode(), [n + 1 for a, b in spans for n in range(a, b)]


def is_bulk(folder: Path) -> bool:
    """Tell whether a folder holds the tables of many sites."""
    return _path(folder, SITES) is not None


def bulk_of(source: Path) -> Path | None:
    """Return the folder of tables that a site is in; None for any other site."""
    folder = source.parent
    return folder if not source.exists() and is_bulk(folder) else None


def bulk_sites(folder: Path) -> list[Path]:
    """Return the sites of a folder of tables, in the order of `sites`, and whoever is not there.

    Raises SiteFaultsError for a table that cannot be taken apart.
    """
    ledger = Ledger()
    tables = _tables(folder, ledger)
    ledger.raise_faults(folder.name)
    names = dict.fromkeys(name for table in tables.values() for name in table.spans)
    return [folder / quote(name, safe=" ") for name in names]


def bulk_content(source: Path, ledger: Ledger) -> dict[str, bytes]:
    """Return what of the tables is a site's, by file; and the settings that all share."""
    folder, site = source.parent, _id(source)
    content = {t.file: t.of(site)[0] for t in _tables(folder, ledger).values() if site in t.spans}
    shared = folder / SITE_FILE
    if shared.is_file() and (data := read_input(shared, ledger)) is not None:
        content[SITE_FILE] = data
    return content


def bulk_state(source: Path) -> str:
    """Return the digest of a site's rows and of where they stand."""
    ledger, site = Ledger(), _id(source)
    lines = [t.of(site)[1] for t in _tables(source.parent, ledger).values() if site in t.spans]
    content = sorted(bulk_content(source, ledger).items())
    return sha256(repr((lines, content, ledger.faults)).encode()).hexdigest()


def bulk_tables(source: Path, ledger: Ledger) -> dict[str, tuple[TextTable, ...] | None]:
    """Return a site's tables by name, in the lines of the whole; None for one at fault."""
    site, all_tables = _id(source), _tables(source.parent, ledger)
    sites = all_tables.get(SITES)
    if sites is not None and site not in sites.spans:
        for table in all_tables.values():
            for first, _ in table.spans.get(site, ())[:1]:
                said = "" if site == _NAMELESS else site
                hint = nearest(site, list(sites.spans)) if said else ""
                must = f"must be a site of {sites.file}"
                ledger.fault(table.file, first + 1, _SITE, said, must, hint)
        ledger.raise_faults(source.name)
    found: dict[str, tuple[TextTable, ...] | None] = {}
    for name, table in all_tables.items():
        if name in TABLES and site in table.spans:
            own = _own(table, site, ledger)
            found[name] = None if own is None else (as_declared(name, own, ledger),)
    return found


def bulk_sections(source: Path, ledger: Ledger) -> Sections | None:
    """Return a site's settings: those that all share, and over them its row and tables."""
    folder, site = source.parent, _id(source)
    shared, tables = folder / SITE_FILE, _tables(folder, ledger)
    written: Sections | None = {
        name: () if name in SECTION_SHEETS.values() else (RawSection(SITES),)
        for name in section_names()
    }
    if shared.is_file():
        data = read_input(shared, ledger)
        text = None if data is None else decode(SITE_FILE, data, ledger)
        written = None if text is None else toml_sections(SITE_FILE, text, ledger)
    head = _own(tables[SITES], site, ledger) if SITES in tables else None
    if written is None or head is None or not head.rows:
        return None
    if len(head.rows) > 1:
        must = f"must have one row a site; it has row {head.rows[0][0]} too"
        ledger.fault(head.file, head.rows[1][0], _SITE, site, must)
    made = dict(written)
    line, cells = head.rows[0]
    over: dict[str, dict[str, object]] = {"site": {"id": site}}
    for column, cell in zip(head.header, cells, strict=True):
        section, _, key = column.partition(".")
        if not key or section not in made:
            must = "must be site, or a key of site.toml behind its section"
            ledger.fault(head.file, head.header_line, column, "", must, "as crs.horizontal")
        elif cell:
            over.setdefault(section, {})[key] = cell
    for section, given in over.items():
        made[section] = tuple(
            replace(
                one,
                file=head.file,
                given={**one.given, **given},
                lines={**dict.fromkeys(("", *one.given, *given), line)},
                strict=False,
            )
            for one in made[section]
        )
    for sheet, section in SECTION_SHEETS.items():
        if sheet in tables and site in tables[sheet].spans:
            own = _own(tables[sheet], site, ledger)
            made[section] = () if own is None else table_rows(own)
    return made


def _own(table: _BulkTable, site: str, ledger: Ledger) -> TextTable | None:
    """Return a table with the rows of one site, in the lines of the whole, without its id."""
    data, lines = table.of(site)
    local = Ledger()
    try:
        found = csv_table(table.file, data, local)
    except SiteFaultsError as e:
        local.faults[:] = e.faults
        found = None
    ledger.findings.extend(local.findings)
    for fault in local.faults:
        at = lines[fault.row - 1] if 0 < fault.row <= len(lines) else 0
        ledger.faults.append(replace(fault, row=at))
    if found is None or _SITE not in found.header:
        return None
    at = found.header.index(_SITE)
    return replace(
        found,
        header_line=lines[found.header_line - 1],
        header=(*found.header[:at], *found.header[at + 1 :]),
        rows=tuple((lines[n - 1], (*c[:at], *c[at + 1 :])) for n, c in found.rows),
        bad=frozenset((lines[n - 1], column) for n, column in found.bad),
    )


# ---- tables of many sites -------------------------------------------------------------------


def _tables(folder: Path, ledger: Ledger) -> dict[str, _BulkTable]:
    """Return the tables of a folder by name, `sites` first; with faults for those of no use."""
    found: dict[str, _BulkTable] = {}
    for name in (SITES, *SECTION_SHEETS, *TABLES):
        path = _path(folder, name)
        if path is None or name in contract.KEPT:
            continue
        try:
            status = path.stat()
            table = _read(path, status.st_mtime_ns, status.st_size)
        except OSError as e:
            ledger.fault(path.name, 0, "file", e.strerror or "", "must be a file that can be read")
            continue
        if isinstance(table, _BulkTable):
            found[name] = table
        else:
            ledger.faults += table
    return found


def _path(folder: Path, name: str) -> Path | None:
    paths = (folder / f"{name}{ending}" for ending in _ENDINGS)
    return next((path for path in paths if path.is_file()), None)


@lru_cache(maxsize=64)
def _read(path: Path, changed_ns: int, size: int) -> _BulkTable | tuple[Fault, ...]:
    """Return a table as it was at a time; the faults of one that cannot be taken apart."""
    ledger = Ledger()
    if path.suffix == ".parquet":
        text = _as_text(path, ledger)
    else:
        text = decode_any(path.name, path.read_bytes(), [], ledger)
    made = None if text is None else _indexed(path.name, text, ledger)
    return tuple(ledger.faults) if made is None else made


def _as_text(path: Path, ledger: Ledger) -> str | None:
    """Return a Parquet file as the text it would be."""
    import pyarrow.parquet  # slow to import

    try:
        table = pyarrow.parquet.read_table(path)
        columns = [column.to_pylist() for column in table.columns]
    except (pyarrow.ArrowException, ValueError) as e:
        ledger.fault(path.name, 0, "file", "", f"must be Parquet ({e})")
        return None
    made = io.StringIO()
    made.write(csv_file.record(table.column_names))
    for row in zip(*columns, strict=True):
        made.write(csv_file.record(map(_cell, row)))
    return made.getvalue()


def _cell(value: object) -> str:
    if value is None or value != value:
        return ""
    return str(value).lower() if isinstance(value, bool) else str(value)


def _indexed(file: str, text: str, ledger: Ledger) -> _BulkTable | None:
    text = text.removeprefix("\ufeff")
    text += "" if text.endswith("\n") else "\n"
    starts = [0]
    for line in io.StringIO(text, newline=""):
        starts.append(starts[-1] + len(line))
    spans: dict[str, list[tuple[int, int]]] = {}
    header: tuple[int, int] | None = None
    at = 0
    try:
        for first, after, cells in _filled(text):
            if header is None:
                header = first - 1, after - 1
                names = [cell.strip().casefold() for cell in cells]
                if _SITE not in names:
                    ledger.fault(file, first, "header", "", "must have a column called site")
                    return None
                at = names.index(_SITE)
                continue
            site = cells[at].strip() if at < len(cells) else ""
            own = spans.setdefault(site or _NAMELESS, [])
            if own and own[-1][1] == first - 1:
                own[-1] = own[-1][0], after - 1
            else:
                own.append((first - 1, after - 1))
    except csv_file.Error as e:
        why, line = e.args
        ledger.fault(file, line, "row", "", f"must be separated text ({why})")
        return None
    if header is None:
        ledger.fault(file, 0, "file", "", "must begin with a header row; it is empty")
        return None
    return _BulkTable(
        file, text, tuple(starts), header, {name: tuple(own) for name, own in spans.items()}
    )


def _filled(text: str) -> Iterator[tuple[int, int, list[str]]]:
    """Yield each record that holds something, with its first line and the one after its last."""
    for first, after, cells in csv_file.records(text, separator_of(text)):
        if any(cells) and not cells[0].startswith("#"):
            yield first, after, cells


def _id(source: Path) -> str:
    return unquote(source.name)
