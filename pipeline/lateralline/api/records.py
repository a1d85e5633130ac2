"""Built records: make them from field records, open them, write them out, learn from them."""

from __future__ import annotations

import pickle
import re
import shutil
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import closing, suppress
from hashlib import sha256
from itertools import chain
from math import isnan
from pathlib import Path
from tempfile import TemporaryFile, mkdtemp
from typing import IO, TYPE_CHECKING, Final

from lateralline.api.layers import Layers, RecordNotThereError, TemporaryHome
from lateralline.api.layers import NotARecordError as NotARecordError
from lateralline.api.sites import (
    FINDING_FIELDS,
    AnySite,
    Findings,
    NamedSite,
    batch_assets,
    batch_crs,
    by_crs,
    crs_named,
    error_of,
    is_one,
    named_sites,
)
from lateralline.batch import run_sites
from lateralline.derive.ids import IdEvent
from lateralline.errors import (
    LaterallineError,
    UnknownSiteError,
    UnreadableError,
)
from lateralline.findings import Finding, subjects_in, values_in
from lateralline.ingest.remote import url_of
from lateralline.kept import keeping, kept_in, unfinished
from lateralline.output import stamp, together, whole_file, whole_folder
from lateralline.output.keep import tell_if_changed
from lateralline.output.proof import account_of
from lateralline.record import GEOPACKAGE, geopackages_in, lineage
from lateralline.record.learned import Calibration, as_toml, calibrated
from lateralline.record.learned import Learned as Learned
from lateralline.record.rows import DateColumn
from lateralline.record.summary import SiteSummary, summary_of
from lateralline.record.view import read_record
from lateralline.stages import Site, SiteFailure, SiteResult
from lateralline.workspace import Workspace
from lateralline.write.areas import Areas
from lateralline.write.formats import ALSO, PHOTOS, PROJECT, write_formats
from lateralline.write.formats import GEOPARQUET as GEOPARQUET
from lateralline.write.ids import keep_all_ids, recover_ids
from lateralline.write.manifest import list_anew
from lateralline.write.project import has_project

if TYPE_CHECKING:
    from matplotlib.figure import Figure
    from pyproj import CRS

#: How long a folder's name made from a CRS may be.
_NAME: Final = 40


class NothingBuiltError(LaterallineError, RuntimeError):
    """None of several sites could be built; `failures` give the reasons, site by site."""

    def __init__(self, failures: Iterable[SiteFailure]) -> None:
        """Keep why each site stopped."""
        self.failures = tuple(failures)
        super().__init__("\n".join(str(error_of(failure)) for failure in self.failures))


class RecordsByCrs(dict[str, "Record"]):
    """Records by the names of their folders; `missing` are CRSs none of whose sites was built."""

    def __init__(self) -> None:
        """Begin with none."""
        super().__init__()
        self.missing: dict[str, tuple[SiteFailure, ...]] = {}


class Record:
    """An as-built record: one GeoPackage with every layer of every site.

    Nothing in it is a clearance to dig: the local one-call service and local codes come first,
    and pipes are proven by exposing them by hand or vacuum.
    """

    def __init__(
        self,
        asbuilt: Path,
        failures: Iterable[SiteFailure] = (),
        *,
        temporary: Path | None = None,
        unkept: Mapping[Path, str] | None = None,
    ) -> None:
        """Hold a built GeoPackage; `temporary` is a folder that goes when the record does."""
        self.asbuilt = asbuilt
        self.unkept = dict(unkept or {})  # files of ids that could not be written, and why
        self.failures = tuple(failures)  # sites that could not be built
        self._home = None if temporary is None else TemporaryHome(temporary)
        self.layers = Layers(asbuilt, self._home)
        self._sites: tuple[str, ...] | None = None

    @property
    def crs(self) -> CRS | None:
        """The coordinate reference system of the layers; None for a sketch on invented axes."""
        crs: CRS | None = self.layers["transmitter_fixes"].crs
        return crs

    @property
    def sites(self) -> tuple[str, ...]:
        """The ids of the sites in the record; read without the layers."""
        if self._sites is None:
            try:
                self._sites = lineage.sites_of(self.asbuilt)
            except sqlite3.Error as e:
                raise NotARecordError(self.asbuilt) from e
        return self._sites

    @property
    def findings(self) -> Findings:
        """What there is to know of the record, errors first within each site."""
        table = self.layers["findings"]
        rows = table.rename(columns={"source_row": "where"}).reindex(
            columns=[*FINDING_FIELDS, "where"]
        )
        texts = rows.drop(columns=["chainage_m", "accepted_on"]).astype(object).fillna("")
        found_by, about = texts.pop("found_by").tolist(), texts.pop("also_about").tolist()
        at = (None if isnan(m) else m for m in rows["chainage_m"].astype(float).tolist())
        days = DateColumn().read(rows["accepted_on"])
        findings = (
            Finding(
                **row,
                values=values_in(found),
                about=subjects_in(also),
                chainage_m=m,
                accepted_on=day,
            )
            for row, found, also, m, day in zip(
                texts.to_dict("records"), found_by, about, at, days, strict=True
            )
        )
        return Findings(findings, self.failures)

    def summary(self) -> tuple[SiteSummary, ...]:
        """Return for each site what a technician reads after a run: per line how long, how deep.

        Lengths are metres; what is not known is NaN.
        """
        by_site: dict[str, list[Finding]] = {site: [] for site in self.sites}
        for site, finding in zip(self.layers["findings"]["site_id"], self.findings, strict=True):
            by_site[site].append(finding)
        return tuple(
            summary_of(read_record(self.asbuilt, site), found) for site, found in by_site.items()
        )

    def plot(self, site: str = "") -> Figure:
        """Return plan, profiles and facts of one site as a matplotlib figure, to be shown or saved.

        `site` may be "" when the record holds one. Raises UnknownSiteError, MissingExtraError. No
        picture is a clearance to dig, and each says so on its face.
        """
        if site not in (self.sites if len(self.sites) > 1 else ("", *self.sites)):
            raise UnknownSiteError(
                f"plot takes a site of the record, {', '.join(self.sites[:20])}; got {site!r}. "
                "What it returns is saved by .savefig(file)"
            )
        from lateralline.draw.sheet import picture

        return picture(read_record(self.asbuilt, site))

    def write(self, out: Path | str, *, also: Sequence[str] = (), replace: bool = False) -> Record:
        """Write the record as `lateralline build` does and return it from there.

        The folder gets asbuilt.gpkg, geojson/, schema/, a data dictionary and manifest.json, and
        what `also` names (as `build` takes it), whole or not at all. Raises ValueError for what it
        does not name, OutputExistsError when `out` is there and `replace` was not asked
        for, or was written by something else; OutputError when the disk fails.
        """
        home, target = self.asbuilt.parent, Path(out)
        refuse_unknown_formats(also)
        asked = [name for name in also if not self._has(name)]
        if PHOTOS in asked:
            raise ValueError("photos are copied when sites are built: ask build for photos")
        account = account_of(home)
        if account is None or GEOPACKAGE not in account.files:
            raise UnreadableError(
                f"{self.asbuilt} stands alone: a record is written from the folder "
                "that build made, with its manifest.json"
            )
        with whole_folder(target, "record", replace=replace) as made:
            for name in account.files:
                (made / name).parent.mkdir(parents=True, exist_ok=True)
                shutil.copyfile(home / name, made / name)
            if asked:
                write_formats(Workspace(made).asbuilt, made, asked)
                list_anew(made)
        return Record(Workspace(target).asbuilt, self.failures)

    def _has(self, also: str) -> bool:
        """Whether the record's folder holds one of `ALSO` already."""
        if also == PROJECT:
            return has_project(self.asbuilt)
        return (self.asbuilt.parent / also).is_dir()

    def export(
        self,
        out: Path | str,
        *overlays: Path | str,
        site: str = "",
        plot_scale: float = 200.0,
        replace: bool = False,
    ) -> Path:
        """Write the record, and overlays made of it, as .dxf or .kml, and return the file.

        `overlays` are what `zones`, `clearance` or `update` wrote; raises as
        `api.documents.export`. Neither file is a clearance to dig, and both say so.
        """
        from lateralline.api.documents import export

        beside = [Path(overlay) for overlay in overlays]
        export(
            self.asbuilt, Path(out), overlays=beside, site=site, plot_scale=plot_scale,
            replace=replace,
        )  # fmt: skip
        return Path(out)

    def __repr__(self) -> str:
        """Count sites, located stops and findings."""
        sites, fixes = len(self.sites), len(self.layers["transmitter_fixes"])
        return f"<Record: {sites} site{'s' * (sites != 1)}, {fixes} stops, {self.findings!r}>"


def build(
    sites: AnySite | Iterable[AnySite],
    out: Path | str | None = None,
    *,
    crs: str | None = None,
    also: Sequence[str] = (),
    replace: bool = False,
    on_site: Callable[[SiteResult | SiteFailure], None] | None = None,
    workers: int | None = None,
    cache: Path | str | None = None,
    cluster: str = "",
    areas: float | str | None = None,
) -> Record:
    """Return the as-built record of one site or of several.

    With `out` the record is written there, whole or not at all, one site in memory at a time;
    the ids of its nodes and segments are kept beside each site's files (`write.ids`). Without `out`
    it lives in a temporary folder until the record is let go of, and `Record.write`
    writes it. `crs`, as "EPSG:32617", is what the layers are written in; else the CRS that most
    sites share, of those the most sites can be brought to. `also` names what is
    written besides, of `ALSO`: the layers as "geoparquet" and "flatgeobuf", a "qgis-project"
    inside the GeoPackage, and "photos" of the sites as they are. `areas` divide GeoParquet into a
    file for each square of so many metres, or for each value of a column (`write.areas`).
    `on_site` gets the result of each site, as it comes, in their order. `workers` are processes:
    one works here; None takes as many as there are cores where the batch is worth it. `cache` is a
    folder that keeps the result of each site, so that the next build takes those that are unchanged
    from there; it may be removed at any time. `cluster` is the address of a dask.distributed
    scheduler whose workers, which see the same disk, take the place of processes here. The record
    does not depend on any of them. A build of many sites that was interrupted goes on where it was
    when it is asked for again (`kept`).

    A site given by itself raises what stops it: SiteFaultsError for its files, SiteFailedError
    for the rest. Of several, those that stop are in `Record.failures` (site, stage, faults; empty
    when all were built, and told by `print(record)`), the layer `unlocated` and the manifest, and
    the others go on; NothingBuiltError when none is left. Raises also
    OutputExistsError, UnknownAreasError, FrameError for an unknown `crs`, OutputError and
    ReadBackError when writing went wrong: nothing is put in place then.
    """
    refuse_unknown_formats(also)
    divided = _divided(areas, also)
    wanted, alone = named_sites(sites), is_one(sites)
    kept = None if cache is None else _apart(Path(cache), out)
    if out is None:
        temporary = Path(mkdtemp(prefix="lateralline-"))
        try:
            return _build(
                wanted, temporary / "out", crs, also=also, alone=alone, on_site=on_site,
                temporary=temporary, workers=workers, cache=kept, cluster=cluster, areas=divided,
            )  # fmt: skip
        except BaseException:
            shutil.rmtree(temporary, ignore_errors=True)
            raise
    return _build(
        wanted, Path(out), crs, also=also, alone=alone, replace=replace, on_site=on_site,
        workers=workers, cache=kept, cluster=cluster, areas=divided,
    )  # fmt: skip


def build_per_crs(
    sites: AnySite | Iterable[AnySite],
    out: Path | str,
    *,
    also: Sequence[str] = (),
    replace: bool = False,
    on_site: Callable[[SiteResult | SiteFailure], None] | None = None,
    workers: int | None = None,
    cache: Path | str | None = None,
    cluster: str = "",
    areas: float | str | None = None,
) -> RecordsByCrs:
    """Return one record for each horizontal CRS that sites name, by its folder's name in `out`.

    No site is shifted from one datum to another then. A folder is named after the CRS's code, as
    "EPSG-32617", "local" for sketches on invented axes. Each record is written whole or not at
    all; a CRS of which no site was built has none, and stands in `missing`. Raises as `build` does,
    NothingBuiltError when none is left at all.
    """
    refuse_unknown_formats(also)
    divided = _divided(areas, also)
    records = RecordsByCrs()
    kept = None if cache is None else _apart(Path(cache), out)
    taken: dict[str, Path] = {}
    with together():  # a run that is cut off leaves all of them for the next, or none
        for crs, of_it in by_crs(named_sites(sites)).items():
            name = folder_name(crs or crs_named(of_it[0]) or "unreadable")
            named = [(crs, site) for site in of_it]
            try:
                made = _build(
                    named, Path(out) / name, None, also=also, replace=replace, on_site=on_site,
                    taken=taken, workers=workers, cache=kept, cluster=cluster, areas=divided,
                )  # fmt: skip
            except NothingBuiltError as e:
                records.missing[name] = e.failures
            else:
                records[name] = made
    if not records:
        raise NothingBuiltError(chain.from_iterable(records.missing.values()))
    return records


def refuse_unknown_formats(also: Sequence[str]) -> None:
    """Raise ValueError for a format that the layers are not written in."""
    strange = [name for name in also if name not in ALSO]
    if strange:
        raise ValueError(f"must be of {', '.join(ALSO)}; got {', '.join(map(repr, strange))}")


def _divided(areas: float | str | None, also: Sequence[str]) -> Areas | None:
    """Return how GeoParquet is divided; raises ValueError where it is not asked for."""
    if areas is None:
        return None
    if GEOPARQUET not in also:
        raise ValueError(f"areas divide {GEOPARQUET}, which must be asked for too")
    return Areas(column=areas) if isinstance(areas, str) else Areas(float(areas))


def goes_on(out: Path | str) -> bool:
    """Tell whether a build into `out` was interrupted and would go on where it was."""
    return unfinished(Path(out)).is_dir()


def _apart(cache: Path, out: Path | str | None) -> Path:
    """Return the folder of kept results; raises ValueError for one in the folder that is built."""
    if out is not None and cache.resolve().is_relative_to(Path(out).resolve()):
        raise ValueError(f"results must be kept outside of what is built; got {str(cache)!r}")
    return cache


def folder_name(crs: str) -> str:
    """Return a folder's name for a CRS as a site names it.

    >>> folder_name("EPSG:32617"), folder_name("EPSG:3734+6360")
    ('EPSG-32617', 'EPSG-3734-6360')
    """
    name = "-".join(re.findall(r"[A-Za-z0-9]+", crs))
    return name if len(name) <= _NAME else f"{name[:_NAME]}-{sha256(crs.encode()).hexdigest()[:8]}"


def _build(
    wanted: Sequence[NamedSite],
    out: Path,
    crs: str | None,
    *,
    also: Sequence[str] = (),
    alone: bool = False,
    replace: bool = False,
    on_site: Callable[[SiteResult | SiteFailure], None] | None,
    temporary: Path | None = None,
    taken: dict[str, Path] | None = None,
    workers: int | None = None,
    cache: Path | None = None,
    cluster: str = "",
    areas: Areas | None = None,
) -> Record:
    workspace = Workspace(out)
    failures: list[SiteFailure] = []
    built = False
    shared = batch_crs(wanted) if crs is None else None
    assets = batch_assets(wanted)
    lasting = 0 if temporary is not None else len(wanted)
    if temporary is None:  # a run that is refused, as OUT is there, is the next one too
        recover_ids(site.source if isinstance(site, Site) else site for _, site in wanted)
    with TemporaryFile() as ids, keeping(out, cache, lasting) as folder:
        with workspace.build(
            crs=crs, shared=shared, assets=assets, formats=also, areas=areas, replace=replace
        ) as sink:
            results = run_sites(
                (_anywhere(site) if cluster else site for _, site in wanted), sink=sink,
                taken=taken, workers=workers, brief=True, cluster=cluster,
                kept=None if folder is None else kept_in(folder, sink.desk, "write"),
            )  # fmt: skip
            with closing(results):
                for result in results:
                    if on_site is not None:
                        on_site(result)
                    if isinstance(result, SiteFailure):
                        failures.append(result)
                    else:
                        built = True
                        pickle.dump((result.source, result.work["ids"]), ids)
                    del result  # a few sites in memory at a time
        unkept = keep_all_ids(_pickled(ids)) if built and temporary is None else {}
    if not built:
        if alone and len(failures) == 1:
            raise error_of(failures[0])
        raise NothingBuiltError(failures)
    return Record(workspace.asbuilt, failures, temporary=temporary, unkept=unkept)


def _anywhere(site: Path | Site) -> Path | Site:
    """Return a site by a path that is the same on every machine of a shared disk."""
    return site if isinstance(site, Site) or url_of(site) else site.absolute()


def _pickled(spool: IO[bytes]) -> Iterator[tuple[Path, Sequence[IdEvent]]]:
    """Yield each site of a spool, and what became of its ids."""
    spool.seek(0)
    with suppress(EOFError):
        while True:
            yield pickle.load(spool)


def load(out: Path | str) -> Record:
    """Return a built record: the folder that `build` wrote, or its GeoPackage.

    Raises RecordNotThereError for a path that is not there, NotARecordError for anything else,
    UnreadableError for a file that is locked.
    """
    path = _there(out)
    return _opened(Workspace(path).asbuilt if path.is_dir() else path)


def load_all(out: Path | str) -> list[Record]:
    """Return every record in a folder that `build` wrote, with or without one for each CRS.

    Raises as `load`.
    """
    return [_opened(asbuilt) for asbuilt in geopackages_in(_there(out))]


def _there(out: Path | str) -> Path:
    if not Path(out).exists():
        raise RecordNotThereError(Path(out))
    return Path(out)


def _opened(asbuilt: Path) -> Record:
    if not asbuilt.is_file():
        raise NotARecordError(asbuilt)
    record = Record(asbuilt)
    _ = record.sites  # says so where this is no built record
    tell_if_changed(asbuilt)
    return record


def calibrate(records: Iterable[Path], out: Path, *, replace: bool = False) -> Calibration:
    """Learn accuracies from built records and write them to the file `out`.

    A site that names the file as `from` under [accuracy] is solved with them. Nothing is written
    when no accuracy rests on enough. Raises UnreadableError, OutputExistsError, OutputError.
    """
    found = calibrated(records)
    if found.told:
        with whole_file(out, "accuracies", replace=replace) as path:
            text = f"{as_toml(found)}\n# {stamp('accuracies')}\n"
            path.write_text(text, encoding="utf-8", newline="\n")
    return found
