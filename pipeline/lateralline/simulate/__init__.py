"""Practice sites: invented pipes with known truth, surveyed by a simulated crew, seeded noise.

Used by `lateralline practice`, the sample sites, tests and benchmarks. Nothing here knows how a
solution is found.
"""

from __future__ import annotations

from lateralline.simulate.additions import ADDITIONS, Addition, make_addition
from lateralline.simulate.batch import StopBatch, random_site, random_stops, write_batch
from lateralline.simulate.scenarios import SCENARIOS as _WELL_FRAMED
from lateralline.simulate.scenarios import Scenario, make_site
from lateralline.simulate.truth import Truth
from lateralline.simulate.wrong_frames import WRONG_FRAMES

SCENARIOS = _WELL_FRAMED | WRONG_FRAMES

__all__ = [
    "ADDITIONS",
    "SCENARIOS",
    "Addition",
    "Scenario",
    "StopBatch",
    "Truth",
    "make_addition",
    "make_site",
    "random_site",
    "random_stops",
    "write_batch",
]
