"""A site folder, read whole: the files, the checks, and the record in SI."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator
from difflib import get_close_matches
from pathlib import Path
from typing import Final

import numpy as np

from lateralline import contract
from lateralline.errors import Fault, SiteFaultsError
from lateralline.read.book import book_sheets
from lateralline.read.ledger import Ledger
from lateralline.read.references import check_references, check_runs
from lateralline.read.sections import FILE, Site, read_site_toml
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

TABLES: Final = tuple(name for name in contract.INPUTS if name != "site")
NEEDED: Final = ("marks", "stops")


def read_site(folder: Path) -> FieldRecord:
    """Return a site folder as a record: valid, in SI, nothing placed yet.

    Raises SiteFaultsError with every fault of every file.
    """
    ledger = Ledger()
    files = _read_files(folder, ledger)
    site = None
    if FILE in files and (text := decode(FILE, files[FILE], ledger)) is not None:
        site = read_site_toml(text, ledger)
    tables = _read_tables(files, site, ledger)
    check_references(site, tables, ledger)
    if site is not None:
        said = settings(site, ledger)
        check_runs(said, site, tables["stops"] or Rows("stops.csv"), ledger)
    ledger.raise_faults(folder.name)
    assert site is not None  # without a site there is a fault
    return _assemble(
        folder, site, said, {n: r for n, r in tables.items() if r is not None}, files, ledger
    )


def read_sites(folders: Iterable[Path]) -> Iterator[FieldRecord | SiteFaultsError]:
    """Yield each site as it is read, or its faults; one bad site never stops the others.

    A site id met before in the batch, upper and lower case alike, is a fault of the later one.
    """
    first: dict[str, Path] = {}
    for folder in folders:
        try:
            record = read_site(folder)
        except SiteFaultsError as faults:
            yield faults
            continue
        site = record.settings.id
        before = first.setdefault(site.casefold(), folder)
        if before is folder:
            yield record
        else:
            hint = f"{before} has it too"
            fault = Fault(FILE, 0, "id", site, "must be unique in the batch", hint)
            yield SiteFaultsError(folder.name, [fault])


# ---- files ---------------------------------------------------------------------------------


def _read_files(folder: Path, ledger: Ledger) -> dict[str, bytes]:
    """Return the content of each input file by name; what is amiss with the rest is noted."""
    wanted = (FILE, *(f"{name}.csv" for name in TABLES))
    files: dict[str, bytes] = {}
    try:
        paths = sorted(p for p in folder.iterdir() if p.is_file())
    except OSError as e:
        must = "must be a folder that can be read"
        ledger.fault(folder.name or str(folder), 0, "folder", e.strerror or "", must)
        ledger.raise_faults(folder.name)
        return files
    for path in paths:
        name = path.name
        if name in wanted or (path.suffix.casefold() == ".xlsx" and name[0] not in "~."):
            try:
                files[name] = path.read_bytes()
            except OSError as e:
                ledger.fault(name, 0, "file", e.strerror or "", "must be readable")
    for path in paths:
        stem, suffix = path.stem.casefold(), path.suffix.casefold()
        if path.name in files or suffix not in (".csv", ".txt", ".tsv", ".toml", ".xls", ".ods"):
            continue
        stems = [Path(w).stem for w in wanted if w not in files]
        if close := get_close_matches(stem, stems, n=1, cutoff=0.75):
            meant = next(w for w in wanted if Path(w).stem == close[0])
            ledger.finding(
                "info",
                "file-ignored",
                f"file {path.name}",
                f"{path.name} is not read; a file named {meant} would be",
                f"Rename it to {meant} if that is what it is.",
            )
    if FILE not in files:
        ledger.fault(FILE, 0, "file", "", "must be in the site folder")
    return files


def _read_tables(
    files: dict[str, bytes], site: Site | None, ledger: Ledger
) -> dict[str, Rows | None]:
    """Return each table; empty when the folder has none, None when it could not be read."""
    sheets: dict[str, list[Sheet | None]] = {name: [] for name in TABLES}
    for file, data in files.items():
        if file.endswith(".csv"):
            text = decode(file, data, ledger)
            sheet = None if text is None else csv_sheet(file, text, ledger)
            sheets[file.removesuffix(".csv")].append(sheet)
        elif file != FILE:
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
            ledger.fault(f"{name}.csv", 0, "file", "", must)
    return tables


# ---- the record ----------------------------------------------------------------------------


def _assemble(
    folder: Path,
    site: Site,
    said: Settings,
    rows: dict[str, Rows],
    files: dict[str, bytes],
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


def _inputs(files: dict[str, bytes], rows: dict[str, Rows]) -> tuple[InputFile, ...]:
    """Hash every file that was read; a workbook none of whose sheets were used is left out."""
    count: dict[str, int] = {FILE: 0}
    for table in rows.values():
        file = table.file.partition("[")[0]
        count[file] = count.get(file, 0) + len(table)
    return tuple(
        InputFile(name, hashlib.sha256(data).hexdigest(), len(data), count[name])
        for name, data in files.items()
        if name in count
    )
