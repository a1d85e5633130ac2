"""Findings as a crew says them: metres in their own unit too, test statistics in words."""

from __future__ import annotations

import re
from typing import Final

from lateralline.units import METRES_PER

_DECIMALS: Final = {"ft": 2, "us-ft": 2, "in": 1}
#: Numbers in metres as findings have them: "0.88 m", "0.88 ± 0.20 m", "0.30 to 0.91 m".
_NUMBER: Final = re.compile(r"-?\d+(?:\.\d+)?")
_METRES: Final = re.compile(
    rf"(?<![\w.])({_NUMBER.pattern}(?:(?: ± | to ){_NUMBER.pattern})*) m(?![\w²³/])"
)
#: A standardised residual as findings have it: "w = 5.8 (limit 3.72)".
_TEST: Final = re.compile(
    rf"(?:\bw|√T) = ({_NUMBER.pattern})"
    rf"(?: \(limit ({_NUMBER.pattern})\)|, limit ({_NUMBER.pattern}))?"
)


def with_own_unit(text: str, unit: str) -> str:
    """Say the metres of a finding in the site's own unit too, as precisely as they stand there.

    >>> with_own_unit("0.88 ± 0.20 m off; chainage 11.41 m", "ft")
    '2.89 ± 0.66 ft (0.88 ± 0.20 m) off; chainage 37.43 ft (11.41 m)'
    """
    if unit not in _DECIMALS:
        return text

    def both(found: re.Match[str]) -> str:
        own = _NUMBER.sub(
            lambda n: f"{float(n[0]) / METRES_PER[unit]:.{len(n[0].partition('.')[2])}f}", found[1]
        )
        return f"{own} {unit} ({found[1]} m)"

    return _METRES.sub(both, text)


def in_words(text: str) -> str:
    """Say the standardised residual of a test in words.

    >>> in_words("0.31 m, w = 5.84 (limit 3.72)")
    '0.31 m, 5.8 times its expected error; limit 3.7'
    """

    def said(found: re.Match[str]) -> str:
        limit = found[2] or found[3]
        times = f"{float(found[1]):.1f} times its expected error"
        return times + (f"; limit {float(limit):.1f}" if limit else "")

    return _TEST.sub(said, text)
