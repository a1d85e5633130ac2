"""Mark kinds that carry a field condition, and their codes in the solver's arrays."""

from __future__ import annotations

END, MID, TOTAL, AXIAL = range(4)
#: Their names in the field record, in the order of the codes.
KINDS = ("end_null", "mid_null", "peak_total", "peak_axial")
