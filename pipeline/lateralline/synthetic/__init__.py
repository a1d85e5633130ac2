"""Practice sites: invented pipes with known truth, surveyed by a simulated crew, seeded noise.

Used by `lateralline practice`, the sample sites, tests and benchmarks. Nothing here knows how a
solution is found.
"""

from __future__ import annotations

from lateralline.synthetic.additions import ADDITIONS, Addition, make_addition
from lateralline.synthetic.batch import StopBatch, random_site, random_stops, write_batch
from lateralline.synthetic.scenarios import SCENARIOS as _WELL_FRAMED
from lateralline.synthetic.scenarios import Scenario, make_site
from lateralline.synthetic.truth import Truth
from lateralline.synthetic.wrong_frames import WRONG_FRAMES

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
