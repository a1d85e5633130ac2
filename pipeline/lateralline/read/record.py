"""A site folder, read whole: the files, the checks, and the record in SI."""

from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np

from lateralline.read.book import book_sheets
from lateralline.read.files import NEEDED, SITE_FILE, TABLES, Files, read_files
from lateralline.read.ledger import Ledger
from lateralline.read.references import check_references, check_runs
from lateralline.read.sections import Site, read_site_toml
from lateralline.read.sheets import Sheet, csv_sheet, decode
from lateralline.read.site import settings
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


def read_site(folder: Path) -> FieldRecord:
    """Return a site folder as a record: valid, in SI, nothing placed yet.

    Raises SiteFaultsError with every fault of every file.
    """
    ledger = Ledger()
    files = read_files(folder, ledger)
    site = None
    if SITE_FILE not in files.content:
        files.missing(SITE_FILE, "must be in the site folder", ledger)
    elif (text := decode(SITE_FILE, files.content[SITE_FILE], ledger)) is not None:
        site = read_site_toml(text, ledger)
    tables = _read_tables(files, site, ledger)
    check_references(site, tables, ledger)
    if site is not None:
        said = settings(site, folder, ledger)
        check_runs(said, site, tables["stops"] or Rows("stops.csv"), ledger)
    ledger.raise_faults(folder.name)
    assert site is not None  # without a site there is a fault
    return _assemble(
        folder, site, said, {n: r for n, r in tables.items() if r is not None}, files, ledger
    )


# ---- tables --------------------------------------------------------------------------------


def _read_tables(files: Files, site: Site | None, ledger: Ledger) -> dict[str, Rows | None]:
    """Return each table; empty when the folder has none, None when it could not be read."""
    sheets: dict[str, list[Sheet | None]] = {name: [] for name in TABLES}
    for file, data in files.content.items():
        if file.endswith(".csv"):
            text = decode(file, data, ledger)
            sheet = None if text is None else csv_sheet(file, text, ledger)
            sheets[file.removesuffix(".csv")].append(sheet)
        elif file != SITE_FILE:
            for name, sheet in book_sheets(file, data, TABLES, ledger).items():
                sheets[name].append(sheet)
    tables: dict[str, Rows | None] = {}
    for name, found in sheets.items():
        tables[name] = None if found or name in NEEDED else Rows(f"{name}.csv")
        if len(found) > 1:
            must = "must stand in one place: a csv file or a sheet of one workbook"
            ledger.fault(f"{name}.csv", 0, "table", "", must)
        elif found and found[0] is not None:
            unit_of = site.unit_of if site else (lambda column: column.unit)
            tables[name] = typed_rows(name, found[0], unit_of, ledger)
        elif not found and name in NEEDED:
            must = "must be in the site folder, or be a sheet of a workbook there"
            files.missing(f"{name}.csv", must, ledger)
    return tables


# ---- the record ----------------------------------------------------------------------------


def _assemble(
    folder: Path,
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
        folder=str(folder),
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
        inputs=_inputs(files, rows),
        findings=tuple(ledger.findings),
    )


def _inputs(files: Files, rows: dict[str, Rows]) -> tuple[InputFile, ...]:
    """Hash every file that was read; a workbook none of whose sheets were used is left out."""
    count: dict[str, int] = {SITE_FILE: 0}
    for table in rows.values():
        file = table.file.partition("[")[0]
        count[file] = count.get(file, 0) + len(table)
    return tuple(
        InputFile(name, hashlib.sha256(data).hexdigest(), len(data), count[name])
        for name, data in files.content.items()
        if name in count
    )
