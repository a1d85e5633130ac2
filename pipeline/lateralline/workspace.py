"""The one place that knows what an output folder holds, and how it comes to be there whole.

    out/
      asbuilt.gpkg                  every layer, in one coordinate reference system
      geojson/<layer>.geojson       the same in longitude and latitude
      schema/<layer>.schema.json    JSON Schema of each GeoJSON file
      DATA_DICTIONARY.md            what every column means
      geoparquet/<layer>.parquet    on request: the layers again, in the GeoPackage's CRS, or
      geoparquet/<layer>/area=…/    a file for each area
      flatgeobuf/<layer>.fgb        likewise
      photos/<site>/                on request: pictures as the crew handed them in
      manifest.json                 inputs, versions, operations, counts, hashes

and whatever `also` draws from asbuilt.gpkg, in folders of its own.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from pyproj import CRS

from lateralline import contract
from lateralline.contract import Column
from lateralline.derive.unlocated import site_row
from lateralline.errors import FrameError, LaterallineError, OutputError, reason
from lateralline.findings import Finding
from lateralline.frames.systems import crs_text, known_crs
from lateralline.output import whole_folder
from lateralline.output.proof import MANIFEST
from lateralline.place import Placed
from lateralline.record import GEOPACKAGE, layers
from lateralline.records import FieldRecord, Product
from lateralline.wording import plain
from lateralline.write import dictionary, read_back
from lateralline.write.areas import Areas
from lateralline.write.content import Desk, SiteContent
from lateralline.write.formats import write_formats
from lateralline.write.geojson import GeoJSONSink
from lateralline.write.geopackage import GeoPackageSink
from lateralline.write.manifest import Manifest, created_at
from lateralline.write.photo_copies import copy_pictures
from lateralline.write.target import Target

#: Characters in which it is stated why a site was not built.
_WHY: Final = 300


@dataclass(frozen=True, slots=True)
class Workspace:
    """Names inside an output folder; only `build` touches the disk."""

    folder: Path

    @property
    def asbuilt(self) -> Path:
        """The GeoPackage with every layer."""
        return self.folder / GEOPACKAGE

    @property
    def manifest(self) -> Path:
        """What went in and what came out."""
        return self.folder / MANIFEST

    @property
    def dictionary(self) -> Path:
        """The data dictionary of the layers."""
        return self.folder / "DATA_DICTIONARY.md"

    def geojson(self, layer: str) -> Path:
        """Return the GeoJSON file of a layer."""
        return self.folder / "geojson" / f"{layer}.geojson"

    def json_schema(self, layer: str) -> Path:
        """Return the JSON Schema of that file."""
        return self.folder / "schema" / f"{layer}.schema.json"

    @contextmanager
    def build(
        self,
        *,
        crs: str | None = None,
        shared: CRS | None = None,
        formats: Sequence[str] = (),
        areas: Areas | None = None,
        assets: Iterable[Column] | None = None,
        replace: bool = False,
        also: Callable[[Workspace], None] | None = None,
    ) -> Iterator[Build]:
        """Yield a sink for sites; the folder is there, whole, when the block ends well.

        `crs` is what the GeoPackage is asked to be written in, else it is in what the batch shares
        (`write.target.shared_crs`); with neither the first site decides. `assets` are the
        register's columns of the batch (`record.assets.columns_of`), ours when not given. `formats`
        are those of `write.formats.ALSO` that are asked for besides; GeoParquet is divided into
        `areas`. `also` may put more files into the workspace it is given, once `asbuilt.gpkg` is
        complete and read back. Without a single site nothing is put in place. Raises
        OutputExistsError and UnknownAreasError before anything is computed, FrameError for an
        unknown `crs` or areas that it cannot have, ReadBackError or OutputError when writing went
        wrong: then nothing is put in place, and what was there before stays.
        """
        target = Target(_parsed(crs), shared)
        whole = whole_folder(self.folder, "record", replace=replace)
        desk = Desk(tuple(formats), None if assets is None else tuple(assets))
        columns = contract.own_assets() if desk.assets is None else desk.assets
        if areas is not None:
            areas.refuse_unknown(columns)
            areas.refuse(target.crs)
        with contract.with_assets(columns), whole as made:
            build = Build(Workspace(made), target, desk, areas)
            yield build
            build.finish(also)


class Build:
    """A batch being written: takes one site after another, holds none of them."""

    def __init__(
        self, workspace: Workspace, target: Target, desk: Desk, areas: Areas | None = None
    ) -> None:
        """Begin a batch in a folder that is there; `target` decides on coordinates."""
        self.workspace = workspace
        self.sites = 0
        self.target = target
        self.desk = desk
        self._areas = areas
        self._created = created_at()
        self._asbuilt: GeoPackageSink | None = None
        self._geojson = GeoJSONSink({n: workspace.geojson(n) for n in contract.LAYERS})
        self._manifest: Manifest | None = None
        self._broken: OutputError | None = None
        self._missed: list[tuple[str, str, str]] = []

    def add(
        self, record: FieldRecord, placed: Placed, products: tuple[Product, ...]
    ) -> tuple[Finding, ...]:
        """Take one site whole and return what writing found, or raise and take nothing of it.

        Raises as `Desk.content` does, and OutputError when the disk fails: that ends the batch.
        """
        content = self.desk.content(record, placed.frame, products, self.target)
        self.take(content)
        return content.findings

    def take(self, site: SiteContent) -> None:
        """Take what one site puts into the record, made for the `target` of now.

        Raises OutputError when the disk fails, now or before, FrameError where the first site
        brings a CRS that areas cannot be in: that ends the batch.
        """
        if self._broken is not None:
            raise self._broken
        if self._areas is not None:
            self._areas.refuse(site.target.crs)
        try:
            if self._asbuilt is None:
                path = self.workspace.asbuilt
                self._asbuilt = GeoPackageSink(path, site.target.crs, stamp=self._created)
                self._manifest = Manifest(self.workspace.manifest)
            copy_pictures(site.copies, self.workspace.folder)
            self._asbuilt.append(site.tables)
            if site.features is not None:
                self._geojson.take(site.features)
            assert self._manifest is not None
            self._manifest.add(site.account)
        except Exception as e:
            self._broken = OutputError(f"writing {site.site_id} failed: {reason(e)}")
            raise self._broken from e
        self.target = self.target.after(site.target)
        self.sites += 1

    def miss(self, name: str, source: str, why: str) -> None:
        """Take note of a site of the batch that is not in it, for `unlocated` and the manifest.

        `name` is its id, or that of its file, `source`, where it has none.
        """
        self._missed.append((name, source, plain(why)[:_WHY]))

    def finish(self, also: Callable[[Workspace], None] | None = None) -> None:
        """Complete every file and read the GeoPackage back; nothing is made without a site."""
        if self._broken is not None:
            raise self._broken
        if self._asbuilt is None or self._manifest is None:
            return
        try:
            if self._missed:
                missed = [site_row(name, why) for name, _, why in self._missed]
                names = contract.load("unlocated").names
                columns = {name: [row[name] for row in missed] for name in names}
                nowhere = np.full(len(missed), None, dtype=object)
                table = {"unlocated": layers.to_table("unlocated", columns, nowhere)}
                self._asbuilt.append(table)
                if not self._geojson.empty:
                    self._geojson.append(table)
            self._asbuilt.close(self.target.remark)
            self._geojson.close()
            _describe(self.workspace, with_schemas=not self._geojson.empty)
        except LaterallineError:
            raise
        except Exception as e:
            raise OutputError(f"completing the output failed: {reason(e)}") from e
        crs = self._asbuilt.crs
        read_back.check(
            self.workspace.asbuilt, self._asbuilt.tallies, None if crs is None else crs.name
        )
        try:
            write_formats(
                self.workspace.asbuilt, self.workspace.folder, self.desk.formats, self._areas
            )
        except LaterallineError:
            raise
        except Exception as e:
            raise OutputError(f"writing {', '.join(self.desk.formats)} failed: {reason(e)}") from e
        if also is not None:
            also(self.workspace)
        rest = {
            "crs": crs_text(crs) if crs is not None else None,
            "crs_name": crs.name if crs is not None else "invented axes, metres",
            "not_built": [
                {"site": name, "source": file, "why": why} for name, file, why in self._missed
            ],
            "level_bases": list(self.target.level_bases),
            "layers": {name: t.rows for name, t in self._asbuilt.tallies.items()},
        }
        self._manifest.close(self.workspace.folder, rest, self._created)


def _describe(workspace: Workspace, *, with_schemas: bool) -> None:
    workspace.dictionary.write_text(dictionary.layers_markdown(), encoding="utf-8")
    if with_schemas:
        workspace.json_schema("").parent.mkdir()
        for name in contract.LAYERS:
            text = dictionary.json_schema_text(name)
            workspace.json_schema(name).write_text(text, encoding="utf-8")


def _parsed(crs: str | None) -> CRS | None:
    if crs is None:
        return None
    try:
        found = known_crs(crs)
    except FrameError as e:
        raise FrameError(f"no such coordinate reference system: {crs!r} ({e})") from e
    if not (found.is_projected or found.is_geographic or found.is_compound):
        raise FrameError(f"layers need plan coordinates; {crs!r} is {found.type_name.lower()}")
    return found
