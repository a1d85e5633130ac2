"""Two pages a crew fills in at the kerb: a sketch with the marks drawn, and a row for each stop.

The tables of the contract, with every column there is, are the appendix (`draw.field_sheet`).

Where the marks lie is that of a point dipole, as everywhere here (`kernels.dipole`).
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from math import cos, radians, sin
from typing import Final

import numpy as np

from lateralline.draw.field_sheet import (
    Blank,
    begin,
    columns_on,
    floor,
    foot,
    known_rows,
)
from lateralline.draw.ruled_page import (
    GREY,
    PLAIN,
    ROW,
    SMALL,
    TITLE,
    ColumnOf,
    Page,
    RuledLine,
    Words,
)
from lateralline.kernels.dipole import end_null_offsets, mid_null_offset, total_peak_offset
from lateralline.terms import region_of, word
from lateralline.units import PER_FOOT

_SIDE_MM: Final = 92.0  # of the first page, right of the squares
_GAP_MM: Final = 3.0
_STOPS: Final = 12  # rows of a page
_SEEN: Final = 3
_DEPTH_MM: Final = 30.0  # of the transmitter in the drawing
_TILT_DEG: Final = 15.0
_MARKS: Final = (
    ("end null", "A"),
    ("mid null", "M"),
    ("peak", "P"),
    ("end null", "B"),
)


def kerb_sheet_pages(blank: Blank, paper: str) -> list[Page]:
    """Return the two pages, and one more for each dozen stops asked for beyond the first."""
    pages = [_front(blank, paper)]
    pages += [_stops(blank, paper, n) for n in range(1, blank.stops + 1, _STOPS)]
    for n, page in enumerate(pages, start=1):
        foot(page, f"kerb sheet {n} of {len(pages)}")
    return pages


def _front(blank: Blank, paper: str) -> Page:
    page, x, y, width = begin(paper, "At the kerb")
    names = columns_on(blank, "site", ("id", "name", "surveyed", "surveyor"))
    y = page.boxes(x, y, width, names, blank.one("site"))
    run = known_rows(blank.settings.get("run", ()), 1)[0]
    pipe = known_rows(blank.settings.get("pipe", ()), 1)[0]
    about = columns_on(blank, "site", ("id", "line", "entry", "flow"), section="run")
    about += columns_on(blank, "site", ("material", "nominal"), section="pipe")
    units = [ColumnOf(key, f"{key} in", "", 13) for key in ("tape", "depth", "counter")]
    y = page.boxes(x, y, width, [*about, *units], {**pipe, **run, **blank.units}) + _GAP_MM
    squares = width - _SIDE_MM - _GAP_MM
    known = ", ".join(row.get("point", "") for row in blank.control[:8])
    note = f"house, corners taped from ({known or 'name each'}), north, pipe, every stop"
    top = page.heading(x, y, "sketch", note)
    page.grid(x, top, squares, floor(page) - top - 1)
    side = x + squares + _GAP_MM
    top = page.heading(side, y, "where to mark", "from the side; camera ahead →")
    signs = "△ A, B  end nulls: field upright     □ M  mid null: field flat     + P  peak"
    top = page.paragraph(side, top, [signs], SMALL)
    top = _from_the_side(page, side, top, 0.0, _LEVEL)
    _from_the_side(page, side, top, _TILT_DEG, _TILTED)
    return page


_LEVEL: Final = (
    "Level: mid null and peak lie right over the transmitter, the end nulls",
    "0.7 of the depth ahead and behind. End nulls apart ÷ 1.4 = depth.",
)
_TILTED: Final = (
    "Nose up 15°: the nulls move back to the tail, the mid null by a sixth of",
    "the depth; the peak moves ahead by a quarter. One mark shows no tilt:",
    "mark all four.",
)


def _from_the_side(
    page: Page, x: float, y: float, tilt_deg: float, captions: Sequence[str]
) -> float:
    """Draw ground, pipe, transmitter and the marks over it; return where that ends."""
    middle, ground = x + _SIDE_MM / 2, y + 11.0
    axis = ground + _DEPTH_MM
    page.rules.append(RuledLine(x, ground, x + _SIDE_MM, ground, 1.0))
    t = radians(tilt_deg)
    along, up = np.array([cos(t), -sin(t)]), np.array([sin(t), cos(t)])
    centre = np.array([middle, axis])
    for off in (-3.0, 3.0):
        _line(page, centre + off * up - 38.0 * along, centre + off * up + 38.0 * along, GREY)
    corners = [
        centre + a * along + b * up for a, b in ((-7, -1), (7, -1), (7, 1), (-7, 1), (-7, -1))
    ]
    for a, b in pairwise(corners):
        _line(page, a, b)
    nose = centre + 12.0 * along
    _line(page, centre + 7 * along, nose)
    for side in (-1.0, 1.0):
        _line(page, nose, nose - 2.0 * along + side * 1.2 * up)
    _line(page, np.array([middle, ground]), centre, GREY)
    page.words.append(Words(middle + 1.5, ground + 9.0, "depth", SMALL, grey=GREY))
    ahead, mid, peak, behind = (middle + _DEPTH_MM * at for at in marks_over(tilt_deg))
    for at, name in ((ahead, "A"), (behind, "B")):
        tip = ground - 4.6
        for p, q in (
            ((at - 1.9, tip + 3.6), (at + 1.9, tip + 3.6)),
            ((at + 1.9, tip + 3.6), (at, tip)),
            ((at, tip), (at - 1.9, tip + 3.6)),
        ):
            _line(page, np.array(p), np.array(q))
        page.words.append(Words(at, tip - 2.2, name, PLAIN, bold=True, align="center"))
    page.frame(mid - 1.6, ground - 4.2, 3.2, 3.2)
    _line(page, np.array([peak - 2.4, ground - 2.4]), np.array([peak + 2.4, ground - 2.4]))
    _line(page, np.array([peak, ground - 4.8]), np.array([peak, ground]))
    apart = abs(peak - mid) > 1.0
    names = ((mid, "M"), (peak, "P")) if apart else ((mid, "M, P"),)
    for at, name in names:
        page.words.append(Words(at, ground - 6.8, name, PLAIN, bold=True, align="center"))
    return page.paragraph(x, axis + 13.0, captions, SMALL) + _GAP_MM


def _line(page: Page, a: np.ndarray, b: np.ndarray, grey: str = "0") -> None:
    page.rules.append(RuledLine(float(a[0]), float(a[1]), float(b[0]), float(b[1]), 0.6, grey))


def marks_over(tilt_deg: float) -> tuple[float, float, float, float]:
    """Return where end null ahead, mid null, peak and end null behind lie, in depths ahead.

    >>> [round(x, 3) + 0.0 for x in marks_over(0.0)]
    [0.707, 0.0, 0.0, -0.707]
    """
    tilt = radians(tilt_deg)
    behind, ahead = end_null_offsets(tilt)
    offsets = (ahead, mid_null_offset(tilt), total_peak_offset(tilt), behind)
    made = tuple(float(offset) for offset in offsets)
    return made[0], made[1], made[2], made[3]


def _stops(blank: Blank, paper: str, first: int) -> Page:
    """Return a page of stops, a row each, and of what the camera saw."""
    page, x, y, width = begin(paper, "Stops", blank)
    tape, depth, counter = (blank.units.get(key, "") for key in ("tape", "depth", "counter"))
    if blank.gnss:
        how = "write the point number of each mark; the instrument keeps its coordinates"
    else:
        how = (
            "tape 1 from ____________   tape 2 from ____________   "
            "or along the baseline from ________ to ________ and right of it (left: −)"
        )
        if PER_FOOT.keys() & {tape}:
            how += """   4' 7 1/2" is read as it stands"""
    page.words.append(Words(x, y + 3.0, how, PLAIN, room=width))
    y += 6.5
    columns = [
        ColumnOf("stop", "stop", "", 11),
        ColumnOf("counter", "counter", counter, 19),
        ColumnOf("depth_reading", "depth\nreading", depth, 19),
    ]
    for mark, letter in _MARKS:
        if blank.gnss:
            columns.append(ColumnOf(f"{letter}1", f"{letter} {mark}", "point", 30))
            continue
        columns.append(ColumnOf(f"{letter}1", f"{letter} {mark}\ntape 1", tape, 22))
        columns.append(ColumnOf(f"{letter}2", "tape 2", tape, 19))
    columns += [
        ColumnOf(
            "z",
            word("ground level", region_of(tape)).replace(" ", "\n"),
            "" if blank.gnss else blank.units.get("level", ""),
            18,
        ),
        ColumnOf("note", "note, side of the tapes", "", 34),
    ]
    last = min(first + _STOPS - 1, blank.stops)
    rows = [{"stop": str(stop)} for stop in range(first, last + 1)]
    y = page.table(x, y, width, columns, rows) + _GAP_MM
    y = page.heading(x, y, "seen by the camera", "bends, junctions, joints, damage")
    fits = max(int((floor(page) - y - TITLE) / ROW), 1)
    seen = columns_on(blank, "observations", ("run", "counter", "code", "clock_from", "text"))
    page.table(x, y, width, seen, [{}] * min(fits, _SEEN))
    return page
