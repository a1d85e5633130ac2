"""Findings in the unit of the site: lengths found in their texts and converted.

A length in a finding is written by `metres` and nowhere else: a no-break space stands between the
number and its m. No name or id of a site can hold one, because `read` folds all blanks of a cell
into plain ones. So what is a length is known from what only looks like one, however a stop or a
corner of a house is called.

Signs that are obeyed or not seen, where they are printed, are shown by `shown`.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import date
from math import ceil, isfinite
from statistics import NormalDist
from string import Formatter
from typing import Final, SupportsFloat, TypeAlias

from lateralline.units import METRES_PER

_DECIMALS: Final = {"ft": 2, "us-ft": 2, "in": 1}
_MOST_INCHES: Final = 36  # longer distances are said in feet
_NEAR_INCH: Final = 0.05
_BLANK: Final = "\u00a0"
_LENGTH: Final = re.compile(rf"(± )?([+-]?)(\d+(?:\.\d+)?){_BLANK}m")

#: Signs that are not seen where they are printed, or that a terminal or a reader's eye obeys:
#: controls (C0 but for tab and line feed, DEL, C1), signs of reading direction, of no width and
#: tags, line and paragraph separators, halves of surrogate pairs, codes that are no signs. These
#: are the categories Cc, Cf, Cs, Zl and Zp of Unicode, its noncharacters, and what it calls default
#: ignorable besides (from memory; a test holds the categories against Python's `unicodedata`).
UNSEEN: Final = re.compile(
    "[\0-\x08\x0b-\x1f\x7f-\x9f\xad\u034f\u0600-\u0605\u061c\u06dd\u070f\u0890\u0891\u08e2"
    "\u115f\u1160\u17b4\u17b5\u180b-\u180f\u200b-\u200f\u2028-\u202e\u2060-\u206f\u3164"
    "\ud800-\udfff\ufe00-\ufe0f\ufeff\uffa0\ufff0-\ufffb\U000110bd\U000110cd\U00013430-\U0001343f"
    "\ufdd0-\ufdef\ufffe\uffff\U0001bca0-\U0001bca3\U0001d173-\U0001d17a\U000e0000-\U000e0fff]"
)


def shown(text: str) -> str:
    r"""Return a text with its unseen signs as JSON would have them.

    >>> shown("post \x1b[2J 3"), shown("T1\u202e \U000e0041")
    ('post \\u001b[2J 3', 'T1\\u202e \\udb40\\udc41')
    """
    return UNSEEN.sub(lambda sign: sign_shown(sign[0]), text)


def sign_shown(sign: str) -> str:
    r"""Return one sign as JSON has it without its encoding.

    >>> sign_shown("\x7f"), sign_shown("é")
    ('\\u007f', '\\u00e9')
    """
    pair = sign.encode("utf-16-be", "surrogatepass")
    return "".join(f"\\u{pair[at : at + 2].hex()}" for at in range(0, len(pair), 2))


def metres(value: SupportsFloat, decimals: int | None = 2, *, signed: bool = False) -> str:
    """Return a length as findings carry it, for `in_unit` and its like to find again.

    Without `decimals` it has as many as it needs.

    >>> plain(metres(0.8812)), plain(metres(1, 1, signed=True)), plain(metres(4.0, None))
    ('0.88 m', '+1.0 m', '4 m')
    """
    number = f"{float(value):{'+' if signed else ''}{'g' if decimals is None else f'.{decimals}f'}}"
    return f"{number}{_BLANK}m"


def plain(text: str) -> str:
    """Return a finding's text in metres, with blanks of the common kind."""
    return text.replace(_BLANK, " ")


def for_json(value: object) -> object:
    """Return what JSON can hold of a value, at any depth: numbers not known null, texts plain.

    >>> for_json({"a_m": [float("nan"), 1.5], "lines": frozenset({"L2", "L1"})})
    {'a_m': [None, 1.5], 'lines': ['L1', 'L2']}
    """
    match value:
        case float():
            return value if isfinite(value) else None
        case str():
            return plain(value)
        case date():
            return value.isoformat()
        case dict():
            return {key: for_json(item) for key, item in value.items()}
        case list() | tuple():
            return [for_json(item) for item in value]
        case frozenset():
            return sorted(map(str, value))
    return value


def counted(n: int, noun: str) -> str:
    """Say how many of a thing there are; findings by their severity, as a person calls it.

    >>> counted(1, "line"), counted(0, "site"), counted(3, "info"), counted(2, "accepted")
    ('1 line', '0 sites', '3 notes', '2 accepted')
    """
    return f"{n} {SEVERITY_NAMES.get(noun, noun)}" + ("s" if n != 1 and noun != "accepted" else "")


#: What a person calls a severity, where that is another word.
SEVERITY_NAMES: Final = {"info": "note"}


def in_unit(text: str, unit: str, name: str = "") -> str:
    """Say the lengths of a finding in `unit`, called `name`, as precisely as they stand there.

    >>> in_unit(f"point 5 ± {metres(0.2)} off", "us-ft", "US ft")
    'point 5 ± 0.66 US ft off'
    """
    return plain(_LENGTH.sub(lambda m: f"{_converted(m, unit)} {name or unit}", text))


def with_own_unit(text: str, unit: str) -> str:
    """Say the lengths of a finding in the site's own unit, metres beside feet and inches.

    >>> with_own_unit(f"{metres(0.88)} off, chainage {metres(11.41)}", "ft")
    '2.89 ft (0.88 m) off, chainage 37.43 ft (11.41 m)'
    """
    if unit not in _DECIMALS:
        return plain(text)
    both = _LENGTH.sub(lambda m: f"{_converted(m, unit)} {unit} ({m[2]}{m[3]}{_BLANK}m)", text)
    return plain(both)


def in_both(value_m: float, unit: str, *, least: bool = False) -> str:
    """Say a length in the site's own unit, metres beside feet and inches, each rounded once.

    `least` rounds both down, as of a length that is so great at the least.

    >>> in_both(0.3048, "ft"), in_both(0.3048, "m"), in_both(0.327, "ft", least=True)
    ('1.00 ft (0.30 m)', '0.30 m', '1.07 ft (0.32 m)')
    """
    in_metres = plain(metres(rounded_down(value_m, 2) if least else value_m))
    if unit not in _DECIMALS:
        return in_metres
    own = value_m / METRES_PER[unit]
    return f"{rounded_down(own, 2) if least else own:.2f} {unit} ({in_metres})"


def chance(probability: float, unknown: str = "unknown") -> str:
    """Return a probability as precisely as it is known.

    >>> [chance(p) for p in (float("nan"), 0.0, 0.0004, 0.25, 0.9999)]
    ['unknown', '< 0.1 %', '< 0.1 %', '25.0 %', '> 99.9 %']
    """
    if not isfinite(probability):
        return unknown
    if probability < 0.001:
        return "< 0.1 %"
    return "> 99.9 %" if probability > 0.999 else f"{100 * probability:.1f} %"


def rounded_up(value: float, decimals: int) -> float:
    """Return a number no smaller than it is, but for what rounding left behind; NaN stays.

    >>> rounded_up(0.4501, 2), rounded_up(0.45, 2), rounded_up(float("nan"), 2)
    (0.46, 0.45, nan)
    """
    steps = 10.0**decimals
    return ceil(value * steps - 1e-6) / steps if isfinite(value) else value


def off_by(value: float, decimals: int) -> str:
    """Return how far off a number may be, in so many decimals and never smaller.

    >>> off_by(0.231, 2), off_by(4.0, 0)
    ('0.24', '4')
    """
    return f"{rounded_up(value, decimals):.{decimals}f}"


def rounded_down(value: float, decimals: int) -> float:
    """Return a number no greater than it is, but for what rounding left behind.

    >>> rounded_down(0.4599, 2), rounded_down(0.45, 2), rounded_down(0.0, 2)
    (0.45, 0.45, 0.0)
    """
    return -rounded_up(-value, decimals) + 0.0  # never −0


def as_written(value_m: float, unit: str, *, alone: bool = False, up: bool = False) -> str:
    """Say a distance as a person writes it: whole inches where it is some, else to a hundredth.

    Metres stand beside feet and inches, unless `alone`. What must not be said too small, as the
    width of a zone to dig by hand, is rounded `up`.

    >>> as_written(0.4572, "us-ft"), as_written(1.2, "ft", alone=True), as_written(0.454, "cm")
    ('18 in (0.46 m)', '3.94 ft', '0.45 m')
    >>> as_written(0.454, "cm", up=True), as_written(1.201, "ft", up=True)
    ('0.46 m', '3.95 ft (1.21 m)')
    """

    def hundredths(value: float) -> str:
        return f"{rounded_up(value, 2) if up else value:.2f}"

    in_metres = f"{hundredths(value_m)} m"
    if unit not in _DECIMALS:
        return in_metres
    inches = value_m / METRES_PER["in"]
    whole = unit == "in" or (inches < _MOST_INCHES and abs(inches - round(inches)) < _NEAR_INCH)
    tenths = rounded_up(inches, 1) if up else round(inches, 1)
    said = f"{tenths:g} in" if whole else f"{hundredths(value_m / METRES_PER[unit])} {unit}"
    return said if alone else f"{said} ({in_metres})"


def _converted(length: re.Match[str], unit: str) -> str:
    off, sign, number = length.groups()
    decimals = len(number.partition(".")[2])
    value = float(number) / METRES_PER[unit]
    return f"{off or ''}{sign}{rounded_up(value, decimals) if off else value:.{decimals}f}"


# ---- templates of findings ------------------------------------------------------------------

Value: TypeAlias = float | str | tuple[str, ...] | None
#: Names shown of a row of them.
_MOST_NAMES: Final = 8
#: What a template leaves out when a value in it is empty.
OPTIONAL: Final = re.compile(r"\[\[(.*?)\]\]")
#: The format of how many "of a hundred": none is said as a word, and a few tenths are not none.
HUNDREDS: Final = "hundreds"
#: Formats of a length.
METRES: Final = re.compile(r"(\+?)length([0-3])?|km([01])")
#: Half-width of the two-sided 95 % interval of one quantity over its σ, 1.9600.
_INTERVAL_95: Final = NormalDist().inv_cdf(0.975)


def placeholders(text: str) -> list[tuple[str, str]]:
    """Return name and format of each value that a template shows."""
    return [(name, spec or "") for _, name, spec, _ in Formatter().parse(text) if name is not None]


def rendered(template: str, values: Mapping[str, Value]) -> str:
    """Return a template with its values; how far off something may be, behind a ±, rounded up.

    >>> rendered("{tilt_deg:.0f}° {sigma_deg:±.1f}°", {"tilt_deg": 41.2, "sigma_deg": 1.0})
    '41° ± 2.0°'
    >>> rendered("± {plan_95_m:length}, {off_m:±length}", {"plan_95_m": 0.2301, "off_m": 0.0312})
    '± 0.24\xa0m, ± 0.07\xa0m'
    >>> rendered("{n:count mark}[[, {off_m:length1} off]][[, in {names:names}]]",
    ...           {"n": 2, "off_m": 0.31, "names": ()})
    '2 marks, 0.3\xa0m off'
    """

    def optional(found: re.Match[str]) -> str:
        empty = any(_empty(values[name]) for name, _ in placeholders(found[1]))
        return "" if empty else found[1]

    kept = OPTIONAL.sub(optional, template)
    return "".join(
        before
        + ("" if name is None else formatted(values[name], spec or "", up=before.endswith("± ")))
        for before, name, spec, _ in Formatter().parse(kept)
    )


def outline(template: str) -> str:
    """Return a template as a reader may see it, values by name.

    >>> outline("{stop} is {off_m:length} off[[{left_out:?}, and not used]]")
    '‹stop› is ‹off_m› off[, and not used]'
    """
    plain = re.sub(r"\{\w+:\?\}", "", template)
    plain = re.sub(r"\{\w+:count ([^}]*)\}", r"‹n› \1s", plain)
    plain = re.sub(r"\{(\w+):±[^}]*\}", r"± ‹\1›", plain)
    return OPTIONAL.sub(r"[\1]", re.sub(r"\{(\w+)[^}]*\}", r"‹\1›", plain))


def _empty(value: Value) -> bool:
    if isinstance(value, bool):
        return not value
    if isinstance(value, float):
        return not isfinite(value)
    return value is None or value in ("", ())


def formatted(value: Value, spec: str, *, up: bool | None = None) -> str:
    """Return one value as a template shows it, by the format of `findings`.

    `up`: whether it is rounded up; if not said, no number is, not even half an interval.
    """
    if isinstance(value, tuple):
        return ", ".join(value[:_MOST_NAMES]) + (", …" if len(value) > _MOST_NAMES else "")
    if spec[:1] == "±":
        half = _INTERVAL_95 * value if isinstance(value, float) else value
        return f"± {formatted(half, spec[1:], up=up is not None)}"
    if spec == "?":
        return ""
    if value is None or (isinstance(value, float) and not isfinite(value)):
        return "unknown"
    if isinstance(value, str):
        return value
    if found := METRES.fullmatch(spec):
        if found[3]:
            return f"{value / 1000.0:,.{found[3]}f} km"
        decimals = int(found[2] or 2)
        rounded = rounded_up(float(value), decimals) if up else value
        return metres(rounded, decimals, signed=bool(found[1]))
    if spec.startswith("count "):
        return f"{value} {spec[6:]}" + ("" if value == 1 else "s")
    if spec == HUNDREDS:
        return "none" if value == 0.0 else "fewer than one" if value < 0.5 else f"{value:.0f}"
    if up and (fixed := re.search(r"\.(\d)f$", spec)):
        value = rounded_up(float(value), int(fixed[1]))
    return format(value, spec)
