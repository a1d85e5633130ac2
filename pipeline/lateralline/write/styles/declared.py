"""The declared styles, `styles.toml`, loaded and held to the contract of the layers."""

from __future__ import annotations

import tomllib
from functools import cache
from importlib.resources import files
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from lateralline import contract
from lateralline.errors import ContractError

Colour = Annotated[str, Field(pattern=r"^#[0-9a-f]{6}$")]
Marker = Literal["circle", "square", "diamond", "triangle", "pentagon", "star", "cross2"]


class _Frozen(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Point(_Frozen):
    """A marker."""

    marker: Marker
    size_mm: float
    fill: Colour
    stroke: Colour
    stroke_mm: float
    rotate_deg: float = 0.0  # clockwise


class Line(_Frozen):
    """A line, dashed when `dash_mm` gives dash and gap."""

    color: Colour
    width_mm: float
    dash_mm: tuple[float, ...] = ()


class Area(_Frozen):
    """A filled polygon with its edge."""

    fill: Colour
    opacity: float = Field(ge=0.0, le=1.0)  # of the fill
    stroke: Colour
    stroke_mm: float
    dash_mm: tuple[float, ...] = ()


class Rule(_Frozen):
    """What some features of a layer look like; without `where`, all that no other rule takes."""

    title: str
    where: dict[str, tuple[bool | str, ...]] = {}
    point: Point | None = None
    line: Line | None = None
    area: Area | None = None

    @property
    def symbol(self) -> Point | Line | Area:
        """The one symbol the rule has."""
        made = self.point or self.line or self.area
        assert made is not None  # held to by Style
        return made


class Style(_Frozen):
    """One layer's look; a table without geometry has no rules."""

    layer: str
    label: str = ""  # column written beside each feature
    rule: tuple[Rule, ...] = ()

    @model_validator(mode="after")
    def _fits_the_contract(self) -> Style:
        table = contract.load(self.layer)
        if self.label:
            table.column(self.label)
        kind = {"Point Z": "point", "LineString Z": "line", "Polygon": "area", "": ""}
        for rule in self.rule:
            symbols = [k for k in ("point", "line", "area") if getattr(rule, k) is not None]
            if symbols != [kind[table.geometry]]:
                raise ValueError(f"{self.layer}, {rule.title}: one symbol for {table.geometry}")
            for column, values in rule.where.items():
                _known_values(table, column, values)
        if bool(self.rule) != bool(table.geometry):
            raise ValueError(f"{self.layer}: rules go with geometry")
        return self


def _known_values(table: contract.Table, name: str, values: tuple[bool | str, ...]) -> None:
    column = table.column(name)
    if any(isinstance(v, bool) != (column.type == "boolean") for v in values):
        raise ValueError(f"{table.name}.{name} is {column.type}; got {values}")
    strange = [v for v in values if column.enum and v not in column.enum]
    if strange:
        raise ValueError(f"{table.name}.{name} is never {strange}")


class _Styles(_Frozen):
    style: tuple[Style, ...]


@cache
def load_styles() -> tuple[Style, ...]:
    """Return one style for each layer, in the order of the layers.

    Raises ContractError for a layer without a style, and for a rule that names a column or value
    its layer does not have.
    """
    source = files("lateralline_schemas") / "v1" / "styles.toml"
    try:
        styles = _Styles.model_validate(tomllib.loads(source.read_text(encoding="utf-8"))).style
    except (tomllib.TOMLDecodeError, ValidationError) as e:
        raise ContractError(f"styles.toml: {e}") from e
    if tuple(s.layer for s in styles) != contract.LAYERS:
        raise ContractError("styles.toml: one style for each layer, in the order of the layers")
    return styles
