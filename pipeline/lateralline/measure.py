r"""Lengths as whoever holds a tape reads them: metres, decimal feet, or feet and inches.

What a person tapes (depths, cover, distances, how far off) is written as a tape shows it: to the
eighth of an inch where the site's tapes read feet. Stations, levels, counters and coordinates stay
decimals of the same foot: nobody writes an elevation in inches.

Here alone stands how bounds are rounded: how far off something may be, up; what it is at least,
down; all else to the nearest.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from math import isnan
from typing import Final

from lateralline.units import METRES_PER, PER_FOOT, feet_and_inches, parse_length
from lateralline.wording import rounded_down, rounded_up

#: What lengths may be written in; `ft-in` is feet and inches to the eighth.
UNITS: Final = ("m", "ft", "us-ft", "ft-in")
_EIGHTHS: Final = 8
_LENGTH: Final = re.compile(r"(.*?)\s*(m|ft|us-ft)?", re.ASCII)
#: What stands for a length that nobody knows.
DASH: Final = "–"


@dataclass(frozen=True, slots=True)
class Measure:
    """One of UNITS."""

    unit: str

    @classmethod
    def of_crew(cls, tape_unit: str) -> Measure:
        """Return how a crew reads its tape: metres, or feet and inches to the eighth."""
        return cls("ft-in" if tape_unit in PER_FOOT else "m")

    @classmethod
    def of_record(cls, tape_unit: str, *, taped: bool) -> Measure:
        """Return how a record's lengths are written; of one nobody taped, feet are decimals.

        What reads inches is written in feet and inches either way.

        >>> Measure.of_record("us-ft", taped=False).unit, Measure.of_record("in", taped=True).unit
        ('us-ft', 'ft-in')
        """
        if taped or tape_unit == "in" or tape_unit not in PER_FOOT:
            return cls.of_crew(tape_unit)
        return cls("us-ft" if tape_unit == "us-ft" else "ft")

    @property
    def plain(self) -> str:
        """The unit that decimals of it are in."""
        return "ft" if self.unit == "ft-in" else self.unit

    @property
    def head(self) -> str:
        """The unit as it stands in the head of a column of bare lengths."""
        return "ft, in" if self.unit == "ft-in" else self.unit

    @property
    def metres(self) -> float:
        """Metres in one of it."""
        return METRES_PER[self.plain]

    @property
    def step_m(self) -> float:
        """What a length is rounded to."""
        return self.metres / 12 / _EIGHTHS if self.unit == "ft-in" else 0.01 * self.metres

    def bare(self, metres: float) -> str:
        r"""Return a length as a column whose head names the unit has it; a dash for NaN.

        >>> [Measure(unit).bare(8.0255) for unit in ("m", "ft", "ft-in")]
        ['8.03', '26.33', '26\' 4"']
        """
        if isnan(metres):
            return DASH
        if self.unit == "ft-in":
            return feet_and_inches(metres / self.metres, _EIGHTHS)
        return f"{metres / self.metres:.2f}"

    def bare_off(self, metres: float) -> str:
        r"""Return how far off a length may be, for the same column; a dash for NaN.

        Rounded up, in whatever unit: how far off something may be is never said smaller.

        >>> [Measure(unit).bare_off(0.0812) for unit in ("m", "ft", "ft-in")]
        ['0.09', '0.27', '3 1/4"']
        """
        return self._bare_most(metres).removeprefix("0' ")

    def bare_least(self, metres: float) -> str:
        r"""Return what a length is at least, for the same column; a dash for NaN.

        Rounded down: what something is at least is never said greater.

        >>> [Measure(unit).bare_least(1.2888) for unit in ("m", "ft", "ft-in")]
        ['1.28', '4.22', '4\' 2 5/8"']
        """
        if isnan(metres):
            return DASH
        if self.unit != "ft-in":
            return f"{rounded_down(metres / self.metres, 2):.2f}"
        return self._eighths(rounded_down(metres / self.metres * 12 * _EIGHTHS, 0))

    def bare_95(self, metres: float, half_95_m: float) -> str:
        r"""Return a length with half its 95 % interval, for the same column.

        >>> Measure("m").bare_95(1.25, 0.08), Measure("ft-in").bare_95(1.25, 0.0812)
        ('1.25 ± 0.08', '4\' 1 1/4" ± 3 1/4"')
        """
        if isnan(metres):
            return DASH
        return f"{self.bare(metres)} ± {'?' if isnan(half_95_m) else self.bare_off(half_95_m)}"

    def length(self, metres: float) -> str:
        r"""Return a length in words; a dash for NaN.

        >>> [Measure(unit).length(8.0255) for unit in ("m", "ft", "ft-in")]
        ['8.03 m', '26.33 ft', '26\' 4"']
        """
        return self._named(self.bare(metres))

    def off(self, metres: float) -> str:
        r"""Return how far off something may be in words, as precisely as a length; a dash for NaN.

        >>> [Measure(unit).off(0.0812) for unit in ("us-ft", "ft-in")]
        ['0.27 us-ft', '3 1/4"']
        """
        return self._named(self.bare_off(metres))

    def least(self, metres: float) -> str:
        r"""Return what a length is at least in words, never greater; a dash for NaN.

        >>> [Measure(unit).least(0.0812) for unit in ("us-ft", "ft-in")]
        ['0.26 us-ft', '0\' 3 1/8"']
        """
        return self._named(self.bare_least(metres))

    def most(self, metres: float) -> str:
        r"""Return what a length is at most in words, never smaller; a dash for NaN.

        >>> [Measure(unit).most(0.0812) for unit in ("us-ft", "ft-in")]
        ['0.27 us-ft', '0\' 3 1/4"']
        """
        return self._named(self._bare_most(metres))

    def reach(self, metres: float) -> str:
        r"""Return how far off something may be, rounded up as a person says it; a dash for NaN.

        >>> [Measure(unit).reach(0.2712) for unit in ("m", "ft", "ft-in")]
        ['0.28 m', '0.9 ft', '11"']
        """
        if isnan(metres):
            return DASH
        if self.unit == "ft-in":
            inches = int(rounded_up(metres / self.metres * 12, 0))
            return f'{inches}"' if inches < 12 else feet_and_inches(inches / 12, 1)
        decimals = 2 if self.unit == "m" else 1
        return f"{rounded_up(metres / self.metres, decimals):.{decimals}f} {self.unit}"

    def level(self, metres: float) -> str:
        """Return a level, or a station, in decimals: nobody writes one in inches."""
        return f"{metres / self.metres:.2f} {self.plain}"

    def read(self, text: str) -> float:
        """Return metres of a length as typed, in this unit unless it names m, ft or us-ft.

        Raises ValueError, whose message is what is right.

        >>> Measure("ft").read("100"), Measure("m").read("100 ft"), Measure("ft-in").read("4' 3")
        (30.48, 30.48, 1.2954)
        """
        plain = self.plain
        found = _LENGTH.fullmatch(text.strip())
        assert found is not None  # it matches anything
        number, unit = found[1], found[2] or plain
        try:
            return float(parse_length(number, unit)) * METRES_PER[unit]
        except ValueError as e:
            raise ValueError(str(e) or f'must be a length, as "12.4" or "12.4 {plain}"') from None

    def _bare_most(self, metres: float) -> str:
        if isnan(metres):
            return DASH
        if self.unit != "ft-in":
            return f"{rounded_up(metres / self.metres, 2):.2f}"
        return self._eighths(rounded_up(metres / self.metres * 12 * _EIGHTHS, 0))

    def _eighths(self, steps: float) -> str:
        return feet_and_inches(steps / _EIGHTHS / 12, _EIGHTHS)

    def _named(self, bare: str) -> str:
        return bare if bare == DASH or self.unit == "ft-in" else f"{bare} {self.unit}"
