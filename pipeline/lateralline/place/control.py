"""Control points in the site frame, with the errors they are taken to have."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from lateralline.findings import Finding, finding
from lateralline.frames import Frame
from lateralline.records import FieldRecord, Floats, Ints, Spots


@dataclass(frozen=True, slots=True)
class PlacedControl:
    """Control points (c rows) in the site frame; a level may be NaN."""

    index: dict[str, int]
    xyz_m: Floats  # (c, 3)
    sigma_h_m: Floats  # each horizontal axis
    sigma_v_m: Floats
    shared: Ints  # (c,) rank among the points that several spots hang on; −1 = not of them

    @property
    def shares(self) -> int:
        """How many points several spots hang on."""
        return int(self.shared.max(initial=-1)) + 1

    def rows(self, names: Iterable[str]) -> Ints:
        """Return the index of each named point; KeyError when there is none (read has checked)."""
        return np.array([self.index[str(name)] for name in names], dtype=np.int64)

    def in_plan(self, point: Ints, by_control: Floats) -> Floats:
        """Return what one σ of east and north of each shared point does to n spots (n, 2, 2c).

        point (n, m) are the points each spot hangs on, `by_control` (n, 2, 2m) its Jacobian.
        """
        n, m = point.shape
        out = np.zeros((n, 2, 2 * self.shares + 1))  # the last for points not shared
        moved = np.nan_to_num(by_control) * np.repeat(self.sigma_h_m[point], 2, axis=1)[:, None]
        column = 2 * self.shared[point][:, :, None] + np.arange(2)
        column = np.where(column < 0, 2 * self.shares, column).reshape(n, 1, 2 * m)
        np.add.at(out, (np.arange(n)[:, None, None], np.arange(2)[None, :, None], column), moved)
        return out[:, :, :-1]


def control_in(frame: Frame, record: FieldRecord) -> tuple[PlacedControl, list[Finding]]:
    """Return the control in the site frame, and what had to be assumed of it.

    Without a sigma of its own a point has gnss_m on each horizontal axis, but none on a local
    sketch, whose axes it defines; and level_m in level.
    """
    rows, accuracy = record.control, record.settings.accuracy
    assumed_m = 0.0 if frame.is_local else accuracy.gnss_m
    control = PlacedControl(
        index={str(name): i for i, name in enumerate(rows.point)},
        xyz_m=frame.to_local(rows.x, rows.y, rows.z_m),
        sigma_h_m=np.where(np.isnan(rows.sigma_h_m), assumed_m, rows.sigma_h_m),
        sigma_v_m=np.where(np.isnan(rows.sigma_v_m), accuracy.level_m, rows.sigma_v_m),
        shared=_shared(rows.point.tolist(), record.marks.spots, record.exposures.spots),
    )
    bare = int(np.isnan(rows.sigma_h_m).sum())
    if not bare:
        return control, []
    assumed = finding(
        "control-sigma-assumed",
        "site",
        variant="sketch" if frame.is_local else "",
        without=bare,
        points=len(rows.point),
        assumed_m=assumed_m,
    )
    return control, [assumed]


def _shared(points: Sequence[str], *tables: Spots) -> Ints:
    """Number the points that more than one spot hangs on; −1 for the others."""
    used: Counter[str] = Counter()
    for spots in tables:
        for start, end, ties in zip(spots.base_from, spots.base_to, spots.ties, strict=True):
            used.update({str(start), str(end), *(name for name, _ in ties)})
    several = np.array([used[p] > 1 for p in points], dtype=np.bool_)
    return np.where(several, np.cumsum(several) - 1, -1)
