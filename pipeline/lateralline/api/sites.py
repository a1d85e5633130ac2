"""Field records as people hold them: find sites, read them, check them."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Final, TypeAlias, TypeVar, overload

from lateralline import contract
from lateralline.batch import run_sites
from lateralline.contract import Column
from lateralline.errors import LaterallineError, SiteFailedError, SiteFaultsError, UnknownSiteError
from lateralline.ingest import (
    bulk_of,
    bulk_sites,
    holds_settings,
    is_book,
    is_bulk,
    read_register,
    read_site,
    setting_of,
)
from lateralline.ingest.intake import entries, is_file, read_input
from lateralline.ingest.ledger import Ledger
from lateralline.ingest.remote import at_hand, of_this_machine, sites_behind, url_of
from lateralline.ingest.sketches import own_axes_of
from lateralline.settings import Assets
from lateralline.stages import Site, SiteFailure, SiteResult, run_site, source_of
from lateralline.wording import counted

if TYPE_CHECKING:
    import pandas as pd
    from pyproj import CRS

    from lateralline.findings import Finding

T = TypeVar("T")

#: What a sketch on invented axes names as its horizontal CRS.
LOCAL: Final = "local"

_SITE_FILES: Final = ("site.toml", "marks.csv", "stops.csv")  # any of these makes a folder a site
_BULK_FILES: Final = ("sites.csv", "sites.parquet")


#: What is built or checked: a site that was read, or a path to one.
AnySite: TypeAlias = "Site | Path | str"


#: A site and the horizontal CRS it names, as `crs_named` returns it.
NamedSite: TypeAlias = "tuple[str, Path | Site]"


#: What a finding says: the columns of the layer `findings`, but for site and source.
FINDING_FIELDS: Final = tuple(
    name
    for name in contract.load("findings").names
    if name not in ("site_id", "source_row", *(c.name for c in contract.own_assets()))
)


class Findings(Sequence["Finding"]):
    """What a person should know of a record, errors first.

    A sequence of `Finding`: severity ("error", "warning", "info"), stage, code, subject, what it
    is, by how much and what to do. `failures` are sites that stopped before the end.
    """

    def __init__(self, findings: Iterable[Finding], failures: Iterable[SiteFailure] = ()) -> None:
        """Keep findings and failures, in the order given."""
        self._findings = tuple(findings)
        self.failures = tuple(failures)

    @overload
    def __getitem__(self, index: int) -> Finding: ...

    @overload
    def __getitem__(self, index: slice) -> Findings: ...

    def __getitem__(self, index: int | slice) -> Finding | Findings:
        """Return one finding, or some of them as findings."""
        found = self._findings[index]
        return Findings(found) if isinstance(found, tuple) else found

    def __len__(self) -> int:
        """Return how many there are."""
        return len(self._findings)

    def of(self, severity: str) -> Findings:
        """Return those of one severity, "error", "warning" or "info", that are not accepted."""
        return Findings(f for f in self if f.severity == severity and f.asked)

    def of_line(self, line: str) -> Findings:
        """Return those of one line, as "L1", accepted ones too; of every site that has one.

        What is said of a whole site is in `of_site`, and concerns each of its lines.
        """
        return Findings(f for f in self if line and f.line_id == line)

    @property
    def of_site(self) -> Findings:
        """Those of no single line: of a whole site, a control point, a coordinate system."""
        return Findings(f for f in self if not f.line_id)

    @property
    def accepted(self) -> Findings:
        """Those that somebody answers for, in the site's files."""
        return Findings(f for f in self if not f.asked)

    @property
    def errors(self) -> Findings:
        """Errors: the record must not be used before they are put right."""
        return self.of("error")

    @property
    def warnings(self) -> Findings:
        """Warnings: what to look at first."""
        return self.of("warning")

    def to_frame(self) -> pd.DataFrame:
        """Return a pandas DataFrame, one row a finding, columns as its fields."""
        import pandas as pd

        rows = [[getattr(finding, name) for name in FINDING_FIELDS] for finding in self]
        return pd.DataFrame(rows, columns=list(FINDING_FIELDS))

    def __repr__(self) -> str:
        """Count them by severity, and say how many sites failed and why the first did."""
        counts = ", ".join(f"{len(self.of(s))} {s}" for s in ("error", "warning", "info"))
        if not self.failures:
            return f"<Findings: {counts}>"
        first = self.failures[0]
        why = str(first.faults[0] if first.faults else first.message).partition("\n")[0]
        many = counted(len(self.failures), "site")
        return f"<Findings: {counts}; {many} FAILED, first {first.source.name}: {why}>"


def read(path: Path | str) -> Site:
    """Return the field record in a site folder or workbook.

    Raises SiteFaultsError, which names every fault of its files by file, row and column and says
    what would be right; UnknownSiteError when the path holds no site, or more than one.
    """
    source, *others = find_sites([Path(path)])
    if others:
        raise UnknownSiteError(f"{path} holds {len(others) + 1} sites; name one")
    with at_hand(source) as here:
        return Site(source, read_site(here))


def check(
    sites: AnySite | Iterable[AnySite],
    *,
    on_site: Callable[[SiteResult | SiteFailure], None] | None = None,
    workers: int | None = None,
) -> Findings:
    """Return the findings of one site or of several; write nothing.

    All is done that `build` does except writing. A site given by itself raises what stops it:
    SiteFaultsError for its files, SiteFailedError for the rest. Of several, those that stop are in
    `failures` and the others go on. `on_site` gets each result, as it comes. `workers` as `build`
    takes them.
    """
    alone = is_one(sites)
    findings: list[Finding] = []
    failures: list[SiteFailure] = []
    of_batch = (site for _, site in named_sites(sites))
    for result in run_sites(of_batch, until="derive", workers=workers, brief=True):
        if on_site is not None:
            on_site(result)
        if isinstance(result, SiteResult):
            findings += result.findings
        elif alone:
            raise error_of(result)
        else:
            failures.append(result)
    return Findings(findings, failures)


def is_one(sites: AnySite | Iterable[AnySite]) -> bool:
    """Tell whether a site was given by itself, not in a list of sites."""
    return isinstance(sites, Site | Path | str)


def named_sites(sites: AnySite | Iterable[AnySite]) -> list[NamedSite]:
    """Return each site as the stages take it, with the CRS it names; a path may hold several.

    Sketches on invented axes come last, else the order stays: no site on the map can go into
    layers without a CRS. One site alone is not looked into: "" stands for its CRS.
    """
    given = [sites] if isinstance(sites, Site | Path | str) else list(sites)
    found: list[Path | Site] = []
    for site in given:
        found += [site] if isinstance(site, Site) else find_sites([Path(site)])
    unique = list({source_of(site): site for site in found}.values())
    if len(unique) == 1:
        return [("", unique[0])]
    return sorted(((crs_named(s), s) for s in unique), key=lambda named: named[0] == LOCAL)


def batch_crs(sites: Iterable[NamedSite]) -> CRS | None:
    """Return the CRS that the layers of these sites go into; None where they do not differ.

    Of the CRS that carry the most sites it is the one most sites share. One site of each is placed
    to tell where on the earth it lies; nothing is solved.
    """
    on_map = by_crs(pair for pair in sites if pair[0] not in ("", LOCAL))
    if len(on_map) < 2:
        return None
    frames = []
    for of_it in on_map.values():
        placed = (run_site(site, until="place") for site in of_it)
        found = next((p.work["placed"].frame for p in placed if isinstance(p, SiteResult)), None)
        if found is not None:
            frames.append((found, len(of_it)))
    from lateralline.write.target import shared_crs

    return shared_crs(frames)


def batch_assets(sites: Iterable[NamedSite]) -> tuple[Column, ...]:
    """Return the register's columns of a batch: those of all of its sites."""
    from lateralline.record.assets import columns_of

    return columns_of(_assets_of(site) for _, site in sites)


def _assets_of(site: Path | Site) -> Assets:
    """Return what the register says of a site; nothing where it is at fault, as builds report."""
    if isinstance(site, Site):
        return site.record.assets
    return _read_of(site, read_register, Assets())


def by_crs(sites: Iterable[NamedSite]) -> dict[str, list[Path | Site]]:
    """Return the sites by the CRS they name."""
    named: dict[str, list[Path | Site]] = {}
    for crs, site in sites:
        named.setdefault(crs, []).append(site)
    return named


def error_of(failure: SiteFailure) -> LaterallineError:
    """Return the error that a failure of a site is, for whoever asked for that site alone."""
    if failure.faults:
        return SiteFaultsError(failure.home, failure.faults)
    return SiteFailedError(f"{failure.home}, stage {failure.stage}: {failure.message}")


# ---- where sites are ----------------------------------------------------------------------


def find_sites(paths: Iterable[Path]) -> list[Path]:
    """Return every site under `paths`: sites themselves, or the sites in a folder of sites.

    A workbook is a site; without settings of its own it stands for the folder it is in, where its
    site.toml is. A folder with `sites.csv` holds the tables of many sites (`ingest.bulk`). A URL
    that fsspec knows is looked behind likewise (`ingest.remote`).

    Raises UnknownSiteError for a path that holds no site, UnreadableError for a URL that does not
    answer, before anything is computed.
    """
    found: list[Path] = []
    for path in map(of_this_machine, paths):
        if url_of(path):
            inside = sites_behind(path, _SITE_FILES, _BULK_FILES)
            if not inside:
                raise UnknownSiteError(f"no site behind {url_of(path)}: no folder with a site.toml")
            found += inside
            continue
        if is_bulk(path):
            found += bulk_sites(path)
            continue
        if bulk_of(path) is not None:
            found.append(path)
            continue
        inside = [_of_book(path)] if _is_book(path) else [path] if _is_site(path) else []
        inside = inside or ([path] if _is_closed(path) else _sites_in(path))
        if not inside:
            raise UnknownSiteError(
                f"no site in {path}: a site is a folder with a site.toml, and marks and stops "
                "as .csv or in an .xlsx, or an .xlsx that holds all of it; "
                "`lateralline new FOLDER` makes one to fill in, with --xlsx a workbook"
            )
        found += inside
    return list(dict.fromkeys(found))


def _is_site(path: Path) -> bool:
    return any(is_file(path / name) for name in _SITE_FILES)


def _is_book(path: Path) -> bool:
    return is_file(path) and is_book(path)


def _of_book(book: Path) -> Path:
    """Return the site a workbook is: itself, unless its settings are those of its folder."""
    alone = not _is_site(book.parent) or _holds_settings(book)
    return book if alone else book.parent


def _holds_settings(book: Path) -> bool:
    """Tell whether a workbook is a site by itself; one that cannot be read counts as one."""
    data = read_input(book, Ledger())
    return data is None or holds_settings(data)


def crs_named(site: Path | Site) -> str:
    """Return the horizontal CRS a site's settings name, in capitals; "local" for a sketch.

    "" where the settings cannot be read, which the build reports.
    """
    named = (
        site.record.settings.horizontal if isinstance(site, Site) else _read_of(site, _crs_set, "")
    )
    name = named.strip()
    return LOCAL if name.casefold() == LOCAL else name.upper()


def _crs_set(site: Path) -> str:
    return setting_of(site, "crs", "horizontal") or own_axes_of(site)


def _read_of(site: Path, read: Callable[[Path], T], unread: T) -> T:
    """Return what is read of a site, wherever it is; `unread` where a URL does not answer."""
    try:
        with at_hand(site) as here:
            return read(here)
    except LaterallineError:
        return unread


def _sites_in(folder: Path) -> list[Path]:
    """Return the sites in a folder of sites, those that are workbooks among them.

    A folder that is closed may be one: it is tried, named, and the others go on. Hidden ones are
    none: what a program puts aside while it works begins with a dot.
    """
    ledger = Ledger()
    paths = entries(folder, ledger) if folder.is_dir() else []
    ledger.raise_faults(str(folder))
    return [
        path
        for path in paths
        if not path.name.startswith(".")
        and ((_is_book(path) and _holds_settings(path)) or _is_site(path) or _is_closed(path))
    ]


def _is_closed(path: Path) -> bool:
    """Tell whether a path is a folder that nobody lets us look into."""
    try:
        if not path.is_dir():
            return False
        next(path.iterdir(), None)
        (path / "site.toml").stat()
    except FileNotFoundError:
        return False
    except OSError:
        return True
    return False
