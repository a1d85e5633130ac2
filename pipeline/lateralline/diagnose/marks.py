"""What is wrong with marks as they were placed, before anything is solved from them."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from lateralline.diagnose.astray import marks_astray
from lateralline.diagnose.copies import copies
from lateralline.diagnose.mirrors import mirrors
from lateralline.findings import Finding
from lateralline.place import Placed
from lateralline.records import FieldRecord, Ints


def with_doubts(record: FieldRecord, placed: Placed) -> Placed:
    """Return what was placed with the marks doubted that cannot be, and named.

    They keep their places and their rows in the record; nothing is solved from them.
    """
    mirror = mirrors(record, placed.frame, placed.marks.xyz_m[:, :2])
    placed = replace(placed, marks=replace(placed.marks, mirror_m=mirror.xy_m))
    placed = _doubting(placed, copies(record, placed))
    return _doubting(placed, marks_astray(record, placed))


def _doubting(placed: Placed, found: Iterable[tuple[Finding, Ints]]) -> Placed:
    told = list(found)
    if not told:
        return placed
    doubted = np.zeros(len(placed.marks.row), dtype=np.bool_)
    for _, which in told:
        doubted[which] = True
    findings = (*placed.findings, *(f for f, _ in told))
    return replace(placed, marks=placed.marks.doubting(doubted), findings=findings)
