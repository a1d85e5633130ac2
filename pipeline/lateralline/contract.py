"""The shipped schemas, loaded: one declaration per input table and per layer.

Readers, writers, the data dictionary, the GeoPackage schema extension and the JSON Schemas all
ask here; nothing about a column stands twice.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from functools import cache, cached_property
from importlib.resources import files
from typing import Final, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from lateralline.errors import ContractError

FieldType = Literal["text", "integer", "real", "boolean", "date", "datetime", "bytes"]
#: Primary key of every layer.
UID: Final = "uid"
Geometry = Literal["Point Z", "LineString Z", "LineString", "Polygon", ""]


class Value(BaseModel):
    """One allowed value of a column, with what it means."""

    model_config = ConfigDict(extra="forbid", frozen=True)
    value: str
    description: str


class Column(BaseModel):
    """One column of a table, or one key of a `site.toml` section."""

    model_config = ConfigDict(extra="forbid", frozen=True)
    name: str
    type: FieldType
    title: str
    description: str
    unit: str = ""  # UCUM-like symbol of a fixed unit: m, m2, deg, 1, %
    unit_from: str = ""  # inputs: the [units] key that fixes the unit
    section: str = ""  # site.toml: the table the key stands in
    required: bool = False  # no empty cell, no null
    default: str | float | int | bool | None = None
    values: tuple[Value, ...] = ()
    minimum: float | None = None
    maximum: float | None = None
    above: float | None = None  # exclusive minimum
    pattern: str = ""
    #: Text that calls a thing, held to the rule of `lateralline.names`; "file": also in file names.
    calls: Literal["", "name", "file"] = ""
    private: bool = False  # left out of what is shown and exported unless asked for

    @property
    def meaning(self) -> str:
        """The description, and of a private column that it is private."""
        note = " Private: what is shown and exported leaves it out unless asked."
        return self.description + note * self.private

    @property
    def enum(self) -> tuple[str, ...]:
        """The allowed values, in declared order; empty when any value will do."""
        return tuple(v.value for v in self.values)


class Reference(BaseModel):
    """Columns of a layer that name a row of another of the same site, by that layer's key."""

    model_config = ConfigDict(extra="forbid", frozen=True)
    columns: tuple[str, ...]
    layer: str


class Table(BaseModel):
    """One input table or one output layer."""

    model_config = ConfigDict(extra="forbid", frozen=True)
    name: str
    title: str
    description: str
    kind: Literal["input", "layer"]
    geometry: Geometry = ""  # "" = a table without geometry
    caution: str = ""  # shown wherever the layer is shown
    repeated: tuple[str, ...] = ()  # site.toml: sections written [[…]]
    key: tuple[str, ...] = ()  # layers: columns that tell a row from every other, in `uid`
    refers: tuple[Reference, ...] = ()  # layers: rows of others that every record holds
    free: tuple[str, ...] = ()  # sections whose keys are the user's own too; "*" = the table's
    field: tuple[Column, ...] = Field(min_length=1)

    @model_validator(mode="after")
    def _with_uid(self) -> Table:
        """Give a layer its primary key as first column; refuse a key of columns it has not."""
        if self.kind == "layer" and self.field[0].name != UID:
            names = [c.name for c in self.field]
            if not self.key or not set(self.key) <= set(names):
                raise ValueError(f"key must name columns of the layer; got {list(self.key)}")
            made_of = ", ".join(self.key)
            text = (
                "Primary key: UUIDv5 of the layer, the site and this row's "
                f"{made_of}. Also the feature's id in GeoJSON."
            )
            uid = Column(name=UID, type="text", title="UID", description=text, required=True)
            object.__setattr__(self, "field", (uid, *self.field))
        return self

    def column(self, name: str, section: str = "") -> Column:
        """Return the column `name`; raises ContractError when it is not declared."""
        for c in self.field:
            if c.name == name and c.section == section:
                return c
        raise ContractError(f"{self.name}: no column {name!r}")

    @property
    def spoken(self) -> tuple[Column, ...]:
        """Columns of the user's own words and figures: all but bytes, which no text can hold."""
        return tuple(c for c in self.field if c.type != "bytes")

    @cached_property
    def names(self) -> tuple[str, ...]:
        """Column names in declared order, but for `uid`, which is made of them."""
        return tuple(c.name for c in self.field if c.name != UID)


#: What records say of themselves; names of version 1 stand in `lateralline.renamed`.
SCHEMA_VERSION: Final = 2
#: In the order a reader of the data dictionary meets them.
INPUTS = (
    "site",
    "control",
    "marks",
    "stops",
    "exposures",
    "observations",
    "photos",
    "assets",
    "ids",
)
#: Of them, what no crew fills in: builds write it into a site.
KEPT = ("ids",)
#: Declared as inputs are, but standing beside sites, not in them.
BESIDE = ("codes", "added")
LAYERS = (
    "control_points",
    "field_marks",
    "transmitter_fixes",
    "field_exposures",
    "pipe_centreline",
    "pipe_segments",
    "pipe_nodes",
    "node_lines",
    "pipe_observations",
    "position_corridor",
    "level_band",
    "tolerance_zone",
    "unlocated",
    "field_photos",
    "adjusted_parameters",
    "accuracy_evidence",
    "findings",
    "lineage",
)
#: The overlay of where laterals meet mains, which a register holds beside the layers.
CONNECTIONS: Final = "main_connections"
#: Made later from built layers and plans, in files of their own.
OVERLAYS = (
    "planned_works",
    "clearance_pairs",
    "clearance_conflicts",
    "tolerance_zone_merged",
    "tie_tapes",
    "record_changes",
    "record_departures",
    "register_matches",
    "register_moves",
    CONNECTIONS,
)


def load(name: str) -> Table:
    """Return the declaration of an input or layer; ContractError when there is none.

    Layers of features end with the columns of `assets()`.
    """
    if has_assets(name):
        return _with_assets(name, assets())
    return _declared(name)


def has_assets(name: str) -> bool:
    """Whether a layer has the register's columns: a finding has not, it is about what has them."""
    return name in LAYERS and name != "findings" and bool(_declared(name).geometry)


@cache
def own_assets() -> tuple[Column, ...]:
    """Return the columns that the register's values have in every record."""
    return tuple(c for c in _declared("assets").field if c.name != "line_id")


def assets() -> tuple[Column, ...]:
    """Return the register's columns of the record being made: ours, then those of its users."""
    columns = _assets.get()
    return own_assets() if columns is None else columns


@contextmanager
def with_assets(columns: Iterable[Column]) -> Iterator[None]:
    """Let every layer of features end with these columns in the block: a batch decides them once,
    an overlay takes those of its record that are not private.

    All that writes, checks, describes and reads back asks `load`, so nothing else need know them.
    """
    token = _assets.set(tuple(columns))
    try:
        yield
    finally:
        _assets.reset(token)


_assets: Final[ContextVar[tuple[Column, ...] | None]] = ContextVar("assets", default=None)


@cache
def _with_assets(name: str, columns: tuple[Column, ...]) -> Table:
    table = _declared(name)
    wider = table.model_copy(update={"field": (*table.field, *columns)})
    vars(wider).pop("names", None)  # of the columns before
    return wider


@cache
def _declared(name: str) -> Table:
    folder = "inputs" if name in INPUTS + BESIDE else "layers"
    source = files("lateralline_schemas") / "v2" / folder / f"{name}.toml"
    try:
        return Table.model_validate(tomllib.loads(source.read_text(encoding="utf-8")))
    except FileNotFoundError:
        raise ContractError(
            f"no schema named {name!r}; known: {', '.join(INPUTS + BESIDE + LAYERS + OVERLAYS)}"
        ) from None
    except (tomllib.TOMLDecodeError, ValidationError) as e:
        raise ContractError(f"schema {name}: {e}") from e
