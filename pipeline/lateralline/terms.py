"""The word for each quantity, by region: `terms.toml`, the one owner of them.

Names of columns are one set everywhere. Labels and printed figures use the words of the site's
tape: metric where it reads metres, US where it reads feet, or what a person asks for.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from functools import cache
from importlib.resources import files
from typing import Final, Literal

from pydantic import BaseModel, ConfigDict, ValidationError

from lateralline.errors import ContractError
from lateralline.units import PER_FOOT

Region = Literal["metric", "us"]
REGIONS: Final[tuple[Region, ...]] = ("metric", "us")


class Term(BaseModel):
    """One quantity and its words."""

    model_config = ConfigDict(extra="forbid", frozen=True)
    quantity: str
    metric: str
    us: str
    means: str
    column: str = ""
    printed: str = ""
    never: tuple[str, ...] = ()  # regular expressions of what it is no more called


@cache
def terms() -> tuple[Term, ...]:
    """Return every term, in the order of the file; ContractError for a file that is wrong."""
    source = files("lateralline_schemas") / "v2" / "terms.toml"
    try:
        rows = tomllib.loads(source.read_text(encoding="utf-8"))["term"]
        return tuple(Term.model_validate(row) for row in rows)
    except (tomllib.TOMLDecodeError, ValidationError, KeyError) as e:
        raise ContractError(f"terms.toml: {e}") from e


def word(quantity: str, region: Region) -> str:
    """Return the word of a quantity; KeyError for one that has no row.

    >>> word("distance along pipe", "us"), word("level ±", "metric")
    ('station', 'level ±')
    """
    found = {term.quantity: term for term in terms()}[quantity]
    return found.us if region == "us" else found.metric


def reworded(text: str, region: Region) -> str:
    """Return a sentence of the catalogue, which speaks metric words, in the words of a region.

    Only of words that mean one thing wherever they stand: "level" may be how a tape is held.

    >>> reworded("chainage 3 ft, gradients unknown", "us")
    'station 3 ft, slopes unknown'
    """
    if region == "metric":
        return text
    for quantity in _IN_PROSE:
        text = text.replace(word(quantity, "metric"), word(quantity, region))
    return text


#: Quantities whose metric word means nothing else.
_IN_PROSE: Final = ("distance along pipe", "fall of the pipe")


@contextmanager
def spoken(region: Region | None) -> Iterator[None]:
    """Use the words of a region in the block, whatever the sites' tapes; None: each site's own."""
    token = _asked.set(region)
    try:
        yield
    finally:
        _asked.reset(token)


_asked: Final[ContextVar[Region | None]] = ContextVar("terms", default=None)


def region_asked() -> Region | None:
    """Return the region whose words are asked for here; None: each site's own."""
    return _asked.get()


def region_of(tape_unit: str) -> Region:
    """Return the region whose words are used: as asked for, else by what the site's tape reads.

    >>> region_of("us-ft"), region_of("cm")
    ('us', 'metric')
    """
    return _asked.get() or ("us" if tape_unit in PER_FOOT else "metric")
