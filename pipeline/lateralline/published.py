"""Published rules as data, loaded: dig rules, accuracy bands, grades, bends, pipe sizes.

Every number stands in a TOML file of `lateralline_schemas` beside its source, and says whether it
was read there or is from memory; nothing published is written into code.
"""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from math import inf, nan
from typing import Final, Literal, TypeVar

from pydantic import BaseModel, ConfigDict, ValidationError

from lateralline.errors import ContractError
from lateralline.units import METRES_PER

#: Whether a number was read in its source.
Provenance = Literal["read", "from memory"]

_METRIC: Final = re.compile(r"(?i)\bDN\s*\d|\d\s*mm\b")
_ALIKE: Final = 3.84
_INCH: Final = re.compile(r"(?i)\d\s*(in\b|inch|\")")


class _PublishedRow(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class DigRule(_PublishedRow):
    """Distance to keep from each outside edge of a pipe."""

    key: str
    title: str
    tolerance: float
    unit: Literal["in", "m"]
    as_published: str
    source: str
    jurisdiction: str  # where it holds, and with what force
    read: bool

    @property
    def statement(self) -> str:
        """Source, wording and where it holds."""
        where = citation(self.source, read=self.read)
        return f"{where}: {self.as_published}. Holds in: {self.jurisdiction}"

    @property
    def tolerance_m(self) -> float:
        """The tolerance in metres, each side."""
        return self.tolerance * METRES_PER[self.unit]


class Band(_PublishedRow):
    """Location-accuracy band: greater of a distance and a share of depth; inf where unbounded."""

    standard: Literal["PAS 128", "AS 5488"]
    key: str
    exposed: bool = False  # only where the utility was seen
    plan_m: float = 0.0
    plan_depth_ratio: float = 0.0
    plan_read: bool
    level_m: float = 0.0
    level_depth_ratio: float = 0.0
    level_read: bool
    source: str

    @property
    def bounds_level(self) -> bool:
        """False when the band has no limit in level."""
        return self.level_m > 0.0 or self.level_depth_ratio > 0.0


class Grade(_PublishedRow):
    """Least grade of a drain for a range of nominal sizes."""

    code: str
    table: str
    nominal_from_in: float = 0.0
    nominal_to_in: float = inf
    rise: float
    run: float
    as_published: str
    source: str
    read: bool

    @property
    def grade(self) -> float:
        """Rise over run."""
        return self.rise / self.run


class Fitting(_PublishedRow):
    """Nominal angle of a standard bend."""

    system: Literal["inch", "metric"]
    name: str
    angle_deg: float
    source: str


class FittingRadius(_PublishedRow):
    """Radius of the centre line of a fitting, in inches."""

    kind: Literal["quarter bend", "long sweep"]
    nominal_in: float
    radius_in: float
    standard: str
    source: Provenance


class BentPipe(_PublishedRow):
    """How tightly pipe may be laid in a curve, in outside diameters, up to a dimension ratio."""

    materials: tuple[str, ...]
    ratio_to: float  # outside diameter over wall
    diameters: float
    standard: str
    source: Provenance


class PipeSize(_PublishedRow):
    """One row of the pipe table; dimensions in `unit`."""

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


RowT = TypeVar("RowT", bound=_PublishedRow)


def _load(file: str, key: str, row: type[RowT]) -> tuple[RowT, ...]:
    text = (files("lateralline_schemas") / "v2" / file).read_text(encoding="utf-8")
    try:
        return tuple(row.model_validate(r) for r in tomllib.loads(text)[key])
    except (tomllib.TOMLDecodeError, KeyError, ValidationError) as e:
        raise ContractError(f"{file}: {e}") from e


@cache
def dig_rules() -> dict[str, DigRule]:
    """Return the dig rules by key, in the order of the file.

    >>> [round(rule.tolerance_m, 4) for rule in dig_rules().values()][:2]
    [0.4572, 0.6096]
    """
    return {rule.key: rule for rule in _load("dig_rules.toml", "rule", DigRule)}


@cache
def bands(standard: Literal["PAS 128", "AS 5488"]) -> tuple[Band, ...]:
    """Return a standard's bands, tightest first."""
    rows = _load("quality_classes.toml", "band", Band)
    return tuple(band for band in rows if band.standard == standard)


@cache
def grades() -> tuple[Grade, ...]:
    """Return every published least grade."""
    return _load("grades.toml", "grade", Grade)


@cache
def fittings() -> tuple[Fitting, ...]:
    """Return the standard bends of both systems."""
    return _load("fittings.toml", "fitting", Fitting)


def citation(source: str, *, read: bool) -> str:
    """Return the source in words, saying so when its number was not read there."""
    return source if read else f"{source} (from memory, not read)"


def nearest_fittings(angle_deg: float, sigma_deg: float, nominal: str) -> tuple[Fitting, ...]:
    """Return the standard bend nearest an angle, and all the angle's σ cannot distinguish from it.

    Those of the pipe's own system of sizes: DN and EN sizes are metric, sizes in inches are not; of
    a size without either both systems are searched, each angle once. Two are alike
    when they explain the angle equally well, to 3.84 in χ² (95 % of one degree of freedom).

    >>> [f.name for f in nearest_fittings(24.0, 1.0, "4 in")]
    ['1/16 bend']
    >>> [f.name for f in nearest_fittings(69.0, 2.0, "DN110")]
    ['67½° bend', '72° bend']
    """
    system = _system(nominal)
    by_angle: dict[float, Fitting] = {}
    for fitting in fittings():
        if system in ("", fitting.system):
            by_angle.setdefault(fitting.angle_deg, fitting)
    near = sorted(by_angle.values(), key=lambda f: abs(f.angle_deg - angle_deg))
    best = (near[0].angle_deg - angle_deg) ** 2
    within = _ALIKE * sigma_deg**2
    return (near[0], *(f for f in near[1:] if (f.angle_deg - angle_deg) ** 2 - best < within))


@dataclass(frozen=True, slots=True)
class BendRadii:
    """Radii of the centre lines of a pipe's bends, metres."""

    tightest_m: float  # of a single fitting
    widest_m: float  # of a single fitting
    bent_m: float = 0.0  # of pipe laid in a curve, at least; 0 where its pieces may turn at joints


def bend_radii(
    material: str = "", inside_diameter_m: float = nan, wall_m: float = nan
) -> BendRadii:
    """Return the radii of a pipe's bends: of its nominal size, of all sizes where that is unknown.

    The nominal size is that nearest the inside diameter.

    >>> four = bend_radii(inside_diameter_m=0.104)
    >>> round(four.tightest_m, 3), round(four.widest_m, 3), round(bend_radii().widest_m, 3)
    (0.102, 0.229, 0.279)
    """
    rows = _load("bend_radii.toml", "fitting", FittingRadius)
    inch = METRES_PER["in"]
    if inside_diameter_m == inside_diameter_m:
        size = min((r.nominal_in for r in rows), key=lambda n: abs(n * inch - inside_diameter_m))
        rows = tuple(r for r in rows if r.nominal_in == size)
    radii = [r.radius_in * inch for r in rows]
    outside_m = inside_diameter_m + 2 * wall_m
    bent = [
        row.diameters * outside_m
        for row in _load("bend_radii.toml", "bent_pipe", BentPipe)
        if normalised(material) in {normalised(m) for m in row.materials}
        and outside_m <= row.ratio_to * wall_m
    ]
    return BendRadii(min(radii), max(radii), min(bent, default=0.0))


def _system(nominal: str) -> str:
    if _METRIC.search(nominal):
        return "metric"
    return "inch" if _INCH.search(nominal) else ""


# ---- pipe sizes by the nominal size people write ------------------------------------------


@cache
def pipe_table() -> tuple[PipeSize, ...]:
    """Return the published pipe dimensions; ContractError when the table is damaged."""
    return _load("pipe_table.toml", "size", PipeSize)


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
