"""A site as it was written, settings and rows in the crew's own words: for copying, not computing.

What a copy must not lose is only what `read_site` has found sound; read the site first.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from lateralline.read.files import SITE_FILE, TABLES, read_files
from lateralline.read.ledger import Ledger
from lateralline.read.sections import section_names
from lateralline.read.sheets import csv_sheet, decode


@dataclass(frozen=True, slots=True)
class RawSite:
    """Sections of `site.toml` by name, each as often as it is there, and rows of tables as text."""

    settings: Mapping[str, Sequence[Mapping[str, object]]]
    tables: Mapping[str, Sequence[Mapping[str, str]]]


def raw_site(folder: Path) -> RawSite:
    """Return what stands in the text files of a site folder; raises SiteFaultsError."""
    ledger = Ledger()
    files = read_files(folder, ledger)
    if SITE_FILE not in files.content:
        files.missing(SITE_FILE, "site", "must be in the site folder, with tables as .csv", ledger)
    tables: dict[str, Sequence[Mapping[str, str]]] = {}
    for name in TABLES:
        if (data := files.content.get(f"{name}.csv")) is None:
            continue
        text = decode(f"{name}.csv", data, ledger)
        sheet = None if text is None else csv_sheet(f"{name}.csv", text, ledger)
        if sheet is not None:
            tables[name] = [dict(zip(sheet.header, cells, strict=True)) for _, cells in sheet.rows]
    ledger.raise_faults(folder.name)
    said = tomllib.loads(files.content[SITE_FILE].decode("utf-8-sig"))
    settings = {
        name: found if isinstance(found := said.get(name, []), list) else [found]
        for name in section_names()
    }
    return RawSite(settings, tables)
