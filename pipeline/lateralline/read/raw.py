"""A site as it was written, settings and rows in the crew's own words: for copying, not computing.

Only what `read_site` finds sound is sure to be whole here: what must not be lost is read first.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from lateralline.read.book import read_book
from lateralline.read.files import SITE_FILE, TABLES, Files, read_files
from lateralline.read.intake import decode
from lateralline.read.ledger import Ledger
from lateralline.read.sections import section_names
from lateralline.read.sheets import Sheet, csv_sheet
from lateralline.read.site_sheets import written_sections
from lateralline.read.toml_lines import load_toml

Section = Mapping[str, object]
Settings = Mapping[str, Sequence[Section]]


@dataclass(frozen=True, slots=True)
class RawSite:
    """Sections of the settings by name, each as often as it is there, and rows of tables as text.

    Values of `site.toml` are typed as TOML has them, those of a book are text.
    """

    settings: Settings
    tables: Mapping[str, Sequence[Mapping[str, str]]]


def raw_site(source: Path) -> RawSite:
    """Return what stands in a site folder with text files, or in a workbook with settings.

    Raises SiteFaultsError for what cannot be taken apart; what cells hold is not looked at.
    """
    ledger = Ledger()
    files = read_files(source, ledger)
    settings: Settings
    sheets: Mapping[str, Sheet | None]
    if files.book:
        book = read_book(files.book, files.content[files.book], ledger)
        settings, sheets = written_sections(files.book, book.site, ledger), book.tables
    else:
        settings, sheets = _toml(files, ledger), _csv(files, ledger)
    ledger.raise_faults(source.name)
    tables = {
        name: [dict(zip(sheet.header, cells, strict=True)) for _, cells in sheet.rows]
        for name, sheet in sheets.items()
        if sheet is not None
    }
    return RawSite(settings, tables)


def _toml(files: Files, ledger: Ledger) -> Settings:
    if SITE_FILE not in files.content:
        files.missing(SITE_FILE, "site", "must be in the site folder, with tables as .csv", ledger)
        return {}
    try:
        said = load_toml(decode(SITE_FILE, files.content[SITE_FILE], ledger) or "")
    except ValueError as e:
        ledger.fault(SITE_FILE, 0, "file", "", f"must be TOML: {e}")
        return {}
    settings: dict[str, Sequence[Section]] = {}
    for name in section_names():
        found = said.get(name, [])
        many = found if isinstance(found, list) else [found]
        settings[name] = [section for section in many if isinstance(section, dict)]
    return settings


def _csv(files: Files, ledger: Ledger) -> dict[str, Sheet | None]:
    sheets: dict[str, Sheet | None] = {}
    for name in TABLES:
        if (data := files.content.get(f"{name}.csv")) is not None:
            text = decode(f"{name}.csv", data, ledger)
            sheets[name] = None if text is None else csv_sheet(f"{name}.csv", text, ledger)
    return sheets
