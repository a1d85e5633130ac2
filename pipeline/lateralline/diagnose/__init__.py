"""What went wrong in the field, told by its cause.

Stages say what they cannot do; here is looked for the slip that would account for it, before its
consequences are computed, and what only follows from a cause is left out of the findings.

mirrors, clusters, belonging, astray   marks that lie where no mark of their stop can
copies      the same measurements entered twice
marks       both of these, before anything is solved
level_unit  levels in another unit than they are set to
unchecked   what nothing in the data could show
causes      one cause, one finding
"""

from __future__ import annotations

from lateralline.diagnose.causes import explained, leading
from lateralline.diagnose.level_unit import level_unit
from lateralline.diagnose.marks import with_doubts
from lateralline.diagnose.unchecked import with_unchecked

__all__ = ["explained", "leading", "level_unit", "with_doubts", "with_unchecked"]
