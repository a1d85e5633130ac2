"""Where a mark would lie had its sign or its side been taken for the other.

An offset read on the wrong side of its baseline, and two ties that meet on the wrong side of
theirs, put a mark where the line through the two points mirrors it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lateralline.frames import Frame
from lateralline.records import FieldRecord, Flags, Floats, Texts
from lateralline.units import METRES_PER


@dataclass(frozen=True, slots=True)
class Mirrors:
    """The other place of n marks; NaN where a mark has none."""

    xy_m: Floats  # (n, 2)
    base: Texts  # (n,) the two points, "A–B"
    ties: Flags  # (n,) placed by two ties, else by an offset

    @property
    def there(self) -> Flags:
        """True (n,) where a mark has another place."""
        return np.asarray(np.isfinite(self.xy_m).all(axis=1))


def mirrors(record: FieldRecord, frame: Frame, xy_m: Floats) -> Mirrors:
    """Return the mirrored places of marks that lie at `xy_m` (n, 2)."""
    spots, control = record.marks.spots, record.control
    index = {str(name): i for i, name in enumerate(control.point)}
    places = frame.to_local(control.x, control.y, control.z_m)[:, :2]
    n = len(spots.name)
    ends = np.full((n, 2), -1)
    for i, method in enumerate(spots.method.tolist()):
        names = (
            (str(spots.base_from[i]), str(spots.base_to[i]))
            if method == "offset"
            else tuple(name for name, _ in spots.ties[i])
        )
        if method in ("offset", "ties") and len(names) == 2 and set(names) <= index.keys():
            ends[i] = [index[name] for name in names]
    out = np.full((n, 2), np.nan)
    at = np.flatnonzero((ends >= 0).all(axis=1))
    if at.size:
        first, last = places[ends[at, 0]], places[ends[at, 1]]
        along = last - first
        with np.errstate(divide="ignore", invalid="ignore"):
            along = along / np.linalg.norm(along, axis=1, keepdims=True)
        away = xy_m[at] - first
        beside = away - np.einsum("ni,ni->n", away, along)[:, None] * along
        out[at] = xy_m[at] - 2.0 * beside
    base = [f"{control.point[a]}–{control.point[b]}" if a >= 0 else "" for a, b in ends.tolist()]
    return Mirrors(out, np.array(base, dtype=np.str_), spots.method == "ties")


def mended(record: FieldRecord, mirrored: Mirrors, i: int) -> str:
    """Return what the cell of mark `i` would read: 'offset = -3.10', 'side = left'."""
    spots = record.marks.spots
    if mirrored.ties[i]:
        return f"side = {'right' if spots.side[i] == 'left' else 'left'}"
    per = METRES_PER[record.settings.units.get("tape", "m")]
    return f"offset = {-float(spots.offset_m[i]) / per:.2f}"
