"""The visit that a folder of additions stands for: its day, who and what with, in the new site.

`[visit]` of `added.toml` is no section of a site. Its day is written to each added run and exposure
that names none, and the version of the record goes up by one: a day stated for the old version
does not hold for the new one, and is left there as a comment.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import date
from functools import partial
from typing import Final

from lateralline.findings import Finding, finding
from lateralline.ingest.cells import declared_unit
from lateralline.ingest.intake import BOM, SITE_FILE
from lateralline.ingest.ledger import Ledger
from lateralline.ingest.rows import InputRow
from lateralline.ingest.sections import RawSection, checked, find_lines, load_toml
from lateralline.ingest.tables import TextTable
from lateralline.records import FieldRecord
from lateralline.revise.added import ADDED, ADDED_FILE
from lateralline.template import toml_literal, with_below

#: The section of `added.toml` that is about the visit, and the keys of a run it stands in for.
VISIT: Final = "visit"
_OF_RUNS: Final = ("surveyed", "surveyor", "receiver")
_HEADING: Final = re.compile(r"\s*\[")


@dataclass(frozen=True, slots=True)
class Visit:
    """What `added.toml` says of the visit as a whole; only what is given."""

    given: Mapping[str, str | date]
    runs: tuple[frozenset[str], ...]  # keys that each added run gives itself

    def in_sections(self, text: str) -> str:
        """Return the added sections as the site takes them: runs with what the visit says.

        Lines of `[visit]` become comments.
        """
        out: list[str] = []
        at, inside = -1, False
        for line in text.splitlines():
            if _HEADING.match(line):
                inside = re.match(rf"\s*\[\s*{VISIT}\s*\]", line) is not None
            out.append(f"# {line}" if inside and line.strip() else line)
            if re.match(r"\s*\[\[\s*run\s*\]\]", line):
                at += 1
                own = self.runs[at] if at < len(self.runs) else frozenset()
                out += [
                    f"{key} = {toml_literal(self.given[key])}"
                    for key in _OF_RUNS
                    if key in self.given and key not in own
                ]
        return "\n".join(out) + "\n" * text.endswith("\n")

    def in_table(self, table: TextTable) -> TextTable:
        """Return added exposures with the day of the visit where they name none."""
        if (day := self.given.get("surveyed")) is None or not table.rows:
            return table
        header = table.header
        if "surveyed" not in header:
            table = replace(
                table,
                header=(*header, "surveyed"),
                rows=tuple((line, (*cells, "")) for line, cells in table.rows),
            )
        at = table.header.index("surveyed")
        rows = tuple(
            (line, (*cells[:at], cells[at] or str(day), *cells[at + 1 :]))
            for line, cells in table.rows
        )
        return replace(table, rows=rows)


def read_visit(text: str, ledger: Ledger) -> Visit:
    """Return what a sound `added.toml` says of the visit, noting a fault for each key at fault."""
    file = ADDED + ADDED_FILE
    try:
        data = load_toml(text)
    except ValueError:  # a fault already
        return Visit({}, ())
    given, lines = data.get(VISIT, {}), find_lines(text)
    runs = data.get("run", [])
    own = tuple(frozenset(r) for r in runs if isinstance(r, dict)) if isinstance(runs, list) else ()
    if not isinstance(given, dict):
        return Visit({}, own)
    at = {key: line for (section, _, key), line in lines.items() if section == VISIT}
    section = RawSection(file, given, at, strict=True)
    row = checked("added", VISIT, section, partial(declared_unit, units={}), ledger)
    return Visit({k: v for k, v in row.cells.items() if isinstance(v, (str, date))}, own)


def next_version(text: str, said: InputRow, visit: Visit, ledger: Ledger) -> str:
    """Return the text of `site.toml` with the version of the record raised by one.

    `said` is its section `[record]` as it was read.
    """
    version = int(said.number("version", 1)) + 1
    stands = {
        key: line
        for (section, _, key), line in find_lines(text.removeprefix(BOM)).items()
        if section == "record"
    }
    lines = text.splitlines(keepends=True)
    newline = "\r\n" if "\r\n" in text else "\n"
    fresh = [f"version = {version}"]
    if "valid_from" in visit.given:
        fresh.append(f"valid_from = {visit.given['valid_from']}")
    if any(key not in stands for key in said.cells):
        must = "must stand under [record], each key on a line of its own, for an update to raise it"
        ledger.fault(SITE_FILE, said.line, "record", "", must)
        return text
    for key in ("version", "valid_from"):
        if key in stands:
            old = lines[stands[key] - 1]
            lines[stands[key] - 1] = f"# of version {version - 1}: {old}"
    if "" in stands:
        lines[stands[""] - 1] = lines[stands[""] - 1].rstrip("\r\n") + newline
        lines.insert(stands[""], "".join(line + newline for line in fresh))
        return "".join(lines)
    return with_below(text, ["[record]", *fresh])


def undated(old: FieldRecord, new: FieldRecord) -> Iterator[Finding]:
    """Yield a warning for each added run and exposure that no day was given for."""
    day = str(new.settings.surveyed)
    known = {run.id for run in old.settings.runs}
    for run in new.settings.runs:
        if run.id not in known and run.surveyed is None:
            yield finding("visit-undated", f"run {run.id}", file=ADDED_FILE, day=day)
    seen = set(old.exposures.spots.name.tolist())
    named = zip(new.exposures.spots.name.tolist(), new.exposures.surveyed.tolist(), strict=True)
    for name, surveyed in named:
        if name not in seen and not surveyed:
            yield finding("visit-undated", f"exposure {name}", file=ADDED_FILE, day=day)
