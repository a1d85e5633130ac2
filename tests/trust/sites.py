"""Practice sites as tables in memory, with their truth: made, changed, written, read and built."""

from __future__ import annotations

import copy
import tomllib
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date
from functools import lru_cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np

import lateralline
from lateralline import csv_file
from lateralline.errors import Fault, SiteFaultsError
from lateralline.settings import Accuracy, standard_accuracy
from lateralline.simulate.faults import LON_LAT_ANCHOR
from lateralline.simulate.scenarios import SOUND
from lateralline.simulate.sheet import files_of
from lateralline.simulate.survey import Row, Surveyed, survey
from lateralline.simulate.truth import Opening, Truth
from lateralline.stages import SiteFailure, SiteResult, run_site

TABLES = ("control", "marks", "stops", "exposures", "observations")


@dataclass
class SiteTables:
    """What a crew hands in: settings and tables as text, which a mistake changes in place."""

    scenario: str
    settings: dict[str, Any]
    tables: dict[str, list[Row]]

    @property
    def marks(self) -> list[Row]:
        return self.tables["marks"]

    @property
    def stops(self) -> list[Row]:
        return self.tables["stops"]

    @property
    def control(self) -> list[Row]:
        return self.tables["control"]

    @property
    def exposures(self) -> list[Row]:
        return self.tables["exposures"]

    def copy(self) -> SiteTables:
        return copy.deepcopy(self)

    def write(self, folder: Path) -> None:
        """Write the site folder, every file whole."""
        folder.mkdir()
        (folder / "site.toml").write_text(_toml(self.settings), encoding="utf-8")
        for table, rows in self.tables.items():
            if rows:
                columns = list(dict.fromkeys(name for row in rows for name in row))
                text = csv_file.table(columns, [{c: r.get(c, "") for c in columns} for r in rows])
                (folder / f"{table}.csv").write_text(text, encoding="utf-8", newline="")


@dataclass(frozen=True)
class Made:
    """A faultless practice site: what was handed in, and what is true."""

    name: str
    seed: int
    given: SiteTables
    surveyed: Surveyed


@dataclass(frozen=True)
class Built:
    """What came of handing a site in: a result, or the faults of its files."""

    result: SiteResult | None
    faults: tuple[Fault, ...] = ()
    failure: str = ""


def _lon_lat(truth: Truth) -> Truth:
    return replace(truth, horizontal="EPSG:4326", anchor=LON_LAT_ANCHOR)


def _mixed(truth: Truth) -> Truth:
    """Every second stop or so by GNSS, and the entry opened."""
    return replace(truth, crew=replace(truth.crew, methods=("offset", "gnss", "ties3", "gnss")))


def _holes(truth: Truth) -> Truth:
    """Both cleanouts opened, and measured by GNSS."""
    holes = (Opening("CO1", "R1", "CO1", "gnss"), Opening("CO2", "R2", "CO2", "gnss"))
    return replace(truth, openings=holes)


#: The sound scenarios, and what a crew may vary of them: by name, scenario and change of truth.
SITES: dict[str, tuple[str, Callable[[Truth], Truth]]] = {
    **{name: (name, lambda truth: truth) for name in SOUND},
    "lon-lat": ("gnss-bend-branch", _lon_lat),
    "mixed": ("slope-levels", _mixed),
    "holes": ("gnss-bend-branch", _holes),
}


@lru_cache(maxsize=512)
def made(name: str, seed: int) -> Made:
    """Survey one site anew; the same name and seed give the same site."""
    return made_of(name, seed, lambda truth: truth)


def made_of(
    name: str, seed: int, other: Callable[[Truth], Truth], accuracy: Accuracy | None = None
) -> Made:
    """Survey a site whose truth is another, with the same noise or that of other accuracies."""
    scenario, vary = SITES[name]
    rng = np.random.default_rng(seed)
    truth = other(vary(SOUND[scenario].build(rng)))
    surveyed = survey(rng, truth, accuracy or standard_accuracy())
    files = files_of(surveyed)
    tables = {t: _rows(files[f"{t}.csv"]) if f"{t}.csv" in files else [] for t in TABLES}
    return Made(name, seed, SiteTables(name, tomllib.loads(files["site.toml"]), tables), surveyed)


def build(site: SiteTables) -> Built:
    """Hand a site in: read it, and work out every layer."""
    with TemporaryDirectory() as parent:
        folder = Path(parent) / "site"
        site.write(folder)
        try:
            read = lateralline.read(folder)
        except SiteFaultsError as e:
            return Built(None, e.faults)
        result = run_site(read, until="derive")
    if isinstance(result, SiteFailure):
        return Built(None, failure=f"{result.stage}: {result.message}")
    return Built(result)


@lru_cache(maxsize=512)
def faultless(name: str, seed: int) -> Built:
    """Build a site with nothing wrong; kept, since every mistake is held against it."""
    return build(made(name, seed).given)


def _rows(text: str) -> list[Row]:
    head, *rows = (cells for _, _, cells in csv_file.records(text))
    return [dict(zip(head, row, strict=True)) for row in rows]


def _toml(settings: dict[str, Any]) -> str:
    out = []
    for name, content in settings.items():
        several = isinstance(content, list)
        for section in content if several else [content]:
            out.append(f"[[{name}]]" if several else f"[{name}]")
            out += [f"{key} = {_value(value)}" for key, value in section.items()]
    return "\n".join(out) + "\n"


def _value(value: object) -> str:
    if isinstance(value, str):
        return f'"{value}"'
    if isinstance(value, bool):
        return str(value).lower()
    return value.isoformat() if isinstance(value, date) else repr(value)


@dataclass(frozen=True)
class Slip:
    """Where a mistake was made, and so where a finding on it should lead."""

    at: tuple[str, ...] = ()  # names of stops ("R1/3"), marks, points, runs, lines; () = the site
    cells: tuple[tuple[str, int], ...] = ()  # table and row, counted from 0; row -1: the settings
    levels_m: float = 0.0  # what levels of the named zero are more than those that were measured

    def lines(self) -> set[str]:
        """Return the rows as findings and faults name them, "marks.csv:14"."""
        return {f"{table}.csv:{row + 2}" if row >= 0 else table for table, row in self.cells}
