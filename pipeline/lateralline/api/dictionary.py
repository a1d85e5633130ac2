"""What every column, layer and finding means: the schemas, as tables and as text."""

from __future__ import annotations

from lateralline import contract
from lateralline.errors import ContractError
from lateralline.write import dictionary, json_schema

__all__ = ["contract", "dictionary", "json_schemas"]


def json_schemas(name: str | None = None) -> dict[str, object]:
    """Return the JSON Schema of one layer, or of all by name.

    Raises ContractError for a file that is filled in: only layers have one.
    """
    if name is None:
        return {layer: json_schema.json_schema(layer) for layer in contract.LAYERS}
    if name in contract.INPUTS + contract.BESIDE:
        raise ContractError(
            f"{name} is a file you fill in; JSON Schemas are of layers: "
            f"{', '.join(contract.LAYERS)}"
        )
    return json_schema.json_schema(name)
