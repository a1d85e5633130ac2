"""Blank sheets to take into the field: the tables of the contract laid out for one survey day.

What stands on which page; the pages themselves are `draw.ruled_page`.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from textwrap import wrap
from typing import Final

from lateralline import contract
from lateralline.contract import Column
from lateralline.draw.paper import paper_size
from lateralline.draw.ruled_page import (
    BOX,
    GREY,
    HUGE,
    PLAIN,
    ROW,
    SMALL,
    TITLE,
    ColumnOf,
    Page,
    Words,
)
from lateralline.units import PER_FOOT

# ---- what stands on which page --------------------------------------------------------------


MARGIN_MM: Final = 10.0
_FOOT: Final = 12.0  # the caution, on every page
_GAP: Final = 2.5
_PER_PAGE: Final = 3  # stops
_OF_PIPES: Final = 0.68  # of the width; branches have the rest
_IN_A_LINE: Final = 155  # signs of plain size across the narrower paper
_OF_A_STOP: Final = (("A", "end_null"), ("B", "end_null"), ("M", "mid_null"), ("P", "peak_total"))

_TAPED: Final = (
    "method", "base_from", "base_to", "base_distance", "base_offset", "polar_distance",
    "polar_azimuth_deg", "ties", "side",
)  # fmt: skip
_GNSS: Final = ("method", "x", "y", "sigma_h", "sigma_v")
_SHARES: Final = {
    "ties": 62, "note": 30, "text": 90, "x": 36, "y": 36, "kind": 25, "base_from": 21,
    "base_to": 21, "base_distance": 20, "base_offset": 20, "mark": 14, "side": 13, "run": 13,
    "stop": 13, "line": 14, "polar_distance": 20, "polar_azimuth_deg": 18,
    "name": 30, "measured_to": 25, "material": 26, "nominal": 30, "entry": 24, "point": 34,
    "horizontal": 40, "vertical": 34, "flow": 20, "surveyor": 40, "service": 24,
}  # fmt: skip


#: Headings that are longer or shorter on paper than the title in the contract; a site's by section.
_HEADINGS: Final[Mapping[tuple[str, str], str]] = {
    ("run", "id"): "run",
    ("run", "counter_at_entry"): "counter\nat entry",
    ("run", "main"): "main\nreached",
    ("run", "counter_at_main"): "counter\nat main",
    ("run", "flow"): "with or\nagainst flow",
    ("run", "transmitter_lag"): "transmitter\nbehind face",
    ("run", "ride_height"): "transmitter\nabove invert",
    ("run", "rod_length"): "rod\nlength",
    ("pipe", "inside_diameter"): "inside\ndiameter",
    ("pipe", "wall"): "wall",
    ("branch", "line"): "branch",
    ("branch", "joins"): "joins line",
    ("branch", "at_counter"): "at\ncounter",
    ("branch", "run"): "of run",
    ("", "x"): "easting or\nlongitude",
    ("", "y"): "northing or\nlatitude",
    ("", "sigma_h"): "± in plan\n(1 σ)",
    ("", "sigma_v"): "± in level\n(1 σ)",
    ("", "sigma"): "±\n(1 σ)",
    ("", "method"): "how\nmeasured",
    ("", "base_from"): "from\npoint",
    ("", "base_to"): "to\npoint",
    ("", "z"): "ground\nlevel",
    ("", "base_distance"): "along\nbaseline",
    ("", "base_offset"): "right of\nbaseline",
    ("", "polar_distance"): "distance\nfrom point",
    ("", "polar_azimuth_deg"): "azimuth",
}


#: What a row of its own may say too: on paper it stands in the head of the page.
_IN_THE_HEAD: Final = ("surveyed", "surveyor")


@dataclass(frozen=True, slots=True)
class Blank:
    """What is asked for, and what is known before the crew goes out; texts as they are printed."""

    units: Mapping[str, str]  # keys of [units]
    gnss: bool = False  # positions by GNSS, else taped
    stops: int = 12
    settings: Mapping[str, Sequence[Mapping[str, str]]] = field(default_factory=dict)
    control: Sequence[Mapping[str, str]] = ()

    def one(self, section: str) -> Mapping[str, str]:
        """Return a section of the settings that is written once; empty when not known."""
        return (self.settings.get(section) or [{}])[0]


def field_sheet_pages(blank: Blank, paper: str) -> list[Page]:
    """Return the pages of a field sheet on `paper`, one of OFFICE_PAPERS, ready to be drawn.

    First the site, its runs, pipes, branches and control; then squared paper for the sketch of
    control and ties; then stops with their marks; last observations, exposures and ground shots.
    """
    pages = [*_site_pages(blank, paper), _sketch_page(blank, paper)]
    pages += _stop_pages(blank, paper)
    pages += [_rest_page(blank, paper)]
    for n, page in enumerate(pages, start=1):
        foot(page, f"page {n} of {len(pages)}")
    return pages


# ---- pages ---------------------------------------------------------------------------------


def _site_pages(blank: Blank, paper: str) -> Iterator[Page]:
    """Yield the page of what is true of the whole site, and more when control fills more."""
    page, x, y, width = begin(paper, "Field sheet")
    head, crs = blank.one("site"), blank.one("crs")
    y = page.boxes(
        x, y, width, columns_on(blank, "site", ("id", "name", "surveyed", "surveyor")), head
    )
    keys = ("tape", "level", "depth", "counter", "pipe")
    units = [ColumnOf(key, f"{key} in", "", 13) for key in keys]
    systems = columns_on(blank, "site", ("horizontal", "vertical"), section="crs")
    y = page.boxes(x, y, width, [*systems, *units], {**crs, **blank.units}) + _GAP
    runs = known_rows(blank.settings.get("run", ()), 3)
    note = f"one row for each push from an entry; {_meanings('flow', 'site', 'run')}"
    y = page.heading(x, y, "runs", note)
    y = page.table(x, y, width, columns_on(blank, "site", section="run"), runs) + _GAP
    y = _pipes_and_branches(page, blank, x, y, width) + _GAP
    of_map = ("map_x", "map_y", "map_sigma")  # read off a map in the office, by no tape
    names = [n for n in contract.load("control").names if n not in of_map]
    columns = columns_on(blank, "control", names)
    rows = known_rows(blank.control, 5)
    while True:
        note = "what tapes are hooked to: corners, covers, nails"
        y = page.heading(x, y, "control", note)
        fits = max(int((floor(page) - y - TITLE) / ROW), 0)
        page.table(x, y, width, columns, rows[:fits])
        yield page
        if not (rows := rows[fits:]):
            return
        page, x, y, width = begin(paper, "Control", blank)


def _pipes_and_branches(page: Page, blank: Blank, x: float, y: float, width: float) -> float:
    """Draw both side by side, as neither needs the whole width; return where they end."""
    ends = []
    choices = f"{_choices('bends', 'site', 'pipe')}; {_choices('service', 'site', 'pipe')}"
    for section, title, note, share in (
        ("pipe", "pipes", f"one row for each line; {choices}", _OF_PIPES),
        ("branch", "branches", "a line that joins another", 1 - _OF_PIPES),
    ):
        across = width * share - _GAP / 2
        rows = known_rows(blank.settings.get(section, ()), 2)
        top = page.heading(x, y, title, note)
        ends.append(page.table(x, top, across, columns_on(blank, "site", section=section), rows))
        x += across + _GAP
    return max(ends)


def _sketch_page(blank: Blank, paper: str) -> Page:
    page, x, y, width = begin(paper, "Sketch of control and ties", blank)
    y = page.paragraph(x, y, _legend(blank)) + 1
    scale = "one square = ________     north: draw the arrow     name every control point"
    page.words.append(Words(x, y + 2, scale, PLAIN))
    page.grid(x, y + 5, width, floor(page) - y - 5)
    return page


def _legend(blank: Blank) -> list[str]:
    """Return what may be written into a mark's columns, in the contract's own words."""
    lines: list[str] = []
    for name in ("kind", "method", "side"):
        heading = _heading(contract.load("marks").column(name)).replace("\n", " ")
        text = f"{heading} — {_meanings(name, 'marks')}"
        lines += wrap(text, _IN_A_LINE, subsequent_indent="      ")
    if PER_FOOT.keys() & set(blank.units.values()):
        lines.append('Feet and inches may be kept as they are read: 4\' 7 1/2", 55 1/2".')
    return lines


def _stop_pages(blank: Blank, paper: str) -> Iterator[Page]:
    runs = [row.get("id", "") for row in blank.settings.get("run", ())]
    run = runs[0] if len(runs) == 1 else ""
    for first in range(1, blank.stops + 1, _PER_PAGE):
        page, x, y, width = begin(paper, "Stops and marks", blank)
        for stop in range(first, min(first + _PER_PAGE, blank.stops + 1)):
            at = {"run": run, "stop": str(stop)}
            y = page.boxes(x, y, width, columns_on(blank, "stops"), at)
            marks = [
                {"mark": f"{stop}{letter}", "kind": _in_words(kind)} for letter, kind in _OF_A_STOP
            ]
            y = page.table(x, y, width, _mark_columns(blank), marks) + _GAP
        yield page


def _rest_page(blank: Blank, paper: str) -> Page:
    page, x, y, width = begin(paper, "Observations, exposures, ground", blank)
    y = page.heading(x, y, "observations", "what the camera saw")
    y = page.table(x, y, width, columns_on(blank, "observations"), [{}] * 7) + _GAP
    seen_at = "where the pipe or transmitter was seen and measured"
    y = page.heading(x, y, "exposures", f"{seen_at}; {_choices('measured_to', 'exposures')}")
    seen = (*(_GNSS if blank.gnss else _TAPED), "z")
    names = ("name", "run", "line", "counter", *seen, "depth", "measured_to", "sigma")
    y = page.table(x, y, width, columns_on(blank, "exposures", names), [{}] * 3) + _GAP
    y = page.heading(x, y, "marks", "ground shots, and marks there was no room for")
    page.table(x, y, width, _mark_columns(blank, ("run", "stop")), [{}] * 3)
    return page


def begin(paper: str, title: str, blank: Blank | None = None) -> tuple[Page, float, float, float]:
    """Return a page with its title, and where to go on: left edge, upper edge, width.

    With `blank` the site is named at the right, so that loose pages find together again.
    """
    page = Page(*paper_size(paper, wide=True))
    width = page.width - 2 * MARGIN_MM
    page.words.append(Words(MARGIN_MM, MARGIN_MM + 3.5, title, HUGE, bold=True))
    if blank is not None:
        head = blank.one("site")
        columns = [
            ColumnOf("id", "site id", "", 30),
            ColumnOf("surveyed", "day of survey", "", 26),
            ColumnOf("surveyor", "surveyor", "", 40),
        ]
        page.boxes(page.width - MARGIN_MM - 110, MARGIN_MM - 2, 110, columns, head)
    return page, MARGIN_MM, MARGIN_MM + BOX, width


def foot(page: Page, number: str) -> None:
    """Write the caution and the number of a page at its foot."""
    caution = contract.load("tolerance_zone").caution
    lines = wrap(caution, 140)
    top = page.height - MARGIN_MM - _FOOT + 3
    for n, line in enumerate(lines):
        page.words.append(Words(MARGIN_MM, top + 4 * n, line, PLAIN, bold=True))
    at = page.width - MARGIN_MM
    page.words.append(Words(at, top + 4, number, SMALL, grey=GREY, align="right"))


def floor(page: Page) -> float:
    """Return the lower edge of what a page may hold."""
    return page.height - MARGIN_MM - _FOOT


# ---- columns -------------------------------------------------------------------------------


def columns_on(
    blank: Blank, table: str, names: Sequence[str] = (), section: str = ""
) -> list[ColumnOf]:
    """Return columns of a table as they stand on paper: those named, else all."""
    section = section or ("site" if table == "site" else "")
    declared = {c.name: c for c in contract.load(table).field if c.section == section}
    every = [name for name in declared if section == "site" or name not in _IN_THE_HEAD]
    chosen = [declared[name] for name in names or every]
    return [ColumnOf(c.name, _heading(c), _unit(c, blank), _SHARES.get(c.name, 18)) for c in chosen]


def _heading(column: Column) -> str:
    """Return what a column is called on paper: the title of the contract, unless too long there."""
    title = column.title[0].lower() + column.title[1:]
    return _HEADINGS.get((column.section, column.name), title)


def _choices(name: str, table: str, section: str = "") -> str:
    """Return what may be written into a column, behind its heading."""
    column = contract.load(table).column(name, section)
    return f"{_heading(column)}: {', '.join(map(_in_words, column.enum))}"


def _meanings(name: str, table: str, section: str = "") -> str:
    """Return what may be written into a column, each with what it means."""
    declared = {c.name: c for c in contract.load(table).field if c.section == section}

    def on_paper(found: re.Match[str]) -> str:
        if (column := declared.get(found[0])) is None:
            return _in_words(found[0])
        return f'"{_heading(column)}"'.replace("\n", " ")

    text = "; ".join(f"{v.value}: {v.description}" for v in declared[name].values)
    return re.sub(r"[a-z]+_[a-z_]+", on_paper, text)


def _in_words(value: str) -> str:
    """Return a value as it may be written by hand and typed in: `end null` is read as end_null."""
    return value.replace("_", " ")


def _mark_columns(blank: Blank, first: Sequence[str] = ()) -> list[ColumnOf]:
    positions = _GNSS if blank.gnss else _TAPED
    return columns_on(blank, "marks", (*first, "mark", "kind", *positions, "z", "note"))


def _unit(column: Column, blank: Blank) -> str:
    """Return the unit to print; levels by GNSS may be in the vertical CRS's own."""
    vertical = blank.one("crs").get("vertical", "none")
    if column.name == "z" and blank.gnss and vertical != "none":
        return ""
    return column.unit or blank.units.get(column.unit_from, "")


def known_rows(rows: Sequence[Mapping[str, str]], least: int) -> list[Mapping[str, str]]:
    """Return the rows that are known, and empty ones until there are enough to write on."""
    return [*rows, *[{}] * max(least - len(rows), 1)]
