"""What nothing in a site's data could show to be wrong, said once."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from lateralline.findings import finding
from lateralline.place import Placed
from lateralline.records import FieldRecord


def with_unchecked(record: FieldRecord, placed: Placed) -> Placed:
    """Return the site with one finding (info) more: what no measurement of the site checks.

    Each of these moves or scales the whole of what hangs on it alike, so residuals, counters and
    depths agree as well with it as without. Only what applies to the site is listed.
    """
    settings, spots = record.settings, (record.marks.spots, record.exposures.spots)
    methods = {str(m) for s in spots for m in s.method}
    by_gnss = "gnss" in methods
    taped = methods - {"gnss"}
    mapped = settings.horizontal != "local"
    zone_told = any(f.code == "which-zone" for f in placed.findings)
    by_gnss_levels = any(np.isfinite(s.z_m[s.method == "gnss"]).any() for s in spots)
    read = bool(np.isfinite(record.stops.depth_reading_m).any())
    unchecked = finding(
        "not-checked",
        "site",
        shift_of_gnss=mapped and by_gnss,
        shift_of_control=mapped and not by_gnss,
        zone=mapped and settings.georeference.extent is None and not zone_told,
        antenna=by_gnss_levels,
        mirror=bool(taped) and not by_gnss,
        receiver=settings.aerial_height_m == 0.0 and read,
    )
    return replace(placed, findings=(*placed.findings, unchecked))
