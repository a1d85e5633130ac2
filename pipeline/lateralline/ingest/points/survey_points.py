"""Points as survey instruments and maps hand them over, and which of their columns holds what.

Columns of a text file, and fields of a map layer, are found by their names, or named on the command
line. Which coordinate comes first in a text file is inferred from its header, the area of use of
the CRS and points already known, and confirmed by a person.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from typing import Final, Literal

import numpy as np
from pyproj import CRS

from lateralline.frames import outside_area
from lateralline.ingest.conventions import POINT_NAMES, Decimal, decimal_mark, number, without_signs
from lateralline.ingest.ledger import Ledger, nearest, one_line
from lateralline.ingest.tables import TextTable
from lateralline.records import Floats, Ints, Texts

#: What a point may say of itself in columns of their own, beside its description: as in a
#: GeoPackage with fields run, stop and kind. The names are those of the site's own tables.
POINT_ATTRIBUTES = (
    "run",
    "stop",
    "kind",
    "counter",
    "depth",
    "tilt_deg",
    "line",
    "measured_to",
    "sigma",
)


#: What z is in a format whose rules say so: above the ellipsoid, or nothing in particular.
Heights = Literal["", "ellipsoidal", "unknown"]


@dataclass(frozen=True, slots=True)
class SurveyPoints:
    """The points of one file (n rows), in its own coordinate system and units.

    x is easting or longitude, y northing or latitude, whatever order they stood in.
    """

    file: str  # as messages name it: "day1.txt", "site.gpkg[marks]"
    row: Ints  # line of a text file, or number of the feature from 1
    name: Texts
    x: Floats
    y: Floats
    z: Floats  # NaN = not given
    sigma_h: Floats  # NaN = not given
    sigma_v: Floats
    code: Texts
    attributes: Mapping[str, Texts] = field(default_factory=dict)  # of POINT_ATTRIBUTES
    crs: CRS | None = None  # the file's own; None when it names none
    xy_unit: str = ""  # that the file itself names beside its numbers; "" when it does not
    z_unit: str = ""  # likewise, or that its format fixes
    heights: Heights = ""  # what z is by the rules of its format
    decimal: Decimal = "."  # that numbers within descriptions are written with
    notes: tuple[str, ...] = ()  # how the file was read, for the person to confirm
    warnings: tuple[str, ...] = ()  # what of it may have been lost

    def __len__(self) -> int:
        """Count the points."""
        return len(self.row)

    def where(self, i: int) -> str:
        """Return file and row of a point, as findings and notes name them."""
        return f"{self.file}:{self.row[i]}"


def placed(points: SurveyPoints) -> SurveyPoints:
    """Return the points that have coordinates; those at fault have none."""
    keep = np.isfinite(points.x) & np.isfinite(points.y)
    if keep.all():
        return points
    arrays = {
        f.name: getattr(points, f.name)[keep]
        for f in fields(points)
        if isinstance(getattr(points, f.name), np.ndarray)
    }
    attributes = {role: column[keep] for role, column in points.attributes.items()}
    return replace(points, attributes=attributes, **arrays)


def texts(values: list[str]) -> Texts:
    """Return texts as an array, of no rows too."""
    return np.array(values, dtype=np.str_)


# ---- columns ---------------------------------------------------------------------------------

#: Which of the two coordinates stands first: point, northing, easting, … or point, easting, ….
Order = Literal["pnezd", "penzd"]
ORDERS: Final[tuple[Order, ...]] = ("pnezd", "penzd")
ORDER_WORDS: Final[Mapping[Order, str]] = {
    "pnezd": "northing before easting",
    "penzd": "easting before northing",
}

#: What a column without a role may have been meant for: the beginnings of its name.
_LIKE: Final[Mapping[str, re.Pattern[str]]] = {
    "levels": re.compile(r"z(?!one)|ele?v|level|lvl|h(ei)?gh?t|ht|h$|rl|alt|ortho|ellip"),
    "point names": re.compile(r"p(oi)?n?t(?!s)|station|stn|name|label|id$"),
    "descriptions": re.compile(r"(full|raw|feature|point)?(desc|code)|rem|comm|note|text|attr"),
}
#: The columns of a file without a header, where either coordinate may come first.
_PLAIN: Final = {"name": 0, "easting": 1, "northing": 2, "z": 3, "code": 4, "sigma_h": -1,
                 "sigma_v": -1}  # fmt: skip
#: x is easting in a map program and northing in some survey offices: a hint, no proof.
_EITHER: Final[Mapping[str, tuple[str, ...]]] = {"easting": ("x",), "northing": ("y",)}
_ATTRIBUTE_NAMES: Final[Mapping[str, tuple[str, ...]]] = {
    **{name: (re.sub("[^a-z]", "", name),) for name in POINT_ATTRIBUTES},
    "depth": ("depthreading", "depthread", "depth"),
    "tilt_deg": ("tiltdeg", "tilt"),
}


_OPTIONS: Final = {
    "levels": "--z",
    "point names": "--point",
    "descriptions": "--code",
}


@dataclass(frozen=True, slots=True)
class ColumnChoice:
    """Columns or fields a person named on the command line; "" where none was named."""

    x: str = ""
    y: str = ""
    z: str = ""
    code: str = ""
    name: str = ""
    sigma_h: str = ""
    sigma_v: str = ""
    options: bool = True  # False where no option names columns: names of points must then be found

    @property
    def coordinates(self) -> bool:
        """True when the columns of both coordinates are named, and so their order."""
        return bool(self.x and self.y)

    def of(self, role: str) -> str:
        """Return the column named for a role of POINT_NAMES."""
        own = {"easting": self.x, "northing": self.y}
        return own[role] if role in own else str(getattr(self, role))


@dataclass(frozen=True, slots=True)
class PointColumns:
    """Column numbers of a text file; −1 where there is none."""

    at: Mapping[str, int]  # by role of POINT_NAMES
    attributes: Mapping[str, int] = field(default_factory=dict)
    order: Order | None = None  # that the header names
    sure: bool = False  # the header leaves no doubt

    @property
    def pair(self) -> tuple[int, int]:
        """The two coordinates, in the order they stand in."""
        east, north = self.at["easting"], self.at["northing"]
        return min(east, north), max(east, north)

    @property
    def taken(self) -> tuple[int, ...]:
        """The columns that play a role."""
        return tuple(at for at in (*self.at.values(), *self.attributes.values()) if at >= 0)


def find(known: Sequence[str], role: str, chosen: str = "") -> int:
    """Return which of the names known, in any case, plays a role; −1 when none does."""
    bare = [without_signs(k) for k in known]
    if chosen:
        exact = [k.casefold() for k in known]
        bare = exact if chosen.casefold() in exact else bare
        task = chosen.casefold() if bare is exact else without_signs(chosen)
        return bare.index(task) if task in bare else -1
    words = POINT_NAMES.get(role) or _ATTRIBUTE_NAMES[role]
    return next((bare.index(w) for w in words if w in bare), -1)


def attributes(known: Sequence[str], taken: set[int]) -> dict[str, int]:
    """Return the columns of POINT_ATTRIBUTES among the names known, apart from those taken."""
    found = {role: find(known, role) for role in POINT_ATTRIBUTES}
    return {role: at for role, at in found.items() if at >= 0 and at not in taken}


def unused(
    known: Sequence[str], taken: Iterable[int], filled: Sequence[bool]
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return notes and warnings about columns that hold something and have no role.

    `filled` says of each column whether any of its cells holds something.
    """
    used = set(taken)
    names = [one_line(k) for i, k in enumerate(known) if filled[i] and i not in used]
    notes = (f"columns not used: {', '.join(names)}",) if names else ()
    warnings = tuple(
        f"column {name} is not used, and may hold {what}: {_OPTIONS[what]} {name} takes it"
        for what, like in _LIKE.items()
        for name in names
        if like.match(without_signs(name))
    )
    return notes, warnings


def text_columns(text: TextTable, choice: ColumnChoice, ledger: Ledger) -> PointColumns | None:
    """Return the columns of a text file; None, with faults, when its header cannot be used."""
    header = text.header
    if not header:
        if any(choice.of(role) for role in POINT_NAMES):
            must = "must have a header, as columns are named on the command line; it has none"
            ledger.fault(text.file, 0, "header", "", must)
            return None
        return PointColumns(_PLAIN)
    at: dict[str, int] = {}
    for role in POINT_NAMES:
        at[role] = find(header, role, choice.of(role))
        if choice.of(role) and at[role] < 0:
            known = nearest(choice.of(role), header, 20)
            must = f"must have the column {choice.of(role)}"
            ledger.fault(text.file, text.header_line, "header", "", must, known)
    sure = at["easting"] >= 0 and at["northing"] >= 0
    bare = [without_signs(h) for h in header]
    for role, words in _EITHER.items():
        if at[role] < 0:
            at[role] = next((bare.index(w) for w in words if w in bare), -1)
    e, n = at["easting"], at["northing"]
    if e < 0 or n < 0:
        must = "must name the two coordinates, such as northing and easting"
        hint = f"name them: --x COLUMN --y COLUMN; the header has {', '.join(filter(None, header))}"
        ledger.fault(text.file, text.header_line, "header", "", must, hint)
        return None
    order: Order = "pnezd" if n < e else "penzd"
    return PointColumns(at, attributes(header, set(at.values())), order, sure)


# ---- northing first or easting first ------------------------------------------------------

#: Points of one job lie this near to one another, and exchanged ones this far (common practice,
#: no source), in metres.
_NEAR_M = 20_000.0
_FAR_M = 100_000.0


@dataclass(frozen=True, slots=True)
class OrderDetection:
    """The order of one file's coordinates, as far as the evidence goes."""

    text: TextTable
    columns: PointColumns
    order: Order | None  # None: the evidence decides nothing, or contradicts itself
    unambiguous: bool
    evidence: tuple[str, ...]

    @property
    def excluded(self) -> Order | None:
        """The order that cannot be, when the evidence is clear."""
        if not self.unambiguous:
            return None
        return "penzd" if self.order == "pnezd" else "pnezd"


def detect(
    text: TextTable, columns: PointColumns, crs: CRS | None, near: Sequence[Floats] = ()
) -> OrderDetection:
    """Return what the header, the area of the CRS and points known already say.

    `near` are places (x, y) in the same CRS that the points should lie about: control, other files.
    """
    votes: list[tuple[Order, bool, str]] = []
    if columns.order is not None:
        first, second = (text.header[i] for i in columns.pair)
        doubt = "" if columns.sure else ", though x is not easting everywhere"
        votes.append(
            (columns.order, columns.sure, f"the header has {first} before {second}{doubt}")
        )
    pairs = _pairs(text, columns)
    if crs is not None and len(pairs):
        votes += [*_by_area(crs, pairs), *_by_neighbours(crs, pairs, near)]
    sure = {order for order, certain, _ in votes if certain}
    notes = {order for order, _, _ in votes}
    chosen = sure if sure else notes
    order = next(iter(chosen)) if len(chosen) == 1 else None
    evidence = [f"{order}: {what}" for order, _, what in votes]
    if crs is None:
        evidence.append("the CRS is not known, so no area of use can tell the two apart")
    elif not any(certain for _, certain, _ in votes):
        evidence.append(_undecided(crs, pairs))
    return OrderDetection(text, columns, order, order is not None and bool(sure), tuple(evidence))


def as_ordered(pairs: Floats, order: Order) -> Floats:
    """Return pairs (n, 2) in the order of the file as easting, northing."""
    return pairs if order == "penzd" else pairs[:, ::-1]


def _pairs(text: TextTable, columns: PointColumns) -> Floats:
    """Return the coordinates (n, 2) as they stand, without rows that hold no two numbers."""
    first, second = columns.pair
    cells = [(row[first], row[second]) for _, row in text.rows]
    mark = decimal_mark(c for pair in cells for c in pair) or "."
    read = [(number(a, mark), number(b, mark)) for a, b in cells]
    return np.array([p for p in read if None not in p], dtype=np.float64).reshape(-1, 2)


def _undecided(crs: CRS, pairs: Floats) -> str:
    """Say why the area of a CRS decides nothing."""
    if crs.area_of_use is None:
        return f"{crs.name} has no published area of use to try the two orders against"
    inside = [bool((~outside_area(crs, *as_ordered(pairs, order).T)).any()) for order in ORDERS]
    if any(inside):
        return f"in either order some points lie within the area of use of {crs.name}"
    why = "is it the right CRS, and in the right unit?"
    return f"in neither order any point lies within the area of use of {crs.name}: {why}"


def _by_area(crs: CRS, pairs: Floats) -> list[tuple[Order, bool, str]]:
    inside = {
        order: int((~outside_area(crs, *as_ordered(pairs, order).T)).sum()) for order in ORDERS
    }
    if crs.area_of_use is None:
        return []
    best, other = sorted(ORDERS, key=lambda order: -inside[order])
    if inside[best] == inside[other]:
        return []
    n = len(pairs)
    what = (
        f"{inside[best]} of {n} points lie within the area of use of {crs.name}, "
        f"the other way round {inside[other] or 'none'}"
    )
    return [(best, inside[best] >= 0.9 * n and inside[other] == 0, what)]


def _by_neighbours(
    crs: CRS, pairs: Floats, near: Sequence[Floats]
) -> list[tuple[Order, bool, str]]:
    if not near:
        return []
    axis = crs.axis_info[0]
    metres = 111_000.0 if crs.is_geographic else axis.unit_conversion_factor
    about = np.median(np.array(near, dtype=np.float64), axis=0)
    away = {
        order: float(np.linalg.norm(np.median(as_ordered(pairs, order), axis=0) - about)) * metres
        for order in ORDERS
    }
    best, other = sorted(ORDERS, key=away.__getitem__)
    if away[best] > _NEAR_M or away[other] < _FAR_M:
        return []
    what = (
        f"the points lie {away[best] / 1000:.1f} km from the others, "
        f"the other way round {away[other] / 1000:.0f} km"
    )
    return [(best, True, what)]
