"""The `adjusted_parameters` layer: what the adjustment found besides positions."""

from __future__ import annotations

from collections.abc import Iterable

from lateralline.derive.tables import Row, from_rows
from lateralline.records import AdjustedParameter, Product


def adjusted_parameters(site_id: str, parameters: Iterable[AdjustedParameter]) -> Product:
    """Return the layer, one row per parameter in the order of the adjustment."""
    rows: list[Row] = [
        {
            "site_id": site_id,
            "kind": p.kind,
            "subject": p.subject,
            "value": p.value,
            "sigma": p.sigma,
            "unit": p.unit,
            "prior": p.prior,
            "prior_sigma": p.prior_sigma,
        }
        for p in parameters
    ]
    return from_rows("adjusted_parameters", rows)
