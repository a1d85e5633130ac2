"""What a mistake is, and what mistakes share; each module of mistakes fills CATALOGUE."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from lateralline.simulate.survey import Row
from tests.trust.sites import SiteTables, Slip

Change = Callable[[SiteTables, np.random.Generator], Slip | None]

#: Codes by which a stop, a mark or a stretch is rightly said to be wrong, if it is the one.
AT_STOP = (
    "blunder", "mark-blunder", "mark-astray", "mark-mirrored", "stop-id-twice", "stop-moved",
    "point-astray", "stop-not-located", "stop-two-positions", "shape-undecided/or-wrong",
    "shape-undecided/step", "shape-undecided/contradiction", "shape-undecided/bend",
    "shape-undecided/turn", "mark-duplicate", "line-not-located", "counter-wrong/too-short",
    "counter-wrong/detour", "counter-wrong/reading", "control-implausible/or-stop",
)  # fmt: skip
AT_TAPE = (*AT_STOP, "tie-misfit", "tie-weak", "tie-side", "baseline-unfit")
AT_COUNTER = (
    "counter-wrong", "counters-exchanged", "blunder", "shape-undecided/or-wrong",
    "shape-undecided/contradiction", "stop-order", "point-astray", "observation-not-located",
    "stop-moved", "control-implausible/or-stop",
)  # fmt: skip
AT_DEPTH = (
    "depth-reading-wrong", "mark-blunder/reading", "blunder/level", "blunder/tilt", "mark-blunder",
    "blunder/tied", "shape-undecided/or-wrong", "shape-undecided/step",
)  # fmt: skip
AT_LEVEL = (
    "level-far", "blunder", "mark-blunder", "shape-undecided/or-wrong", "shape-undecided/step",
    "control-implausible/levels", "levels-mixed", "slope-tape", "stop-not-located",
    "transmitter-steep", "cover-negative", "counter-wrong/reading", "counter-wrong/too-short",
)  # fmt: skip
AT_CONTROL = (
    "control-implausible", "coordinates-outside", "tie-misfit", "tie-weak", "baseline-check",
    "baseline-unfit", "misfit/site", "stops-shifted", "mark-mirrored/baseline",
    "unit-wrong/tape-unknown", "blunder/plan-or-control",
)  # fmt: skip
FRAME = (
    "coordinates-swapped", "longitude-sign-lost", "coordinates-in-degrees",
    "coordinates-wrong-unit", "coordinates-wrong-zone", "coordinates-outside",
    "coordinates-unconfirmed",
)  # fmt: skip


@dataclass(frozen=True)
class Mistake:
    """A slip of the field or the desk: what it is, how it comes about, and what names it rightly.

    `change` makes it in tables, at places drawn from its generator; it returns where, or None where
    a site has nothing of the kind. `codes` are the findings that name it, `hidden` why data alone
    cannot show it (a key of `hidden.WHY`), or "".
    """

    name: str
    what: str
    change: Change
    codes: tuple[str, ...]
    hidden: str = ""


CATALOGUE: dict[str, Mistake] = {}


def mistake(name: str, what: str, *codes: str, hidden: str = "") -> Callable[[Change], Change]:
    """Enter the function below into the catalogue."""

    def enter(change: Change) -> Change:
        assert name not in CATALOGUE, name
        CATALOGUE[name] = Mistake(name, what, change, codes, hidden)
        return change

    return enter


def pick(
    rng: np.random.Generator, rows: Sequence[Row], fits: Callable[[Row], object]
) -> int | None:
    """Return the number of one row of those that fit."""
    which = [i for i, row in enumerate(rows) if fits(row)]
    return int(rng.choice(which)) if which else None


def has(column: str) -> Callable[[Row], object]:
    """Return what asks whether a row has anything in a column."""
    return lambda row: row.get(column, "")


def stop_of(row: Row) -> str:
    return f"{row['run']}/{row['stop']}"


def at_mark(site: SiteTables, i: int) -> Slip:
    """A mistake in one row of the marks: mark and stop are the place."""
    row = site.marks[i]
    return Slip((stop_of(row), row["mark"]), (("marks", i),))


def in_one_mark(
    site: SiteTables, rng: np.random.Generator, column: str, change: Callable[[Row], None]
) -> Slip | None:
    """A change of one row of the marks that has anything in a column."""
    i = pick(rng, site.marks, has(column))
    if i is None:
        return None
    change(site.marks[i])
    return at_mark(site, i)


def in_one_stop(
    site: SiteTables, rng: np.random.Generator, column: str, change: Callable[[Row], None]
) -> Slip | None:
    """The same change of all marks of a stop, one of which has anything in a column."""
    i = pick(rng, site.marks, has(column))
    if i is None:
        return None
    stop = stop_of(site.marks[i])
    rows = marks_at(site, stop)
    for row in rows:
        change(site.marks[row])
    return Slip((stop,), tuple(("marks", r) for r in rows))


def marks_at(site: SiteTables, stop: str) -> list[int]:
    return [i for i, row in enumerate(site.marks) if stop_of(row) == stop]


def exchanged(row: Row, one: str, other: str) -> None:
    """Exchange two cells of a row."""
    row[one], row[other] = row[other], row[one]


def at_reading(site: SiteTables, i: int) -> Slip:
    """A mistake in one row of the stops."""
    return Slip((stop_of(site.stops[i]),), (("stops", i),))


def at_row(site: SiteTables, table: str, i: int) -> Slip:
    """A mistake in one row of another table, called by its first column."""
    row = site.tables[table][i]
    return Slip((next(iter(row.values())),), ((table, i),))


def stops_of(site: SiteTables) -> list[str]:
    """Return the stops as "R1/3", in the order of their rows."""
    return [stop_of(row) for row in site.stops]


def edited(text: str, edits: Sequence[str], rng: np.random.Generator, least: float) -> str | None:
    """Return one of several ways to write a number wrong, of those that matter."""
    may = [t for t in edits if _number(t) is not None and abs(float(t) - float(text)) >= least]
    return str(rng.choice(may)) if may else None


def transposed(text: str, rng: np.random.Generator, least: float = 0.25) -> str | None:
    """Two neighbouring digits exchanged; off by `least` at least and a thousand at most."""
    edits = [
        text[:i] + text[i + 1] + text[i] + text[i + 2 :]
        for i in range(len(text) - 1)
        if text[i].isdigit() and text[i + 1].isdigit()
    ]
    return edited(text, [t for t in edits if abs(float(t) - float(text)) < 1000.0], rng, least)


def digit_off(text: str, rng: np.random.Generator, least: float = 0.25) -> str | None:
    """One digit read as another; off by `least` at least and a thousand at most."""
    edits = [
        text[:i] + other + text[i + 1 :]
        for i, sign in enumerate(text)
        for other in "0123456789"
        if sign.isdigit() and other != sign
    ]
    return edited(text, [t for t in edits if abs(float(t) - float(text)) < 1000.0], rng, least)


def point_lost(text: str, rng: np.random.Generator, least: float = 0.25) -> str | None:
    """The decimal point left out."""
    return edited(text, [text.replace(".", "")], rng, least) if "." in text else None


WAYS: dict[str, Callable[[str, np.random.Generator], str | None]] = {
    "transposed": transposed,
    "digit": digit_off,
    "point": point_lost,
}
SAID = {
    "transposed": "Two digits of {} are transposed.",
    "digit": "One digit of {} is wrong.",
    "point": "The decimal point of {} is lost.",
}


def _number(text: str) -> float | None:
    try:
        return float(text)
    except ValueError:
        return None
