"""From built records to files: one page, or a folder of pages and an index; whole or not at all."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING, Final, NamedTuple

from lateralline.errors import extra
from lateralline.output import stamp, whole_file, whole_folder
from lateralline.page.places import NoClearanceError, read_works, was_of
from lateralline.record.assets import AsAsked
from lateralline.record.connections import connections_by_record, read_connections
from lateralline.record.view import RecordView, read_record, views_of
from lateralline.workers import in_parts

if TYPE_CHECKING:
    from lateralline.page.index import IndexEntry

INDEX: Final = "index.html"
#: Sites whose rows are read at once: a scan of a layer is shared by so many.
_AT_ONCE: Final = 16


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
    document, _ = _makers()
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
    workers: int | None = 1,
) -> list[IndexEntry]:
    """Write a page for every (GeoPackage, site id) and an index.html; return its entries.

    The pages share a script and a style sheet beside them. A few sites are in memory at a time, in
    `workers` processes, None as many as there are cores where that is worth it; what is written
    does not depend on them. Raises as `write_page` does, WorkerLostError for a process that ended.
    """
    document, index = _makers()
    records = {gpkg for gpkg, _ in sites}
    looked_at = {g for g in records if clearance is not None and was_of(clearance, g)}
    if clearance is not None and not looked_at:
        raise NoClearanceError(
            f"{clearance} was made of none of these records as they are built now: hold the plan "
            "against them"
        )
    mains = connections_by_record(sorted(records), connections)
    works = dict.fromkeys(looked_at, clearance) if clearance is not None else {}
    job = PagesJob(note, works, mains, AsAsked.here())
    files = _file_names(site_id for _, site_id in sites)
    tasks = [PageTask(gpkg, s, file) for (gpkg, s), file in zip(sites, files, strict=True)]
    entries: list[IndexEntry] = []
    with whole_folder(out, "pages", replace=replace) as made:
        for name, text in document.shared_files().items():
            (made / name).write_text(text, encoding="utf-8")
        for page, entry in in_parts(job, tasks, _AT_ONCE, workers):
            (made / entry.file).write_bytes(page)
            entries.append(entry)
        lines = index.index_lines(sites, index.unit_of(entries))
        text = index.index_page(entries, lines, note, planned=clearance is not None)
        (made / INDEX).write_text(text, encoding="utf-8")
    return entries


class PageTask(NamedTuple):
    """A site, and the file its page goes into."""

    gpkg: Path
    site_id: str
    file: str


@dataclass(frozen=True, slots=True)
class PagesJob:
    """What is done with a few sites, wherever that is: their pages, and what the index says."""

    note: str
    clearance: Mapping[Path, Path | None]  # by record
    mains: Mapping[Path, Path]
    shown: AsAsked

    def __call__(self, tasks: tuple[PageTask, ...]) -> list[tuple[bytes, IndexEntry]]:
        """Return page and entry of each site."""
        with self.shown.again():
            views = views_of((task.gpkg, task.site_id) for task in tasks)
            return [self._page(task, view) for task, view in zip(tasks, views, strict=True)]

    def _page(self, task: PageTask, view: RecordView) -> tuple[bytes, IndexEntry]:
        from lateralline.page import document
        from lateralline.page.index import IndexEntry

        clearance, mains = self.clearance.get(task.gpkg), self.mains.get(task.gpkg)
        works = None if clearance is None else read_works(clearance, view)
        joined = None if mains is None else read_connections(mains, view.site_id)
        page = document.document(
            view, self.note, back=INDEX, works=works, joined=joined, shared=True
        )
        entry = IndexEntry(
            file=task.file,
            site_id=view.site_id,
            name=view.name,
            surveyed=view.lineage.last_surveyed,
            source=task.gpkg.parent.name if task.gpkg.stem == "asbuilt" else task.gpkg.stem,
            lines=tuple(view.lines),
            length_m=sum(row.length_m for row in view.centrelines),
            unit=view.unit,
            errors=view.findings["error"],
            warnings=view.findings["warning"],
            conflicts=None if works is None else works.conflicts,
        )
        return page.encode(), entry


def _makers() -> tuple[ModuleType, ModuleType]:
    with extra("page", "a page"):
        from lateralline.page import document, index

        import_module("lateralline.page.drawings")  # which needs bokeh, here or when it draws
    return document, index


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
