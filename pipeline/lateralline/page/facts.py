"""Numbers as people read them: value ± 95 % with a unit, in metres or in the crew's feet.

The page's script formats the same facts again when units are switched; `assets/units.js` follows
the rules of this file to the letter, and a test in a browser holds the two together.
"""

from __future__ import annotations

from collections.abc import Iterable
from math import isnan, nan
from typing import Final, NamedTuple

from lateralline.derive.ellipses import INTERVAL_95
from lateralline.units import METRES_PER
from lateralline.wording import in_unit

#: Decimals of a length, and where its ± is finer than that shows.
_DECIMALS: Final = 2
_FINE: Final = 0.01

UNIT_NAMES: Final = {"m": "m", "ft": "ft", "us-ft": "US ft"}


class Fact(NamedTuple):
    """One line of what is known of a place: a length in metres, an angle in degrees, or text."""

    name: str
    value: float | str
    half_95: float | None = None  # half the 95 % interval
    kind: str = "text"  # length | angle | grade | text


def said(fact: Fact, unit: str, *, with_unit: bool = True) -> str:
    """Say a fact in words; lengths in `unit`, ± 95 %.

    >>> said(Fact("depth", 1.0, 0.05, "length"), "ft")
    '3.28 ± 0.16 ft'
    >>> said(Fact("depth", 1.0, 0.004, "length"), "m"), said(Fact("tilt", -1.5, 4.0, "angle"), "m")
    ('1.000 ± 0.004 m', '-1.5 ± 4.0°')
    >>> said(Fact("grade", 0.0125, 0.003, "grade"), "m"), said(Fact("code", "CRACK"), "m")
    ('1.25 ± 0.30 %', 'CRACK')
    """
    if isinstance(fact.value, str):
        return in_unit(fact.value, unit, UNIT_NAMES[unit])
    factor, decimals, sign = {
        "length": (1.0 / METRES_PER[unit], _DECIMALS, " " + UNIT_NAMES[unit]),
        "grade": (100.0, 2, " %"),
        "angle": (1.0, 1, "°"),
    }[fact.kind]
    value = fact.value * factor
    half = None if fact.half_95 is None else fact.half_95 * factor
    if fact.kind == "length" and half is not None and half < _FINE:
        decimals += 1
    text = f"{value:.{decimals}f}" + ("" if half is None else f" ± {half:.{decimals}f}")
    return text + (sign if with_unit else "")


def measured(name: str, value: float, sigma: float = nan, kind: str = "length") -> Iterable[Fact]:
    """Yield a fact when its value is known, and nothing when it is not.

    >>> [said(fact, "m") for fact in measured("depth", 1.0, 0.14)]
    ['1.00 ± 0.27 m']
    """
    if not isnan(value):
        yield Fact(name, value, known(INTERVAL_95 * sigma), kind)


def known(value: float) -> float | None:
    """Return a number, None for NaN: JSON has none.

    >>> known(1.0), known(nan)
    (1.0, None)
    """
    return None if isnan(value) else float(value)


def worded(name: str, *texts: str) -> Iterable[Fact]:
    """Yield a fact of the texts that are given, joined; nothing when none is."""
    given = " ".join(filter(None, texts))
    if given:
        yield Fact(name, given)


def chance(probability: float) -> str:
    """Say a probability in words.

    >>> [chance(p) for p in (nan, 0.0, 0.25, 0.9999)]
    ['not known', '< 0.1 %', '25.0 %', '> 99.9 %']
    """
    if isnan(probability):
        return "not known"
    if probability < 0.001:
        return "< 0.1 %"
    return "> 99.9 %" if probability > 0.999 else f"{100 * probability:.1f} %"
