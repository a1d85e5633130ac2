"""A site and what is added to it as one new site: their rows together, checked together, written.

Every row keeps the file and line it was written in, so that whatever is wrong with the whole is
reported there. Of the files of the new site, what the site says is kept: its rows, their order and
lines, comments, the order of its columns; a table that was not plain comma-separated UTF-8 is
written so. Cells a spreadsheet would run are guarded (`csv_file`). Added rows follow below. The new
site stands beside the old one, whole or not at all.
"""

from __future__ import annotations

import dataclasses
import io
import json
import os
import re
import shutil
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

from lateralline import __version__, contract, csv_file, stages
from lateralline.errors import Fault, OutputExistsError, SiteFaultsError
from lateralline.ingest.assets import typed_text
from lateralline.ingest.intake import BOM, SITE_FILE, decode_any, is_book
from lateralline.ingest.ledger import Ledger, one_line
from lateralline.ingest.photos import picture_files
from lateralline.ingest.record import check_site
from lateralline.ingest.sections import SiteSettings, find_lines, load_toml, site_of, toml_sections
from lateralline.ingest.site_input import SiteInput, read_site_input
from lateralline.ingest.tables import TextTable
from lateralline.ingest.workbook import TABLES
from lateralline.output import whole_folder
from lateralline.output.proof import MANIFEST, account_of, sha256
from lateralline.revise.added import ADDED, ADDED_FILE, Added, check_added, read_added
from lateralline.revise.visit import Visit, next_version, read_visit
from lateralline.stages import SiteFailure, SiteResult
from lateralline.template import toml_literal, with_below
from lateralline.wording import counted
from lateralline.write.ids import ids_file, with_events

_NOTE: Final = "# added by lateralline update from"
_REWRITTEN: Final = "# written anew by lateralline update; it was read"


@dataclass(frozen=True, slots=True)
class MergedSite:
    """The input files of the new site, and what is wrong with what they were made from."""

    texts: Mapping[str, str]  # by file name, with byte-order marks
    books: tuple[str, ...]  # workbooks of the site whose rows these files hold now
    added: Mapping[str, int]  # how many rows each table got, and runs, branches, pipes
    pictures: Mapping[str, Path]  # to be copied: name in the new site, and what is there now
    faults: tuple[Fault, ...]  # of what is added
    site_faults: tuple[Fault, ...]  # of the site, which show only with what is added


def merged_files(site: Path, added: Path, target: Path) -> MergedSite:
    """Return the files of a site that reads well with what a folder adds, to stand at `target`.

    A folder of grids keeps its place though the site moves. Raises SiteFaultsError when the site
    itself cannot be taken apart.
    """
    ledger = Ledger()
    base = read_site_input(site, ledger)
    ledger.raise_faults(site.name)
    assert base.sections is not None  # without settings there is a fault
    new = read_added(added, ledger)
    tables, sections = check_added(new, base, ledger)
    visit = read_visit(new.toml, ledger)
    folder = site if site.is_dir() else site.parent
    texts = {SITE_FILE: _settings_text(base, new, visit, folder, target, ledger)}
    for name in TABLES:
        there, more = base.table(name), tables.get(name)
        if there is not None or more is not None:
            more = more and visit.in_table(more) if name == "exposures" else more
            texts[f"{name}.csv"] = _table_text(base, name, there, more, new.name)
        if more is not None:
            _refuse_comments(more, there, ledger)
    pictures = _pictures(site, base, added, new, ledger)
    _check_whole(base, tables, new.toml, sections, folder, ledger)
    return MergedSite(
        texts,
        tuple(name for name in base.files.content if is_book(Path(name))),
        {name: len(table.rows) for name, table in tables.items() if table} | sections,
        pictures,
        *_parted(ledger.faults),
    )


def _pictures(
    site: Path, base: SiteInput, added: Path, new: Added, ledger: Ledger
) -> dict[str, Path]:
    """Return the pictures that the new site gets, by name, noting names that are taken.

    Those of a site that is a folder go along with all else that lies in it.
    """
    of_site = picture_files(site, _listed(base.table("photos")))
    of_added = picture_files(added, _listed(new.tables.get("photos")))
    for name, path in of_added.items():
        there = of_site.get(name)
        if there is not None and sha256(there) != sha256(path):
            must = "must be a new name: the site has another photo of that name"
            ledger.fault(ADDED + name, 0, "file", "", must, "rename the photo that is added")
    return of_added if site.is_dir() else of_site | of_added


def _listed(photos: TextTable | None) -> list[str]:
    """Return the files that a table of photos names."""
    if photos is None or "file" not in photos.header:
        return []
    at = photos.header.index("file")
    return [cells[at] for _, cells in photos.rows]


# ---- both together -------------------------------------------------------------------------


def _check_whole(
    base: SiteInput,
    tables: Mapping[str, TextTable | None],
    toml: str,
    sections: Mapping[str, int],
    folder: Path,
    ledger: Ledger,
) -> None:
    """Note what is wrong with the rows of both together, but for cells at fault already."""
    assert base.sections is not None
    added = toml_sections(ADDED + ADDED_FILE, toml, Ledger()) or {}
    whole = replace(
        base,
        sections={
            name: (*several, *(added.get(name, ()) if name in sections else ()))
            for name, several in base.sections.items()
        },
        tables={**base.tables}
        | {
            name: None if more is None else (*(base.tables.get(name) or ()), more)
            for name, more in tables.items()
        },
    )
    found = Ledger()
    with suppress(SiteFaultsError):  # too many to go on: those found so far are in the ledger
        check_site(whole, folder, found)
    known = {(f.file, f.row, f.column) for f in ledger.faults}
    ledger.faults += [f for f in found.faults if (f.file, f.row, f.column) not in known]


def _parted(faults: Iterable[Fault]) -> tuple[tuple[Fault, ...], tuple[Fault, ...]]:
    """Return faults as those of what is added, under the names of its files, and of the site."""
    own = {replace(f, file=f.file.removeprefix(ADDED)) for f in faults if f.file[:1] == ADDED}
    return tuple(sorted(own)), tuple(sorted({f for f in faults if f.file[:1] != ADDED}))


# ---- tables as text ------------------------------------------------------------------------


def _table_text(
    base: SiteInput, name: str, there: TextTable | None, more: TextTable | None, folder: str
) -> str:
    """Return a table of the site with the rows that are added below its own, as csv.

    Columns only the added rows have come last, empty in the rows above.
    """
    if there is None:
        assert more is not None
        text, columns, newline = csv_file.record(map(_headed(more), more.header)), more.header, "\n"
    else:
        lacking = [h for h in more.header if h not in there.header] if more else []
        text, columns, newline = _kept(base, name, there, lacking)
    if more is None or (there is not None and not more.rows):
        return text
    text += "" if text.endswith(("\n", "\r")) else newline
    file = more.file.removeprefix(ADDED)
    how = f", read {', '.join(more.notes)}" if more.notes else ""
    out = [csv_file.record([f"{_NOTE} {one_line(folder)}/{file}{how}"], newline)]
    for _, cells in more.rows:
        given = dict(zip(more.header, cells, strict=True))
        out.append(csv_file.record([given.get(column, "") for column in columns], newline))
    return text + "".join(out)


def _kept(
    base: SiteInput, name: str, table: TextTable, lacking: list[str]
) -> tuple[str, tuple[str, ...], str]:
    """Return a table of the site as csv, what stands over its columns, and its line ends.

    Lines stay as they are unless columns are added or the file was not plain csv; comments always.
    """
    data = base.files.content.get(f"{name}.csv")
    columns = (*table.header, *lacking)
    if data is None:  # on a sheet of a workbook
        rows = [csv_file.record([*cells, *("" for _ in lacking)]) for _, cells in table.rows]
        return csv_file.record(map(_headed(table), columns)) + "".join(rows), columns, "\n"
    text = decode_any(name, data, [], Ledger()) or ""
    newline = "\r\n" if "\r\n" in text else "\n"
    mark = BOM if data.startswith(BOM.encode()) else ""
    written = {table.header_line: tuple(map(_headed(table), table.header)), **dict(table.rows)}
    lines, out = list(io.StringIO(text, newline="")), list[str]()
    for first, end, cells in csv_file.records(text, table.separator):
        came = "".join(lines[first - 1 : end - 1])
        if first not in written:  # blank, or a comment
            quoted = table.separator != "," and any(cells)
            out.append(csv_file.record(filter(None, cells), newline) if quoted else came)
        elif lacking or table.notes:
            more = lacking if first == table.header_line else ["" for _ in lacking]
            if table.notes and first == table.header_line:
                out.append(csv_file.record([f"{_REWRITTEN} {', '.join(table.notes)}"], newline))
            out.append(csv_file.record([*written[first], *more], newline))
        else:
            columns = columns if len(cells) <= len(columns) else (*columns, *cells[len(columns) :])
            out.append(came)
    return mark + csv_file.neutral("".join(out)), columns, newline


def _headed(table: TextTable) -> Callable[[str], str]:
    """Return what writes the name of a column with its unit, as the header does."""
    return lambda name: f"{name} [{table.units[name]}]" if table.units.get(name) else name


def _refuse_comments(new: TextTable, there: TextTable | None, ledger: Ledger) -> None:
    """A name that begins with # would make its row a comment where it comes to stand first."""
    first = (there or new).header[0]
    at = new.header.index(first) if first in new.header else -1
    for line, cells in new.rows if at > 0 else ():
        if cells[at].startswith("#"):
            must = "must not begin with #: first in its row, as in the site, that makes a comment"
            new.fault(ledger, line, first, cells[at], must)


# ---- settings as text ----------------------------------------------------------------------


def _settings_text(
    base: SiteInput, new: Added, visit: Visit, folder: Path, target: Path, ledger: Ledger
) -> str:
    """Return `site.toml` with the sections of `added.toml` below its own."""
    assert base.sections is not None
    data = base.files.content.get(SITE_FILE)
    site = site_of(base.sections, Ledger())
    text = _toml_of(site) if data is None else data.decode("utf-8")
    text = next_version(text, site.one("record"), visit, ledger)
    text = with_grids_found(text, folder, target)
    if not new.toml.strip():
        return text
    note = f"{_NOTE} {one_line(new.name)}/{ADDED_FILE}"
    text = with_below(text, [note, *visit.in_sections(new.toml).splitlines()])
    if not ledger.faults:
        try:
            load_toml(text.removeprefix(BOM))
        except ValueError as e:
            must = f"must be sections that can stand below those of site.toml: {e}"
            hint = (
                "write each run, branch and pipe of site.toml under [[run]], [[branch]], [[pipe]]"
            )
            ledger.fault(ADDED + ADDED_FILE, 0, "file", "", must, hint)
    return text


def _toml_of(site: SiteSettings) -> str:
    """Return the settings of a workbook as `site.toml`."""
    table = contract.load("site")
    out: list[str] = []
    for name, rows in site.sections.items():
        for row in rows:
            if row.cells:
                out.append(f"[[{name}]]" if name in table.repeated else f"[{name}]")
                declared = [c.name for c in table.field if c.section == name]
                out += [f"{k} = {toml_literal(row.cells[k])}" for k in declared if k in row.cells]
                own = {k: str(v) for k, v in row.cells.items() if k not in declared}
                out += [f"{k} = {toml_literal(typed_text(v))}" for k, v in own.items()]
                out.append("")
    return "\n".join(out)


def with_grids_found(text: str, folder: Path, target: Path) -> str:
    """Return `site.toml` with a relative folder of grids outside the site named from `target`."""
    line = find_lines(text).get(("crs", 0, "grids"))
    if line is None:
        return text
    lines = text.splitlines(keepends=True)
    m = re.match(r"""(\s*["']?grids["']?\s*=\s*)(["'])(.*?)\2(.*)""", lines[line - 1], re.S)
    if m is None or Path(m[3]).is_absolute() or not m[3].startswith(".."):
        return text
    there = os.path.relpath((folder / m[3]).resolve(), target.absolute().resolve())
    lines[line - 1] = f"{m[1]}{toml_literal(Path(there).as_posix())}{m[4]}"
    return "".join(lines)


# ---- the new site on the disk ----------------------------------------------------------------

#: Says where a site written here comes from, and that it was written here.
ORIGIN_FILE: Final = "update.json"
FORMAT: Final = "lateralline-update/1"


@dataclass(frozen=True, slots=True)
class NewSite:
    """A merged site that went through every stage up to derive, and what it was merged from."""

    folder: Path
    added: Mapping[str, int]  # how many rows, runs, branches and pipes were added
    result: SiteResult


class RefusedError(SiteFaultsError):
    """What is added has faults, or does not go with the site; carries all of them by folder."""

    def __init__(self, failures: tuple[SiteFailure, ...]) -> None:
        """Keep what is wrong with what is added, then with the site it would make."""
        self.failures = failures
        super().__init__(failures[0].source.name, [f for each in failures for f in each.faults])


@contextmanager
def new_site(
    site: Path, added: Path, out: Path, ids: str, *, replace: bool = False
) -> Iterator[NewSite]:
    """Yield the new site, run through derive; it is put in place when the block ends well.

    `ids` is the text of ids.csv as the old site knows it; what is new joins it.

    Raises RefusedError with every fault of what is added; OutputExistsError when `out` is there,
    unless it was written here as a site; OutputError when the disk fails. The old
    site is not touched.
    """
    keep_apart(out, site, added)
    with whole_folder(out, "site", replace=replace) as made:
        merged = merged_files(site, added, out)
        wrong = ((added, merged.faults), (site, merged.site_faults))
        failures = [
            SiteFailure(source, "read", counted(len(faults), "fault"), faults)
            for source, faults in wrong
            if faults
        ]
        if failures:
            raise RefusedError(tuple(failures))
        if site.is_dir():
            copy_rest(site, made, {*merged.texts, *merged.books})
        for name, path in merged.pictures.items():
            (made / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(path, made / name)
        for name, text in {**merged.texts, ids_file(made).name: ids}.items():
            (made / name).write_text(text, encoding="utf-8", newline="")
        result = stages.run_site(made, until="derive")
        if isinstance(result, SiteFailure):  # it reads, and cannot be placed, solved or linked
            raise RefusedError((dataclasses.replace(result, source=added),))
        kept, _ = with_events(result.work["record"].ids.content, result.work["ids"])
        ids_file(made).write_bytes(kept)
        _write_origin(made, site, added)
        yield NewSite(out, merged.added, result)


# ---- refusing ------------------------------------------------------------------------------


def keep_apart(out: Path, *sources: Path) -> None:
    """Refuse a new folder in, about or in place of what it is made from."""
    new = out.absolute().resolve()
    for source in sources:
        old = source.absolute().resolve()
        if new == old or new in old.parents or old in new.parents:
            raise OutputExistsError(
                f"{out} and {source} must lie apart: an update never touches what it is made from"
            )


# ---- writing -------------------------------------------------------------------------------


def copy_rest(site: Path, made: Path, own: Collection[str]) -> None:
    """Copy what else than `own` lies in a site's folder: notes, photos, grids.

    Neither outputs nor scraps, nor what says how that folder was written.
    """

    def left(folder: str, names: list[str]) -> set[str]:
        inside = Path(folder)
        scraps = {n for n in names if n.startswith((".", "~$"))}
        accounts = {n: account_of(inside / n) for n in names}
        outputs = {n for n, account in accounts.items() if account and account.kind == "record"}
        here = {*own, ORIGIN_FILE, MANIFEST} if inside == site else set()
        return scraps | outputs | here

    shutil.copytree(site, made, ignore=left, dirs_exist_ok=True)


def _write_origin(made: Path, site: Path, added: Path) -> None:
    """Write down what the site was made from, and its files as they were written."""
    content = {
        "format": FORMAT,
        "lateralline": __version__,
        "what": "This site was written by `lateralline update` from a site and what was added.",
        "site": {"name": site.name, "files": _files_of(site)},
        "added": {"name": added.name, "files": _files_of(added)},
    }
    text = json.dumps(content, indent=1, ensure_ascii=False) + "\n"
    (made / ORIGIN_FILE).write_text(text, encoding="utf-8", newline="\n")


def _files_of(source: Path) -> list[dict[str, str]]:
    """Return name and SHA-256 of the files in `source`, or of the one file it is, by name."""
    return [
        {"name": path.name, "sha256": sha256(path)}
        for path in (sorted(source.iterdir()) if source.is_dir() else [source])
        if path.is_file() and path.name not in (ORIGIN_FILE, MANIFEST)
    ]
