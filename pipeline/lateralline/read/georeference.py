"""What section [crs] says beside the systems: where to look for grids, what to accept, where."""

from __future__ import annotations

from math import isfinite, isnan
from pathlib import Path

from lateralline import contract
from lateralline.read.crs import crs_texts
from lateralline.read.ledger import Ledger
from lateralline.read.tables import Row
from lateralline.settings import Georeference

Extent = tuple[float, float, float, float]


def georeference(crs: Row, folder: Path, ledger: Ledger) -> Georeference:
    """Return what [crs] allows and states; `folder` is where `site.toml` lies."""
    accuracy = crs.number("shift_accuracy")
    accepted = crs.cells.get("accept_zero_shift", False) is True
    if accepted and not crs.given("shift_accuracy"):
        must = "must come with shift_accuracy, in metres: how far off the site may then be"
        crs.fault(ledger, "accept_zero_shift", must, "shift_accuracy = 2.0, for example")
    ellipsoidal, separation = _heights(crs, ledger)
    standard = contract.load("site").column("separation_sigma", "crs").default
    assert isinstance(standard, float)
    return Georeference(
        extent=_extent(crs, ledger),
        grids=_grids(crs, folder, ledger),
        accept_zero_shift=accepted,
        shift_accuracy_m=None if isnan(accuracy) else accuracy,
        gnss_heights="ellipsoidal" if ellipsoidal else "levels",
        separation_m=separation,
        separation_sigma_m=0.0 if isnan(separation) else crs.number("separation_sigma", standard),
    )


def _heights(crs: Row, ledger: Ledger) -> tuple[bool, float]:
    """Return whether GNSS heights are ellipsoidal and to be reduced, and by what; NaN = a grid."""
    ellipsoidal = crs.text("gnss_heights", "levels") == "ellipsoidal"
    horizontal, vertical = crs_texts(crs)
    named = vertical not in ("none", "ellipsoidal") or (vertical == "none" and "+" in horizontal)
    if ellipsoidal and (horizontal == "local" or not named):
        must = "must be levels unless vertical names a height CRS to reduce them to"
        hint = (
            'vertical = "ellipsoidal" keeps them as they are'
            if vertical == "ellipsoidal"
            else 'vertical = "EPSG:5703", for example'
        )
        crs.fault(ledger, "gnss_heights", must, hint)
    if crs.given("separation") and not ellipsoidal:
        must = 'must come with gnss_heights = "ellipsoidal": levels are not reduced'
        crs.fault(ledger, "separation", must, "leave it out when gnss gives levels")
    if crs.given("separation_sigma") and not crs.given("separation"):
        crs.fault(ledger, "separation_sigma", "must come with separation")
    return ellipsoidal, crs.number("separation")


def _grids(crs: Row, folder: Path, ledger: Ledger) -> str:
    """Return the folder of grids as a path that can be opened; "" when none is named."""
    if not (named := crs.text("grids")):
        return ""
    there = folder / named
    if not there.is_dir():
        crs.fault(ledger, "grids", "must be a folder that is there", "seen from the site's folder")
        return ""
    return str(there.resolve())


def _extent(crs: Row, ledger: Ledger) -> Extent | None:
    """Return west, south, east, north in degrees; None when not given or at fault.

    West of the antimeridian and east of it, `west` is the larger of the two.
    """
    if not (text := crs.text("extent")):
        return None
    try:
        west, south, east, north = (float(part) for part in text.replace(",", " ").split())
    except ValueError:
        must = "must be four numbers: west south east north, in degrees"
        crs.fault(ledger, "extent", must, "-81.6 41.9 -81.2 42.3, for example")
        return None
    within = all(isfinite(v) and abs(v) <= 180.0 for v in (west, east))
    if not (within and -90.0 <= south < north <= 90.0 and west != east):
        must = "must run from west to east and from south to north, in degrees"
        crs.fault(ledger, "extent", must, "longitudes come first and third")
        return None
    return west, south, east, north
