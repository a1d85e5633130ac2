"""Columns into products: every declared column, in the schema's order, nothing else.

Values are checked against their types and domains where they become frames, in `layers`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import fields
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from lateralline import contract
from lateralline.errors import ContractError
from lateralline.findings import Finding
from lateralline.records import Product

Values: TypeAlias = npt.NDArray[np.generic] | list[object]
Row: TypeAlias = dict[str, object]


def product(
    layer: str, columns: Mapping[str, Values], geometry: Sequence[object] | None = None
) -> Product:
    """Return the product of a layer from its columns (n each) and geometry (n).

    Not given is NaN for a number, None or "" for text, None for an integer or a geometry. Raises
    ContractError when a column is missing, undeclared or of another length.
    """
    names = contract.load(layer).names
    if odd := set(columns) ^ set(names):
        raise ContractError(f"{layer}: columns missing or undeclared: {', '.join(sorted(odd))}")
    lengths = {len(values) for values in columns.values()}
    if geometry is not None:
        lengths.add(len(geometry))
    if len(lengths) != 1:
        raise ContractError(f"{layer}: columns and geometry of different lengths {sorted(lengths)}")
    return Product(layer, {name: columns[name] for name in names}, objects(geometry))


def from_rows(
    layer: str, rows: Sequence[Mapping[str, object]], geometry: Sequence[object] | None = None
) -> Product:
    """Return the product of a layer from one mapping per feature; errors as `product`."""
    names = contract.load(layer).names
    if odd := {name for row in rows for name in set(row) ^ set(names)}:
        raise ContractError(f"{layer}: columns missing or undeclared: {', '.join(sorted(odd))}")
    return product(layer, {name: [row[name] for row in rows] for name in names}, geometry)


def finding_row(site_id: str, finding: Finding) -> Row:
    """Return the row of a finding in the layer `findings`."""
    names = contract.load("findings").names
    row = {f.name: getattr(finding, f.name) for f in fields(finding) if f.name in names}
    return {"site_id": site_id, "source_row": finding.where, **row}


def findings_layer(site_id: str, findings: Iterable[Finding]) -> Product:
    """Return the layer `findings`."""
    return from_rows("findings", [finding_row(site_id, f) for f in findings])


def rows_of(columns: Mapping[str, Values], n: int) -> list[Row]:
    """Return columns (n each) as n rows of plain values."""
    plain = {k: v.tolist() if isinstance(v, np.ndarray) else v for k, v in columns.items()}
    return [{name: values[i] for name, values in plain.items()} for i in range(n)]


def objects(geometry: Sequence[object] | None) -> npt.NDArray[np.object_] | None:
    """Return geometries as an array of objects, whatever they are."""
    if geometry is None:
        return None
    out = np.empty(len(geometry), dtype=object)
    out[:] = list(geometry)
    return out
