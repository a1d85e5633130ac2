"""Survey points and map layers into a site folder: nobody retypes a point file."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from lateralline.errors import Fault, LaterallineError
from lateralline.ingest.conventions import read_table
from lateralline.ingest.coordinate_system import crs_texts
from lateralline.ingest.intake import decode, read_input
from lateralline.ingest.ledger import Ledger, nearest, one_line
from lateralline.ingest.points import ImportedPoints, ImportTask, OrderNotConfirmedError, gather
from lateralline.ingest.points.classify import ClassifiedPoint, unmapped
from lateralline.ingest.points.codes import Codes, default_codes, default_text, read_codes
from lateralline.ingest.points.gather import TEXT_SUFFIXES
from lateralline.ingest.points.new_site import (
    Cells,
    RunGiven,
    SiteGiven,
    StopKey,
    site_toml,
    stop_rows,
    tables,
    traced,
)
from lateralline.ingest.points.survey_points import (
    ORDER_WORDS,
    ORDERS,
    ColumnChoice,
    Order,
    OrderDetection,
)
from lateralline.ingest.sections import read_site_toml
from lateralline.names import MUST_BE, wrong_name
from lateralline.output import refuse_target, stamp, whole_file, whole_folder
from lateralline.stages import SiteFailure, SiteResult, run_site

__all__ = [
    "MUST_BE",
    "ORDERS",
    "ORDER_WORDS",
    "TEXT_SUFFIXES",
    "Cells",
    "ClassifiedPoint",
    "ColumnChoice",
    "ImportTask",
    "ImportedPoints",
    "Order",
    "OrderDetection",
    "OrderNotConfirmedError",
    "PointsRefusedError",
    "RunGiven",
    "SiteGiven",
    "StopKey",
    "WrittenSite",
    "codes_of",
    "crs_of",
    "gather",
    "nearest",
    "one_line",
    "refuse_site",
    "stops_of",
    "text_of",
    "unmapped",
    "write_default_codes",
    "write_site",
    "wrong_name",
]


class PointsRefusedError(LaterallineError, ValueError):
    """The site that points would make has faults only they explain; `failure` has all of them."""

    def __init__(self, failure: SiteFailure) -> None:
        """Keep what is wrong, in terms of the points it comes from."""
        self.failure = failure
        super().__init__(f"{failure.source} was not written: {failure.message}")


@dataclass(frozen=True, slots=True)
class WrittenSite:
    """A site folder that was written, and its check."""

    result: SiteResult | SiteFailure
    to_fill: tuple[Fault, ...]  # empty cells that only a person can fill


def write_default_codes(path: Path, *, replace: bool = False) -> None:
    """Write the mapping of descriptions used by default, to be changed."""
    with whole_file(path, "codes", replace=replace) as made:
        made.write_text(f"# {stamp('codes')}\n{default_text()}", encoding="utf-8", newline="\n")


def refuse_site(out: Path, *, replace: bool) -> None:
    """Raise OutputExistsError where a site may not be written, before anything is read."""
    refuse_target(out, "site", replace=replace, folder=True)


def text_of(path: Path) -> str:
    """Return a text file of settings; raises SiteFaultsError when it is none."""
    ledger = Ledger()
    text = _text(path, ledger)
    ledger.raise_faults(str(path))
    return text or ""


def codes_of(path: Path | None) -> Codes:
    """Return what descriptions mean: by a file, or by default; raises SiteFaultsError."""
    if path is None:
        return default_codes()
    ledger = Ledger()
    text = _text(path, ledger)
    codes = None if text is None else read_codes(path.name, text, ledger)
    ledger.raise_faults(str(path))
    assert codes is not None  # else there is a fault
    return codes


def crs_of(site_text: str, path: Path) -> tuple[str, str]:
    """Return the horizontal and vertical CRS that a site.toml names; raises SiteFaultsError."""
    ledger = Ledger()
    site = read_site_toml(site_text, ledger)
    ledger.raise_faults(str(path))
    assert site is not None  # else there is a fault
    return crs_texts(site.one("crs"))


def stops_of(imported: ImportedPoints, path: Path | None) -> dict[StopKey, Cells]:
    """Return the rows of stops.csv: what points tell of stops, and a file of them.

    Raises SiteFaultsError naming every fault.
    """
    ledger = Ledger()
    given = None
    if path is not None:
        given = read_table("stops", path.name, read_input(path, ledger), ledger)
    stops = stop_rows(imported.found, imported.transformed, given, ledger)
    ledger.raise_faults("import-points")
    return dict(stops)


def write_site(
    out: Path,
    imported: ImportedPoints,
    stops: Mapping[StopKey, Cells],
    about: SiteGiven | str,
    *,
    replace_site: bool = False,
) -> WrittenSite:
    """Write the site folder whole and check it; `about` is what no point tells, or a site.toml.

    Raises PointsRefusedError when the check finds faults that only the points explain: nothing is
    written then; LaterallineError for a CRS that cannot be used, OutputExistsError, OutputError.
    """
    text = about if isinstance(about, str) else site_toml(about, imported.transformed)
    site = read_site_toml(text, Ledger())  # what is wrong with it, the check says
    if site is None or site.axes is None:
        raise LaterallineError("the CRS of the site cannot be used")
    files = tables(imported.found, imported.transformed, stops, site, imported.systems)
    with whole_folder(out, "site", replace=replace_site) as made:
        for name, content in {"site.toml": text, **files}.items():
            (made / name).write_text(content, encoding="utf-8", newline="\n")
        result = run_site(made, until="derive")
        to_fill = _to_fill(result)
        if isinstance(result, SiteFailure) and not to_fill:
            faults = tuple(traced(fault, files) for fault in result.faults)
            raise PointsRefusedError(replace(result, source=out, faults=faults))
    return WrittenSite(result, to_fill)


def _text(path: Path, ledger: Ledger) -> str | None:
    """Return a text file of settings or a table; None, with a fault, when it is none."""
    data = read_input(path, ledger)
    return None if data is None else decode(path.name, data, ledger)


def _to_fill(result: SiteResult | SiteFailure) -> tuple[Fault, ...]:
    """Return the empty cells that only a person can fill, when nothing else is wrong."""
    if not isinstance(result, SiteFailure):
        return ()
    empty = {("stops.csv", "counter"), ("site.toml", "surveyed")}
    good = all(
        (f.file, f.column) in empty and f.value in ("", "write the day") for f in result.faults
    )
    return result.faults if good else ()
