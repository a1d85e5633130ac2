"""Which files of a site folder are its input, and what stands in them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from typing import Final

from lateralline import contract
from lateralline.read.ledger import Ledger

SITE_FILE: Final = "site.toml"
TABLES: Final = tuple(name for name in contract.INPUTS if name != "site")
NEEDED: Final = ("marks", "stops")  # a site without these tables is none

_WANTED: Final = (SITE_FILE, *(f"{name}.csv" for name in TABLES))
_TABULAR: Final = (".csv", ".txt", ".tsv", ".toml", ".xls", ".ods")


@dataclass(frozen=True, slots=True)
class Files:
    """Content by file name, and names that nearly are one of ours: the name meant → as found."""

    content: Mapping[str, bytes]
    near: Mapping[str, str]

    def missing(self, name: str, must: str, ledger: Ledger) -> None:
        """Note that a file must be there, and which one may be it under another name."""
        near = self.near.get(name)
        ledger.fault(name, 0, "file", "", must, f"is {near} meant?" if near else "")


def read_files(folder: Path, ledger: Ledger) -> Files:
    """Return the input files of a folder; raises SiteFaultsError when there is no such folder."""
    content: dict[str, bytes] = {}
    try:
        paths = sorted(p for p in folder.iterdir() if p.is_file())
    except OSError as e:
        must = "must be a folder that can be read"
        ledger.fault(folder.name or str(folder), 0, "folder", e.strerror or "", must)
        ledger.raise_faults(folder.name)
        raise  # not reached: there is a fault
    for path in paths:
        # ~$… and .~… are what spreadsheet programs leave beside a workbook that is open
        workbook = path.suffix.casefold() == ".xlsx" and path.name[0] not in "~."
        if path.name in _WANTED or workbook:
            try:
                content[path.name] = path.read_bytes()
            except OSError as e:
                ledger.fault(path.name, 0, "file", e.strerror or "", "must be readable")
    others = [p for p in paths if p.name not in content and p.suffix.casefold() in _TABULAR]
    return Files(content, _near_misses(others, [w for w in _WANTED if w not in content], ledger))


def _near_misses(paths: Sequence[Path], absent: Sequence[str], ledger: Ledger) -> dict[str, str]:
    stems = {Path(name).stem: name for name in absent}
    near: dict[str, str] = {}
    for path in paths:
        if close := get_close_matches(path.stem.casefold(), stems, n=1, cutoff=0.75):
            meant = stems[close[0]]
            near[meant] = path.name
            ledger.finding(
                "info",
                "file-ignored",
                f"file {path.name}",
                f"{path.name} is not read; a file named {meant} would be",
                f"rename it to {meant} if that is what it is",
            )
    return near
