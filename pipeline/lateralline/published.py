"""Published rules as data, loaded: dig rules, accuracy bands, least grades, standard bends.

Every number stands in a TOML file of `lateralline_schemas` beside its source, and says whether it
was read there or is from memory; nothing published is written into code.
"""

from __future__ import annotations

import re
import tomllib
from functools import cache
from importlib.resources import files
from math import inf
from typing import Final, Literal, TypeVar

from pydantic import BaseModel, ConfigDict, ValidationError

from lateralline.errors import ContractError
from lateralline.units import METRES_PER

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
    def said(self) -> str:
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
        """False when the band says nothing of the level."""
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


RowT = TypeVar("RowT", bound=_PublishedRow)


def _load(file: str, key: str, row: type[RowT]) -> tuple[RowT, ...]:
    text = (files("lateralline_schemas") / "v1" / file).read_text(encoding="utf-8")
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
    """Return the standard bend nearest an angle, and all the angle's σ cannot tell from it.

    Those of the pipe's own system of sizes: DN and EN sizes are metric, sizes in inches are not; of
    a size that tells nothing both systems are searched, each angle once. Two cannot be told apart
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


def _system(nominal: str) -> str:
    if _METRIC.search(nominal):
        return "metric"
    return "inch" if _INCH.search(nominal) else ""
