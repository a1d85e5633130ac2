"""A mapping profile against what records hold: every fault by the key it stands under."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from typing import Final

from lateralline import contract
from lateralline.contract import Column, FieldType, Table
from lateralline.errors import FrameError
from lateralline.frames import horizontal_crs
from lateralline.handover.profile import (
    LayerSource,
    Profile,
    RegisterColumn,
    RegisterLayer,
)
from lateralline.ingest.ledger import Ledger, nearest
from lateralline.record import CAUTION
from lateralline.record.assets import PREFIX
from lateralline.units import METRES_PER

#: What stands for itself in `from`, not for a column of the record.
STATED: Final = ("@caution", "@layer", "@crs", "@record")
#: How many of a unit are in one of the record's; lengths by `lateralline.units`.
_OTHER_UNITS: Final = {("1", "%"): 100.0, ("1", "1"): 1.0, ("deg", "deg"): 1.0, ("m2", "m2"): 1.0}
#: What the reader takes a column for that nothing else is said of.
READ_AS: Final = {"position_95_max_m": "position_95_m"}
#: Unit of what is read.
READ_UNIT: Final = {
    "inside_diameter_m": "m",
    "invert_down_level_m": "m",
    "invert_up_level_m": "m",
    "position_95_m": "m",
    "level_95_m": "m",
}
_READABLE: Final = frozenset(
    (*READ_UNIT, "kind", "service", "material", "nominal", "from_node_id", "to_node_id",
     "level_datum", "surveyed_on")
)  # fmt: skip
#: Names that formats give to geometry and row numbers.
_FILES_OWN: Final = ("fid", "geom", "geometry", "wkt")
_NUMBERS: Final = ("real", "integer")
#: Which types of the register a value of the record's type becomes without being guessed at.
_BECOMES: Final[Mapping[FieldType, tuple[FieldType, ...]]] = {
    "bytes": (),
    "text": ("text",),
    "integer": ("integer", "real", "text"),
    "real": ("real", "integer", "text"),
    "boolean": ("boolean", "integer", "text"),
    "date": ("date", "datetime", "text"),
    "datetime": ("datetime", "date", "text"),
}


def unit_ratio(ours: str, theirs: str) -> float | None:
    """Return how many of a register's unit are in one of the record's; None for no such ratio.

    >>> unit_ratio("m", "mm"), unit_ratio("1", "%"), unit_ratio("m", "deg")
    (1000.0, 100.0, None)
    """
    if not theirs or ours == theirs:
        return 1.0
    if ours in METRES_PER and theirs in METRES_PER:
        return METRES_PER[ours] / METRES_PER[theirs]
    return _OTHER_UNITS.get((ours, theirs))


def read_as(column: RegisterColumn) -> str:
    """Return what the reader takes a register's column for; "" when for nothing."""
    if column.reads:
        return column.reads
    if len(column.sources) != 1 or column.factor != 1.0:
        return ""
    [own] = column.sources
    own = READ_AS.get(own, own)
    return own if own in _READABLE else ""


def columns_of(source: LayerSource) -> dict[str, Column]:
    """Return the columns of a layer of the record by the names a profile takes them by.

    Raises ContractError for a layer no record has.
    """
    table = contract.load(source.layer)
    return {source.called.get(c.name, c.name): c for c in table.field}


def note_faults(profile: Profile, file: str, ledger: Ledger) -> None:
    """Note everything of a profile that its model allows and no record or register could have."""
    if profile.crs:
        try:
            if horizontal_crs(profile.crs) is None:
                ledger.fault(file, 0, "crs", profile.crs, "must be a place on the map, no sketch")
        except FrameError as e:
            ledger.fault(file, 0, "crs", profile.crs, "must be a horizontal CRS", str(e))
    for name in _twice(layer.name.casefold() for layer in profile.layer):
        ledger.fault(file, 0, f"layer {name}", name, "must be there once, in whatever case")
    for layer in profile.layer:
        place = f"layer {layer.name}"
        for key, value, must, hint in _layer_faults(layer):
            ledger.fault(file, 0, f"{place}, {key}", value, must, hint)
        for column in layer.column:
            for key, value, must, hint in _column_faults(layer, column):
                where = f"{place}, column {column.name}, {key}"
                ledger.fault(file, 0, where, value, must, hint)


_Wrong = tuple[str, object, str, str]  # key, value, what would be right, hint


def _layer_faults(layer: RegisterLayer) -> Iterator[_Wrong]:
    names = [c.name for c in layer.column]
    for name in _twice(n.casefold() for n in names):
        yield f"column {name}", name, "must be there once, in whatever case", ""
    for short in _twice(c.short.casefold() for c in layer.column if c.short):
        yield "short", short, "must be of one column", ""
    if layer.key not in names:
        yield "key", layer.key, "must be one of its columns", nearest(layer.key, names)
    if layer.drawn and not layer.geometry.startswith("LineString"):
        yield "drawn", layer.drawn, "must be left out of what is no line", ""
    cautions = {"@caution", "caution"}
    if layer.source and layer.geometry and not any(cautions & set(c.sources) for c in layer.column):
        hint = 'as { name = "CAUTION", from = "@caution" }'
        yield "column", "", "must hold the caution: people dig by what it shows", hint
    for source in layer.source:
        if source.layer not in contract.LAYERS:
            hint = nearest(source.layer, contract.LAYERS)
            yield f"source {source.layer}", source.layer, "must be a layer of records", hint
            continue
        yield from _source_faults(layer, source, contract.load(source.layer))


def _source_faults(layer: RegisterLayer, source: LayerSource, table: Table) -> Iterator[_Wrong]:
    place = f"source {source.layer}"
    kind, has = layer.geometry.removesuffix(" Z"), table.geometry.removesuffix(" Z")
    if kind and kind != has:
        must = f"must be of {has or 'a table'}, as that layer is"
        yield f"geometry of {place}", layer.geometry, must, ""
    elif layer.geometry.endswith("Z") and not table.geometry.endswith("Z"):
        yield f"geometry of {place}", layer.geometry, "must be without Z, as that layer is", ""
    known = {c.name: c for c in table.field}
    for ours, theirs in source.called.items():
        if ours not in known and not ours.startswith(PREFIX):
            yield f"{place}, called", ours, "must be a column of it", nearest(ours, tuple(known))
        elif theirs in known and theirs not in source.called:
            yield f"{place}, called", theirs, f"must not be {theirs}: it has a column so named", ""
    for name, wanted in source.where.items():
        if name not in known:
            if not name.startswith(PREFIX):
                yield f"{place}, where", name, "must be a column of it", nearest(name, tuple(known))
            continue
        values = wanted if isinstance(wanted, tuple) else (wanted,)
        for value in values:
            if known[name].enum and value not in known[name].enum:
                hint = nearest(str(value), known[name].enum)
                yield f"{place}, where {name}", value, "must be one of its values", hint


def _column_faults(layer: RegisterLayer, column: RegisterColumn) -> Iterator[_Wrong]:
    if column.constant is not None and column.sources:
        yield "constant", column.constant, "must be left out where `from` is given", ""
    if column.name.casefold() in _FILES_OWN:
        yield "name", column.name, "must be another: files call their own columns so", ""
    joined = len(column.sources) > 1 or bool(column.codes)
    if joined and not column.reads and (column.unit or column.factor != 1.0):
        key = "unit" if column.unit else "factor"
        wrong = column.unit or column.factor
        yield key, wrong, "must be left out of codes and of several columns joined", ""
    text = column.type == "text"
    cautions = {"@caution", "caution"} & set(column.sources)
    if cautions and (column.width or len(CAUTION)) < len(CAUTION):
        yield "width", column.width, f"must hold the caution whole: {len(CAUTION)} or more", ""
    if column.width is not None and not text:
        yield "width", column.width, "must be left out: only texts have one", ""
    if column.decimals is not None and column.type != "real":
        yield "decimals", column.decimals, "must be left out: only real numbers have them", ""
    for key, bound in (("minimum", column.minimum), ("maximum", column.maximum)):
        if bound is not None and column.type not in _NUMBERS:
            yield key, bound, "must be left out: only numbers have one", ""
    low, high = column.minimum, column.maximum
    if low is not None and high is not None and low > high:
        yield "minimum", low, "must be no more than maximum", ""
    written = [*column.codes.values(), *filter(None, (column.other, column.empty))]
    if column.constant is not None and not column.codes:
        written.append(column.constant)
    for value in written:
        if not _fits(value, column.type):
            yield "codes" if column.codes else "value", value, f"must be {column.type}", ""
        elif column.values and value not in column.values:
            yield "values", value, f"must hold {value}, which codes, other or empty write", ""
    yield from _read_faults(column)
    if column.constant is None and layer.source:
        for source in layer.source:
            if source.layer in contract.LAYERS:
                yield from _taken_faults(column, source)


def _read_faults(column: RegisterColumn) -> Iterator[_Wrong]:
    said = read_as(column)
    unit = READ_UNIT.get(said, "")
    if column.reads and unit and unit_ratio(unit, column.unit or unit) is None:
        yield "unit", column.unit, f"must be of a length, as {said} is", ""
    if column.reads in ("kind", "service"):
        known: tuple[str, ...] = ("main", "lateral")
        if column.reads == "service":
            known = contract.load("pipe_centreline").column("service").enum
        for ours in column.codes:
            if ours not in known:
                yield "codes", ours, f"must be what {said} may be", nearest(ours, known)


def _taken_faults(column: RegisterColumn, source: LayerSource) -> Iterator[_Wrong]:
    known = columns_of(source)
    for name in column.sources:
        if name in STATED or name.startswith(PREFIX):
            continue
        if name not in known:
            where = f"must be a column of {source.layer}"
            yield "from", name, where, nearest(name, (*known, *STATED))
            continue
        ours = known[name]
        if len(column.sources) == 1 and not column.codes:
            if column.type not in _BECOMES[ours.type]:
                must = "must be" if _BECOMES[ours.type] else "must be of a column that is not"
                yield "type", column.type, f"{must} {ours.type}, as {ours.name} is", ""
            if unit_ratio(ours.unit, column.unit) is None:
                yield "unit", column.unit, f"must be one that {ours.unit or 'a text'} goes into", ""
        if ours.enum and column.codes:
            for value in column.codes:
                if value not in ours.enum:
                    yield (
                        "codes",
                        value,
                        f"must be a value of {ours.name}",
                        nearest(value, ours.enum),
                    )


def _fits(value: object, kind: FieldType) -> bool:
    """Whether a value of TOML can stand in a column of a type."""
    if kind == "text":
        return isinstance(value, str)
    if kind == "boolean":
        return isinstance(value, bool)
    whole = isinstance(value, int) and not isinstance(value, bool)
    return (
        whole
        or (kind == "real" and isinstance(value, float))
        or (isinstance(value, str) and (kind in ("date", "datetime")))
    )


def _twice(names: Iterable[str]) -> list[str]:
    return [name for name, n in Counter(names).items() if n > 1]
