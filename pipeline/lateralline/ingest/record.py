"""A site, read whole: the files of its folder or its book, the checks, and the record in SI."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from lateralline.findings import finding
from lateralline.ingest.ledger import Ledger
from lateralline.ingest.positions import spots
from lateralline.ingest.references import check_references, check_runs
from lateralline.ingest.rows import InputRows, joined, typed_rows
from lateralline.ingest.sections import SiteSettings, site_of
from lateralline.ingest.settings import settings
from lateralline.ingest.site_files import TABLES, SiteFiles
from lateralline.ingest.site_input import SiteInput, read_site_input
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
    given = read_site_input(source, ledger)
    given.note_missing(ledger)
    folder = source if source.is_dir() else source.parent
    checked = check_site(given, folder, ledger)
    ledger.raise_faults(source.name)
    assert checked is not None  # without settings there is a fault
    return _assemble(source, checked, given.files, ledger)


@dataclass(frozen=True, slots=True)
class CheckedSite:
    """Settings and rows of a site held against one another; whole when no fault was noted."""

    site: SiteSettings
    settings: Settings
    rows: Mapping[str, InputRows]


def check_site(given: SiteInput, folder: Path, ledger: Ledger) -> CheckedSite | None:
    """Return what a site says, with a fault for all that will not do; None without settings.

    `folder` is where its settings lie: a folder of grids is named from there.
    """
    site = None if given.sections is None else site_of(given.sections, ledger)
    rows = {name: _rows(name, given, site, ledger) for name in TABLES}
    check_references(site, rows, ledger)
    if site is None:
        return None
    known = settings(site, folder, ledger)
    check_runs(known, site, rows["stops"] or InputRows(given.files.home("stops")), ledger)
    return CheckedSite(site, known, {n: r for n, r in rows.items() if r is not None})


def _rows(
    name: str, given: SiteInput, site: SiteSettings | None, ledger: Ledger
) -> InputRows | None:
    """Return a table's rows; empty when the site has none, None when it could not be read."""
    if name not in given.tables:
        return None if given.may_be_lost(name) else InputRows(given.files.home(name))
    tables = given.tables[name]
    if tables is None:
        return None
    for table in tables:
        if table.notes:
            ledger.findings.append(
                finding(
                    "input-read-as",
                    f"file {table.file}",
                    where=f"{table.file}:{table.header_line}",
                    file=table.file,
                    notes=", ".join(table.notes),
                )
            )
    unit_of = site.unit_of if site else None
    return joined([typed_rows(name, table, unit_of, ledger) for table in tables])


# ---- the record ----------------------------------------------------------------------------


def _assemble(source: Path, checked: CheckedSite, files: SiteFiles, ledger: Ledger) -> FieldRecord:
    site, known, rows = checked.site, checked.settings, checked.rows
    axes = site.axes
    assert axes is not None
    level, depth, counter = (site.metres(u) for u in ("level", "depth", "counter"))
    xy_m = 1.0 if axes.keeps_xy else axes.xy_m
    control, marks, stops, exposures, seen = (rows[t] for t in TABLES)
    kind = marks.texts("kind")
    line_of_run = {run.id: run.line for run in known.runs}
    return FieldRecord(
        folder=str(source),
        settings=known,
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


def _inputs(
    files: SiteFiles, site: SiteSettings, rows: Mapping[str, InputRows]
) -> tuple[InputFile, ...]:
    """Hash every file that was read; a workbook none of whose sheets were used is left out."""
    used = {site.one("site").file: 0} | {table.file: len(table) for table in rows.values()}
    inputs: list[InputFile] = []
    for name, data in files.content.items():
        held = [n for file, n in used.items() if file == name or file.startswith(f"{name} ")]
        if held:
            digest = hashlib.sha256(data).hexdigest()
            inputs.append(InputFile(name, digest, len(data), sum(held)))
    return tuple(inputs)
