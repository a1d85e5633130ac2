"""What went wrong in the field, named by its cause.

Stages report what they cannot do; here is looked for the slip that would account for it, before its
consequences are computed, and what only follows from a cause is left out of the findings.

astray, mirrored, clusters   marks that lie where no mark of their stop can
copies      the same measurements entered twice
exposed     depths and counters of exposures that no stop beside bears out
counted     counters that ran down
level_unit  levels in another unit than they are set to
level_zero  levels of a site from two zeros
tapes       tapes that miss at mark after mark
misread     control elsewhere, by which all fits that is accused (hung: as it would lie and fit)
flow        which way water runs where nobody knows
causes      one cause, one finding; what was assumed; what nothing in the data could show
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from lateralline.diagnose.astray import marks_astray
from lateralline.diagnose.causes import explained, leading, with_assumed, with_unchecked
from lateralline.diagnose.copies import copies
from lateralline.diagnose.counted import counted_down
from lateralline.diagnose.exposed import exposures_off
from lateralline.diagnose.flow import unknown_flow
from lateralline.diagnose.level_unit import level_unit
from lateralline.diagnose.level_zero import level_step, level_zero
from lateralline.diagnose.mirrored import mirrors
from lateralline.diagnose.misread import control_misread
from lateralline.diagnose.tapes import lengths_of, stops_or_control, tapes_alike
from lateralline.findings import Finding
from lateralline.place import Placed
from lateralline.records import FieldRecord, Ints

__all__ = [
    "control_misread",
    "counted_down",
    "explained",
    "exposures_off",
    "leading",
    "lengths_of",
    "level_step",
    "level_unit",
    "stops_or_control",
    "unknown_flow",
    "with_assumed",
    "with_doubts",
    "with_unchecked",
]


def with_doubts(record: FieldRecord, placed: Placed) -> Placed:
    """Return what was placed with the marks doubted that cannot be, and named.

    They keep their places and their rows in the record; nothing is solved from them.
    """
    mirror = mirrors(record, placed.frame, placed.marks.xyz_m[:, :2])
    placed = replace(
        placed,
        marks=replace(placed.marks, mirror_m=mirror.xy_m),
        findings=(*placed.findings, *level_zero(placed), *tapes_alike(record, placed)),
    )
    placed = _doubting(placed, copies(record, placed))
    return _doubting(placed, marks_astray(record, placed, mirror))


def _doubting(placed: Placed, found: Iterable[tuple[Finding, Ints]]) -> Placed:
    findings, marks = list(placed.findings), placed.marks
    for error, which in found:
        findings.append(error)
        marks = marks.doubting(np.isin(np.arange(len(marks.row)), which))
    return replace(placed, marks=marks, findings=tuple(findings))
