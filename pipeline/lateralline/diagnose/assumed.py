"""What was taken for granted because nobody gave it, in one finding, each with what it moves."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from lateralline.findings import finding
from lateralline.place import Placed
from lateralline.published import dig_rules
from lateralline.records import FieldRecord
from lateralline.wording import as_written


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
