"""Which column of a text file, or field of a map layer, holds what: by name, or as told."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final, Literal, NamedTuple

from lateralline.read.ledger import Ledger, nearest, one_line
from lateralline.survey_files.points import TOLD
from lateralline.survey_files.text_file import TextFile

#: Which of the two coordinates stands first: point, northing, easting, … or point, easting, ….
Order = Literal["pnezd", "penzd"]
ORDERS: Final[tuple[Order, ...]] = ("pnezd", "penzd")
ORDER_WORDS: Final[Mapping[Order, str]] = {
    "pnezd": "northing before easting",
    "penzd": "easting before northing",
}

#: Names of columns, best first, blanks and signs between words taken out.
NAMES: Final[Mapping[str, tuple[str, ...]]] = {
    "name": ("point", "pointnumber", "pointno", "pointnum", "pointid", "pointname", "pt", "ptno",
             "ptnum", "ptid", "ptname", "pnt", "pntno", "pntnum", "pntid", "pno", "p", "name",
             "number", "no", "nr", "id"),
    "northing": ("northing", "north", "n", "latitude", "lat"),
    "easting": ("easting", "east", "e", "longitude", "long", "lon", "lng"),
    "z": ("z", "elevation", "elev", "elv", "level", "ele", "height", "hgt", "ht", "rl",
          "reducedlevel", "groundlevel", "groundelevation", "altitude", "alt"),
    "code": ("fullcode", "fulldescription", "fulldesc", "code", "desc", "description", "descriptio",
             "descr", "descriptor", "d", "cmt", "rawdescription", "rawdesc", "pointdescription",
             "pointcode", "feature", "featurecode", "remarks", "remark", "comment", "comments",
             "note", "notes", "text"),
    "sigma_h": ("sigmah",),
    "sigma_v": ("sigmav",),
}  # fmt: skip
#: What a column without a role may have been meant for: the beginnings of its name.
_LIKE: Final[Mapping[str, re.Pattern[str]]] = {
    "levels": re.compile(r"z(?!one)|ele?v|level|lvl|h(ei)?gh?t|ht|h$|rl|alt|ortho|ellip"),
    "point names": re.compile(r"p(oi)?n?t(?!s)|station|stn|name|label|id$"),
    "descriptions": re.compile(r"(full|raw|feature|point)?(desc|code)|rem|comm|note|text|attr"),
}
#: x is easting in a map program and northing in some survey offices: a hint, no proof.
_EITHER: Final[Mapping[str, tuple[str, ...]]] = {"easting": ("x",), "northing": ("y",)}
_TOLD: Final[Mapping[str, tuple[str, ...]]] = {
    **{name: (re.sub("[^a-z]", "", name),) for name in TOLD},
    "depth": ("depthreading", "depthread", "depth"),
    "tilt_deg": ("tiltdeg", "tilt"),
}


_OPTIONS: Final = {
    "levels": "--z",
    "point names": "--name",
    "descriptions": "--code",
}


class Unused(NamedTuple):
    """What is said and warned of columns that play no role."""

    said: tuple[str, ...]
    warned: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Choice:
    """Columns or fields a person named on the command line; "" where none was named."""

    x: str = ""
    y: str = ""
    z: str = ""
    code: str = ""
    name: str = ""
    sigma_h: str = ""
    sigma_v: str = ""

    @property
    def coordinates(self) -> bool:
        """True when the columns of both coordinates are named, and so their order."""
        return bool(self.x and self.y)

    def of(self, role: str) -> str:
        """Return the column named for a role of NAMES."""
        own = {"easting": self.x, "northing": self.y}
        return own[role] if role in own else str(getattr(self, role))


@dataclass(frozen=True, slots=True)
class Columns:
    """Column numbers of a text file; −1 where there is none."""

    name: int
    first: int  # of the two coordinates, in the order they stand in
    second: int
    z: int
    code: int
    sigma_h: int = -1
    sigma_v: int = -1
    told: Mapping[str, int] = field(default_factory=dict)
    order: Order | None = None  # that the header says
    sure: bool = False  # the header leaves no doubt

    @property
    def taken(self) -> tuple[int, ...]:
        """The columns that play a role."""
        own = (self.name, self.first, self.second, self.z, self.code, self.sigma_h, self.sigma_v)
        return tuple(at for at in (*own, *self.told.values()) if at >= 0)


def find(known: Sequence[str], role: str, chosen: str = "") -> int:
    """Return which of the names known, in any case, plays a role; −1 when none does."""
    bare = [_bare(k) for k in known]
    if chosen:
        exact = [k.casefold() for k in known]
        return exact.index(chosen.casefold()) if chosen.casefold() in exact else -1
    words = NAMES.get(role) or _TOLD[role]
    return next((bare.index(w) for w in words if w in bare), -1)


def told(known: Sequence[str], taken: set[int]) -> dict[str, int]:
    """Return the columns of TOLD among the names known, apart from those taken."""
    found = {role: find(known, role) for role in TOLD}
    return {role: at for role, at in found.items() if at >= 0 and at not in taken}


def unused(known: Sequence[str], taken: Iterable[int], filled: Sequence[bool]) -> Unused:
    """Return the columns that hold something and have no role, and what that may mean.

    `filled` says of each column whether any of its cells holds something.
    """
    used = set(taken)
    names = [one_line(k) for i, k in enumerate(known) if filled[i] and i not in used]
    said = (f"columns not used: {', '.join(names)}",) if names else ()
    warned = tuple(
        f"column {name} is not used, and may hold {what}: {_OPTIONS[what]} {name} takes it"
        for what, like in _LIKE.items()
        for name in names
        if like.match(_bare(name))
    )
    return Unused(said, warned)


def text_columns(text: TextFile, choice: Choice, ledger: Ledger) -> Columns | None:
    """Return the columns of a text file; None, with faults, when its header cannot be used."""
    header = text.header
    if not header:
        if any(choice.of(role) for role in NAMES):
            must = "must have a header, as columns are named on the command line; it has none"
            ledger.fault(text.file, 0, "header", "", must)
            return None
        return Columns(0, 1, 2, 3, 4)
    at: dict[str, int] = {}
    for role in NAMES:
        at[role] = find(header, role, choice.of(role))
        if choice.of(role) and at[role] < 0:
            known = nearest(choice.of(role), header, 20)
            must = f"must have the column {choice.of(role)}"
            ledger.fault(text.file, text.header_line, "header", "", must, known)
    sure = at["easting"] >= 0 and at["northing"] >= 0
    bare = [_bare(h) for h in header]
    for role, words in _EITHER.items():
        if at[role] < 0:
            at[role] = next((bare.index(w) for w in words if w in bare), -1)
    e, n = at["easting"], at["northing"]
    if e < 0 or n < 0:
        must = "must name the two coordinates, such as northing and easting"
        hint = f"name them: --x COLUMN --y COLUMN; the header has {', '.join(filter(None, header))}"
        ledger.fault(text.file, text.header_line, "header", "", must, hint)
        return None
    return Columns(
        at["name"],
        min(e, n),
        max(e, n),
        at["z"],
        at["code"],
        at["sigma_h"],
        at["sigma_v"],
        told(header, set(at.values())),
        "pnezd" if n < e else "penzd",
        sure,
    )


def _bare(name: str) -> str:
    """Return a name without the signs between its words, as "Point No." and "point_no"."""
    return re.sub(r"[\W_]", "", name.casefold())
