"""Papers, boxes on them in millimetres, and the round scales a sheet may be drawn to."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal

from lateralline.errors import LaterallineError


class SheetError(LaterallineError, ValueError):
    """A sheet cannot be drawn as it was asked for; the message says what would do."""


#: Portrait width and height in mm: ISO 216, and the North American sizes 8½ × 11 and 11 × 17 in.
PAPERS: Final[Mapping[str, tuple[float, float]]] = {
    "A4": (210.0, 297.0),
    "A3": (297.0, 420.0),
    "letter": (215.9, 279.4),
    "tabloid": (279.4, 431.8),
}
#: Those that every office printer has: cards and field sheets are printed on them, landscape.
OFFICE_PAPERS: Final = ("A4", "letter")
MARGIN_MM: Final = 10.0

Align = Literal["left", "center", "right"]

_STEPS: Final = (1.0, 2.0, 5.0, 10.0, 20.0, 25.0, 50.0, 100.0, 200.0, 250.0)
#: Denominators of metric scales, 1:1 to 1:250,000.
_METRIC: Final = tuple(sorted({s * p for s in _STEPS for p in (1.0, 10.0, 100.0, 1000.0)}))
#: Feet to the inch.
_FEET: Final = (
    0.5, 1.0, 2.0, 4.0, 5.0, 10.0, 20.0, 30.0, 40.0, 50.0, 60.0, 100.0, 200.0, 300.0, 400.0, 500.0,
    1000.0, 2000.0, 5000.0, 10000.0,
)  # fmt: skip
_IN_PER_FT: Final = 12.0

_RATIO: Final = re.compile(r"(?:1 ?: ?)?(\d{1,7}(?:\.\d{1,3})?)")
_INCH: Final = re.compile(
    r"1 ?(?:in|inch|\") ?= ?(\d{1,5}(?:\.\d{1,3})?) ?(?:ft|feet|foot|us-ft|')", re.IGNORECASE
)


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle on paper in mm; (x, y) is its upper left corner, y downwards."""

    x: float
    y: float
    width: float
    height: float

    @property
    def right(self) -> float:
        """The right edge."""
        return self.x + self.width

    @property
    def foot(self) -> float:
        """The lower edge."""
        return self.y + self.height

    def inset(self, left: float, top: float, right: float, foot: float) -> Box:
        """Return the box that lies so far inside this one."""
        return Box(self.x + left, self.y + top, self.width - left - right, self.height - top - foot)


@dataclass(frozen=True, slots=True, order=True)
class PaperScale:
    """One length on paper for `denominator` on the ground."""

    denominator: float
    in_feet: bool = False

    @property
    def mm_per_m(self) -> float:
        """Millimetres of paper for a metre of ground."""
        return 1000.0 / self.denominator

    def __str__(self) -> str:
        """Return the scale as the trade writes it.

        >>> str(PaperScale(250.0)), str(PaperScale(240.0, True))
        ('1:250', '1 in = 20 ft (1:240)')
        """
        ratio = f"1:{self.denominator:g}"
        feet = self.denominator / _IN_PER_FT
        return f"1 in = {feet:g} ft ({ratio})" if self.in_feet else ratio


def paper_size(paper: str, *, wide: bool) -> tuple[float, float]:
    """Return width and height in mm of a paper laid wide (landscape) or tall (portrait)."""
    narrow, long = PAPERS[paper]
    return (long, narrow) if wide else (narrow, long)


def scales(*, in_feet: bool) -> tuple[PaperScale, ...]:
    """Return every round scale, the largest drawing first."""
    if in_feet:
        return tuple(PaperScale(_IN_PER_FT * feet, True) for feet in _FEET)
    return tuple(PaperScale(d) for d in _METRIC)


def finest(mm: float, metres: float, *, in_feet: bool) -> PaperScale:
    """Return the largest round scale at which `metres` fit on `mm` of paper.

    >>> str(finest(100.0, 23.0, in_feet=False)), str(finest(100.0, 23.0, in_feet=True))
    ('1:250', '1 in = 20 ft (1:240)')
    """
    fitting = (s for s in scales(in_feet=in_feet) if metres * s.mm_per_m <= mm)
    return next(fitting, scales(in_feet=in_feet)[-1])


def parse_scale(text: str) -> PaperScale:
    """Return the scale someone asked for; raises ValueError with what would be right.

    >>> parse_scale("1:100").denominator, parse_scale("1 in = 20 ft").denominator
    (100.0, 240.0)
    >>> parse_scale("big")
    Traceback (most recent call last):
    ValueError: a scale is written as 1:100 or 1in=20ft; got 'big'
    """
    plain = " ".join(text.split())
    if (ratio := _RATIO.fullmatch(plain)) and float(ratio[1]) > 0.0:
        return PaperScale(float(ratio[1]))
    if (inch := _INCH.fullmatch(plain)) and float(inch[1]) > 0.0:
        return PaperScale(_IN_PER_FT * float(inch[1]), True)
    raise ValueError(f"a scale is written as 1:100 or 1in=20ft; got {text!r}")
