"""The data dictionary: every input table and every layer, from the contract, as Markdown or rows.

`python -m lateralline.write.dictionary` prints the whole; schemas/README.md is that text.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from lateralline import contract
from lateralline.contract import Column, Table
from lateralline.names import LONGEST, MUST_BE
from lateralline.record.lineage import CAUTION

_WHOLE: Final = """# Data dictionary

Every table that lateralline reads and every layer that it writes, generated from the TOML files
beside this page (`lateralline_schemas/v1/`), from which also come the writers, the GeoPackage
schema extension and the JSON Schemas. To renew it:
`python -m lateralline.write.dictionary > schemas/README.md`

**{caution}**
"""
_LAYERS: Final = """# Data dictionary of the layers

What each column of `asbuilt.gpkg` and of the GeoJSON files of the same names means.
An empty cell or null means not known or not applicable.

**{caution}**
"""


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
            description=c.description,
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
    return "\n".join(
        [
            _WHOLE.format(caution=CAUTION),
            _contents("Input tables", contract.INPUTS),
            _contents("Beside sites", contract.BESIDE),
            _contents("Layers", contract.LAYERS),
            _contents("Overlays", contract.OVERLAYS),
            "## Input tables\n",
            *(markdown(name, level=3) for name in contract.INPUTS),
            "## Beside sites\n",
            *(markdown(name, level=3) for name in contract.BESIDE),
            "## Layers\n",
            *(markdown(name, level=3) for name in contract.LAYERS),
            "## Overlays\n",
            *(markdown(name, level=3) for name in contract.OVERLAYS),
        ]
    )


def layers_markdown() -> str:
    """Return the dictionary of the layers alone, as it lies beside them in an output folder."""
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
    said = [f"{sign} {bound:g}" for sign, bound in bounds if bound is not None]
    if column.calls:
        said.append(MUST_BE if column.calls == "name" else f"at most {LONGEST} characters")
    if column.pattern:
        said.append(f"matches `{column.pattern}`")
    return " and ".join(said)


def _meaning(row: DictionaryRow) -> str:
    """Return title, description, limits, default and values in one table cell."""
    said = f"**{row.title}.** {row.description}"
    if row.limits:
        said += f" Limits: {row.limits}."
    if row.default:
        said += f" Default: `{row.default}`."
    if row.values:
        said += "<br>" + "<br>".join(f"`{v}`: {what}" for v, what in row.values)
    return said


def _line(cells: Iterable[str]) -> str:
    return "| " + " | ".join(c.replace("|", "\\|").replace("\n", " ") for c in cells) + " |"


if __name__ == "__main__":
    print(whole_markdown(), end="")
