"""What a crew starts from: a site to fill in, a sheet to print, and what every column means."""

from __future__ import annotations

import re
import shutil
import unicodedata
from collections.abc import Mapping
from datetime import date
from difflib import get_close_matches
from pathlib import Path

from lateralline import contract
from lateralline.errors import ContractError, FrameError, LaterallineError
from lateralline.frames import horizontal_crs, vertical_crs
from lateralline.ingest import read_site
from lateralline.ingest.ledger import one_line
from lateralline.ingest.photos import beside_book, named_folder
from lateralline.ingest.site_input import raw_site
from lateralline.names import wrong_name
from lateralline.output import refuse_target, together, whole_file, whole_folder
from lateralline.revise.upgrade import Upgrade, upgrade
from lateralline.template import new_site_files, new_site_settings
from lateralline.write import dictionary
from lateralline.write.ids import ids_file, ids_text
from lateralline.write.workbook import site_book

__all__ = [
    "Upgrade",
    "contract",
    "copy_to_workbook",
    "dictionary",
    "horizontal_crs",
    "json_schemas",
    "known_of",
    "known_units",
    "new_site",
    "refused_id",
    "upgrade",
    "vertical_crs",
]


def known_units() -> tuple[str, ...]:
    """Return the names of the units that tapes, levels, depths and counters may read in."""
    return tuple(contract.load("site").column("tape", "units").enum)


def new_site(
    out: Path,
    site_id: str,
    name: str = "",
    *,
    surveyed: str = "",
    unit: str = "m",
    crs: str = "local",
    vertical: str = "none",
) -> tuple[list[str], date | None]:
    """Make a site to fill in; return the names of its files and the day of the survey, if given.

    `out` is a folder, or a workbook when it ends in .xlsx. `crs` is the horizontal CRS of control
    and GNSS, "local" for a taped sketch; `vertical` a vertical CRS, "ellipsoidal" or "none". Raises
    LaterallineError naming everything of it that is wrong; nothing is made then.
    """
    day = _refuse(site_id, name, unit, surveyed, crs, vertical)
    given = (site_id, name, day, unit, crs, vertical)
    if out.suffix.casefold() == ".xlsx":
        with whole_file(out) as made:
            made.write_bytes(site_book(new_site_settings(*given)))
        return [out.name], day
    files = new_site_files(*given)
    with whole_folder(out) as made:
        for file, text in files.items():
            (made / file).write_text(text, encoding="utf-8", newline="\n")
    return list(files), day


def copy_to_workbook(site: Path, book: Path, site_id: str = "", name: str = "") -> None:
    """Copy a sound site into a workbook, under another id and name if asked.

    The ids of its nodes and segments go along, beside the workbook, unless it becomes another site;
    so do its pictures, into the folder BOOK.photos.
    Raises SiteFaultsError for a site with faults: what is at fault would be lost on the way.
    """
    refuse_target(book, "", replace=False, beside=[named_folder(book), ids_file(book)])
    known = read_site(site).ids
    raw = raw_site(site, for_sheets=True)
    [head] = raw.settings["site"]
    _raise(_refused_names(site_id or str(head["id"]), name))
    renamed = {key: new for key, new in (("id", site_id), ("name", name)) if new}
    pictures, rows = beside_book(site, book, raw.tables.get("photos", ()))
    tables = {**raw.tables, "photos": rows}
    with together():
        with whole_file(book) as made:
            made.write_bytes(site_book({**raw.settings, "site": [{**head, **renamed}]}, tables))
        if pictures:
            with whole_folder(named_folder(book)) as folder:
                for name, path in pictures.items():
                    (folder / name).parent.mkdir(parents=True, exist_ok=True)
                    shutil.copyfile(path, folder / name)
        if len(known.id) and site_id in ("", str(head["id"])):
            with whole_file(ids_file(book)) as made:
                made.write_text(ids_text(known), encoding="utf-8", newline="")


def known_of(site: Path | None) -> tuple[dict[str, list[dict[str, str]]], list[Mapping[str, str]]]:
    """Return settings and control points of a site as texts; what nobody filled in stays empty."""
    if site is None:
        return {}, []
    raw = raw_site(site)
    settings = {
        name: [{key: _text(value) for key, value in section.items()} for section in sections]
        for name, sections in raw.settings.items()
    }
    head = (settings.get("site") or [{}])[0]
    if not head.get("surveyed", "")[:1].isdigit():
        head["surveyed"] = ""
    known = contract.load("site").column("flow", "run").enum
    for run in settings.get("run", []):
        if run.get("flow") not in known:  # not filled in yet
            run["flow"] = ""
    return settings, list(raw.tables.get("control", ()))


def _text(value: object) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)


def _refuse(
    site: str, name: str, unit: str, surveyed: str, horizontal: str, vertical: str
) -> date | None:
    """Return the day given; refuse all that `check` would refuse, at once and sooner."""
    table, wrong, day = contract.load("site"), _refused_names(site, name), None
    known = table.column("tape", "units").enum
    if unit not in known:
        word = {"feet": "ft", "foot": "ft", "inches": "in", "metres": "m", "meters": "m"}
        near = word.get(unit.casefold()) or next(iter(get_close_matches(unit, known, 1)), "")
        hint = f'; did you mean "{near}"?' if near else ""
        wrong.append(f'--units must be one of {", ".join(known)}; got "{unit}"{hint}')
    if surveyed:
        try:
            day = date.fromisoformat(surveyed)
        except ValueError:
            wrong.append(f'--surveyed must be a day such as 2026-05-06; got "{surveyed}"')
    for option, text, understand in (
        ("--crs", horizontal, horizontal_crs),
        ("--vertical", vertical, vertical_crs),
    ):
        try:
            understand(text)
        except FrameError as e:
            wrong.append(f"{option}: {e}")
    _raise(wrong)
    return day


def _refused_names(site: str, name: str) -> list[str]:
    """Return what is wrong with the id and the name of a site."""
    wrong = refused_id(site)
    if any(unicodedata.category(sign) in ("Cc", "Cs") for sign in name):
        wrong.append(f'--name must be text without control characters; got "{name}"')
    return wrong


def refused_id(site: str) -> list[str]:
    """Return what is wrong with the id of a site; nothing where it can be one."""
    hint = wrong_name(site, file=True)
    if not hint and re.fullmatch(contract.load("site").column("id", "site").pattern, site):
        return []
    must = f'--id must be letters, digits, - and _; got "{one_line(site)}"'
    return [f"{must} — {hint}" if hint else must]


def _raise(wrong: list[str]) -> None:
    if wrong:
        raise LaterallineError("nothing was made\n" + "\n".join(f"  {w}" for w in wrong))


# ---- what every column means ----------------------------------------------------------------


def json_schemas(name: str | None = None) -> dict[str, object]:
    """Return the JSON Schema of one layer, or of all by name.

    Raises ContractError for a file that is filled in: only layers have one.
    """
    if name is None:
        return {layer: dictionary.json_schema(layer) for layer in contract.LAYERS}
    if name in contract.INPUTS + contract.BESIDE:
        raise ContractError(
            f"{name} is a file you fill in; JSON Schemas are of layers: "
            f"{', '.join(contract.LAYERS)}"
        )
    return dictionary.json_schema(name)
