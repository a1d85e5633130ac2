"""Files of points taken through every step short of writing: opened, ordered, brought, sorted."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import numpy as np
from pyproj import CRS

from lateralline.errors import LaterallineError
from lateralline.frames.systems import Systems, site_systems
from lateralline.read.ledger import Ledger
from lateralline.records import Floats
from lateralline.survey_files.bring import Brought, authority, bring, parts, plan_of
from lateralline.survey_files.codes import Codes
from lateralline.survey_files.columns import Choice, Columns, Order, text_columns
from lateralline.survey_files.map_layer import map_points
from lateralline.survey_files.order import Detection, detect
from lateralline.survey_files.places import check_levels, check_places
from lateralline.survey_files.points import Points
from lateralline.survey_files.sorting import Sorted, sort_points
from lateralline.survey_files.text_file import TextFile, read_text
from lateralline.survey_files.text_points import text_points

#: What survey instruments and spreadsheets call files of text.
_TEXT: Final = (".txt", ".csv", ".tsv", ".asc", ".pnt", ".pts", ".dat", ".prn", ".xyz", "")

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
    text: TextFile | None = None
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
    ledger.raise_faults("import-points")
    horizontal, vertical = _site_crs(wanted, [o.points for o in opened if o.points is not None])
    given = plan_of(wanted.file_crs or horizontal) if wanted.file_crs or horizontal else None
    if not horizontal:
        for o in opened:
            must, hint = "must name its CRS; it does not", "say which it is: --crs EPSG:32617, say"
            ledger.fault(o.path.name, 0, "CRS", "", must, hint)
        _ask(opened, wanted, None, [], confirm, ledger)
        ledger.raise_faults("import-points")
    systems = site_systems(horizontal, vertical)
    done: dict[int, Brought] = {}
    for i, o in enumerate(opened):
        if o.points is not None:
            _bring(done, i, o.points, given, systems, wanted, ledger)
    near = [_middle(b) for b in done.values() if given == systems.horizontal and len(b.points)]
    orders = _ask(opened, wanted, given, near, confirm, ledger)
    for i, o in enumerate(opened):
        if o.text is not None and o.columns is not None:
            points = text_points(o.text, o.columns, orders[i], ledger)
            _bring(done, i, points, given, systems, wanted, ledger)
    ledger.raise_faults("import-points")
    brought = [done[i] for i in sorted(done)]
    check_places(brought, systems, ledger)
    check_levels(brought, ledger)
    found = sort_points([b.points for b in brought], wanted.codes, ledger, prefix=wanted.prefix)
    ledger.raise_faults("import-points")
    return Gathered(horizontal, vertical, systems, tuple(brought), found)


def _open(path: Path, wanted: Wanted, ledger: Ledger) -> _Opened:
    if path.suffix.casefold() in _TEXT and not wanted.layer:
        text = read_text(path.name, path.read_bytes(), ledger)
        if text is None:
            return _Opened(path)
        if "wkt" not in text.header:  # coordinates written as geometry: GDAL reads those
            return _Opened(path, text, text_columns(text, wanted.choice, ledger))
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
    done: dict[int, Brought],
    i: int,
    points: Points,
    given: CRS | None,
    systems: Systems,
    wanted: Wanted,
    ledger: Ledger,
) -> None:
    b = bring(points, given, systems, wanted.z_unit, ledger)
    if b is not None:
        done[i] = b


def _middle(b: Brought) -> Floats:
    return np.array([np.nanmedian(b.x), np.nanmedian(b.y)])


def _ask(
    opened: Sequence[_Opened],
    wanted: Wanted,
    crs: CRS | None,
    near: Sequence[Floats],
    confirm: Confirm,
    ledger: Ledger,
) -> dict[int, Order]:
    """Return the confirmed order of each text file; raises OrderNotConfirmedError with the rest."""
    orders: dict[int, Order] = {}
    open_: list[Detection] = []
    for i, o in enumerate(opened):
        if o.text is None or o.columns is None:
            continue
        if wanted.choice.coordinates and o.columns.order is not None:
            orders[i] = o.columns.order
            continue
        detection = detect(o.text, o.columns, _plan(crs), near)
        order = wanted.order or confirm(detection)
        if wanted.order and detection.excluded == wanted.order:
            must = f"must be {detection.order}, not {order}"
            why = "; ".join(detection.evidence)
            ledger.fault(detection.text.file, 0, "order", order, must, why)
        if order is None:
            open_.append(detection)
        else:
            orders[i] = order
    ledger.raise_faults("import-points")
    if open_:
        raise OrderNotConfirmedError(open_)
    return orders


def _plan(crs: CRS | None) -> CRS | None:
    return None if crs is None else parts(crs)[0]
