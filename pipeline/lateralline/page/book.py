"""From built records to files: one page, or a folder of pages and an index; whole or not at all."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING, Final

from lateralline.errors import extra
from lateralline.output import stamp, whole_file, whole_folder
from lateralline.page.places import NoClearanceError, Works, read_works, was_of
from lateralline.record import CAUTION
from lateralline.record.connections import connections_by_record, read_connections
from lateralline.record.view import read_record
from lateralline.units import METRES_PER

if TYPE_CHECKING:
    from lateralline.record.view import RecordView

INDEX: Final = "index.html"


@dataclass(frozen=True, slots=True)
class IndexEntry:
    """One site in the index."""

    file: str
    site_id: str
    name: str
    surveyed: str
    source: str
    lines: tuple[str, ...]
    length_m: float
    unit: str
    errors: int
    warnings: int
    conflicts: int | None  # with planned works; None where they were not looked at


def write_page(
    gpkg: Path,
    site_id: str,
    out: Path,
    *,
    note: str = "",
    clearance: Path | None = None,
    connections: Sequence[Path] = (),
    replace: bool = False,
) -> None:
    """Write one site's page; `site_id` may be "" when the record holds one site.

    `clearance` is a GeoPackage of planned works compared with this record, `connections` are such
    of where lines of records meet mains. Raises NoConnectionsError for one of another record,
    MissingExtraError without bokeh, UnknownSiteError for a site that is not there,
    NoClearanceError for a clearance that is none of this record, and OutputExistsError when `out`
    is there and may not be replaced.
    """
    document = _maker()
    view = read_record(gpkg, site_id)
    if clearance is not None and not was_of(clearance, gpkg):
        raise NoClearanceError(
            f"{clearance} was made of another record than {gpkg}, or of this one before it was "
            "built anew: hold the plan against this record"
        )
    mains = connections_by_record([gpkg], connections).get(gpkg)
    works = None if clearance is None else read_works(clearance, view)
    joined = None if mains is None else read_connections(mains, view.site_id)
    with whole_file(out, "page", replace=replace) as made:
        page = document.document(view, note, works=works, generator=stamp("page"), joined=joined)
        made.write_text(page, encoding="utf-8")


def write_pages(
    sites: Sequence[tuple[Path, str]],
    out: Path,
    *,
    note: str = "",
    clearance: Path | None = None,
    connections: Sequence[Path] = (),
    replace: bool = False,
) -> list[IndexEntry]:
    """Write a page for every (GeoPackage, site id) and an index.html; return its entries.

    One site is in memory at a time. Raises as `write_page` does.
    """
    document = _maker()
    records = {gpkg for gpkg, _ in sites}
    looked_at = {g for g in records if clearance is not None and was_of(clearance, g)}
    if clearance is not None and not looked_at:
        raise NoClearanceError(
            f"{clearance} was made of none of these records as they are built now: hold the plan "
            "against them"
        )
    mains = connections_by_record(sorted(records), connections)
    entries: list[IndexEntry] = []
    with whole_folder(out, "pages", replace=replace) as made:
        for (gpkg, site_id), file in zip(sites, _file_names(s for _, s in sites), strict=True):
            view = read_record(gpkg, site_id)
            works = None
            if clearance is not None and gpkg in looked_at:
                works = read_works(clearance, view)
            file_of = mains.get(gpkg)
            joined = None if file_of is None else read_connections(file_of, view.site_id)
            page = document.document(view, note, back=INDEX, works=works, joined=joined)
            (made / file).write_text(page, encoding="utf-8")
            entries.append(_entry(file, gpkg, view, works))
        units = {entry.unit for entry in entries}
        unit = units.pop() if len(units) == 1 else "m"
        script, theme = document.index_script(), document.style_sheet()
        text = document.template("index.html").render(
            entries=entries, caution=CAUTION, note=note, script=script,
            style=theme + document.asset("page.css"), policy=document.policy(script),
            unit=unit, per=METRES_PER[unit],
            many_sources=len({e.source for e in entries}) > 1, planned=clearance is not None,
        )  # fmt: skip
        (made / INDEX).write_text(text, encoding="utf-8")
    return entries


def _maker() -> ModuleType:
    with extra("page", "a page"):
        from lateralline.page import document
    return document


def _file_names(ids: Iterator[str]) -> Iterator[str]:
    """Yield a file name for each id, no two alike on a disk that ignores case.

    >>> list(_file_names(iter(["A", "a", "../B"])))
    ['site-A.html', 'site-a-2.html', 'site-.._B.html']
    """
    taken: set[str] = set()
    for site_id in ids:
        plain = re.sub(r"[^\w.-]", "_", f"site-{site_id}")
        name, n = plain, 1
        while name.casefold() in taken:
            n += 1
            name = f"{plain}-{n}"
        taken.add(name.casefold())
        yield f"{name}.html"


def _entry(file: str, gpkg: Path, view: RecordView, works: Works | None) -> IndexEntry:
    return IndexEntry(
        file=file,
        site_id=view.site_id,
        name=view.name,
        surveyed=view.lineage.last_surveyed,
        source=gpkg.parent.name if gpkg.stem == "asbuilt" else gpkg.stem,
        lines=tuple(view.lines),
        length_m=sum(row.length_m for row in view.centrelines),
        unit=view.unit,
        errors=view.findings["error"],
        warnings=view.findings["warning"],
        conflicts=None if works is None else works.conflicts,
    )
