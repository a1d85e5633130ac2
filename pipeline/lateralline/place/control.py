"""Control points in the site frame, with the errors they are taken to have."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from lateralline.frames import Frame
from lateralline.place.notes import metres, site_finding
from lateralline.records import FieldRecord, Finding, Floats, Ints


@dataclass(frozen=True, slots=True)
class Control:
    """Control points (c rows) in the site frame; a level may be NaN."""

    index: dict[str, int]
    xyz_m: Floats  # (c, 3)
    sigma_h_m: Floats  # each horizontal axis
    sigma_v_m: Floats

    def rows(self, names: Iterable[str]) -> Ints:
        """Return the index of each named point; KeyError when there is none (read has checked)."""
        return np.array([self.index[str(name)] for name in names], dtype=np.int64)


def control_in(frame: Frame, record: FieldRecord) -> tuple[Control, list[Finding]]:
    """Return the control in the site frame, and what had to be assumed of it.

    Without a sigma of its own a point has gnss_m on each horizontal axis, but none on a local
    sketch, whose axes it defines; and level_m in level.
    """
    rows, accuracy = record.control, record.settings.accuracy
    assumed_m = 0.0 if frame.is_local else accuracy.gnss_m
    control = Control(
        index={str(name): i for i, name in enumerate(rows.point)},
        xyz_m=frame.to_local(rows.x, rows.y, rows.z_m),
        sigma_h_m=np.where(np.isnan(rows.sigma_h_m), assumed_m, rows.sigma_h_m),
        sigma_v_m=np.where(np.isnan(rows.sigma_v_m), accuracy.level_m, rows.sigma_v_m),
    )
    bare = int(np.isnan(rows.sigma_h_m).sum())
    if not bare:
        return control, []
    finding = site_finding(
        "info",
        "control-sigma-assumed",
        f"{bare} of {len(rows.point)} control points give no sigma_h"
        + ("; on a local sketch they are taken as exact" if frame.is_local else ""),
        f"taken as {metres(assumed_m)} on each axis",
        "give sigma_h in control.csv: it goes into every mark taped from the point",
    )
    return control, [finding]
