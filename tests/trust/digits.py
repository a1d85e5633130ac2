"""Mistakes of the pen: one number typed wrong."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from lateralline.simulate.survey import Row
from tests.trust.catalogue import (
    AT_CONTROL,
    AT_COUNTER,
    AT_DEPTH,
    AT_LEVEL,
    AT_STOP,
    AT_TAPE,
    FRAME,
    SAID,
    WAYS,
    Change,
    at_mark,
    at_reading,
    at_row,
    digit_off,
    has,
    mistake,
    pick,
)
from tests.trust.sites import SiteTables, Slip

Place = Callable[[SiteTables, int], Slip]
Way = Callable[[str, np.random.Generator], str | None]


def _of_points(site: SiteTables, i: int) -> Slip:
    """A point is wrong for all that hangs on it: any mark, stop or baseline of it may lead here."""
    point = site.control[i]["point"]
    return Slip((point, *_users(site, point)), (("control", i),))


def _users(site: SiteTables, point: str) -> list[str]:
    def uses(row: Row) -> bool:
        tied = f";{row.get('ties', '')}"
        return point in (row.get("base_from"), row.get("base_to")) or f";{point}:" in tied

    return list(
        dict.fromkeys(
            name for r in site.marks if uses(r) for name in (r["mark"], f"{r['run']}/{r['stop']}")
        )
    )


def _typed(table: str, column: str, way: Way, place: Place) -> Change:
    """Return the mistake of typing one cell of a column wrong."""

    def change(site: SiteTables, rng: np.random.Generator) -> Slip | None:
        rows = site.tables[table]
        order = rng.permutation(len(rows)).tolist()
        for i in order:
            put = way(rows[i].get(column, ""), rng) if rows[i].get(column, "") else None
            if put is not None:
                rows[i][column] = put
                return place(site, i)
        return None

    return change


def _tied(way: Way) -> Change:
    def change(site: SiteTables, rng: np.random.Generator) -> Slip | None:
        i = pick(rng, site.marks, has("ties"))
        if i is None:
            return None
        ties = [tie.split(":") for tie in site.marks[i]["ties"].split(";")]
        at = int(rng.integers(len(ties)))
        put = way(ties[at][1], rng)
        if put is None:
            return None
        ties[at][1] = put
        site.marks[i]["ties"] = ";".join(map(":".join, ties))
        return at_mark(site, i)

    return change


for _way, _by in WAYS.items():
    for _key, _said, _table, _column, _place, _codes in (
        ("easting", "x of a GNSS mark", "marks", "x", at_mark, (*AT_STOP, *FRAME)),
        ("northing", "y of a GNSS mark", "marks", "y", at_mark, (*AT_STOP, *FRAME)),
        ("distance", "a distance along the baseline", "marks", "base_distance", at_mark, AT_TAPE),
        ("offset", "an offset from the baseline", "marks", "base_offset", at_mark, AT_TAPE),
        ("level", "the level of a mark", "marks", "z", at_mark, AT_LEVEL),
        ("counter", "a counter reading", "stops", "counter", at_reading, AT_COUNTER),
        ("depth", "a depth reading", "stops", "depth_reading", at_reading, AT_DEPTH),
        ("control", "x of a control point", "control", "x", _of_points, AT_CONTROL),
    ):
        mistake(f"{_key}-{_way}", SAID[_way].format(_said), *_codes)(
            _typed(_table, _column, _by, _place)
        )
    mistake(f"tie-{_way}", SAID[_way].format("a tied distance"), *AT_TAPE)(_tied(_by))

mistake("control-level-digit", "One digit of the level of a control point is wrong.",
        "control-implausible/levels", "level-far", "slope-tape")(
    _typed("control", "z", digit_off, _of_points)
)  # fmt: skip
mistake("azimuth-digit", "One digit of a compass bearing is wrong.", *AT_STOP)(
    _typed("marks", "polar_azimuth_deg", lambda t, rng: digit_off(t, rng, 9.0), at_mark)
)
mistake("tilt-digit", "One digit of a tilt is wrong.", "blunder/tilt", *AT_STOP)(
    _typed("stops", "tilt_deg", lambda t, rng: digit_off(t, rng, 9.0), at_reading)
)
mistake("exposure-depth-digit", "One digit of the depth of an opened cleanout is wrong.",
        "blunder", "exposure-disagrees", "shape-undecided/step", "shape-undecided/or-wrong",
        "counter-wrong/too-short", "back-fall/segment")(
    _typed("exposures", "depth", digit_off, lambda s, i: at_row(s, "exposures", i))
)  # fmt: skip
mistake("exposure-place-digit", "One digit of a tape or coordinate of an opened cleanout is wrong.",
        "blunder", "exposure-disagrees", "shape-undecided/or-wrong", "counter-wrong/too-short",
        "point-astray", "shape-undecided", "line-not-located/contradicts")(
    lambda site, rng: _exposed(site, rng)
)  # fmt: skip
mistake("observation-digit", "One digit of the counter of an observation is wrong.",
        "observation-not-located", hidden="observation")(
    _typed("observations", "counter", digit_off, lambda s, i: Slip((), (("observations", i),)))
)  # fmt: skip


def _exposed(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    column = "base_distance" if any(map(has("base_distance"), site.exposures)) else "x"
    return _typed("exposures", column, digit_off, lambda s, i: at_row(s, "exposures", i))(site, rng)
