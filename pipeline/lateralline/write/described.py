"""What the metadata of a GeoPackage say, read from a record's layers or from an overlay's record.

It is all read from them, so it cannot say otherwise. Figures of quality are the record's own: the
farthest a line may be off in plan, and half of the widest 95 % interval of an invert, each the
largest of all lines. Where a line has no figure, none is stated for all of them, and the report
says how many are without. An overlay states those of its record: nothing in it is surer.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Sequence
from contextlib import closing
from dataclasses import dataclass, replace
from math import isnan
from pathlib import Path
from typing import Final

from lateralline import __version__, contract
from lateralline.derive.ellipses import INTERVAL_95
from lateralline.record import CAUTION
from lateralline.wording import counted

_LISTED: Final = 10  # statements of a kind; more are named by their number, and stand in lineage
_OMITTED: Final = (
    "Not located: {} of lines, runs or sites; see layer unlocated. Pipes that no survey here "
    "was for are in no layer."
)


@dataclass(frozen=True, slots=True)
class StatedAccuracy:
    """The largest 95 % figure of all lines, in metres; None when one of them has none."""

    lines: int
    without: int  # lines that nothing bounds, or that have no levels
    largest_m: float | None
    of: str = ""  # whose lines, where it is not plain

    def words(self, what: str) -> str:
        """Return the figure in a sentence."""
        lines = f"{counted(self.lines, 'line')}{self.of}"
        if self.largest_m is not None:
            return f"{what}: {self.largest_m:.3f} m at most, 95 %, over {lines}."
        if not self.lines:
            return f"{what}: no line is located{self.of}."
        return f"{what}: not bounded or not known for {self.without} of {lines}."


@dataclass(frozen=True, slots=True)
class Described:
    """The words and figures of one metadata document."""

    named: str  # what its identifier is made of
    title: str
    abstract: str
    days: tuple[str, ...]  # of survey
    vertical: tuple[str, ...]  # CRSs that levels count from
    plan: StatedAccuracy
    level: StatedAccuracy
    omitted: str
    lineage: str


def described_record(db: sqlite3.Connection) -> Described:
    """Return what is said of a record's layers, from an open GeoPackage that holds them all."""
    sites = [str(site) for (site,) in db.execute("SELECT DISTINCT site_id FROM lineage ORDER BY 1")]
    levels = "CASE WHEN invert_down_level_m IS NULL THEN NULL ELSE invert_sigma_max_m END"
    found = db.execute(f"SELECT position_95_max_m, {levels} FROM pipe_centreline").fetchall()
    (missing,) = db.execute("SELECT count(*) FROM unlocated").fetchone()
    return Described(
        named="record:" + ",".join(sites),
        title=f"As-built record of buried drains: {_named(sites)}",
        abstract="Drains located from the surface by a camera's transmitter, adjusted: "
        f"{_titles(contract.LAYERS)}. {CAUTION}",
        days=_days(db),
        vertical=_values(db, "crs", "vertical crs"),
        plan=_accuracy([plan for plan, _ in found]),
        level=_accuracy([level for _, level in found], INTERVAL_95),
        omitted=_OMITTED.format(missing),
        lineage=_lineage(db, len(sites)),
    )


@dataclass(frozen=True, slots=True)
class Origin:
    """The built record that an overlay is made of."""

    record: Path  # its GeoPackage
    sha256: str
    sites: tuple[str, ...]
    plan_95_m: Sequence[float]  # of each line; NaN where nothing bounds it
    level_sigma_m: Sequence[float]  # likewise; NaN where it has no levels
    unlocated: int  # parts that nobody located


def described_overlay(origin: Origin, name: str, layers: Iterable[str], about: str) -> Described:
    """Return what is said of an overlay `name`; `about` is what its folder says of it.

    Raises sqlite3.Error where the record cannot be read.
    """
    with closing(sqlite3.connect(f"{origin.record.absolute().as_uri()}?mode=ro", uri=True)) as db:
        days, vertical = _days(db), _values(db, "crs", "vertical crs")
        levels = _values(db, "statement", "levels")
    parts = [
        f"Made by lateralline {__version__} from the as-built record {origin.record.name} (SHA-256 "
        f"{origin.sha256}) of {counted(len(origin.sites), 'site')}. {about}",
        *_short("", levels),
    ]
    of_record = " in the record this is made of"
    head = name.replace("_", " ")
    return Described(
        named=f"{name}:{origin.sha256}:{about}",
        title=f"{head.capitalize()} of buried drains as built: {_named(origin.sites)}",
        abstract=f"Made from an as-built record: {_titles(layers)}. {CAUTION}",
        days=days,
        vertical=vertical,
        plan=replace(_accuracy(origin.plan_95_m), of=of_record),
        level=replace(_accuracy(origin.level_sigma_m, INTERVAL_95), of=of_record),
        omitted=_OMITTED.format(origin.unlocated),
        lineage=" ".join(parts),
    )


def _accuracy(found: Sequence[float | None], factor: float = 1.0) -> StatedAccuracy:
    known = [value for value in found if value is not None and not isnan(value)]
    whole = bool(found) and len(known) == len(found)
    largest = factor * max(known) if whole else None
    return StatedAccuracy(len(found), len(found) - len(known), largest)


def _named(sites: Sequence[str]) -> str:
    return ", ".join(sites) if len(sites) <= _LISTED else f"{len(sites)} sites"


def _titles(layers: Iterable[str]) -> str:
    return "; ".join(contract.load(name).title.lower() for name in layers)


def _days(db: sqlite3.Connection) -> tuple[str, ...]:
    days = "SELECT value FROM lineage WHERE item = 'surveyed' OR item LIKE 'run %: surveyed'"
    return tuple(str(day) for (day,) in db.execute(days))


def _lineage(db: sqlite3.Connection, sites: int) -> str:
    """Return where it all comes from, in sentences; what is said of several sites once."""
    (inputs,) = db.execute("SELECT count(*) FROM lineage WHERE topic = 'input'").fetchone()
    ways = [
        f"{item} by {value}"
        + (f", good to {accuracy_m:g} m (1 σ)" if accuracy_m is not None else "")
        for item, value, accuracy_m in db.execute(
            "SELECT DISTINCT item, value, accuracy_m FROM lineage WHERE topic = 'operation' "
            "ORDER BY 1, 2"
        )
    ]
    parts = [
        f"Marks, readings and exposures of {counted(sites, 'site')} in {counted(inputs, 'file')}, "
        f"named with SHA-256 in table lineage, solved and adjusted by lateralline {__version__}.",
        *_short("Coordinates: ", ways),
        *_short("", _values(db, "statement", "levels")),
    ]
    return " ".join(parts)


def _short(head: str, said: Sequence[str]) -> list[str]:
    if not said:
        return []
    more = f"; {len(said) - _LISTED} more in table lineage" if len(said) > _LISTED else ""
    text = "; ".join(part.rstrip(".") for part in said[:_LISTED])
    return [f"{head}{text}{more}."]


def _values(db: sqlite3.Connection, topic: str, item: str) -> tuple[str, ...]:
    """Return what lineage says of one thing, each value once."""
    query = "SELECT DISTINCT value FROM lineage WHERE topic = ? AND item = ? ORDER BY 1"
    return tuple(str(value) for (value,) in db.execute(query, (topic, item)))
