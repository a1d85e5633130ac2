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
from lateralline.ingest.points.classify import ClassifiedPoint, classify_points
from lateralline.ingest.points.codes import Codes
from lateralline.ingest.points.layer_points import map_points
from lateralline.ingest.points.survey_points import (
    ColumnChoice,
    Order,
    OrderDetection,
    PointColumns,
    SurveyPoints,
    detect,
    placed,
    text_columns,
)
from lateralline.ingest.points.text_points import read_text, text_points
from lateralline.ingest.points.transform import (
    TransformedPoints,
    authority,
    check_levels,
    check_places,
    misplaced,
    parts,
    plan_of,
    real_levels,
    to_site_crs,
)
from lateralline.ingest.tables import TextTable
from lateralline.records import Floats

#: What survey instruments and spreadsheets call files of text.
TEXT_SUFFIXES: Final = (".txt", ".csv", ".tsv", ".asc", ".pnt", ".pts", ".dat", ".prn", ".xyz", "")

_IN_PARTS: Final = "give it in parts"
_LAYER_ALONE: Final = "copy the layer of points into a file of its own"

#: Asked for each text file whose order was not given; None stops the import.
Confirm = Callable[[OrderDetection], Order | None]


@dataclass(frozen=True, slots=True)
class ImportTask:
    """What is to be imported, and how it is to be understood."""

    files: tuple[Path, ...]
    codes: Codes
    order: Order | None = None  # of text files; None = ask
    choice: ColumnChoice = field(default_factory=ColumnChoice)
    layer: str = ""
    horizontal: str = ""  # of the site; "" = that of the first file that names one
    vertical: str = ""  # "" = that of the same file, else "none"
    file_crs: str = ""  # of files that name none; "" = that of the site
    file_vertical: str = ""  # likewise, of their levels
    z_unit: str = ""
    prefix: bool = False


@dataclass(frozen=True, slots=True)
class ImportedPoints:
    """Every point of every file, and what becomes of it."""

    horizontal: str
    vertical: str
    systems: Systems
    transformed: tuple[TransformedPoints, ...]
    found: tuple[ClassifiedPoint, ...]

    @property
    def level_unit(self) -> str:
        """The unit levels come in: that of the first file that has any; "" when none has."""
        return next((b.z_unit for b in self.transformed if b.z_unit), "")


@dataclass(frozen=True, slots=True)
class _Opened:
    """One file before its order is known: a text, or points already."""

    path: Path
    text: TextTable | None = None
    columns: PointColumns | None = None
    points: SurveyPoints | None = None


class OrderNotConfirmedError(LaterallineError, ValueError):
    """The order of coordinates of some text file was not confirmed; nothing else is wrong."""

    def __init__(self, detections: Sequence[OrderDetection]) -> None:
        """Keep what was found out about each file, for the person to decide."""
        self.detections = tuple(detections)
        super().__init__("the order of coordinates was not confirmed")


def gather(task: ImportTask, confirm: Confirm) -> ImportedPoints:
    """Return all points sorted; nothing is written.

    Raises SiteFaultsError with every fault of every file, FrameError for a CRS nobody knows, and
    OrderNotConfirmedError when `confirm` does not say the order of a text file.
    """
    ledger = Ledger()
    opened = [_open(path, task, ledger) for path in task.files]
    horizontal, vertical = _site_crs(task, [o.points for o in opened if o.points is not None])
    given = plan_of(task.file_crs or horizontal) if task.file_crs or horizontal else None
    systems = site_systems(horizontal, vertical) if horizontal else None
    for o in opened if systems is None else ():
        must, hint = "must name its CRS; it does not", "say which it is: --crs EPSG:32617, say"
        ledger.fault(o.path.name, 0, "CRS", "", must, hint)

    def transformed_points(points: SurveyPoints) -> TransformedPoints | None:
        """Return points in the site's CRS; those without coordinates are at fault, left out."""
        points = placed(real_levels(points, ledger))
        if systems is None:
            return None
        return to_site_crs(points, given, systems, task.z_unit, ledger, task.file_vertical)

    def classified(
        orders: Mapping[int, Order],
    ) -> tuple[list[TransformedPoints], tuple[ClassifiedPoint, ...]]:
        """Return the points of all files, transformed; of a file without an order, faults only."""
        read: list[SurveyPoints] = []
        transformed: list[TransformedPoints] = []
        for i, o in enumerate(opened):
            points, b = o.points, mapped.get(i)
            if o.text is not None and o.columns is not None:
                points = text_points(o.text, o.columns, orders.get(i), ledger)
                if i in orders:
                    b = transformed_points(points)
                else:
                    real_levels(points, ledger)
            read += [points] if points is not None else []
            transformed += [b] if b is not None else []
        if systems is not None:
            check_places(transformed, systems, ledger)
            check_levels(transformed, ledger)
        return transformed, classify_points(read, task.codes, ledger, prefix=task.prefix)

    mapped = {
        i: b
        for i, o in enumerate(opened)
        if o.points is not None and (b := transformed_points(o.points)) is not None
    }
    same = systems is not None and given == systems.horizontal
    near = [
        np.array([np.nanmedian(b.x), np.nanmedian(b.y)])
        for b in mapped.values()
        if same and len(b.points)
    ]
    orders, open_ = _orders(opened, task, given, near, ledger)
    # Whatever is wrong is reported before anyone is asked for an order: faults do not depend on it.
    transformed, found = classified(orders)
    ledger.raise_faults("import-points")
    if open_:
        orders |= _ask(open_, confirm)
        transformed, found = classified(orders)
        ledger.raise_faults("import-points")
    assert systems is not None  # else every file is at fault
    warned = [
        replace(b, warnings=(outside,)) if (outside := misplaced(b, systems)) else b
        for b in transformed
    ]
    return ImportedPoints(horizontal, vertical, systems, tuple(warned), found)


def _open(path: Path, task: ImportTask, ledger: Ledger) -> _Opened:
    if path.suffix.casefold() in TEXT_SUFFIXES and not task.layer:
        data = read_bytes(path, ledger, smaller=_IN_PARTS)
        text = None if data is None else read_text(path.name, data, ledger)
        if text is None:
            return _Opened(path)
        if "wkt" not in text.header:  # coordinates written as geometry: GDAL reads those
            return _Opened(path, text, text_columns(text, task.choice, ledger))
    if not may_be_read(path, ledger, MAP_BYTES, smaller=_LAYER_ALONE):
        return _Opened(path)
    layer, choice = task.layer, task.choice
    return _Opened(path, points=map_points(path, ledger, layer=layer, choice=choice))


def _site_crs(task: ImportTask, mapped: Sequence[SurveyPoints]) -> tuple[str, str]:
    """Return the site's horizontal and vertical CRS as text; the first "" when nothing says it."""
    own = next((p.crs for p in mapped if p.crs is not None), None)
    horizontal, vertical = task.horizontal, task.vertical
    if not horizontal and own is not None:
        plan, up = parts(own)
        horizontal = authority(plan or own)
        if up is not None and not vertical:
            vertical = authority(up) if up.is_vertical else "ellipsoidal"
    return horizontal or task.file_crs, vertical or "none"


def _orders(
    opened: Sequence[_Opened],
    task: ImportTask,
    crs: CRS | None,
    near: Sequence[Floats],
    ledger: Ledger,
) -> tuple[dict[int, Order], dict[int, OrderDetection]]:
    """Return the order of each text file as far as it was given, and what to ask for the others."""
    orders: dict[int, Order] = {}
    open_: dict[int, OrderDetection] = {}
    for i, o in enumerate(opened):
        if o.text is None or o.columns is None:
            continue
        if task.choice.coordinates and o.columns.order is not None:
            orders[i] = o.columns.order
            continue
        detection = detect(o.text, o.columns, None if crs is None else parts(crs)[0], near)
        if task.order is None:
            open_[i] = detection
            continue
        orders[i] = task.order
        if detection.excluded == task.order:
            must = f"must be {detection.order}, not {task.order}"
            why = "; ".join(detection.evidence)
            ledger.fault(detection.text.file, 0, "order", task.order, must, why)
    return orders, open_


def _ask(open_: Mapping[int, OrderDetection], confirm: Confirm) -> dict[int, Order]:
    """Return the confirmed order of each file; raises OrderNotConfirmedError with the rest."""
    answers = {i: confirm(detection) for i, detection in open_.items()}
    confirmed = {i: order for i, order in answers.items() if order is not None}
    if len(confirmed) < len(open_):
        raise OrderNotConfirmedError([d for i, d in open_.items() if i not in confirmed])
    return confirmed
