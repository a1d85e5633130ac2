"""Practice sites: invented pipes with known truth, surveyed by a simulated crew, seeded noise.

Used by `lateralline practice`, the sample sites, tests and benchmarks. Nothing here knows how a
solution is found.
"""

from __future__ import annotations

from lateralline.simulate.additions import ADDITIONS, Addition, make_addition
from lateralline.simulate.faults import FAULTY
from lateralline.simulate.scenarios import SOUND, Scenario, make_site
from lateralline.simulate.truth import Truth

SCENARIOS = SOUND | FAULTY

__all__ = [
    "ADDITIONS",
    "SCENARIOS",
    "Addition",
    "Scenario",
    "Truth",
    "make_addition",
    "make_site",
]
