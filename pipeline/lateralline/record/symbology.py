"""How everything looks: the declared symbology, `styles.toml`, held to the contract of the layers.

Colour, shape, dash, width and label of each layer and state stand there and nowhere else; GIS
styles, sheets, page, pictures, DXF and KML take them from here.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable
from functools import cache
from importlib.resources import files
from types import SimpleNamespace
from typing import Annotated, Final, Literal, TypeVar

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from lateralline import contract
from lateralline.errors import ContractError

Colour = Annotated[str, Field(pattern=r"^#[0-9a-f]{6}$")]
#: `cross_fill` is a plus with area, `cross2` an × of two strokes, `circle_cross` a ring with a +.
Marker = Literal[
    "circle", "square", "diamond", "triangle", "hexagon", "star", "cross_fill", "cross2",
    "circle_cross",
]  # fmt: skip
WHITE: Final = "#ffffff"


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

    @property
    def colour(self) -> str:
        """The colour it is known by: of the filling, or of the edge about a white one."""
        return self.stroke if self.fill == WHITE else self.fill


class LineSymbol(_Frozen):
    """A line, dashed when `dash_mm` gives dash and gap."""

    color: Colour
    width_mm: float
    dash_mm: tuple[float, ...] = ()

    @property
    def colour(self) -> str:
        """The colour it is known by."""
        return self.color


class Area(_Frozen):
    """A filled polygon with its edge."""

    fill: Colour
    opacity: float = Field(ge=0.0, le=1.0)  # of the fill
    stroke: Colour
    stroke_mm: float
    dash_mm: tuple[float, ...] = ()

    @property
    def colour(self) -> str:
        """The colour it is known by."""
        return self.stroke

    @property
    def on_white(self) -> str:
        """The filling as it looks on white paper.

        >>> Area(fill="#000000", opacity=0.5, stroke="#000000", stroke_mm=0.1).on_white
        '#808080'
        """
        parts = (int(self.fill[i : i + 2], 16) for i in (1, 3, 5))
        mixed = (round(p * self.opacity + 255 * (1.0 - self.opacity)) for p in parts)
        return "#" + "".join(f"{m:02x}" for m in mixed)


Symbol = Point | LineSymbol | Area
Row = TypeVar("Row")


class SymbolRule(_Frozen):
    """What some features of a layer look like; without `where`, all that no other rule takes."""

    title: str
    where: dict[str, tuple[bool | str, ...]] = {}
    point: Point | None = None
    line: LineSymbol | None = None
    area: Area | None = None

    @property
    def symbol(self) -> Symbol:
        """The one symbol the rule has."""
        made = self.point or self.line or self.area
        assert made is not None  # held to by Style
        return made

    @property
    def as_point(self) -> Point:
        """The marker of a rule of a layer of points."""
        assert self.point is not None  # held to by Style
        return self.point

    @property
    def as_line(self) -> LineSymbol:
        """The line of a rule of a layer of lines."""
        assert self.line is not None  # held to by Style
        return self.line

    def takes(self, row: object) -> bool:
        """Tell whether the columns of a row, its attributes, have the values asked for."""
        return all(getattr(row, column) in values for column, values in self.where.items())


class Style(_Frozen):
    """One layer's look; a table without geometry has no rules."""

    layer: str
    id: tuple[str, ...] = ()  # columns that name a feature
    kind: str = ""  # column that says what it is
    label: str = ""  # column written beside each feature
    label_scale: int = 0  # 1:N from which labels are drawn, and at all larger scales; 0: at any
    tip: tuple[str, ...] = ()  # columns shown where one points at a feature, id and kind besides
    rule: tuple[SymbolRule, ...] = ()

    @model_validator(mode="after")
    def _fits_the_contract(self) -> Style:
        table = contract.load(self.layer)
        for name in filter(None, (*self.id, self.kind, self.label, *self.tip)):
            table.column(name)
        kind = {
            "Point Z": "point", "LineString Z": "line", "LineString": "line", "Polygon": "area",
            "": "",
        }  # fmt: skip
        for rule in self.rule:
            symbols = [k for k in ("point", "line", "area") if getattr(rule, k) is not None]
            if symbols != [kind[table.geometry]]:
                raise ValueError(f"{self.layer}, {rule.title}: one symbol for {table.geometry}")
            for column, values in rule.where.items():
                _known_values(table, column, values)
        if bool(self.rule) != bool(table.geometry):
            raise ValueError(f"{self.layer}: rules go with geometry")
        return self

    def rule_of(self, row: object) -> SymbolRule:
        """Return the one rule that draws a row of the layer; the last for values no rule names."""
        named = (rule for rule in self.rule if rule.where and rule.takes(row))
        rest = (rule for rule in self.rule if not rule.where)
        return next(named, next(rest, self.rule[-1]))

    def by_rule(self, rows: Iterable[Row]) -> list[tuple[SymbolRule, list[Row]]]:
        """Return each rule, in order, with the rows that it draws: of some there may be none."""
        found = [(row, self.rule_of(row)) for row in rows]
        return [(rule, [row for row, by in found if by is rule]) for rule in self.rule]


class Sign(_Frozen):
    """A line that is drawn beside the layers: it is no row of any."""

    name: str
    title: str
    line: LineSymbol


def _known_values(table: contract.Table, name: str, values: tuple[bool | str, ...]) -> None:
    column = table.column(name)
    if any(isinstance(v, bool) != (column.type == "boolean") for v in values):
        raise ValueError(f"{table.name}.{name} is {column.type}; got {values}")
    strange = [v for v in values if column.enum and v not in column.enum]
    if strange:
        raise ValueError(f"{table.name}.{name} is never {strange}")


class _Symbology(_Frozen):
    style: tuple[Style, ...]
    sign: tuple[Sign, ...]


@cache
def _symbology() -> _Symbology:
    source = files("lateralline_schemas") / "v2" / "styles.toml"
    try:
        found = _Symbology.model_validate(tomllib.loads(source.read_text(encoding="utf-8")))
    except (tomllib.TOMLDecodeError, ValidationError) as e:
        raise ContractError(f"styles.toml: {e}") from e
    if tuple(s.layer for s in found.style) != contract.LAYERS + contract.OVERLAYS:
        raise ContractError("styles.toml: one style for each layer, in the order of the layers")
    return found


def load_styles(layers: Iterable[str] = contract.LAYERS) -> tuple[Style, ...]:
    """Return the styles of layers, one each: those of a record, or an overlay's.

    Raises ContractError for a layer without a style, and for a rule that names a column or value
    its layer does not have.
    """
    return tuple(map(style_of, layers))


def style_of(layer: str) -> Style:
    """Return the style of a layer."""
    return next(style for style in _symbology().style if style.layer == layer)


def parts_of(marker: Marker) -> tuple[str, ...]:
    """Return the plain markers one is drawn with, the lowest first.

    >>> parts_of("circle_cross")
    ('circle', 'cross')
    """
    return ("circle", "cross") if marker == "circle_cross" else (marker,)


def area_of(layer: str, **row: bool | str) -> Area:
    """Return how an area of a layer looks, with the values of the columns that its rules ask for.

    >>> area_of("tolerance_zone", zone="as_located").opacity
    0.0
    """
    area = style_of(layer).rule_of(SimpleNamespace(**row)).area
    assert area is not None  # held to by Style
    return area


def sign(name: str) -> Sign:
    """Return a sign by its name."""
    return next(s for s in _symbology().sign if s.name == name)
