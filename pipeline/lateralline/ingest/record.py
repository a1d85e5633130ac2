"""A site, read whole: its files, the checks in their order, and the record in SI."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields
from datetime import date
from math import isnan, radians
from pathlib import Path
from typing import TypeVar, cast

import numpy as np

from lateralline import contract
from lateralline.catalogue import catalogue
from lateralline.errors import FrameError, LaterallineError, SiteFaultsError
from lateralline.frames.sketch import set_onto_map
from lateralline.ingest.assets import read_assets
from lateralline.ingest.bulk import bulk_of, bulk_sections
from lateralline.ingest.checks import check_references, check_runs, parse_ties
from lateralline.ingest.coordinate_system import crs_texts, georeference
from lateralline.ingest.intake import SITE_FILE, decode, is_file, read_input
from lateralline.ingest.learned import learned_accuracies
from lateralline.ingest.ledger import Ledger, nearest
from lateralline.ingest.photos import Pictures, read_photos
from lateralline.ingest.rows import InputRow, InputRows, joined, typed_rows
from lateralline.ingest.sections import SiteSettings, book_value, load_toml, site_of, unit_keys
from lateralline.ingest.site_input import SiteFiles, SiteInput, read_site_input
from lateralline.ingest.sketches import check_onto_map, with_own_axes
from lateralline.ingest.workbook import TABLES
from lateralline.published import PipeSize, SizeMatch, dig_rules, is_made_of, look_up, pipe_table
from lateralline.records import (
    ControlRows,
    ExposureRows,
    FieldRecord,
    Floats,
    IdRows,
    InputFile,
    MarkRows,
    ObservationRows,
    Spots,
    StopRows,
)
from lateralline.renamed import finding_code
from lateralline.settings import (
    ASSUMED_AERIAL_M,
    ASSUMED_AERIAL_SIGMA_M,
    GIVEN_AERIAL_SIGMA_M,
    Acceptance,
    Accuracy,
    Assets,
    Assumed,
    Branch,
    Flow,
    Pipe,
    Run,
    Settings,
    standard_accuracy,
)


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
    pictures: Pictures = ((), ())
    if checked is not None and not ledger.faults:
        pictures = read_photos(source, checked.rows, checked.site.metres("counter"), ledger)
    ledger.raise_faults(source.name)
    assert checked is not None  # without settings there is a fault
    try:
        return set_onto_map(_assemble(source, checked, given.files, pictures, ledger))
    except FrameError as e:
        checked.site.one("crs").fault(ledger, "map_crs", "must be the CRS of map_x, map_y", str(e))
    raise SiteFaultsError(source.name, ledger.faults)


def read_register(source: Path) -> Assets:
    """Return what the register says of a site, of which nothing else is read.

    Nothing where that is at fault: whoever reads the site whole names it.
    """
    ledger = Ledger()
    try:
        given = read_site_input(source, ledger)
        site = None if given.sections is None else site_of(given.sections, ledger)
        rows = _rows("assets", given, site, ledger)
        found = Assets() if site is None else read_assets(site, rows, ledger)
        ledger.raise_faults(source.name)
    except (LaterallineError, OSError):
        return Assets()
    return found


def setting_of(source: Path, section: str, key: str) -> str:
    """Return one setting as a site's files have it, whatever else is wrong there.

    "" where it is not given or cannot be read.
    """
    ledger = Ledger()
    try:
        if bulk_of(source) is not None:
            found = bulk_sections(source, ledger)
            return "" if found is None else str(found[section][0].given.get(key, ""))
        if is_file(source):
            return book_value(read_input(source, ledger) or b"", section, key)
        data = read_input(source / SITE_FILE, ledger) or b""
        return str(load_toml(decode(SITE_FILE, data, ledger) or "")[section][key])
    except (LaterallineError, ValueError, LookupError, TypeError):
        return ""


@dataclass(frozen=True, slots=True)
class CheckedSite:
    """Settings and rows of a site, checked against one another; whole when no fault was noted."""

    site: SiteSettings
    settings: Settings
    rows: Mapping[str, InputRows]
    assets: Assets


def check_site(given: SiteInput, folder: Path, ledger: Ledger) -> CheckedSite | None:
    """Return what a site says, with a fault for all that will not do; None without settings.

    `folder` is where its settings lie: a folder of grids is named from there.
    """
    written = with_own_axes(given)
    site = None if written is None else site_of(written, ledger)
    rows = {name: _rows(name, given, site, ledger) for name in (*TABLES, *contract.KEPT)}
    check_references(site, rows, ledger)
    if site is None:
        return None
    known = settings(site, folder, ledger)
    check_onto_map(site, rows["control"], ledger)
    check_runs(known, site, rows["stops"] or InputRows(given.files.home("stops")), ledger)
    assets = read_assets(site, rows["assets"], ledger)
    return CheckedSite(site, known, {n: r for n, r in rows.items() if r is not None}, assets)


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
            ledger.note(
                "input-read-as",
                f"file {table.file}",
                where=f"{table.file}:{table.header_line}",
                file=table.file,
                notes=", ".join(table.notes),
            )
    unit_of = site.unit_of if site else None
    return joined([typed_rows(name, table, unit_of, ledger) for table in tables])


# ---- settings in SI ------------------------------------------------------------------------


def settings(site: SiteSettings, folder: Path, ledger: Ledger) -> Settings:
    """Return the settings in SI, noting what was assumed; values at fault come out as NaN or "".

    `folder` is where `site.toml` lies: paths in it count from there.
    """
    head, crs, dig = site.one("site"), site.one("crs"), site.one("dig")
    surveyed = head.cells.get("surveyed")
    horizontal, vertical = crs_texts(crs)
    rule = dig.text("rule", _default("dig", "rule"))
    if rule not in dig_rules():
        dig.fault(ledger, "rule", "must be a known dig rule", nearest(rule, dig_rules(), 20))
    epoch = crs.number("epoch")
    if isinstance(surveyed, date) and epoch > surveyed.year + 2:
        ledger.note(
            "datum-incomplete/epoch-late",
            "site",
            where=crs.where_of("epoch"),
            epoch=epoch,
            surveyed=str(surveyed),
        )
    height, height_sigma = _aerial_height(site, ledger)
    return Settings(
        id=head.text("id"),
        name=head.text("name") or head.text("id"),
        surveyed=surveyed if isinstance(surveyed, date) else date.min,
        surveyor=head.text("surveyor"),
        horizontal=horizontal,
        vertical=vertical,
        epoch=None if isnan(epoch) else epoch,
        slope_tape=site.one("units").cells.get("slope_tape", False) is True,
        units={k: site.units.get(k, "") for k in unit_keys()},
        accuracy=_accuracy(site, folder, ledger),
        pipes=tuple(_pipe(row, site, ledger) for row in site.sections["pipe"]),
        runs=tuple(_run(row, site) for row in site.sections["run"]),
        assumed=_assumed(site),
        branches=tuple(
            Branch(
                row.text("line"),
                row.text("joins"),
                row.number("at_counter") * site.metres("counter"),
                row.text("run"),
            )
            for row in site.sections["branch"]
        ),
        dig_rule=rule,
        dig_tolerance_m=dig.number("tolerance") * site.metres("tape"),
        aerial_height_m=height,
        aerial_height_sigma_m=height_sigma,
        georeference=georeference(
            crs, folder, surveyed if isinstance(surveyed, date) else date.min, ledger
        ),
        version=int(site.one("record").number("version", 1)),
        valid_from=_day(site.one("record"), "valid_from"),
        accepted=tuple(_acceptance(row, ledger) for row in site.sections["accepted"]),
    )


def _aerial_height(site: SiteSettings, ledger: Ledger) -> tuple[float, float]:
    """Return the height of the receiver's aerial above the ground and its σ, in metres."""
    row, metres = site.one("receiver"), site.metres("depth")
    sigma = row.number("aerial_height_sigma", GIVEN_AERIAL_SIGMA_M / metres) * metres
    if row.given("aerial_height"):
        return row.number("aerial_height") * metres, sigma
    if row.given("aerial_height_sigma"):
        row.fault(ledger, "aerial_height_sigma", "must come with aerial_height")
        return ASSUMED_AERIAL_M, sigma
    return ASSUMED_AERIAL_M, ASSUMED_AERIAL_SIGMA_M


def _accuracy(site: SiteSettings, folder: Path, ledger: Ledger) -> Accuracy:
    """Return the accuracies: what the site gives, then what it names a file for, then defaults."""
    row, head = site.one("accuracy"), site.one("site")
    given = {name: row.number(name) for name in row.cells if name != "from"}
    if file := row.text("from"):
        crews = {
            (run.text("receiver"), run.text("surveyor") or head.text("surveyor"))
            for run in site.sections["run"]
        }
        given = learned_accuracies(folder / file, crews, row, ledger) | given
    in_si = {
        name.replace("_deg", "_rad"): radians(value) if name.endswith("_deg") else value
        for name, value in given.items()
    }
    return standard_accuracy(**in_si)


def _acceptance(row: InputRow, ledger: Ledger) -> Acceptance:
    """Return a finding that is accepted; its code must be one of the catalogue."""
    code, codes = finding_code(row.text("code")), catalogue().entries
    if code and code not in codes:
        row.fault(
            ledger, "code", "must be a code of the catalogue of findings", nearest(code, codes)
        )
    keys = ("subject", "by", "reason", "cause")
    subject, by, reason, cause = (row.text(key) for key in keys)
    on = _day(row, "on") or date.min  # a fault then
    return Acceptance(code, subject, by, on, reason, cause.lower(), row.where)


def _day(row: InputRow, key: str) -> date | None:
    day = row.cells.get(key)
    return day if isinstance(day, date) else None


def _assumed(site: SiteSettings) -> Assumed:
    """Return what of the settings nobody gave."""
    runs, dig = site.sections["run"], site.one("dig")
    lag, ride = (
        tuple(row.text("id") for row in runs if not row.given(key))
        for key in ("transmitter_lag", "ride_height")
    )
    bare = not dig.given("rule") and not dig.given("tolerance")
    aerial = not site.one("receiver").given("aerial_height")
    axes = "horizontal" not in site.one("crs").lines
    return Assumed(lag, ride, aerial, bare, axes)


def _run(row: InputRow, site: SiteSettings) -> Run:
    counter, pipe = site.metres("counter"), site.metres("pipe")
    return Run(
        id=row.text("id"),
        line=row.text("line"),
        entry=row.text("entry"),
        counter_at_entry_m=row.number("counter_at_entry", 0.0) * counter,
        flow=cast(Flow, row.text("flow")),
        transmitter_lag_m=row.number("transmitter_lag", 0.0) * counter,
        ride_height_m=row.number("ride_height", 0.0) * pipe,
        rod_length_m=row.number("rod_length") * pipe,
        main=row.text("main"),
        counter_at_main_m=row.number("counter_at_main") * counter,
        receiver=row.text("receiver"),
        surveyed=_day(row, "surveyed"),
        surveyor=row.text("surveyor"),
    )


def _pipe(row: InputRow, site: SiteSettings, ledger: Ledger) -> Pipe:
    """Return a line's pipe: what was measured first, the published table for the rest."""
    unit = site.metres("pipe")
    inside, wall = row.number("inside_diameter") * unit, row.number("wall") * unit
    measured = row.given("inside_diameter") or row.given("wall")
    complete = row.given("inside_diameter") and row.given("wall")
    nominal, material = row.text("nominal"), row.text("material")
    found = look_up(nominal, material) if nominal and not complete else SizeMatch(None)
    outside, sources = inside + 2 * wall, [row.file] if measured else []
    if found.size is not None:
        # Standards hold the outside true; a measured wall or bore takes the rest of it.
        outside = found.size.outside_diameter_m
        if isnan(wall):
            wall = found.size.wall_m if isnan(inside) else (outside - inside) / 2
        inside = outside - 2 * wall
        sources.append(found.size.citation)
        _note_what_was_taken(row, found, found.size, ledger)
    elif nominal and not complete:
        sizes = [s.nominal for s in found.open_to or pipe_table()]
        must = "must be in the pipe table, or inside_diameter and wall given"
        near = f"say which: {', '.join(sizes)}" if found.open_to else nearest(nominal, sizes, 20)
        row.fault(ledger, "nominal", must, near)
    for key, value, least in (("inside_diameter", inside, 0.02), ("wall", wall, 0.0)):
        if not isnan(value) and not least < value < 5.0:
            must = f"must be between {least:g} and 5 m; it comes out as {value:.4g} m"
            row.fault(ledger, key, must, f"the unit of pipe is {site.units.get('pipe', '')}")
    return Pipe(
        line=row.text("line"),
        material=material,
        nominal=nominal,
        service=row.text("service", _default("pipe", "service")),
        standard_bends=row.text("bends", _default("pipe", "bends")) == "standard",
        inside_diameter_m=inside,
        wall_m=wall,
        dimensions_from="; ".join(sources),
        outside_diameter_m=outside,
    )


def _note_what_was_taken(row: InputRow, found: SizeMatch, size: PipeSize, ledger: Ledger) -> None:
    material = row.text("material")
    subject = f"line {row.text('line')}"
    where = row.where_of("nominal")
    if len(found.open_to) > 1:
        inside_mm = [1000 * s.inside_diameter_m for s in found.open_to]
        ledger.note(
            "pipe-size-unsure/nominal",
            subject,
            where=where,
            nominal=row.text("nominal"),
            open_to=[s.nominal for s in found.open_to],
            taken=size.nominal,
            least_mm=min(inside_mm),
            most_mm=max(inside_mm),
        )
    if isnan(size.wall) and not row.given("wall"):
        ledger.note("pipe-size-unsure/wall", subject, where=where, nominal=size.nominal)
    if material and not is_made_of(size, material):
        ledger.note(
            "pipe-size-unsure/material",
            subject,
            where=where,
            nominal=size.nominal,
            materials=size.materials,
            material=material,
        )


def _default(section: str, name: str) -> str:
    return str(contract.load("site").column(name, section).default)


# ---- the record ----------------------------------------------------------------------------

RowsT = TypeVar(
    "RowsT", ControlRows, MarkRows, StopRows, ExposureRows, ObservationRows, IdRows, Spots
)


def _assemble(
    source: Path, checked: CheckedSite, files: SiteFiles, pictures: Pictures, ledger: Ledger
) -> FieldRecord:
    site, known, rows = checked.site, checked.settings, checked.rows
    marks, stops, exposures, observations, ids = (
        rows[name] for name in ("marks", "stops", "exposures", "observations", "ids")
    )
    kind = marks.texts("kind")
    line_of_run = {run.id: run.line for run in known.runs}
    lines = [r.text("line") or line_of_run.get(r.text("run"), "") for r in exposures]
    return FieldRecord(
        folder=str(source),
        settings=known,
        control=_in_si(ControlRows, "control", rows["control"], site),
        marks=_in_si(
            MarkRows,
            "marks",
            marks,
            site,
            spots=_spots("marks", "mark", marks, site),
            kind=np.where(kind == "peak", "peak_total", kind),
        ),
        stops=_in_si(
            StopRows,
            "stops",
            stops,
            site,
            tilt_rad=np.radians(stops.numbers("tilt_deg")),
            metal=stops.texts("metal") == "true",
        ),
        exposures=_in_si(
            ExposureRows,
            "exposures",
            exposures,
            site,
            spots=_spots("exposures", "name", exposures, site),
            line=np.array(lines, dtype=np.str_),
            # Of a spot without depth and level nothing follows from it.
            measured_to=np.array(
                [r.text("measured_to", "outside_top") for r in exposures], dtype=np.str_
            ),
        ),
        observations=_in_si(ObservationRows, "observations", observations, site),
        ids=_in_si(IdRows, "ids", ids, site, content=files.content.get(ids.file, b"")),
        inputs=(*_inputs(files, site, rows), *pictures[1]),
        findings=tuple(ledger.findings),
        assets=checked.assets,
        photos=pictures[0],
    )


def _in_si(
    made: type[RowsT], table: str, rows: InputRows, site: SiteSettings, **own: object
) -> RowsT:
    """Return a table as the record has it: each field from its column, lengths in metres.

    `own` are the fields that more than their column decides.
    """
    values: dict[str, object] = {"file": rows.file, "row": rows.lines}
    for column in contract.load(table).field:
        if column.type == "real":
            values[f"{column.name}_m"] = rows.numbers(column.name, site.metres_of(column))
        else:
            values[column.name] = rows.texts(column.name)
    values |= {name: values.get(f"{name}_m") for name in ("x", "y", "map_x", "map_y")} | own
    make: Callable[..., RowsT] = made
    return make(**{f.name: values[f.name] for f in fields(made)})


def _spots(table: str, name: str, rows: InputRows, site: SiteSettings) -> Spots:
    """Return the spots of marks or exposures in SI; `name` is the column that names them."""
    axes = site.axes
    assert axes is not None  # a site without usable axes has a fault and is not assembled
    tape, taped = site.metres("tape"), site.units.get("tape", "")
    method = rows.texts("method")
    along: Floats = np.where(
        method == "polar", rows.numbers("polar_distance"), rows.numbers("base_distance")
    )
    vertical_m: Floats = np.where(method == "gnss", axes.gnss_z_m, site.metres("level"))
    return _in_si(
        Spots,
        table,
        rows,
        site,
        name=rows.texts(name),
        z_m=rows.numbers("z") * vertical_m,
        sigma_v_m=rows.numbers("sigma_v") * vertical_m,
        station_m=along * tape,
        offset_m=rows.numbers("base_offset") * tape,
        bearing_rad=np.radians(rows.numbers("polar_azimuth_deg")),
        ties=tuple(
            tuple((point, length * tape) for point, length in parse_ties(r.text("ties"), taped))
            for r in rows
        ),
    )


def _inputs(
    files: SiteFiles, site: SiteSettings, rows: Mapping[str, InputRows]
) -> tuple[InputFile, ...]:
    """Hash every file that was read; a workbook none of whose sheets were used is left out."""
    used = {site.one("site").file: 0} | {table.file: len(table) for table in rows.values()}
    inputs: list[InputFile] = []
    for name, data in files.content.items():
        rows_in = [n for file, n in used.items() if file == name or file.startswith(f"{name} ")]
        if rows_in:
            digest = hashlib.sha256(data).hexdigest()
            inputs.append(InputFile(name, digest, len(data), sum(rows_in)))
    return tuple(inputs)
