"""A site, read whole: the files of its folder or its book, the checks, and the record in SI."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from pathlib import Path

import numpy as np

from lateralline.read.book import SITE_SHEET, Book, read_book
from lateralline.read.files import NEEDED, SITE_FILE, TABLES, Files, read_files
from lateralline.read.intake import decode
from lateralline.read.ledger import Ledger
from lateralline.read.references import check_references, check_runs
from lateralline.read.sections import Site, read_site_toml
from lateralline.read.sheets import Sheet, csv_sheet
from lateralline.read.site import settings
from lateralline.read.site_sheets import site_of_sheets
from lateralline.read.spots import spots
from lateralline.read.tables import Rows, typed_rows
from lateralline.records import (
    ControlRows,
    ExposureRows,
    FieldRecord,
    InputFile,
    MarkRows,
    ObservationRows,
    StopRows,
)
from lateralline.settings import Settings


def read_site(source: Path) -> FieldRecord:
    """Return a site, from its folder or from a workbook that holds its settings too, as a record.

    The record is valid, in SI, nothing placed yet. Raises SiteFaultsError with every fault of
    every file.
    """
    ledger = Ledger()
    files = read_files(source, ledger)
    books = {
        file: read_book(file, data, ledger)
        for file, data in files.content.items()
        if file != SITE_FILE and not file.endswith(".csv")
    }
    site = _read_settings(files, books, ledger)
    tables = _read_tables(files, books, site, ledger)
    check_references(site, tables, ledger)
    if site is not None:
        said = settings(site, source if source.is_dir() else source.parent, ledger)
        check_runs(said, site, tables["stops"] or Rows(files.home("stops")), ledger)
    ledger.raise_faults(source.name)
    assert site is not None  # without a site there is a fault
    return _assemble(
        source, site, said, {n: r for n, r in tables.items() if r is not None}, files, ledger
    )


# ---- settings and tables -------------------------------------------------------------------


def _read_settings(files: Files, books: Mapping[str, Book], ledger: Ledger) -> Site | None:
    """Return what site.toml says, or the sheets of a workbook; None, with faults, if neither."""
    told = [file for file, book in books.items() if book.site]
    if SITE_FILE in files.content:
        told.append(SITE_FILE)
    if len(told) > 1:
        must = "must stand in one place: site.toml, or the sheets of one workbook"
        ledger.fault(told[0], 0, "settings", ", ".join(told), must)
        return None
    if not told:
        if not _damaged(files, books):
            files.missing(SITE_FILE, SITE_SHEET, "must be in the site folder", ledger)
        return None
    if told[0] != SITE_FILE:
        return site_of_sheets(told[0], books[told[0]].site, ledger)
    text = decode(SITE_FILE, files.content[SITE_FILE], ledger)
    return None if text is None else read_site_toml(text, ledger)


def _read_tables(
    files: Files, books: Mapping[str, Book], site: Site | None, ledger: Ledger
) -> dict[str, Rows | None]:
    """Return each table; empty when the site has none, None when it could not be read."""
    sheets: dict[str, list[Sheet | None]] = {name: [] for name in TABLES}
    for file, data in files.content.items():
        if file.endswith(".csv"):
            text = decode(file, data, ledger)
            sheet = None if text is None else csv_sheet(file, text, ledger)
            sheets[file.removesuffix(".csv")].append(sheet)
    for book in books.values():
        for name, sheet in book.tables.items():
            sheets[name].append(sheet)
    damaged = _damaged(files, books)
    tables: dict[str, Rows | None] = {}
    for name, found in sheets.items():
        absent = found or name in NEEDED or damaged or files.is_lost(f"{name}.csv")
        tables[name] = None if absent else Rows(files.home(name))
        if len(found) > 1:
            must = "must stand in one place: a csv file or a sheet of one workbook"
            ledger.fault(f"{name}.csv", 0, "table", "", must)
        elif found and found[0] is not None:
            unit_of = site.unit_of if site else None
            tables[name] = typed_rows(name, found[0], unit_of, ledger)
        elif not found and name in NEEDED and not damaged:
            must = "must be in the site folder, or be a sheet of a workbook there"
            files.missing(f"{name}.csv", name, must, ledger)
    return tables


def _damaged(files: Files, books: Mapping[str, Book]) -> bool:
    """Return whether a workbook that is a site by itself could not be opened, which is said."""
    return bool(files.book) and books[files.book].damaged


# ---- the record ----------------------------------------------------------------------------


def _assemble(
    source: Path,
    site: Site,
    said: Settings,
    rows: dict[str, Rows],
    files: Files,
    ledger: Ledger,
) -> FieldRecord:
    axes = site.axes
    assert axes is not None
    level, depth, counter = (site.metres(u) for u in ("level", "depth", "counter"))
    xy_m = 1.0 if axes.keeps_xy else axes.xy_m
    control, marks, stops, exposures, seen = (rows[t] for t in TABLES)
    kind = marks.texts("kind")
    line_of_run = {run.id: run.line for run in said.runs}
    return FieldRecord(
        folder=str(source),
        settings=said,
        control=ControlRows(
            file=control.file,
            row=control.lines,
            point=control.texts("point"),
            x=control.numbers("x", xy_m),
            y=control.numbers("y", xy_m),
            z_m=control.numbers("z", level),
            sigma_h_m=control.numbers("sigma_h", axes.sigma_h_m),
            sigma_v_m=control.numbers("sigma_v", level),
        ),
        marks=MarkRows(
            spots=spots(marks, "mark", site),
            run=marks.texts("run"),
            stop=marks.texts("stop"),
            kind=np.where(kind == "peak", "peak_total", kind),
        ),
        stops=StopRows(
            file=stops.file,
            row=stops.lines,
            run=stops.texts("run"),
            stop=stops.texts("stop"),
            counter_m=stops.numbers("counter", counter),
            depth_reading_m=stops.numbers("depth_reading", depth),
            tilt_rad=np.radians(stops.numbers("tilt_deg")),
            note=stops.texts("note"),
        ),
        exposures=ExposureRows(
            spots=spots(exposures, "name", site),
            run=exposures.texts("run"),
            line=np.array(
                [r.text("line") or line_of_run.get(r.text("run"), "") for r in exposures],
                dtype=np.str_,
            ),
            counter_m=exposures.numbers("counter", counter),
            depth_m=exposures.numbers("depth", depth),
            measured_to=exposures.texts("measured_to"),
            sigma_m=exposures.numbers("sigma", depth),
        ),
        observations=ObservationRows(
            file=seen.file,
            row=seen.lines,
            run=seen.texts("run"),
            counter_m=seen.numbers("counter", counter),
            clock_from=seen.texts("clock_from"),
            clock_to=seen.texts("clock_to"),
            code=seen.texts("code"),
            severity=seen.texts("severity"),
            text=seen.texts("text"),
        ),
        inputs=_inputs(files, site, rows),
        findings=tuple(ledger.findings),
    )


def _inputs(files: Files, site: Site, rows: Mapping[str, Rows]) -> tuple[InputFile, ...]:
    """Hash every file that was read; a workbook none of whose sheets were used is left out."""
    used = {site.one("site").file: 0} | {table.file: len(table) for table in rows.values()}
    inputs: list[InputFile] = []
    for name, data in files.content.items():
        held = [n for file, n in used.items() if file == name or file.startswith(f"{name} ")]
        if held:
            digest = hashlib.sha256(data).hexdigest()
            inputs.append(InputFile(name, digest, len(data), sum(held)))
    return tuple(inputs)
