"""What every table, column and finding means: Markdown, rows, and JSON Schema of the layers.

`python -m lateralline.write.dictionary` prints the whole as Markdown; schemas/README.md is that.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from typing import Final

from lateralline import contract
from lateralline.catalogue import Form, catalogue
from lateralline.contract import Column, FieldType, Geometry, Table
from lateralline.names import LONGEST, MUST_BE
from lateralline.record import CAUTION
from lateralline.terms import terms
from lateralline.wording import outline

_WHOLE: Final = """# Data dictionary

Every table that lateralline reads and every layer that it writes, generated from the TOML files
beside this page (`lateralline_schemas/v2/`), from which also come the writers, the GeoPackage
schema extension and the JSON Schemas. To renew it:
`python -m lateralline.write.dictionary > schemas/README.md`

How registers call these columns stands in `lateralline_schemas/v2/profiles/`: mapping profiles, by
which `lateralline handover` writes a record, and a register's lines are read.

**{caution}**
"""
_LAYERS: Final = """# Data dictionary of the layers

What each column of `asbuilt.gpkg` and of the GeoJSON files of the same names means.
An empty cell or null means not known or not applicable.

**{caution}**
"""

_FINDINGS: Final = (
    "Every code of the layer [findings](#findings) and its variants, each with its sentences: one "
    "code is one thing to put right, a variant one cause, figure or action of it. ‹name› stands "
    "for a value, […] for what may be left out; ± is 95 %. A finding that follows from another is "
    "not reported beside it. The docstrings of the stage state by what criterion one is found."
)
_TERMS: Final = (
    "One quantity, one word. Columns have one name everywhere; labels and printed figures use the "
    "words of the site's tape, metric or US, or of `--terms`. ± is 95 %."
)


@dataclass(frozen=True, slots=True)
class DictionaryRow:
    """One column in words, ready to be shown anyhow."""

    section: str  # site.toml: "[accuracy]", "[[run]]"; else ""
    name: str
    type: str
    unit: str  # "m", "as [units] tape", "" when it has none
    required: bool
    default: str
    limits: str  # "≥ 0", "> 0 and ≤ 1", a pattern; "" when free
    title: str
    description: str
    values: tuple[tuple[str, str], ...]  # allowed value, what it means


@dataclass(frozen=True, slots=True)
class CatalogueRow:
    """One finding of the catalogue, its sentences with ‹off_m› for a value and […] for what may go.

    A code with several causes, figures or actions has a row for each, by `variant`.
    """

    code: str
    variant: str
    title: str
    severity: tuple[str, ...]
    stage: tuple[str, ...]
    what: str
    by_how_much: str
    to_do: str
    values: dict[str, str]  # name → unit or kind
    caused_by: tuple[str, ...]
    explained: str  # package whose docstrings give the criterion

    @property
    def name(self) -> str:
        """Code and variant: "tie-misfit/short"."""
        return "/".join(filter(None, (self.code, self.variant)))

    @property
    def sentence(self) -> str:
        """What, by how much and what to do in one line."""
        found = ": ".join(filter(None, (self.what, self.by_how_much)))
        return found + (f" → {self.to_do}" if self.to_do else "")


def dictionary_rows(name: str) -> list[DictionaryRow]:
    """Return the columns of an input table or layer; ContractError for an unknown name."""
    table = contract.load(name)
    return [
        DictionaryRow(
            section=_section(table, c),
            name=c.name,
            type=c.type,
            unit=f"as [units] {c.unit_from}" if c.unit_from else "" if c.unit == "1" else c.unit,
            required=c.required,
            default=_default(c),
            limits=_limits(c),
            title=c.title,
            description=c.meaning,
            values=tuple((v.value, v.description) for v in c.values),
        )
        for c in table.field
    ]


def markdown(name: str, *, level: int = 1) -> str:
    """Return one table of the dictionary as Markdown, its heading at `level`."""
    table = contract.load(name)
    geometry = f"Geometry: {table.geometry}." if table.geometry else ""
    kind = "A table without geometry." if table.kind == "layer" and not geometry else ""
    paragraphs = [
        f"{'#' * level} {name}",
        f"**{table.title}.** " + " ".join(filter(None, (table.description, geometry, kind))),
    ]
    if table.refers:
        named = (
            f"{', '.join(f'`{c}`' for c in r.columns)} names a row of [{r.layer}](#{r.layer})"
            for r in table.refers
        )
        paragraphs.append(f"Of the same site, {'; '.join(named)}.")
    if table.caution:
        paragraphs.append(f"> {table.caution}")
    rows = dictionary_rows(name)
    with_sections = any(r.section for r in rows)
    head = ["section"] * with_sections + ["column", "type", "unit", "", "meaning"]
    body = [
        [r.section] * with_sections
        + [f"`{r.name}`", r.type, r.unit, "required" if r.required else "", _meaning(r)]
        for r in rows
    ]
    paragraphs.append("\n".join(map(_line, [head, ["---"] * len(head), *body])))
    return "\n\n".join(paragraphs) + "\n"


def whole_markdown() -> str:
    """Return the whole dictionary: inputs, then layers. schemas/README.md is this text."""
    groups = {
        "Input tables": contract.INPUTS,
        "Beside sites": contract.BESIDE,
        "Layers": contract.LAYERS,
        "Overlays": contract.OVERLAYS,
    }
    parts = [_WHOLE.format(caution=CAUTION)]
    parts += [_contents(title, names) for title, names in groups.items()]
    parts.append("[Catalogue of findings](#catalogue-of-findings): what each code means.\n")
    parts.append("[Terms](#terms): the word for each quantity, metric and US.\n")
    for title, names in groups.items():
        parts += [f"## {title}\n", *(markdown(name, level=3) for name in names)]
    return "\n".join([*parts, findings_markdown(), terms_markdown()])


def terms_markdown() -> str:
    """Return the words of every quantity as Markdown."""
    head = ["quantity", "metric", "US", "columns", "printed as", "what it means"]
    body = [[t.quantity, t.metric, t.us, t.column, t.printed, t.means] for t in terms()]
    cells = [[cell.replace("<", "‹").replace(">", "›") for cell in row] for row in body]
    table = "\n".join(map(_line, [head, ["---"] * len(head), *cells]))
    return f"## Terms\n\n{_TERMS}\n\n{table}\n"


def findings_rows() -> list[CatalogueRow]:
    """Return every code and variant of the catalogue, in its order."""
    made = catalogue()
    return [_catalogue_row(form) for code in made.entries for form in made.forms(code)]


def _catalogue_row(form: Form) -> CatalogueRow:
    what, by_how_much, to_do = map(outline, form.texts)
    return CatalogueRow(
        code=form.code,
        variant=form.variant,
        title=form.title,
        severity=form.severity,
        stage=form.stage,
        what=what,
        by_how_much=by_how_much,
        to_do=to_do,
        values=dict(form.values),
        caused_by=form.caused_by,
        explained=form.explained,
    )


def findings_markdown() -> str:
    """Return the catalogue of findings as Markdown."""
    head = ["code/variant", "title", "severity", "found in", "says", "follows from"]
    body = [
        [
            f"`{row.name}`",
            row.title,
            ", ".join(row.severity),
            ", ".join(row.stage),
            row.sentence,
            ", ".join(f"`{cause}`" for cause in row.caused_by),
        ]
        for row in findings_rows()
    ]
    table = "\n".join(map(_line, [head, ["---"] * len(head), *body]))
    return f"## Catalogue of findings\n\n{_FINDINGS}\n\n{table}\n"


def layers_markdown() -> str:
    """Return the dictionary of the layers alone, as it lies beside them in an output folder."""
    return _layers_markdown(contract.assets())


@cache
def _layers_markdown(_assets: tuple[Column, ...]) -> str:
    tables = (markdown(name, level=2) for name in contract.LAYERS)
    return "\n".join([_LAYERS.format(caution=CAUTION), *tables])


def _contents(title: str, names: Iterable[str]) -> str:
    return f"{title}: " + ", ".join(f"[{n}](#{n})" for n in names) + ".\n"


def _section(table: Table, column: Column) -> str:
    if not column.section:
        return ""
    return f"[[{column.section}]]" if column.section in table.repeated else f"[{column.section}]"


def _default(column: Column) -> str:
    match column.default:
        case None:
            return ""
        case bool():
            return str(column.default).lower()
        case float():
            return f"{column.default:g}"
    return str(column.default)


def _limits(column: Column) -> str:
    """Return in signs what a value must be.

    >>> _limits(Column(name="a", type="real", title="A", description="A.", above=0, maximum=1))
    '> 0 and ≤ 1'
    """
    bounds = (("≥", column.minimum), (">", column.above), ("≤", column.maximum))
    limits = [f"{sign} {bound:g}" for sign, bound in bounds if bound is not None]
    if column.calls:
        limits.append(MUST_BE if column.calls == "name" else f"at most {LONGEST} characters")
    if column.pattern:
        limits.append(f"matches `{column.pattern}`")
    return " and ".join(limits)


def _meaning(row: DictionaryRow) -> str:
    """Return title, description, limits, default and values in one table cell."""
    text = f"**{row.title}.** {row.description}"
    if row.limits:
        text += f" Limits: {row.limits}."
    if row.default:
        text += f" Default: `{row.default}`."
    if row.values:
        text += "<br>" + "<br>".join(f"`{v}`: {what}" for v, what in row.values)
    return text


def _line(cells: Iterable[str]) -> str:
    return "| " + " | ".join(c.replace("|", "\\|").replace("\n", " ") for c in cells) + " |"


if __name__ == "__main__":
    print(whole_markdown(), end="")


# ---- JSON Schema of each layer --------------------------------------------------------------


DRAFT: Final = "https://json-schema.org/draft/2020-12/schema"
JSON_TYPES: Final[dict[FieldType, dict[str, object]]] = {
    "text": {"type": "string"},
    "integer": {"type": "integer"},
    "real": {"type": "number"},
    "boolean": {"type": "boolean"},
    "date": {"type": "string", "format": "date"},
    "datetime": {"type": "string", "format": "date-time"},
}


def json_schema_text(layer: str) -> str:
    """Return a layer's JSON Schema as the text of a file."""
    return _json_schema_text(layer, contract.assets())


@cache
def _json_schema_text(layer: str, _assets: tuple[Column, ...]) -> str:
    return json.dumps(json_schema(layer), indent=1, ensure_ascii=False) + "\n"


def json_schema(layer: str) -> dict[str, object]:
    """Return the JSON Schema of a layer's FeatureCollection; ContractError for an unknown layer."""
    table = contract.load(layer)
    id_: dict[str, object] = {"type": "string", "description": "The feature's uid."}
    return collection_schema(
        layer,
        (table.title, " ".join(filter(None, (table.description, table.caution)))),
        {c.name: column_schema(c) for c in table.spoken},
        table.geometry,
        caution=table.caution,
        feature_id=id_,
    )


def collection_schema(
    name: str,
    words: tuple[str, str],
    columns: dict[str, dict[str, object]],
    geometry: Geometry,
    *,
    caution: str,
    feature_id: dict[str, object] | None = None,
) -> dict[str, object]:
    """Return the JSON Schema of a FeatureCollection, all of whose `columns` are there.

    `words` are its title and description.
    """
    has_id = {} if feature_id is None else {"id": feature_id}
    feature = {
        "type": "object",
        "required": ["type", *has_id, "properties", "geometry"],
        "properties": {
            "type": {"const": "Feature"},
            **has_id,
            "geometry": _geometry_schema(geometry),
            "properties": {
                "type": "object",
                "required": list(columns),
                "properties": columns,
                "additionalProperties": False,
            },
        },
    }
    return {
        "$schema": DRAFT,
        "title": words[0],
        "description": words[1],
        "type": "object",
        "required": ["type", "features", *["caution"] * bool(caution)],
        "not": {"required": ["crs"]},  # RFC 7946, section 4: WGS 84, never named
        "properties": {
            "type": {"const": "FeatureCollection"},
            "name": {"const": name},
            **({"caution": {"const": caution}} if caution else {}),
            "features": {"type": "array", "items": feature},
        },
    }


def column_schema(column: Column) -> dict[str, object]:
    """Return the JSON Schema of one column; null is allowed unless the column is required."""
    schema: dict[str, object] = {
        "title": column.title,
        "description": column.meaning,
        **JSON_TYPES[column.type],
    }
    if column.unit:
        schema["x-unit"] = column.unit
    bounds = {
        "minimum": column.minimum,
        "maximum": column.maximum,
        "exclusiveMinimum": column.above,
        "pattern": column.pattern or None,
    }
    schema |= {k: v for k, v in bounds.items() if v is not None}
    values: list[dict[str, object]] = []
    if column.enum:
        values = [{"const": v.value, "description": v.description} for v in column.values]
    if not column.required:
        schema["type"] = [schema["type"], "null"]
        values += [{"type": "null"}] * bool(values)
    return schema | ({"oneOf": values} if values else {})


def _geometry_schema(geometry: Geometry) -> dict[str, object]:
    """Return the schema of a layer's geometry; null is a feature without a position."""
    one_of: list[dict[str, object]] = [{"type": "null"}]
    for kind, coordinates in shapes_of(geometry).items():
        one_of.append(
            {
                "type": "object",
                "required": ["type", "coordinates"],
                "properties": {"type": {"const": kind}, "coordinates": coordinates},
            }
        )
    return {"oneOf": one_of}


def shapes_of(geometry: Geometry) -> dict[str, dict[str, object]]:
    """Return the kinds of GeoJSON geometry of a layer, each with the schema of its coordinates."""
    position: dict[str, object] = {
        "type": "array",
        "prefixItems": [
            {"type": "number", "minimum": -180, "maximum": 180},
            {"type": "number", "minimum": -90, "maximum": 90},
            {"type": "number", "description": "Height above the WGS 84 ellipsoid, m."},
        ],
        "minItems": 2,
        "maxItems": 3,
    }
    line: dict[str, object] = {"type": "array", "items": position, "minItems": 2}
    rings: dict[str, object] = {"type": "array", "items": {**line, "minItems": 4}, "minItems": 1}
    # Lines and polygons are cut at the antimeridian.
    lines: dict[str, dict[str, object]] = {
        "LineString": line,
        "MultiLineString": {"type": "array", "items": line},
    }
    shapes: dict[Geometry, dict[str, dict[str, object]]] = {
        "": {},
        "Point Z": {"Point": position},
        "LineString Z": lines,
        "LineString": lines,
        "Polygon": {"Polygon": rings, "MultiPolygon": {"type": "array", "items": rings}},
    }
    return shapes[geometry]
