"""Lengths in the unit of whoever holds the tape."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Final

from lateralline.units import METRES_PER, feet_and_inches, parse_length

#: What a card may be written in; `ft-in` is feet and inches to the eighth.
UNITS: Final = ("m", "ft", "us-ft", "ft-in")
_EIGHTHS: Final = 8
_LENGTH: Final = re.compile(r"(.*?)\s*(m|ft|us-ft)?", re.ASCII)


@dataclass(frozen=True, slots=True)
class Measure:
    """One of UNITS."""

    unit: str

    @classmethod
    def of_crew(cls, tape_unit: str) -> Measure:
        """Return the unit of a crew's tape; metric ones are metres, inches feet and inches."""
        return cls({"ft": "ft", "us-ft": "us-ft", "in": "ft-in"}.get(tape_unit, "m"))

    @property
    def metres(self) -> float:
        """Metres in one of it."""
        return METRES_PER["ft" if self.unit == "ft-in" else self.unit]

    @property
    def step_m(self) -> float:
        """What a length is rounded to."""
        return self.metres / 12 / _EIGHTHS if self.unit == "ft-in" else 0.01 * self.metres

    def say(self, metres: float) -> str:
        r"""Return a length in words; a dash for NaN.

        >>> Measure("m").say(8.0255), Measure("ft").say(8.0255), Measure("ft-in").say(8.0255)
        ('8.03 m', '26.33 ft', '26\' 4"')
        """
        if math.isnan(metres):
            return "–"
        if self.unit == "ft-in":
            return feet_and_inches(metres / self.metres, _EIGHTHS)
        return f"{metres / self.metres:.2f} {self.unit}"

    def say_level(self, metres: float) -> str:
        """Return a level in decimals: nobody writes one in inches."""
        unit = "ft" if self.unit == "ft-in" else self.unit
        return f"{metres / self.metres:.2f} {unit}"

    def read(self, text: str) -> float:
        """Return metres of a length as typed, in this unit unless it names m, ft or us-ft.

        Raises ValueError, whose message is what is right.

        >>> Measure("ft").read("100"), Measure("m").read("100 ft"), Measure("ft-in").read("4' 3")
        (30.48, 30.48, 1.2954)
        """
        plain = "ft" if self.unit == "ft-in" else self.unit
        found = _LENGTH.fullmatch(text.strip())
        assert found is not None  # it matches anything
        number, unit = found[1], found[2] or plain
        try:
            return float(parse_length(number, unit)) * METRES_PER[unit]
        except ValueError as e:
            raise ValueError(str(e) or f'must be a length, as "12.4" or "12.4 {plain}"') from None
