"""How a spot was measured: which columns each method needs, and the spots in SI.

Marks and exposures share these columns.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from math import isnan, nan
from typing import Final

import numpy as np

from lateralline.ingest.cells import LARGEST, length_hint, length_in, plain_number_hint
from lateralline.ingest.coordinate_system import Axes
from lateralline.ingest.ledger import Ledger, nearest
from lateralline.ingest.rows import InputRow, InputRows
from lateralline.ingest.sections import SiteSettings
from lateralline.records import Floats, Spots

#: The columns a method needs filled; every other column of another method must be empty.
NEEDS: Final[Mapping[str, tuple[str, ...]]] = {
    "gnss": ("x", "y"),
    "offset": ("base_from", "base_to", "station", "offset"),
    "ties": ("ties",),
    "polar": ("base_from", "station", "offset"),
    "level": (),
}
MAY: Final[Mapping[str, tuple[str, ...]]] = {"gnss": ("sigma_h",), "ties": ("side",)}
_OF_A_METHOD: Final = frozenset(sum((*NEEDS.values(), *MAY.values()), ()))

Ties = tuple[tuple[str, float], ...]


def check_spot(
    row: InputRow, control: frozenset[str] | None, axes: Axes | None, tape: str, ledger: Ledger
) -> None:
    """Note what the row's method lacks, what belongs to another, and points nobody knows.

    `control` None means the control points could not be read, so none is missed. `tape` is the
    unit of taped lengths.
    """
    method = row.text("method")
    if not method:
        return
    needs = NEEDS[method]
    for column in needs:
        if not row.given(column):
            row.fault(ledger, column, f"must be given for method {method}")
    for column in sorted(_OF_A_METHOD - {*needs, *MAY.get(method, ())}):
        if row.given(column):
            others = " or ".join(m for m in NEEDS if column in NEEDS[m] + MAY.get(m, ()))
            row.fault(ledger, column, f"must be empty for method {method}", f"it is of {others}")
    if method == "ties" and row.given("ties"):
        check_ties(row, control, tape, ledger)
    for column in ("base_from", "base_to"):
        if column in needs and control is not None:
            name = row.text(column)
            if name and name not in control:
                row.fault(ledger, column, "must be a point of control", nearest(name, control))
    if (
        method == "offset"
        and row.text("base_from")
        and row.text("base_from") == row.text("base_to")
    ):
        row.fault(ledger, "base_to", "must be another point than base_from")
    if method == "polar":
        if row.number("station") < 0:
            row.fault(ledger, "station", "must be a distance of at least 0 for method polar")
        if not isnan(bearing := row.number("offset")) and not -360 <= bearing <= 360:
            row.fault(ledger, "offset", "must be a bearing in degrees from grid north, 0 to 360")
    if method == "gnss":
        check_lonlat(row, axes, ledger)


def check_lonlat(row: InputRow, axes: Axes | None, ledger: Ledger) -> None:
    """Note a longitude or latitude that cannot be one."""
    if axes is None or not axes.geographic:
        return
    x, y = row.number("x"), row.number("y")
    swapped = "x is longitude, y is latitude" if abs(y) > 90 and abs(x) <= 90 else ""
    if not -180 <= x <= 360:  # some count east all the way round
        row.fault(ledger, "x", "must be a longitude in degrees from -180 to 360", swapped)
    if abs(y) > 90:
        row.fault(ledger, "y", "must be a latitude in degrees from -90 to 90", swapped)


def check_ties(row: InputRow, control: frozenset[str] | None, tape: str, ledger: Ledger) -> None:
    """Note ties that cannot be read, repeat a point, or leave two places open."""
    must = "must be point:distance;point:distance"
    names: list[str] = []
    for part in filter(None, (p.strip() for p in row.text("ties").split(";"))):
        name, colon, length = (p.strip() for p in part.rpartition(":"))
        if not colon or not name:
            row.fault(ledger, "ties", f'{must}; "{part}" is not', "as P1:6.32;P2:4.85")
            return
        if isnan(_length(length, tape)):
            hint = length_hint(length, tape) or plain_number_hint(length) or "as P1:6.32;P2:4.85"
            row.fault(ledger, "ties", f'must have a distance above 0 in "{part}"', hint)
            return
        if control is not None and name not in control:
            row.fault(
                ledger,
                "ties",
                f'must name points of control; "{name}" is not one',
                nearest(name, control),
            )
        names.append(name)
    for name in sorted(n for n, times in Counter(names).items() if times > 1):
        row.fault(ledger, "ties", f"must name each point once; {name} stands there twice")
    if len(names) < 2:
        row.fault(ledger, "ties", "must hold two ties or more", "as P1:6.32;P2:4.85")
    if len(names) == 2 and not row.given("side"):
        row.fault(
            ledger, "side", "must be left or right with two ties", "two circles meet in two places"
        )


def parse_ties(text: str, tape: str = "m") -> Ties:
    r"""Return the ties of a cell that was checked, lengths in the tape's unit.

    >>> parse_ties("P1:6.32; P2:4.85")
    (('P1', 6.32), ('P2', 4.85))
    >>> parse_ties("P1:21' 4 1/2\"; P2:15.25", "ft")
    (('P1', 21.375), ('P2', 15.25))
    """
    parts = (p.rpartition(":") for p in text.split(";") if p.strip())
    return tuple((name.strip(), _length(length, tape)) for name, _, length in parts)


def _length(text: str, tape: str) -> float:
    """Return a taped length; NaN when the text is none."""
    value = length_in(text, tape)
    return value if 0 < value <= LARGEST else nan


def spots(rows: InputRows, name: str, site: SiteSettings) -> Spots:
    """Return the spots of marks or exposures in SI; `name` is the column that names them."""
    axes = site.axes
    assert axes is not None  # a site without usable axes has a fault and is not assembled
    tape, level = site.metres("tape"), site.metres("level")
    taped = site.units.get("tape", "")
    method = rows.texts("method")
    gnss, polar = method == "gnss", method == "polar"
    xy_m = 1.0 if axes.keeps_xy else axes.xy_m
    vertical_m: Floats = np.where(gnss, axes.gnss_z_m, level)
    offset = rows.numbers("offset")
    return Spots(
        file=rows.file,
        row=rows.lines,
        name=rows.texts(name),
        method=method,
        x=rows.numbers("x", xy_m),
        y=rows.numbers("y", xy_m),
        z_m=rows.numbers("z") * vertical_m,
        sigma_h_m=rows.numbers("sigma_h", axes.sigma_h_m),
        sigma_v_m=rows.numbers("sigma_v") * vertical_m,
        base_from=rows.texts("base_from"),
        base_to=rows.texts("base_to"),
        station_m=rows.numbers("station", tape),
        offset_m=np.where(polar, np.nan, offset * tape),
        bearing_rad=np.where(polar, np.radians(offset), np.nan),
        ties=tuple(
            tuple((point, length * tape) for point, length in parse_ties(r.text("ties"), taped))
            for r in rows
        ),
        side=rows.texts("side"),
        note=rows.texts("note"),
    )
