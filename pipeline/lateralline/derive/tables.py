"""Columns into products: every declared column, in the schema's order, nothing else.

Values are checked against their types and domains where they become tables, in `record.layers`.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import Final, TypeAlias, cast
from uuid import UUID, uuid5

import numpy as np
import numpy.typing as npt
import shapely

from lateralline import contract
from lateralline.contract import Table
from lateralline.errors import ContractError
from lateralline.findings import Finding
from lateralline.records import BandEvidence, Flags, Floats, Product

#: What one part of a layer, a line or a feature, fills of it: of each column, and of "geometry",
#: a list or an array of its n values, or one value for all of them.
#: Not given is NaN for a number, None or "" for text, None for an integer or a geometry.
Columns: TypeAlias = dict[str, object]
GEOMETRY = "geometry"
#: Beside the columns: a list of what the accuracy bands of each feature are judged by.
JUDGED_BY: Final = "judged by"
#: Columns with one value for all of a site's record.
OF_RECORD: Final = ("record_version", "valid_from")
#: Namespace of every `uid`, made once at random.
_UIDS: Final = UUID("9c1f2a0e-6b1d-4e0c-9b53-0f6f3f4f7d21")


def layer(name: str, parts: Iterable[Columns], common: Columns) -> Product:
    """Return the product of a layer from its parts, one after the other.

    A part of single values is one feature. `common` are values of many layers, taken where the
    layer declares the column and no part gives it. Raises ContractError when a column is missing,
    undeclared or of another length.
    """
    declared = contract.load(name)
    names = (*declared.names, GEOMETRY) if declared.geometry else declared.names
    whole: dict[str, list[object]] = {column: [] for column in names}
    judged_by: list[BandEvidence] = []
    for part in parts:
        columns = filled(name, part, common)
        judged_by += cast(list[BandEvidence], columns.pop(JUDGED_BY, []))
        if odd := set(columns) ^ set(names):
            raise ContractError(f"{name}: columns missing or undeclared: {', '.join(sorted(odd))}")
        plain = {k: v.tolist() if isinstance(v, np.ndarray) else v for k, v in columns.items()}
        several = {k: v for k, v in plain.items() if isinstance(v, list)}
        lengths = {len(values) for values in several.values()} or {1}
        if len(lengths) > 1:
            raise ContractError(f"{name}: columns of different lengths {sorted(lengths)}")
        (n,) = lengths
        for column, value in plain.items():
            whole[column] += several.get(column, [value] * n)
    shapes = objects(whole.pop(GEOMETRY)) if declared.geometry else None
    return Product(
        name, {column: whole[column] for column in declared.names}, shapes, tuple(judged_by)
    )


def filled(name: str, part: Columns, common: Columns) -> Columns:
    """Return a part of a layer with what is common to it, and with the layer's caution.

    What the owner's register says is filled in where the layer is written.
    """
    declared = contract.load(name)
    register = dict.fromkeys(c.name for c in contract.assets())
    filling = {"caution": declared.caution, **register} | common
    return {column: filling[column] for column in declared.names if column in filling} | part


def fields_of(name: str, thing: object) -> Columns:
    """Return the columns of a layer that something has fields or properties of the same name for.

    >>> columns = fields_of("findings", Finding("info", "link", "c", "line L1", "w", "b", "d"))
    >>> columns["subject"], "site_id" in columns
    ('line L1', False)
    """
    names = contract.load(name).names
    return {column: getattr(thing, column) for column in names if hasattr(type(thing), column)}


def finding_row(site_id: str, finding: Finding) -> Columns:
    """Return the row, without a place, of a finding in the layer `findings`."""
    own: Columns = {"site_id": site_id, "source_row": finding.where, GEOMETRY: None}
    return fields_of("findings", finding) | own


def points(xyz_m: Floats, there: Flags | bool = True) -> npt.NDArray[np.object_]:
    """Return points (n,) with z, None where there is nothing to draw."""
    known = there & np.isfinite(xyz_m).all(axis=1)
    shapes = np.full(len(xyz_m), None, dtype=object)
    shapes[known] = shapely.points(xyz_m[known])
    return shapes


def uids(declared: Table, columns: Mapping[str, Collection[object]]) -> list[str]:
    """Return the primary key of each row (n): UUIDv5 of the layer, the site and the row's key.

    A key that comes again, as several findings of one subject do, is counted on: "…#2".
    """
    named = [columns[name] for name in ("site_id", *declared.key) if name in columns]
    met: Counter[str] = Counter()
    made = []
    for values in zip(*named, strict=True):
        key = "/".join([declared.name, *("" if v is None else str(v) for v in values)])
        met[key] += 1
        made.append(str(uuid5(_UIDS, key if met[key] == 1 else f"{key}#{met[key]}")))
    return made


def source_rows(file: str, rows: Iterable[int]) -> list[str]:
    """Return file and line of rows, as an editor finds them."""
    return [f"{file}:{row}" for row in rows]


def objects(geometry: Sequence[object]) -> npt.NDArray[np.object_]:
    """Return geometries as an array of objects, whatever they are."""
    out = np.empty(len(geometry), dtype=object)
    out[:] = geometry
    return out
