"""Levels of GNSS beside levels of control and tape: whether they can count from one zero.

Ellipsoidal heights among levels lie up to a hundred metres off, feet among metres by a factor;
either way each set fits itself, and only the ground they share shows it.
"""

from __future__ import annotations

from collections.abc import Iterator
from math import hypot
from typing import Final, NamedTuple

import numpy as np

from lateralline.findings import Finding, finding
from lateralline.frames import Frame
from lateralline.records import FieldRecord, Floats
from lateralline.units import METRES_PER

#: Common practice, no source: steeper ground than this is no site for a lateral.
_STEEP: Final = 0.3
_APART_M: Final = 5.0
#: Where the geoid lies furthest below and above the ellipsoid, rounded outward (from memory).
_GEOID_M: Final = (-110.0, 90.0)


class _BaseLevels(NamedTuple):
    plan_m: Floats  # (n, 2)
    z_m: Floats  # (n,)

    @property
    def middle(self) -> tuple[float, float, float]:
        east, north = np.median(self.plan_m, axis=0)
        return float(east), float(north), float(np.median(self.z_m))


def levels_mixed(record: FieldRecord, frame: Frame) -> Iterator[Finding]:
    """Yield an error when GNSS levels cannot count from the zero of control and taped levels."""
    gnss, others = _gnss(record, frame), _others(record, frame)
    if not len(gnss.z_m) or not len(others.z_m):
        return
    east, north, level = gnss.middle
    east_0, north_0, zero = others.middle
    ground_m = _STEEP * hypot(east - east_0, north - north_0)
    allowed_m = _APART_M + ground_m + float(np.ptp(gnss.z_m)) + float(np.ptp(others.z_m))
    apart_m = level - zero
    if abs(apart_m) <= allowed_m:
        return
    foot = METRES_PER["ft"]
    medians = {"gnss_m": level, "others_m": zero, "apart_m": apart_m}
    for factor, slip in ((foot, ""), (1.0 / foot, "metres")):
        if abs(level * factor - zero) <= _APART_M + ground_m:
            yield finding("levels-other-unit", "site", variant=slip, more=medians)
            return
    as_geoid = _GEOID_M[0] <= apart_m <= _GEOID_M[1] and frame.levels != "ellipsoidal"
    yield finding("levels-mixed-base", "site", variant="geoid" if as_geoid else "", more=medians)


def _gnss(record: FieldRecord, frame: Frame) -> _BaseLevels:
    tables = (record.marks.spots, record.exposures.spots)
    rows = [s.method == "gnss" for s in tables]
    pairs = list(zip(tables, rows, strict=True))
    x = np.concatenate([s.x[at] for s, at in pairs])
    y = np.concatenate([s.y[at] for s, at in pairs])
    z_m = np.concatenate([s.z_m[at] for s, at in pairs])
    return _known(frame.to_local(x, y, z_m))


def _others(record: FieldRecord, frame: Frame) -> _BaseLevels:
    """Return the levels of control; those of taped spots when control has none."""
    control = record.control
    found = _known(frame.to_local(control.x, control.y, control.z_m))
    if len(found.z_m) or not len(control.z_m):
        return found
    middle = np.median(frame.to_local(control.x, control.y, control.z_m)[:, :2], axis=0)
    tables = (record.marks.spots, record.exposures.spots)
    z = np.concatenate([s.z_m[s.method != "gnss"] for s in tables])
    return _known(np.column_stack([np.tile(middle, (len(z), 1)), z]))


def _known(xyz_m: Floats) -> _BaseLevels:
    whole = xyz_m[np.isfinite(xyz_m).all(axis=1)]
    return _BaseLevels(whole[:, :2], whole[:, 2])
