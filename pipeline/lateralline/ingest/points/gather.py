"""Files of points taken through every step short of writing: opened, ordered, brought, sorted."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Final

import numpy as np
from pyproj import CRS

from lateralline.errors import LaterallineError
from lateralline.frames.systems import Systems, site_systems
from lateralline.ingest.intake import may_be_read, read_bytes
from lateralline.ingest.ledger import Ledger
from lateralline.ingest.limits import MAP_BYTES
from lateralline.ingest.points.codes import Codes
from lateralline.ingest.points.columns import (
    Choice,
    Columns,
    Detection,
    Order,
    detect,
    text_columns,
)
from lateralline.ingest.points.map_layer import map_points
from lateralline.ingest.points.plausibility import (
    check_levels,
    check_places,
    misplaced,
    real_levels,
)
from lateralline.ingest.points.sorting import Sorted, sort_points
from lateralline.ingest.points.survey_points import Points, placed
from lateralline.ingest.points.text_points import read_text, text_points
from lateralline.ingest.points.transform import Brought, authority, bring, parts, plan_of
from lateralline.ingest.tables import TextTable
from lateralline.records import Floats

#: What survey instruments and spreadsheets call files of text.
TEXT_SUFFIXES: Final = (".txt", ".csv", ".tsv", ".asc", ".pnt", ".pts", ".dat", ".prn", ".xyz", "")

_IN_PARTS: Final = "give it in parts"
_LAYER_ALONE: Final = "copy the layer of points into a file of its own"

#: Asked for each text file whose order was not given; None stops the import.
Confirm = Callable[[Detection], Order | None]


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is to be imported, and how it is to be understood."""

    files: tuple[Path, ...]
    codes: Codes
    order: Order | None = None  # of text files; None = ask
    choice: Choice = field(default_factory=Choice)
    layer: str = ""
    horizontal: str = ""  # of the site; "" = that of the first file that names one
    vertical: str = ""  # "" = that of the same file, else "none"
    file_crs: str = ""  # of files that name none; "" = that of the site
    file_vertical: str = ""  # likewise, of their levels
    z_unit: str = ""
    prefix: bool = False


@dataclass(frozen=True, slots=True)
class Gathered:
    """Every point of every file, and what becomes of it."""

    horizontal: str
    vertical: str
    systems: Systems
    brought: tuple[Brought, ...]
    found: tuple[Sorted, ...]

    @property
    def level_unit(self) -> str:
        """The unit levels come in: that of the first file that has any; "" when none has."""
        return next((b.z_unit for b in self.brought if b.z_unit), "")


@dataclass(frozen=True, slots=True)
class _Opened:
    """One file before its order is known: a text, or points already."""

    path: Path
    text: TextTable | None = None
    columns: Columns | None = None
    points: Points | None = None


class OrderNotConfirmedError(LaterallineError, ValueError):
    """The order of coordinates of some text file was not confirmed; nothing else is wrong."""

    def __init__(self, detections: Sequence[Detection]) -> None:
        """Keep what was found out about each file, for the person to decide."""
        self.detections = tuple(detections)
        super().__init__("the order of coordinates was not confirmed")


def gather(wanted: Wanted, confirm: Confirm) -> Gathered:
    """Return all points sorted; nothing is written.

    Raises SiteFaultsError with every fault of every file, FrameError for a CRS nobody knows, and
    OrderNotConfirmedError when `confirm` does not say the order of a text file.
    """
    ledger = Ledger()
    opened = [_open(path, wanted, ledger) for path in wanted.files]
    horizontal, vertical = _site_crs(wanted, [o.points for o in opened if o.points is not None])
    given = plan_of(wanted.file_crs or horizontal) if wanted.file_crs or horizontal else None
    systems = site_systems(horizontal, vertical) if horizontal else None
    for o in opened if systems is None else ():
        must, hint = "must name its CRS; it does not", "say which it is: --crs EPSG:32617, say"
        ledger.fault(o.path.name, 0, "CRS", "", must, hint)
    mapped = {
        i: b
        for i, o in enumerate(opened)
        if o.points is not None
        and (b := _bring(o.points, given, systems, wanted, ledger)) is not None
    }
    same = systems is not None and given == systems.horizontal
    near = [_middle(b) for b in mapped.values() if same and len(b.points)]
    orders, open_ = _orders(opened, wanted, given, near, ledger)
    # Whatever is wrong is said before anyone is asked for an order: faults do not hang on it.
    brought, found = _sorted(opened, orders, mapped, given, systems, wanted, ledger)
    ledger.raise_faults("import-points")
    if open_:
        orders |= _ask(open_, confirm)
        brought, found = _sorted(opened, orders, mapped, given, systems, wanted, ledger)
        ledger.raise_faults("import-points")
    assert systems is not None  # else every file is at fault
    remarked = tuple(_remarked(b, systems) for b in brought)
    return Gathered(horizontal, vertical, systems, remarked, found)


def _sorted(
    opened: Sequence[_Opened],
    orders: Mapping[int, Order],
    mapped: Mapping[int, Brought],
    given: CRS | None,
    systems: Systems | None,
    wanted: Wanted,
    ledger: Ledger,
) -> tuple[list[Brought], tuple[Sorted, ...]]:
    """Return the points of every file brought and sorted; of a file without an order, faults only.

    `mapped` are the files brought already.
    """
    read: list[Points] = []
    brought: list[Brought] = []
    for i, o in enumerate(opened):
        points, b = o.points, mapped.get(i)
        if o.text is not None and o.columns is not None:
            points = text_points(o.text, o.columns, orders.get(i), ledger)
            if i in orders:
                b = _bring(points, given, systems, wanted, ledger)
            else:
                real_levels(points, ledger)
        read += [points] if points is not None else []
        brought += [b] if b is not None else []
    if systems is not None:
        check_places(brought, systems, ledger)
        check_levels(brought, ledger)
    return brought, sort_points(read, wanted.codes, ledger, prefix=wanted.prefix)


def _open(path: Path, wanted: Wanted, ledger: Ledger) -> _Opened:
    if path.suffix.casefold() in TEXT_SUFFIXES and not wanted.layer:
        data = read_bytes(path, ledger, smaller=_IN_PARTS)
        text = None if data is None else read_text(path.name, data, ledger)
        if text is None:
            return _Opened(path)
        if "wkt" not in text.header:  # coordinates written as geometry: GDAL reads those
            return _Opened(path, text, text_columns(text, wanted.choice, ledger))
    if not may_be_read(path, ledger, MAP_BYTES, smaller=_LAYER_ALONE):
        return _Opened(path)
    layer, choice = wanted.layer, wanted.choice
    return _Opened(path, points=map_points(path, ledger, layer=layer, choice=choice))


def _site_crs(wanted: Wanted, mapped: Sequence[Points]) -> tuple[str, str]:
    """Return the site's horizontal and vertical CRS as text; the first "" when nothing says it."""
    own = next((p.crs for p in mapped if p.crs is not None), None)
    horizontal, vertical = wanted.horizontal, wanted.vertical
    if not horizontal and own is not None:
        plan, up = parts(own)
        horizontal = authority(plan or own)
        if up is not None and not vertical:
            vertical = authority(up) if up.is_vertical else "ellipsoidal"
    return horizontal or wanted.file_crs, vertical or "none"


def _bring(
    points: Points, given: CRS | None, systems: Systems | None, wanted: Wanted, ledger: Ledger
) -> Brought | None:
    """Return the points in the site's CRS; those without coordinates are at fault and left out."""
    points = placed(real_levels(points, ledger))
    if systems is None:
        return None
    return bring(points, given, systems, wanted.z_unit, ledger, wanted.file_vertical)


def _middle(b: Brought) -> Floats:
    return np.array([np.nanmedian(b.x), np.nanmedian(b.y)])


def _remarked(b: Brought, systems: Systems) -> Brought:
    """Return points with a warning where they lie outside the site's CRS."""
    return replace(b, warned=(lost,)) if (lost := misplaced(b, systems)) else b


def _orders(
    opened: Sequence[_Opened],
    wanted: Wanted,
    crs: CRS | None,
    near: Sequence[Floats],
    ledger: Ledger,
) -> tuple[dict[int, Order], dict[int, Detection]]:
    """Return the order of each text file as far as it was given, and what to ask for the others."""
    orders: dict[int, Order] = {}
    open_: dict[int, Detection] = {}
    for i, o in enumerate(opened):
        if o.text is None or o.columns is None:
            continue
        if wanted.choice.coordinates and o.columns.order is not None:
            orders[i] = o.columns.order
            continue
        detection = detect(o.text, o.columns, _plan(crs), near)
        if wanted.order is None:
            open_[i] = detection
            continue
        orders[i] = wanted.order
        if detection.excluded == wanted.order:
            must = f"must be {detection.order}, not {wanted.order}"
            why = "; ".join(detection.evidence)
            ledger.fault(detection.text.file, 0, "order", wanted.order, must, why)
    return orders, open_


def _ask(open_: Mapping[int, Detection], confirm: Confirm) -> dict[int, Order]:
    """Return the confirmed order of each file; raises OrderNotConfirmedError with the rest."""
    said = {i: confirm(detection) for i, detection in open_.items()}
    confirmed = {i: order for i, order in said.items() if order is not None}
    if len(confirmed) < len(open_):
        raise OrderNotConfirmedError([d for i, d in open_.items() if i not in confirmed])
    return confirmed


def _plan(crs: CRS | None) -> CRS | None:
    return None if crs is None else parts(crs)[0]
