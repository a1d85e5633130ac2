"""Length units of field records, exact, and lengths the way tapes and counters are read.

Only `read` converts; inside all is metres.
"""

from __future__ import annotations

import re
from fractions import Fraction
from typing import Final

#: Metres in one unit, exactly. The international foot is 0.3048 m; the US survey foot is
#: 1200/3937 m (Mendenhall Order, 1893): 2 ppm apart, which is metres at State Plane size.
EXACT_METRES_PER: Final[dict[str, Fraction]] = {
    "m": Fraction(1),
    "cm": Fraction(1, 100),
    "mm": Fraction(1, 1000),
    "ft": Fraction(3048, 10000),
    "us-ft": Fraction(1200, 3937),
    "in": Fraction(254, 10000),
}
METRES_PER: Final[dict[str, float]] = {unit: float(m) for unit, m in EXACT_METRES_PER.items()}

#: Units that lengths may have been read in for another; a survey foot is no other foot here.
READ_IN: Final = ("m", "cm", "ft", "in")

#: How many of a unit make its foot. Feet and inches go together: an inch in a us-ft field is a
#: twelfth of the survey foot, and a foot in an inch field is twelve inches.
PER_FOOT: Final[dict[str, int]] = {"ft": 1, "us-ft": 1, "in": 12}

_MIXED = r"\d{1,9}[ -]+\d{1,4} ?/ ?\d{1,4}|\d{1,4} ?/ ?\d{1,4}|\d{1,9}(?:\.\d{0,17})?|\.\d{1,17}"
_FOOT_SIGN = r" ?(?:'|(?:ft|feet|foot)(?![a-z])\.?)"
_INCH_SIGN = r' ?(?:"|(?:inches|inch|in)(?![a-z])\.?)'
_FORMS: Final = tuple(
    re.compile(rf"([+-]?) ?{form}", re.ASCII | re.IGNORECASE)
    for form in (
        rf"(?P<feet>\d{{1,9}}){_FOOT_SIGN}(?: ?- ?| ?)(?P<inches>{_MIXED})(?:{_INCH_SIGN})?",
        rf"(?P<feet>{_MIXED}){_FOOT_SIGN}(?P<inches>)",
        rf"(?P<feet>)(?P<inches>{_MIXED}){_INCH_SIGN}",
        rf"(?P<feet>)(?P<inches>)(?P<bare>{_MIXED})",
    )
)
#: Feet and inches without their signs: 4-7 1/2, 4 7 1/2, 4-7. Read as either they would be a guess.
_UNSIGNED: Final = re.compile(rf"([+-]?) ?(\d{{1,9}})(?: ?- ?| )({_MIXED})", re.ASCII)
_METRIC = re.compile(r"([+-]?\d{1,9}(?:\.\d{0,17})?|[+-]?\.\d{1,17}) ?(m|cm|mm)", re.ASCII)
_SIGNS = str.maketrans(dict.fromkeys("′’‘ʹ`´", "'") | dict.fromkeys("″”“ʺ", '"') | {
    "⁄": "/", "−": "-", "–": "-", "‐": "-", "‑": "-",
    "½": " 1/2", "¼": " 1/4", "¾": " 3/4", "⅛": " 1/8", "⅜": " 3/8", "⅝": " 5/8", "⅞": " 7/8",
})  # fmt: skip


_SYMBOLS: Final = {
    "metre": "m", "meter": "m", "metres": "m", "meters": "m", "centimetre": "cm",
    "millimetre": "mm", "foot": "ft", "feet": "ft", "us survey foot": "us-ft", "ftus": "us-ft",
    "inch": "in", "inches": "in", "degree": "deg", "degrees": "deg", "°": "deg",
}  # fmt: skip


def symbol(name: str) -> str:
    """Return the short name of a unit, however it is called; other text as it is.

    >>> symbol("US survey foot"), symbol("metre"), symbol("ft")
    ('us-ft', 'm', 'ft')
    """
    name = name.strip().casefold()
    return _SYMBOLS.get(name, name)


def parse_length(text: str, unit: str) -> Fraction:
    r"""Return a length in `unit`, exactly, from a decimal number or from feet and inches.

    A bare `7 1/2` is inches, and so is read only where the unit is in. Raises ValueError, whose
    message is what to write instead; it is empty when that cannot be known.

    >>> parse_length("4' 7 1/2\"", "ft"), parse_length("4ft 7.5in", "in"), parse_length("4.2", "m")
    (Fraction(37, 8), Fraction(111, 2), Fraction(21, 5))
    >>> parse_length("55½″", "us-ft"), parse_length("-2’-6”", "ft"), parse_length("7 1/2", "in")
    (Fraction(37, 8), Fraction(-5, 2), Fraction(15, 2))
    >>> parse_length("7 1/2", "ft")
    Traceback (most recent call last):
    ValueError: say whether it is feet or inches: 7 1/2' or 7 1/2"
    >>> parse_length("4' 7\"", "m")
    Traceback (most recent call last):
    ValueError: the unit is m: write 1.397 if these are feet of 0.3048 m
    """
    plain = " ".join(text.translate(_SIGNS).split()).replace("''", '"')
    if m := _METRIC.fullmatch(plain):
        raise ValueError(_other_unit(Fraction(m[1]), m[2], unit))
    form = next(filter(None, (form.fullmatch(plain) for form in _FORMS)), None)
    if form is None:
        raise ValueError(_signed(plain) if unit in PER_FOOT else "")
    sign = -1 if form[1] == "-" else 1
    bare = form.groupdict().get("bare")
    if bare is not None:
        if "/" in bare and unit != "in":
            choice = f"""say whether it is feet or inches: {bare}' or {bare}\""""
            raise ValueError(choice if unit in PER_FOOT else "write a decimal number")
        return sign * _number(bare)
    feet, inches = _number(form["feet"]), _number(form["inches"])
    if form["feet"] and inches >= 12:
        raise ValueError("inches beside feet stay below 12")
    feet += inches / 12
    if unit not in PER_FOOT:
        raise ValueError(_other_unit(sign * feet, "ft", unit))
    return sign * feet * PER_FOOT[unit]


def feet_and_inches(feet: Fraction | float, parts: int = 16) -> str:
    r"""Return a length in feet as a tape shows it, to the nearest 1/`parts` of an inch.

    >>> feet_and_inches(Fraction(37, 8)), feet_and_inches(-2.5), feet_and_inches(0.999, 2)
    ('4\' 7 1/2"', '-2\' 6"', '1\' 0"')
    """
    steps = round(abs(Fraction(feet)) * 12 * parts)
    whole, rest = divmod(Fraction(steps, parts), 12)
    inches, part = divmod(rest, 1)
    sign = "-" if feet < 0 and steps else ""
    return f"{sign}{whole}' {inches}" + (f" {part}" if part else "") + '"'


def _signed(plain: str) -> str:
    """Return how feet and inches without signs are written; "" for what is neither."""
    m = _UNSIGNED.fullmatch(plain)
    if m is None or _number(m[3]) >= 12:
        return ""
    return f"""write {m[1]}{m[2]}' {m[3].replace("-", " ")}" if these are feet and inches"""


def _number(text: str) -> Fraction:
    """Return `7 1/2`, `7-1/2`, `1/2` or `7.5`; 0 for no text."""
    whole, _, part = text.replace("-", " ").replace(" /", "/").replace("/ ", "/").rpartition(" ")
    if "/" not in part:
        return Fraction(part or 0)
    above, below = map(int, part.split("/"))
    if not 0 < above < below:
        raise ValueError(f"{part} is no part of a whole")
    return Fraction(whole.strip() or 0) + Fraction(above, below)


def _other_unit(value: Fraction, given: str, unit: str) -> str:
    """Return what to write for a value given in a unit that is not the field's."""
    if given == unit:
        return f"write {float(value):g}: units stand once, in the site's settings"
    if unit not in EXACT_METRES_PER:
        return ""
    metres = value * EXACT_METRES_PER[given]
    places = {"m": 4, "cm": 2, "mm": 1, "in": 2}.get(unit, 3)
    there = f"{float(metres / EXACT_METRES_PER[unit]):.{places}f}".rstrip("0").rstrip(".")
    these = "feet of 0.3048 m" if given == "ft" else given
    return f"the unit is {unit}: write {there} if these are {these}"
