"""What is reported: causes without what only follows from them; what was assumed, or not checked.

A finding may give what it explains (`Finding.explains`): names, and the subjects they would be
about. Whoever finds a cause knows best what follows from it, so it is given there, and the list is
cleared here, once, for all stages. An effect that some cause explains is left out whatever its
severity; a cause is never left out as the effect of itself.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np

from lateralline.findings import Finding, finding
from lateralline.place import Placed
from lateralline.published import dig_rules
from lateralline.records import FieldRecord
from lateralline.wording import as_written


def explained(found: Finding, causes: Iterable[Finding]) -> bool:
    """Whether a finding only follows from one of the causes."""
    subjects = {found.subject, *found.about}
    return any(
        found.name in effect.names
        and (effect.subjects is None or not effect.subjects.isdisjoint(subjects))
        for cause in causes
        if cause is not found
        for effect in cause.explains
    )


def leading(findings: Sequence[Finding]) -> tuple[Finding, ...]:
    """Return the findings that follow from no other, in their order, causes first among errors.

    A cause stands before everything of its own severity: it is what to mend first. Before causes
    stands what unsettles the whole site.
    """
    causes = [f for f in findings if f.explains]
    if not causes:
        return tuple(findings)
    kept = [f for f in findings if not explained(f, causes)]
    return tuple(sorted(kept, key=lambda f: (not f.unsettles, not f.explains)))


def with_unchecked(record: FieldRecord, placed: Placed) -> Placed:
    """Return the site with one finding (info) more: what no measurement of the site checks.

    Each of these moves or scales the whole of what hangs on it alike, so residuals, counters and
    depths agree as well with it as without. Only what applies to the site is listed.
    """
    settings, spots = record.settings, (record.marks.spots, record.exposures.spots)
    methods = {str(m) for s in spots for m in s.method}
    by_gnss, taped = "gnss" in methods, methods - {"gnss"}
    mapped = settings.horizontal != "local"
    zone_reported = any(f.name == "coordinates-unconfirmed/zone" for f in placed.findings)
    by_gnss_levels = any(np.isfinite(s.z_m[s.method == "gnss"]).any() for s in spots)
    read = bool(np.isfinite(record.stops.depth_reading_m).any())
    unchecked = finding(
        "not-checked",
        "site",
        shift_of_gnss=mapped and by_gnss,
        shift_of_control=mapped and not by_gnss,
        zone=mapped and settings.georeference.extent is None and not zone_reported,
        antenna=by_gnss_levels,
        mirror=bool(taped) and not by_gnss,
        receiver=settings.aerial_height_m == 0.0 and read,
        pairs=sum(len(ties) == 2 for s in spots for ties in s.ties) or None,
    )
    return replace(placed, findings=(*placed.findings, unchecked))


def with_assumed(record: FieldRecord, placed: Placed) -> Placed:
    """Return the site with one finding more of all defaults that stand in for what is not given.

    A warning where one of them moves pipe or a tolerance; σ of control, and that no stop is said to
    be beside metal, are no more than said.
    """
    settings, about = record.settings, record.settings.assumed
    taped = any((of.spots.method != "gnss").any() for of in (record.marks, record.exposures))
    bare = taped and bool(np.isnan(record.control.sigma_h_m).any())
    rule = dig_rules()[settings.dig_rule] if about.rule else None
    unseen = bool(len(record.stops.row)) and not record.stops.metal.any()
    if not (about.lag or about.ride or about.aerial or about.axes or rule or bare or unseen):
        return placed
    moves = bool(about.lag or about.ride or about.aerial or rule)
    local, tape = placed.frame.is_local, settings.units.get("tape", "m")
    assumed = finding(
        "assumed",
        "site",
        severity="warning" if moves else "info",
        lag=about.lag,
        ride=about.ride,
        aerial_m=settings.aerial_height_m if about.aerial else None,
        aerial_sigma_m=settings.aerial_height_sigma_m if about.aerial else None,
        rule=rule.title if rule else None,
        width=as_written(rule.tolerance_m, tape, alone=True, up=True) if rule else None,
        rules=tuple(dig_rules()) if rule else (),
        axes=about.axes,
        exact=bare and local,
        unseen=unseen,
        sigma_h_m=settings.accuracy.gnss_m if bare and not local else None,
    )
    return replace(placed, findings=(*placed.findings, assumed))
