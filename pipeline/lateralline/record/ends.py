"""Open ends of located lines: from there the pipe runs on, and nobody located where.

The one owner of what an open end is, for drawings, pages, overlays and exports. Every end is open
but a downstream one on another line of the record. No record says that a pipe ends: an access, seen
or not, is an opening the camera went in by, and a main is located by its own survey.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import shapely
from numpy.typing import ArrayLike

from lateralline.records import Flags, Floats, Ints

if TYPE_CHECKING:
    from lateralline.record.layers import Shapes
    from lateralline.record.view import RecordView

#: What is said of them where they are drawn.
SAID: Final = "Past an open end (red dots and ?) the pipe runs on; nothing there is located."
_MOST_ENTRIES: Final = 6
#: How far the sign of an open end goes ahead of it, and where its "?" stands: mm of a drawing.
STUB_MM, QUERY_MM = 8.0, 10.2


def located_alone(entries: Iterable[str]) -> str:
    """Say what a figure over a whole line leaves out: the way to entries, and past open ends.

    >>> located_alone(["CO1", "CO2"])
    'of the located line; left out: pipe past open ends, as to CO1, CO2'
    >>> located_alone([])
    'of the located line; left out: pipe past open ends'
    """
    names = list(dict.fromkeys(entries))
    more = [f"{len(names) - _MOST_ENTRIES} more entries"] * (len(names) > _MOST_ENTRIES)
    to = ", ".join([*names[:_MOST_ENTRIES], *more])
    return f"of the located line; left out: pipe past open ends{f', as to {to}' * bool(to)}"


@dataclass(frozen=True, slots=True, eq=False)
class OpenEnds:
    """Open ends (n) of lines, in the plan coordinates of their paths."""

    at: Floats  # (n, 2)
    ways: Floats  # (n, 2) unit vectors, the way the pipe leaves there
    line: Ints  # index of the line
    upper: Flags  # whether the path ends there: upstream, where the flow is known


def open_at(joined: ArrayLike) -> Flags:
    """Return whether the start and the end of lines (n, 2) are open; `joined` ones end in a line.

    >>> open_at([False, True]).tolist()
    [[True, True], [False, True]]
    """
    joins = np.asarray(joined, dtype=np.bool_)
    return np.column_stack([~joins, np.ones_like(joins)])


def open_ends_of(view: RecordView) -> OpenEnds:
    """Return the open ends of the lines of a site, in metres on the ground."""
    drawn = [row for row in view.centrelines if row.geometry is not None]
    paths = np.array([row.geometry for row in drawn], dtype=object)
    return open_ends(paths, [bool(row.joins_line_id) for row in drawn])


def open_ends(paths: Shapes, joined: ArrayLike) -> OpenEnds:
    """Return the open ends of lines (n) drawn from downstream, of each line the upper one first."""
    line, first = np.nonzero(open_at(joined)[:, ::-1])
    upper = first == 0
    ends = [shapely.get_coordinates(path)[[0, 1, -2, -1]] for path in paths]
    of_end = np.array(ends).reshape(-1, 4, 2)[line]
    at = np.where(upper[:, None], of_end[:, 3], of_end[:, 0])
    ways = at - np.where(upper[:, None], of_end[:, 2], of_end[:, 1])
    return OpenEnds(at, ways / np.maximum(np.hypot(*ways.T), 1e-12)[:, None], line, upper)
