"""A built record as a register has it: layers, columns, codes, units and CRS by a profile.

Nothing is written here. What the record has and the register does not is a `Loss`; what the
register wants and the record has not is a fault, and a hand-over with one is not written.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
import pandas as pd
import pyarrow as pa
import shapely
from pyproj import CRS

from lateralline import contract
from lateralline.errors import Fault, FrameError
from lateralline.frames import horizontal_crs
from lateralline.frames.operations import moved
from lateralline.frames.systems import plan_of, short_text
from lateralline.handover.columns import RegisterValue, column_of
from lateralline.handover.loaded import LoadedProfile
from lateralline.handover.losses import Loss
from lateralline.handover.profile import LayerSource, RegisterLayer
from lateralline.ingest.ledger import Ledger
from lateralline.output.proof import sha256
from lateralline.record import CAUTION
from lateralline.record.exported import Exported, NotExportedError, exported, refuse_unknown_site
from lateralline.record.layers import GEOMETRY, GEOMETRY_FIELD, AnyFrame, Shapes
from lateralline.record.lineage import private_of
from lateralline.units import METRES_PER

#: What is true of a record's own CRS alone.
_OF_ITS_CRS: Final = ("length_grid_m", "grid_factor")
_MOST_SHOWN: Final = 6


@dataclass(frozen=True, eq=False)
class MappedLayer:
    """One layer of the register, filled."""

    declared: RegisterLayer
    table: pa.Table  # its columns in order, then geometry as WKB where it has one

    @property
    def name(self) -> str:
        """Its name in the register."""
        return self.declared.name


@dataclass(frozen=True, eq=False)
class Handover:
    """A record as a register would have it, what is lost on the way, and what is missing."""

    record: Path
    record_sha256: str
    profile: LoadedProfile
    crs: CRS | None  # of the plan; None for a sketch
    layers: tuple[MappedLayer, ...]
    losses: tuple[Loss, ...]
    missing: tuple[Fault, ...]
    level_datums: tuple[str, ...]


def map_record(record: Path, profile: LoadedProfile, *, crs: str = "", site: str = "") -> Handover:
    """Return a record, of one site or all, as a register has it.

    `crs` is asked for in place of the profile's; with neither it is the record's. Raises
    NotExportedError for what is no record, UnknownSiteError, FrameError where the way to the CRS
    is not exact: `lateralline build --crs` takes what a shift may be off into every ±.
    """
    built = exported(record)
    if not built.is_record:
        raise NotExportedError(f"{record} is no record that lateralline build wrote")
    refuse_unknown_site([built], site)
    frames = built.read(contract.LAYERS, site)
    own = None if built.crs is None else plan_of(built.crs)
    target = _target(built, own, crs or profile.profile.crs)
    digest, ledger = sha256(built.gpkg), Ledger()
    losses: list[Loss] = []
    taken = {name: np.zeros(len(frame), dtype=bool) for name, frame in frames.items()}
    used: dict[str, set[str]] = {name: set() for name in frames}
    stated = {"@crs": "" if target is None else short_text(target), "@record": digest}
    layers = []
    for declared in profile.profile.layer:
        if declared.source:
            mapping = _Mapping(built, own, frames, target, stated, taken, used, losses, ledger)
            layers.append(mapping.layer(declared, METRES_PER[profile.profile.z_unit]))
    losses = [*_left_out(frames, taken, used, private_of(built.gpkg)), *losses]
    lines = frames["pipe_centreline"]["level_datum"]
    return Handover(
        built.gpkg, digest, profile, target, tuple(layers), tuple(losses), tuple(ledger.faults),
        tuple(sorted({str(datum) for datum in lines if datum})),
    )  # fmt: skip


def _target(built: Exported, own: CRS | None, asked: str) -> CRS | None:
    if not asked:
        return own
    target = horizontal_crs(asked)
    if own is None and target is not None:
        raise FrameError(
            f"{built.gpkg} is a sketch without a place on the map, and the register is in "
            f"{target.name}: give the site control in a coordinate system, and build again"
        )
    return target


@dataclass(frozen=True, eq=False)
class _Mapping:
    """What filling one layer reads, and what it notes."""

    built: Exported
    own: CRS | None  # of its plan
    frames: Mapping[str, AnyFrame]
    target: CRS | None
    stated: Mapping[str, str]
    taken: Mapping[str, np.ndarray]
    used: Mapping[str, set[str]]
    losses: list[Loss]
    ledger: Ledger

    def layer(self, declared: RegisterLayer, z_unit_m: float) -> MappedLayer:
        """Return one layer of the register from all its sources."""
        parts: list[AnyFrame] = []
        shapes: list[Shapes] = []
        for source in declared.source:
            frame = self._features(source)
            parts.append(frame)
            if declared.geometry:
                shapes.append(self._shapes(declared, source.layer, frame, z_unit_m))
        whole = _together(parts, declared, self.stated)
        columns = {}
        for column in declared.column:
            asked = RegisterValue(declared.name, column, self._unit_of(declared, column.sources))
            columns[column.name] = column_of(asked, whole, self.losses, self.ledger)
        self._refuse_twice(declared, columns[declared.key])
        table = pa.table(columns)
        if declared.geometry:
            drawn = np.concatenate(shapes) if shapes else np.empty(0, dtype=object)
            wkb = shapely.to_wkb(drawn, output_dimension=3, include_srid=False, flavor="iso")
            table = table.append_column(GEOMETRY_FIELD, pa.array(wkb, type=pa.binary()))
        return MappedLayer(declared, table)

    def _features(self, source: LayerSource) -> AnyFrame:
        """Return the features of a source that are wanted, by the names they are taken by."""
        frame = self.frames[source.layer]
        keep = np.ones(len(frame), dtype=bool)
        for name, wanted in source.where.items():
            self.used[source.layer].add(name)
            values = wanted if isinstance(wanted, tuple) else (wanted,)
            known = frame[name] if name in frame else pd.Series([None] * len(frame))
            keep &= known.isin(values).to_numpy()
        self.taken[source.layer][keep] = True
        own = frame[keep].reset_index(drop=True)
        if own.empty or not len(own.columns):
            return pd.DataFrame(own)
        if self.own is not None and self.target is not None and self.own != self.target:
            for name in (n for n in _OF_ITS_CRS if n in own):
                own[name] = np.nan
        own = own.rename(columns=source.called)
        own["@layer"] = source.layer
        own["@caution"] = contract.load(source.layer).caution or CAUTION
        return own

    def _unit_of(self, declared: RegisterLayer, sources: tuple[str, ...]) -> str:
        """Return the record's unit of a column, and note that the register has it."""
        unit = ""
        for source in declared.source:
            back = {theirs: ours for ours, theirs in source.called.items()}
            for name in sources:
                ours = back.get(name, name)
                self.used[source.layer].add(ours)
                known = {c.name: c for c in contract.load(source.layer).field}
                if len(sources) == 1 and ours in known:
                    unit = known[ours].unit
        return unit

    def _shapes(
        self, declared: RegisterLayer, layer: str, frame: AnyFrame, z_unit_m: float
    ) -> Shapes:
        """Return the geometry of a source's features as the register draws it."""
        if not len(frame):
            return np.empty(0, dtype=object)
        shapes = np.array(frame[GEOMETRY].array, dtype=object)
        has_z = bool(shapely.has_z(shapes).any())
        if has_z and not declared.geometry.endswith("Z"):
            self.losses.append(
                Loss(
                    "places",
                    declared.name,
                    "z",
                    len(shapes),
                    f"the level of {layer} in its geometry",
                )
            )
            shapes, has_z = shapely.force_2d(shapes), False
        xyz = shapely.get_coordinates(shapes, include_z=has_z)
        if self.own is not None and self.target is not None:
            gpkg = str(self.built.gpkg)
            xyz[:, :2], off_95_m = moved(xyz[:, :2], self.own, self.target, gpkg)
            if off_95_m != 0.0:
                raise FrameError(
                    f"the way from {self.own.name} to {self.target.name} is a shift of datum, "
                    "which is off by something: build the site with "
                    f"--crs {short_text(self.target)}, so that every ± and area takes that in"
                )
        if has_z:
            xyz[:, 2] /= z_unit_m
        shapes = np.asarray(shapely.set_coordinates(shapes, xyz), dtype=object)
        turn = declared.drawn == "downstream"  # a record's lines are drawn upstream
        return np.asarray(shapely.reverse(shapes), dtype=object) if turn else shapes

    def _refuse_twice(self, declared: RegisterLayer, keys: pa.Array) -> None:
        counts = Counter(keys.drop_null().to_pylist())
        if twice := [str(key) for key, n in counts.items() if n > 1]:
            shown = ", ".join(twice[:_MOST_SHOWN]) + " …" * (len(twice) > _MOST_SHOWN)
            must = "must tell features apart: several have"
            self.ledger.fault(declared.name, 0, declared.key, shown, must)


def _together(
    parts: list[AnyFrame], declared: RegisterLayer, stated: Mapping[str, str]
) -> pd.DataFrame:
    """Return the features of all sources, one below another, with what is stated of all."""
    wanted = {name for column in declared.column for name in column.sources}
    slim = []
    for part in (p for p in parts if len(p)):
        there = [name for name in part.columns if name in wanted]
        slim.append(pd.DataFrame(part[there]).astype(object))
    for part in slim:
        for name in wanted - set(part.columns):
            part[name] = stated.get(name)
    if not slim:
        return pd.DataFrame({name: pd.Series(dtype=object) for name in wanted})
    return pd.concat(slim, ignore_index=True)


# ---- what is left out -----------------------------------------------------------------------


def _left_out(
    frames: Mapping[str, AnyFrame],
    taken: Mapping[str, np.ndarray],
    used: Mapping[str, set[str]],
    private: set[str],
) -> Iterator[Loss]:
    for name, frame in frames.items():
        handed = used[name]
        if not len(frame):
            continue
        if not handed:
            why = "what nobody located, and where the pipe may be" if name == "unlocated" else ""
            yield Loss("layer", name, "", len(frame), why)
            continue
        rest = frame[~taken[name]]
        if len(rest):
            kinds = rest["kind"].value_counts() if "kind" in rest else {}
            why = ", ".join(f"{kind} {n}" for kind, n in dict(kinds).items())
            yield Loss("features", name, "", len(rest), why)
        of_all = {"geometry", "site_id", "caution", "uid"} | handed
        for column in (c for c in frame.columns if c not in of_all):
            values = frame[column][taken[name]]
            known = int((values.notna() & (values.astype(object) != "")).sum())
            if known:
                yield Loss("columns", name, column, known)
        for column in sorted(private & handed):
            yield Loss("columns", name, column, 0, "private: --with-private hands it over")
