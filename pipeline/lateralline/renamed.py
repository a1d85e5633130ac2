"""Names of version 1 of the schemas, as version 2 has them: sites and records of both are read.

`names_of_v1.toml` of `lateralline_schemas` is the only list of them. Here it is looked up; what
stands in files is brought to the names of today where it comes in: tables and sections in
`ingest`, layers in `record.view`. Nothing else knows two names for one thing.

Decided:
* A name of version 1 never means something else in the same table of version 2 (a test holds it),
  so what a file calls things tells its version cell by cell, and overlays need no mark of it.
* Records say their version in `lineage` (`schema version`); one that does not is of version 1, and
  one of a later version than this is refused: its names may mean something else.
* One quantity under both names in one file is a fault: nobody knows which was meant.
* A finding accepted under an old code is accepted still: its cause is looked up under both.
* Version 1 had `station` and `offset` for a distance and an offset from a baseline, and for a
  distance and a bearing from a point. The method of a row says which.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from typing import TypeAlias

from pydantic import BaseModel, ConfigDict

Names: TypeAlias = Mapping[str, str]  # of version 1 → of version 2


class _Inputs(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)
    columns: Mapping[str, Names]  # table →
    polar: Mapping[str, Names]  # table →
    values: Mapping[str, Mapping[str, Names]]  # table → column →
    keys: Mapping[str, Mapping[str, Names]]  # table → section →
    section_values: Mapping[str, Mapping[str, Mapping[str, Names]]]  # table → section → key →


class _LayerNames(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)
    names: Names
    everywhere: Mapping[str, Names]  # column of any layer → values
    columns: Mapping[str, Names]  # layer →
    values: Mapping[str, Mapping[str, Names]]  # layer → column →


class _NamesOfV1(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)
    inputs: _Inputs
    layers: _LayerNames
    findings: Names  # code or "code/variant" → the same


@cache
def _table() -> _NamesOfV1:
    source = files("lateralline_schemas") / "v2" / "names_of_v1.toml"
    return _NamesOfV1.model_validate(tomllib.loads(source.read_text(encoding="utf-8")))


def input_columns(table: str) -> Names:
    """Return the columns of an input table that are called otherwise today.

    >>> dict(input_columns("observations"))
    {'severity': 'defect_severity'}
    """
    return _table().inputs.columns.get(table, {})


def polar_columns(table: str) -> Names:
    """Return the names that the same columns have today in rows of method polar."""
    return _table().inputs.polar.get(table, {})


def input_values(table: str) -> Mapping[str, Names]:
    """Return the values of an input table that are called otherwise today, by column.

    >>> dict(input_values("exposures")["measured_to"])
    {'crown': 'inside_top'}
    """
    return _table().inputs.values.get(table, {})


def section_keys(table: str, section: str) -> Names:
    """Return the keys of a section of settings that are called otherwise today."""
    return _table().inputs.keys.get(table, {}).get(section, {})


def section_values(table: str, section: str) -> Mapping[str, Names]:
    """Return the values of a section of settings that are called otherwise today, by key."""
    if (table, section) == ("site", "accepted"):
        return {"code": _codes()}
    return _table().inputs.section_values.get(table, {}).get(section, {})


def layer_of_v1(layer: str) -> str:
    """Return what version 1 called a layer; "" when it is called so still.

    >>> layer_of_v1("tolerance_zone"), layer_of_v1("pipe_nodes")
    ('dig_zone', '')
    """
    return next((old for old, new in _table().layers.names.items() if new == layer), "")


def layer_columns(layer: str) -> Names:
    """Return the columns of a layer that are called otherwise today."""
    return _table().layers.columns.get(layer, {})


def today(layer: str, row: Mapping[str, object]) -> dict[str, object]:
    """Return a row of a layer with the columns and values of today, of whatever version it is.

    >>> today("pipe_nodes", {"kind": "line_end", "plan_95_m": 0.3})
    {'kind': 'end_located', 'position_95_m': 0.3}
    """
    named = {column_today(layer, column): value for column, value in row.items()}
    return {column: value_today(layer, column, value) for column, value in named.items()}


def column_today(layer: str, column: str) -> str:
    """Return what a column of a layer is called today."""
    return _table().layers.columns.get(layer, {}).get(column, column)


def value_today(layer: str, column: str, value: object) -> object:
    """Return a value of a column, by its name of today, as it is called today."""
    names = layer_values(layer).get(column, {})
    return names.get(str(value), value) if names else value


@cache
def layer_values(layer: str) -> Mapping[str, Names]:
    """Return the values of a layer that are called otherwise today, by column."""
    layers = _table().layers
    codes = {"code": _codes()} if layer == "findings" else {}
    return {**layers.everywhere, **layers.values.get(layer, {}), **codes}


# ---- findings --------------------------------------------------------------------------------


def finding_code(code: str) -> str:
    """Return the code of today of a finding.

    >>> finding_code("counter-jump"), finding_code("stop-weak")
    ('counter-wrong', 'stop-weak')
    """
    return _codes().get(code, code)


def names_of_v1_finding(code: str, variant: str) -> tuple[tuple[str, str], ...]:
    """Return codes and variants that a finding of today may have had before.

    >>> names_of_v1_finding("counter-wrong", "jump")
    (('counter-jump', ''),)
    >>> names_of_v1_finding("stop-not-located", "bare")
    (('stop-unsolved', 'bare'),)
    """
    table, name = _table().findings, f"{code}/{variant}"
    as_they_were = [old for old, new in table.items() if variant and new == name]
    kept = [f"{old}/{variant}" for old, new in table.items() if new == code]
    names = (old.partition("/") for old in (*as_they_were, *(k for k in kept if k not in table)))
    return tuple((old, of) for old, _, of in names)


@cache
def _codes() -> Names:
    """Return each code that is gone → the code of today."""
    table = _table().findings
    codes = {old.partition("/")[0]: new.partition("/")[0] for old, new in table.items()}
    return {old: new for old, new in codes.items() if old != new}
