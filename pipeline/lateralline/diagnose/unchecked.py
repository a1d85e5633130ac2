"""What nothing in a site's data could show to be wrong, said once."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from lateralline.place import Placed
from lateralline.records import FieldRecord, Finding


def with_unchecked(record: FieldRecord, placed: Placed) -> Placed:
    """Return the site with one finding (info) more: what no measurement of it checks.

    Each of these moves or scales the whole of what hangs on it alike, so residuals, counters and
    depths agree as well with it as without. Only what applies to the site is listed.
    """
    said = list(_said(record, placed))
    finding = Finding(
        "info",
        "place",
        "not-checked",
        "site",
        "not checked by anything here: " + "; ".join(said),
        "",
        "measure one known point more, with another instrument if there is one",
    )
    return replace(placed, findings=(*placed.findings, finding))


def _said(record: FieldRecord, placed: Placed) -> Iterator[str]:
    settings, spots = record.settings, (record.marks.spots, record.exposures.spots)
    methods = {str(m) for s in spots for m in s.method}
    by_gnss = "gnss" in methods
    taped = methods - {"gnss"}
    mapped = settings.horizontal != "local"
    if mapped:
        yield "a shift of the whole site" + (" (base station, datum)" if by_gnss else " (control)")
        told = any(f.code == "which-zone" for f in placed.findings)
        if settings.georeference.extent is None and not told:
            yield "the right zone of the coordinate system, as no extent is given"
    if by_gnss and any(np.isfinite(s.z_m[s.method == "gnss"]).any() for s in spots):
        yield "the height of the antenna"
    if taped and not by_gnss:
        yield "control laid out as its own mirror image"
    if settings.aerial_height_m == 0.0 and np.isfinite(record.stops.depth_reading_m).any():
        yield "how high the receiver was held"
    yield "one wrong unit for all that was measured"
