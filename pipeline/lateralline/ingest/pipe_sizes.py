"""Published pipe dimensions, looked up by the nominal size people write."""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from math import nan
from typing import Literal

from pydantic import BaseModel, ConfigDict, ValidationError

from lateralline.errors import ContractError
from lateralline.units import METRES_PER

Provenance = Literal["read", "from memory"]


class PipeSize(BaseModel):
    """One row of the pipe table; dimensions in `unit`."""

    model_config = ConfigDict(extra="forbid", frozen=True)
    nominal: str
    aliases: tuple[str, ...] = ()
    bare: str  # the size alone, which several materials or classes may share
    materials: tuple[str, ...]
    outside_diameter: float
    wall: float = nan
    unit: Literal["in", "mm"]
    standard: str
    outside_diameter_source: Provenance
    wall_source: Provenance | None = None
    usual: bool = False

    @property
    def outside_diameter_m(self) -> float:
        """Outside diameter, metres."""
        return self.outside_diameter * METRES_PER[self.unit]

    @property
    def wall_m(self) -> float:
        """Wall thickness, metres; NaN when the table gives none."""
        return self.wall * METRES_PER[self.unit]

    @property
    def inside_diameter_m(self) -> float:
        """Outside diameter less two walls, metres; NaN when the table gives no wall."""
        return (self.outside_diameter - 2 * self.wall) * METRES_PER[self.unit]

    @property
    def citation(self) -> str:
        """The standard and size, saying what was not read in it."""
        memory = " (wall from memory)" if self.wall_source == "from memory" else ""
        return f"{self.standard}, {self.nominal}{memory}"


@dataclass(frozen=True, slots=True)
class SizeMatch:
    """What a nominal size may mean: one size, or several that the words leave open."""

    size: PipeSize | None
    open_to: tuple[PipeSize, ...] = ()  # more than one when the words alone do not settle it


@cache
def pipe_table() -> tuple[PipeSize, ...]:
    """Return the shipped table; ContractError when it is damaged."""
    source = files("lateralline_schemas") / "v1" / "pipe_table.toml"
    try:
        rows = tomllib.loads(source.read_text(encoding="utf-8"))["size"]
        return tuple(PipeSize.model_validate(row) for row in rows)
    except (OSError, KeyError, tomllib.TOMLDecodeError, ValidationError) as e:
        raise ContractError(f"pipe table: {e}") from e


def look_up(nominal: str, material: str = "") -> SizeMatch:
    """Return the size that `nominal` names, the material settling what the words leave open.

    >>> look_up('4" SDR-35').size.nominal
    '4 in SDR35'
    >>> look_up("4 in", "cast iron").size.nominal
    '4 in hubless'
    >>> [s.nominal for s in look_up("4 in", "PVC").open_to]
    ['4 in SCH40', '4 in SDR35']
    """
    key = normalised(nominal)
    for size in pipe_table():
        if key in {normalised(n) for n in (size.nominal, *size.aliases)}:
            return SizeMatch(size, (size,))
    made_of = [s for s in pipe_table() if not material or is_made_of(s, material)]
    sizes = tuple(s for s in made_of if key == normalised(s.bare))
    usual = [s for s in sizes if s.usual]
    if len(sizes) == 1 or len(usual) == 1:
        return SizeMatch((usual or list(sizes))[0], sizes)
    return SizeMatch(None, sizes)


def is_made_of(size: PipeSize, material: str) -> bool:
    """Return whether `material` is one the size is made of."""
    return normalised(material) in {normalised(m) for m in size.materials}


@cache
def normalised(text: str) -> str:
    """Return a size or material without what carries no meaning.

    >>> normalised('4" Schedule 40'), normalised("DN/OD 110"), normalised("110 mm")
    ('4insch40', 'dn110', 'dn110')
    """
    text = text.casefold()
    text = re.sub(r"inches|inch|\"|″|''", "in", text)
    text = text.replace("schedule", "sch").replace("dn/od", "dn")
    text = re.sub(r"[^\w.]|_|\.(?!\d)", "", text)
    return re.sub(r"^(\d+)mm", r"dn\1", text)
