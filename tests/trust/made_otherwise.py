"""A sample site written down otherwise: turned, moved, mirrored, in feet, in another order or name.

Each change is made in the files, as a crew or an office would have it, so that all of the pipeline
stands between the change and what is compared.
"""

from __future__ import annotations

import csv
import math
import re
import shutil
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final, TypeAlias

from lateralline import contract
from lateralline.units import METRES_PER
from tests.support.places import SAMPLES

Row: TypeAlias = dict[str, str]
TABLES: Final = ("control", "marks", "stops", "exposures", "observations")
#: Columns that are coordinates: on a sketch they are in the unit of the tape.
_PLAN: Final = ("x", "y", "sigma_h")


@dataclass(slots=True)
class SiteText:
    """The settings of a site as text, and its tables as rows."""

    settings: str
    tables: dict[str, list[Row]] = field(default_factory=dict)

    def write(self, folder: Path) -> Path:
        """Write it into a folder, which is made new."""
        shutil.rmtree(folder, ignore_errors=True)
        folder.mkdir(parents=True)
        (folder / "site.toml").write_text(self.settings, encoding="utf-8")
        for name, rows in self.tables.items():
            with (folder / f"{name}.csv").open("w", encoding="utf-8", newline="") as file:
                writer = csv.DictWriter(file, list(rows[0]))
                writer.writeheader()
                writer.writerows(rows)
        return folder

    def each(self, change: Callable[[str, Row], None]) -> SiteText:
        """Return it with each row changed."""
        made = SiteText(self.settings, {n: [dict(r) for r in t] for n, t in self.tables.items()})
        for name, rows in made.tables.items():
            for row in rows:
                change(name, row)
        return made


def sample(name: str) -> SiteText:
    """A sample site without the ids it was given."""
    tables = {}
    for table in TABLES:
        path = SAMPLES / name / f"{table}.csv"
        if path.exists():
            with path.open(encoding="utf-8", newline="") as file:
                tables[table] = list(csv.DictReader(file))
    return SiteText((SAMPLES / name / "site.toml").read_text(encoding="utf-8"), tables)


def as_sketch(site: SiteText) -> SiteText:
    """A taped site on axes of its own, its control about the zero: what may be turned freely."""
    origin = {c: float(site.tables["control"][0][c]) for c in ("x", "y")}
    settings = re.sub(r'horizontal = "[^"]*"', 'horizontal = "local"', site.settings)
    settings = re.sub(r'vertical = "[^"]*"', 'vertical = "none"', settings)

    def change(_table: str, row: Row) -> None:
        for column, zero in origin.items():
            if row.get(column):
                row[column] = repr(float(row[column]) - zero)

    made = site.each(change)
    return SiteText(settings, made.tables)


def turned(site: SiteText, degrees: float) -> SiteText:
    """Turned counter-clockwise about the zero of its axes."""
    c, s = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))

    def change(_table: str, row: Row) -> None:
        if row.get("x"):
            x, y = float(row["x"]), float(row["y"])
            row["x"], row["y"] = repr(c * x - s * y), repr(s * x + c * y)
        if row.get("polar_azimuth_deg"):
            row["polar_azimuth_deg"] = repr((float(row["polar_azimuth_deg"]) - degrees) % 360.0)

    return site.each(change)


def moved(site: SiteText, east: float, north: float) -> SiteText:
    """Moved whole, in the unit of its axes."""

    def change(_table: str, row: Row) -> None:
        if row.get("x"):
            row["x"] = repr(float(row["x"]) + east)
            row["y"] = repr(float(row["y"]) + north)

    return site.each(change)


def mirrored(site: SiteText) -> SiteText:
    """As in a mirror along the y axis: left is right."""
    other = {"left": "right", "right": "left"}

    def change(_table: str, row: Row) -> None:
        if row.get("x"):
            row["x"] = repr(-float(row["x"]))
        if row.get("base_offset"):
            row["base_offset"] = repr(-float(row["base_offset"]))
        if row.get("polar_azimuth_deg"):
            row["polar_azimuth_deg"] = repr(-float(row["polar_azimuth_deg"]) % 360.0)
        if row.get("side"):
            row["side"] = other[row["side"]]

    return site.each(change)


def in_unit(site: SiteText, unit: str, kinds: str = "tape|level|depth|counter") -> SiteText:
    """The same lengths booked in another unit, settings included; the pipe's own unit stays."""
    was = dict(re.findall(rf'^({kinds}) = "(.*)"$', site.settings, re.M))
    factor = {kind: METRES_PER[old] / METRES_PER[unit] for kind, old in was.items()}
    units = {
        (table, f.section, f.name): f.unit_from
        for table in ("site", *site.tables)
        for f in contract.load(table).field
        if f.unit_from in was
    }
    if 'horizontal = "local"' in site.settings:
        units |= {("control", "", column): "tape" for column in _PLAN}

    def change(table: str, row: Row) -> None:
        for column, text in row.items():
            kind = units.get((table, "", column))
            if kind and text and column != "ties":
                row[column] = repr(float(text) * factor[kind])
        if row.get("ties") and "tape" in factor:
            legs = (leg.rpartition(":") for leg in row["ties"].split(";"))
            row["ties"] = ";".join(f"{p}:{float(d) * factor['tape']!r}" for p, _, d in legs)

    lines = []
    section = ""
    for line in site.settings.split("\n"):
        section = line.strip("[]") if line.startswith("[") else section
        key, _, value = line.partition(" = ")
        if section == "units" and key in was:
            line = f'{key} = "{unit}"'
        elif ("site", section, key) in units:
            line = f"{key} = {float(value) * factor[units['site', section, key]]!r}"
        lines.append(line)
    return SiteText("\n".join(lines), site.each(change).tables)


def reordered(site: SiteText, order: Callable[[int], Iterable[int]]) -> SiteText:
    """With the rows of each table in another order."""
    tables = {n: [t[i] for i in order(len(t))] for n, t in site.tables.items()}
    return SiteText(site.settings, tables)


def in_crs(site: SiteText, crs: str, factor: float) -> SiteText:
    """In the same grid counted in another unit: coordinates of control times a factor."""
    settings = re.sub(r'horizontal = "[^"]*"', f'horizontal = "{crs}"', site.settings)

    def change(_table: str, row: Row) -> None:
        for column in _PLAN:
            if row.get(column):
                row[column] = repr(float(row[column]) * factor)

    return SiteText(settings, site.each(change).tables)


def renamed(site: SiteText, names: dict[str, dict[str, str]]) -> SiteText:
    """With other names of things: by "run", "line", "stop" and "point", old name to new."""

    def change(_table: str, row: Row) -> None:
        for kind, columns in (
            ("run", ("run",)),
            ("line", ("line",)),
            ("stop", ("stop",)),
            ("point", ("point", "base_from", "base_to", "polar_from")),
        ):
            for column in columns:
                if row.get(column):
                    row[column] = names.get(kind, {}).get(row[column], row[column])
        if row.get("ties"):
            legs = (leg.rpartition(":") for leg in row["ties"].split(";"))
            row["ties"] = ";".join(f"{names.get('point', {}).get(p, p)}:{d}" for p, _, d in legs)

    settings = site.settings
    for kind, keys in (("run", "id|run"), ("line", "line|joins")):
        for old, new in names.get(kind, {}).items():
            settings = re.sub(
                rf'^({keys}) = "{re.escape(old)}"$', rf'\1 = "\0{new}"', settings, flags=re.M
            )
    return SiteText(settings.replace("\0", ""), site.each(change).tables)
