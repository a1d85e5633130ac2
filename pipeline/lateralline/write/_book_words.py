"""What a book to fill in says for itself, before any table."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from lateralline import contract
from lateralline.units import PER_FOOT


def cautions(units: Mapping[str, str]) -> Iterator[tuple[str, bool]]:
    """Yield the lines of the sheet of cautions, and whether each is a heading."""
    yield "No clearance to dig", True
    yield contract.load("dig_zone").caution, False
    yield (
        "This book records where marks stood on the ground. Nothing in it, and nothing made from "
        "it, says where it is safe to dig.",
        False,
    )
    yield "How to fill it in", True
    yield from ((line, False) for line in _how(units))
    yield "Then", True
    yield (
        "Save it and run: lateralline check BOOK.xlsx, and lateralline build BOOK.xlsx -o out",
        False,
    )
    yield (
        "Where a message speaks of site.toml, look on the sheets site, pipes, runs and branches; "
        "where it names a cell, as marks!D14, go there.",
        False,
    )


def _how(units: Mapping[str, str]) -> Iterator[str]:
    yield (
        "Begin with site, pipes and runs, then control, then marks and stops; exposures and "
        "observations if there are any. One row for each thing; rows may be left empty."
    )
    yield (
        "The note on each header says what goes below it. Headers and units are locked, without a "
        "password; the columns at the right of each table are free for your own, and kept as notes."
    )
    yield (
        "marks: fill only the columns of the row's method. gnss: x, y, z, sigma_h, sigma_v. "
        "offset: base_from, base_to, station, offset. ties: ties, as P1:6.32;P2:4.85, and side "
        "with two of them. polar: base_from, station (the distance) and offset (the bearing)."
    )
    yield f"Units, as headers name them: {_units(units)}."
    if PER_FOOT.keys() & set(units.values()):
        yield (
            'Feet and inches may be typed as they are read, 4\' 7 1/2" or 55 1/2", into every '
            "cell whose header names ft, us-ft or in; also in ties, P1:21' 4 1/2\";P2:15.25."
        )
    yield "Type plain values, with a decimal point. Leave empty what is not known. Merge no cells."
    yield "Rows that begin with # are remarks and not read."


def _units(units: Mapping[str, str]) -> str:
    return ", ".join(f"{key} {unit}" for key, unit in units.items() if key != "slope_tape")
