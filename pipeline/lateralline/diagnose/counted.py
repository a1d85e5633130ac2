"""Counters that ran down: zero, or the full length, is set at the far end of a push.

Such counters order the stops the wrong way round, and all of one run still fits. What tells is
that they fall from stop to stop as written, and that a drain would then rise downstream, or that
the entry itself, opened, lies at the far end of its own run.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from lateralline.diagnose.exposed import runs_with_stops
from lateralline.diagnose.level_unit import rises
from lateralline.findings import Finding, finding
from lateralline.place import Placed
from lateralline.records import FieldRecord, Fixes, Ints, Solved
from lateralline.settings import Run

#: Fewer stops have an order by chance.
_STOPS: Final = 4


def counted_down(record: FieldRecord, placed: Placed, solved: Solved) -> tuple[Finding, ...]:
    """Return a warning on each run whose counter looks to have run down."""
    if placed.lengths_unreliable or solved.lengths_unreliable:
        return ()
    fixes, settings, out = solved.fixes, record.settings, []
    for run, at in runs_with_stops(fixes, settings):
        if len(at) < _STOPS or (np.diff(fixes.row[at]) > 0).any():
            continue
        entry = _entry_beyond(fixes, at, placed, run)
        if not entry and not (run.flow_told and rises(fixes, at, run)):
            continue
        lines = (b.line for b in settings.branches if b.run == run.id)
        names = [f"run {run.id}", f"line {run.line}", *(f"line {line}" for line in lines)]
        if entry:
            names.append(f"exposure {run.entry}")
        out.append(
            finding(
                "counter-wrong/down",
                f"run {run.id}",
                where=fixes.where(int(at[-1])),
                explains=names,
                stops=len(at),
                entry=run.entry if entry else None,
                rising=not entry,
            )
        )
    return tuple(out)


def _entry_beyond(fixes: Fixes, at: Ints, placed: Placed, run: Run) -> bool:
    """Whether the entry, opened, has a counter past all stops, where it was to be before them."""
    exposures = placed.exposures
    opened = exposures.counter_m[(exposures.name == run.entry) & (exposures.run == run.id)]
    if not run.entry or run.counter_at_entry_m > fixes.counter_m[at[0]]:
        return False
    return bool((opened > fixes.counter_m[at[-1]]).any())
