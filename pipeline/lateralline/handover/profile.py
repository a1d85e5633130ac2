"""A mapping profile: how a register names, codes and counts what a record holds.

One TOML file says it once, and it is used both ways: a record is written by it (`mapped`), and the
register's lines are read by it (`register`). The model here is the only declaration of what may
stand in one; `schemas/lateralline_schemas/v2/profiles/profile.schema.json` is what
`python -m lateralline.handover.schema` prints.
"""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

Code = str | int
Plain = str | int | float | bool
Shape = Literal["Point", "Point Z", "LineString", "LineString Z", "Polygon", ""]
LengthUnit = Literal["m", "cm", "mm", "ft", "us-ft", "in"]
#: Types of a register's columns; bytes of pictures are not handed over.
RegisterType = Literal["text", "integer", "real", "boolean", "date", "datetime"]
#: What a line of a register may say of itself, when it is read.
Reads = Literal[
    "", "kind", "service", "material", "nominal", "inside_diameter_m", "from_node_id",
    "to_node_id", "invert_down_level_m", "invert_up_level_m", "level_datum", "position_95_m",
    "level_95_m", "surveyed_on",
]  # fmt: skip


class _ProfilePart(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True)


class RegisterColumn(_ProfilePart):
    """One column of a register's layer: where its values come from, and how they are written."""

    name: str = Field(min_length=1, max_length=63, description="Name in the register.")
    title: str = Field("", description="What it is, in words.")
    type: RegisterType = Field("text", description="Type in the register.")
    taken: str | tuple[str, ...] = Field(
        (),
        alias="from",
        description="Column of the record's layer it is taken from; several are joined by "
        "`separator`. @caution, @layer, @crs and @record stand for the layer's caution, its name "
        "in the record, the code of the CRS written and the record's SHA-256.",
    )
    separator: str = Field("/", description="Between the values of several columns.")
    constant: Plain | None = Field(
        None, description="The same for every feature, in the record's words where there are codes."
    )
    empty: Plain | None = Field(None, description="Written where the record knows nothing.")
    unit: str = Field("", description="Unit of the register; the record's where it is left out.")
    factor: float = Field(
        1.0, gt=0.0, description="Multiplies what is written, as 1.96 makes 95 % of a σ."
    )
    decimals: int | None = Field(None, ge=0, le=12, description="Decimals that are written.")
    width: int | None = Field(None, ge=1, le=65535, description="Most characters of a text.")
    short: str = Field(
        "", max_length=10, pattern=r"^[A-Za-z0-9_]*$", description="Name in a shapefile."
    )
    codes: dict[str, Code] = Field(
        default_factory=dict,
        description="Value of the record to code of the register; reading takes the first that "
        "has the code.",
    )
    other: Code | None = Field(None, description="Code of every value that has none of its own.")
    required: bool = Field(False, description="The register takes no feature without it.")
    values: tuple[Code, ...] = Field((), description="All that the register takes.")
    minimum: float | None = Field(None, description="Least the register takes, in its unit.")
    maximum: float | None = Field(None, description="Most the register takes, in its unit.")
    reads: Reads = Field(
        "", description="What it says when the register is read; `factor` is not used then."
    )
    provenance: str = Field("", description="Where the name is published, and whether it was read.")

    @property
    def sources(self) -> tuple[str, ...]:
        """The columns of the record it is taken from."""
        return (self.taken,) if isinstance(self.taken, str) else self.taken

    def code_of(self, value: object) -> Code | None:
        """Return the register's code of a value of ours; None when it has none."""
        known = {_folded(ours): code for ours, code in self.codes.items()}
        return known.get(_folded(value), self.other)

    def value_of(self, code: object) -> str | None:
        """Return our value of a register's code: the first that has it; None when none has."""
        return next((o for o, c in self.codes.items() if _folded(c) == _folded(code)), None)


class LayerSource(_ProfilePart):
    """A layer of the record that goes into one of the register's."""

    layer: str = Field(description="Layer of the record.")
    where: dict[str, Plain | tuple[Plain, ...]] = Field(
        default_factory=dict, description="Which of its features: column, and the values it may be."
    )
    called: dict[str, str] = Field(
        default_factory=dict,
        description="Its columns by the names the register's columns take them by, where several "
        'layers are merged: observation_id = "node_id".',
    )


class RegisterLayer(_ProfilePart):
    """One layer of the register."""

    name: str = Field(
        min_length=1, max_length=63, pattern=r"^[A-Za-z_][A-Za-z0-9_]*$", description="Its name."
    )
    title: str = Field("", description="What it is, in words.")
    description: str = ""
    geometry: Shape = Field(description='Kind of geometry; "" is a table.')
    drawn: Literal["", "upstream", "downstream"] = Field(
        "", description="Which way lines are drawn; as the record has them where it is left out."
    )
    key: str = Field(description="Column that tells a feature from every other.")
    source: tuple[LayerSource, ...] = Field(
        (), description="Layers of the record; none of a layer that is only read, as mains."
    )
    column: tuple[RegisterColumn, ...] = Field(min_length=1)
    provenance: str = Field("", description="Where the name is published, and whether it was read.")

    def named(self, name: str) -> RegisterColumn:
        """Return the column of a name; KeyError when there is none."""
        return next(c for c in self.column if c.name == name)


class Profile(_ProfilePart):
    """Names, codes, units and coordinate system of one register."""

    format: Literal["lateralline mapping profile 1"]
    name: str = Field(min_length=1, pattern=r"^[a-z0-9][a-z0-9-]*$")
    title: str
    description: str = ""
    provenance: str = Field("", description="Where its names are published, and what was read.")
    crs: str = Field("", description='Coordinate system, as "EPSG:25832"; the record\'s if "".')
    z_unit: LengthUnit = Field("m", description="Unit of the third coordinate.")
    layer: tuple[RegisterLayer, ...] = Field(min_length=1)


def _folded(value: object) -> str:
    """Return a value as codes are compared: no case, no blanks about it; 1.0 is 1."""
    if isinstance(value, float) and value.is_integer():
        value = int(value)
    return " ".join(str(value).split()).casefold()
