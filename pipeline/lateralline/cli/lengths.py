"""Lengths on the command line: always with their unit."""

from __future__ import annotations

import re
from typing import Final

import typer

from lateralline.units import METRES_PER

_LENGTH: Final = re.compile(r"\s*(\d{1,7}(?:\.\d{0,9})?|\.\d{1,9})\s*(m|cm|mm|ft|us-ft|in)\s*")


def metres(text: str, option: str) -> float:
    """Return a length in metres; raises typer.BadParameter without a unit or for what is none.

    >>> metres("0.5m", "--required"), round(metres("18 in", "--required"), 4)
    (0.5, 0.4572)
    """
    found = _LENGTH.fullmatch(text)
    if found is None:
        raise typer.BadParameter(
            f"must be a length of zero or more with its unit, as 0.3m, 12in or 1ft; got {text!r}",
            param_hint=option,
        )
    return float(found[1]) * METRES_PER[found[2]]
