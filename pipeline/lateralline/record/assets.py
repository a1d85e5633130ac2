"""What the owner's register says, as columns of every layer of features; what of it is private.

Ours are `asset_id`, `parcel`, `owner` and `address`; a key of the users' own is `asset_KEY`. A
batch has one set of columns, of the keys of all its sites, decided before the first is written
(`columns_of`). A column is private where it is so on any of the sites.

The record itself holds private columns, and says which they are (data dictionary, column comments,
lineage). What is drawn, shown or exported reads a record through `record.view`, which leaves them
out unless they are asked for in a `private_shown` block: a new kind of output cannot forget it.
So are pictures that the crew marked as private: rows, not columns. An overlay's layers of lines
and of what is not located have the columns that are left.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Final, TypeVar

import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyogrio

from lateralline import contract
from lateralline.contract import Column, FieldType
from lateralline.errors import Fault, SiteFaultsError
from lateralline.record.rows import PictureRow
from lateralline.records import FieldRecord, Product
from lateralline.settings import Assets
from lateralline.terms import Region, region_asked, spoken

FrameT = TypeVar("FrameT", bound=pd.DataFrame)

#: Heads the names of columns of the users' own.
PREFIX: Final = "asset_"
#: The lineage item that names the private columns of a site.
PRIVATE: Final = "private columns"


def columns_of(several: Iterable[Assets]) -> tuple[Column, ...]:
    """Return the columns of a batch: ours, then those of all keys of its sites, by name.

    Of a key with two types the first holds, but whole and other numbers together are numbers.
    """
    types: dict[str, FieldType] = {}
    private: set[str] = set()
    known_sites = 0
    for assets in several:
        known_sites += 1
        private |= assets.private
        for key, kind in assets.types.items():
            known = types.setdefault(key, kind)
            if {known, kind} == {"integer", "real"}:
                types[key] = "real"
    if not known_sites:
        return contract.own_assets()
    own = [c.model_copy(update={"private": c.name in private}) for c in contract.own_assets()]
    free = [_column(key, types[key], key in private) for key in sorted(types)]
    return (*own, *free)


def with_register(products: Sequence[Product], record: FieldRecord) -> tuple[Product, ...]:
    """Return the products with what the register says of each feature's line and run.

    Raises SiteFaultsError, by file and row, for a key whose type the batch has otherwise.
    """
    settings, assets = record.settings, record.assets
    columns = contract.assets()
    if faults := list(_clashes(assets, columns)):
        raise SiteFaultsError(settings.id, faults)
    runs: dict[str, list[str]] = {}
    for run in settings.runs:
        runs.setdefault(run.line, []).append(run.id)
    line_of = {run.id: run.line for run in settings.runs}
    keys = {c.name: c.name.removeprefix(PREFIX) for c in columns}
    keys |= {c.name: c.name for c in contract.own_assets()}
    made = []
    for p in products:
        table = contract.load(p.layer)
        if not contract.has_assets(p.layer):
            made.append(p)
            continue
        n = len(p.columns["site_id"])
        of_run = [str(run or "") for run in p.columns.get("run_id", [""] * n)]
        of_line = p.columns.get("line_id", [line_of.get(run, "") for run in of_run])
        rows = [
            assets.of(str(line or ""), run, runs.get(str(line or ""), ()))
            for line, run in zip(of_line, of_run, strict=True)
        ]
        values: dict[str, list[object]] = {
            name: [row.get(key) for row in rows] for name, key in keys.items()
        }
        whole = {**p.columns, **values}
        made.append(replace(p, columns={n: whole[n] for n in table.names if n in whole}))
    return tuple(made)


def columns_read(
    gpkg: Path, layer: str, shown: Iterable[str], private: Collection[str]
) -> tuple[Column, ...]:
    """Return the register's columns among those `shown` of a layer of a built record.

    `private` are those that are so in the record.
    """
    own = {
        c.name: c.model_copy(update={"private": c.name in private}) for c in contract.own_assets()
    }
    info = pyogrio.read_info(gpkg, layer=layer)
    types = dict(zip(info["fields"].tolist(), info["dtypes"].tolist(), strict=True))
    return tuple(
        own.get(name) or _column(name.removeprefix(PREFIX), _kind(types[name]), name in private)
        for name in shown
        if name in types and (name in own or name.startswith(PREFIX))
    )


def values_read(frame: pd.DataFrame, columns: Iterable[Column]) -> dict[str, list[object]]:
    """Return what rows of a layer as read hold in the register's columns; None for nothing."""
    return {
        c.name: [_value(v, c.type) for v in frame[c.name]]
        if c.name in frame
        else [None] * len(frame)
        for c in columns
    }


def private_columns(assets: Assets) -> tuple[str, ...]:
    """Return the names of the columns that are private on a site."""
    own = {c.name for c in contract.own_assets()}
    return tuple(sorted(k if k in own else PREFIX + k for k in assets.private))


@contextmanager
def private_shown(asked: bool = True) -> Iterator[None]:
    """Let what reads a record to show or export it in the block see private columns, if asked."""
    token = _asked.set(asked)
    try:
        yield
    finally:
        _asked.reset(token)


_asked: Final[ContextVar[bool]] = ContextVar("private_shown", default=False)


@dataclass(frozen=True, slots=True)
class AsAsked:
    """What was asked of all that is shown in a block, to be asked again where a task is done."""

    private: bool
    region: Region | None

    @classmethod
    def here(cls) -> AsAsked:
        """Return what holds here: see `private_shown` and `terms.spoken`."""
        return cls(_asked.get(), region_asked())

    @contextmanager
    def again(self) -> Iterator[None]:
        """Ask the same in the block."""
        with private_shown(self.private), spoken(self.region):
            yield


def hidden(columns: Iterable[str], private: Collection[str]) -> list[str]:
    """Return those of a layer's columns that are private and not asked for."""
    return [] if _asked.get() else [c for c in columns if c in private]


def shown_rows(layer: str, rows: pa.Table) -> pa.Table:
    """Return rows of a layer as stored without pictures that are private and not asked for."""
    if layer != PictureRow.layer or _asked.get():
        return rows
    return rows.filter(pc.invert(pc.fill_null(rows["private"].cast(pa.bool_()), False)))


def without_private(layer: str, frame: FrameT, private: Collection[str]) -> FrameT:
    """Return a layer as read without columns, and pictures, that are private and not asked for."""
    frame = frame.drop(columns=hidden(frame.columns, private))
    if layer != PictureRow.layer or _asked.get():
        return frame
    shown = ~frame["private"].astype("boolean").fillna(False)
    left: FrameT = frame[shown].reset_index(drop=True)
    return left


def register_words(row: Mapping[str, object]) -> Iterator[tuple[str, str]]:
    """Yield title and value of what the register says in a row of a layer, as it is shown."""
    titles = {c.name: c.title for c in contract.own_assets()}
    for name, text in register_texts(row):
        yield titles.get(name) or name.removeprefix(PREFIX).replace("_", " ").capitalize(), text


def register_texts(row: Mapping[str, object]) -> Iterator[tuple[str, str]]:
    """Yield column and value of what the register says in a row of a layer, as it is shown."""
    own = _own_names()
    for name, value in row.items():
        if name not in own and not name.startswith(PREFIX):
            continue
        if value is None or value != value or value == "":
            continue
        match value:
            case bool():
                text = "yes" if value else "no"
            case float():
                text = f"{value:g}"
            case _:
                text = str(value).removesuffix(" 00:00:00")
        yield name, text


@cache
def _own_names() -> frozenset[str]:
    return frozenset(c.name for c in contract.own_assets())


def _column(key: str, kind: FieldType, private: bool) -> Column:
    title = key.replace("_", " ").capitalize()
    description = f"{title}, as the owner's register has it."
    return Column(
        name=PREFIX + key, type=kind, title=title, description=description, private=private
    )


def _kind(dtype: str) -> FieldType:
    """Return the type of a column that GDAL reads as `dtype`."""
    kinds: tuple[tuple[str, FieldType], ...] = (
        ("bool", "boolean"), ("int", "integer"), ("float", "real"), ("datetime", "date"),
    )  # fmt: skip
    return next((kind for start, kind in kinds if dtype.startswith(start)), "text")


def _value(value: object, kind: FieldType) -> object:
    """Return a value of a data frame as the layer has it."""
    if value is None or value != value or value is pd.NaT:
        return None
    if kind == "date":
        return pd.Timestamp(str(value)).date()
    return bool(value) if kind == "boolean" else value


def _clashes(assets: Assets, columns: Iterable[Column]) -> Iterable[Fault]:
    declared = {c.name: c.type for c in columns}
    for key, kind in assets.types.items():
        known = declared.get(PREFIX + key)
        if known == kind or (known, kind) == ("real", "integer"):
            continue
        file, row = assets.where[key]
        must = f"must be of type {known or 'of no other site'}, as on another site of this batch"
        yield Fault(file, row, key, kind, must, "give the key another name, or build apart")
