"""What the script of a page knows of a site, as JSON: places, lines, findings, and all columns."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict
from math import isnan
from typing import Final

import numpy as np

from lateralline.derive.ellipses import INTERVAL_95
from lateralline.page.columns import Columns
from lateralline.page.places import UNIT_NAMES, PagePlace, PageTarget, centreline
from lateralline.page.signs import opening
from lateralline.record.profile import LineProfile
from lateralline.record.rows import CentrelineRow, SegmentRow
from lateralline.record.view import IN_FEET, RecordView, bounds_of
from lateralline.units import METRES_PER
from lateralline.wording import off_by

#: Facts that a tip tells though nothing says how far off they are.
_BRIEF: Final = (
    "status",
    "meeting",
    "along the main",
    "verdict",
    "separation",
    "lower 95 %",
    "required",
    "what",
)


def payload(
    view: RecordView,
    found: Mapping[str, Sequence[PagePlace]],
    columns: Mapping[str, Columns],
    profiles: Sequence[LineProfile],
    targets: Sequence[PageTarget],
) -> dict[str, object]:
    """Return what the script knows: places by kind, lines, where each finding points, units.

    `columns` are what both drawings are filled with.
    """
    along = view.word("distance along pipe")
    axes, zero = (("x", "y"), "sketch") if view.crs is None else (("east", "north"), "corner")
    return {
        "unit": view.unit,
        "inches": view.measure.unit == "ft-in",
        "per": {unit: METRES_PER[unit] for unit, _ in units(view)},
        "names": UNIT_NAMES,
        "columns": columns,
        "box": opening(view),
        "level": "below ground taken as level" if view.depth_only else view.word("level"),
        "axes": [f"{axis} of the {zero}" for axis in axes],
        "along": along,
        "brief": [along, view.word("position ±"), *_BRIEF],
        "places": {kind: [asdict(p) for p in places] for kind, places in found.items()},
        "lines": [_line(view, profile) for profile in profiles],
        "grades": list(_grades(view)),
        "findings": [asdict(t) for t in targets],
    }


def units(view: RecordView) -> list[tuple[str, str]]:
    """Return the units a reader may choose, with their names: metres, and the crew's foot."""
    foot = view.unit if view.unit in IN_FEET else "ft"
    return [(unit, UNIT_NAMES[unit]) for unit in ("m", foot)]


def _grades(view: RecordView) -> Iterator[dict[str, object]]:
    for row in view.rows(SegmentRow):
        if row.fall_shown:
            half = 100 * INTERVAL_95 * row.gradient_sigma
            spread = "" if isnan(half) else f" ± {off_by(half, 1)}"
            at = (row.from_chainage_m + row.to_chainage_m) / 2
            words = f"{100 * row.gradient:.1f}{spread} %"
            yield {"line": row.line_id, "chainage": at, "name": words}


def _line(view: RecordView, profile: LineProfile) -> dict[str, object]:
    row, invert = profile.line, profile.inverts[np.isfinite(profile.inverts[:, 1])]
    path = centreline(view, row.line_id).round(4)
    sure = [
        [s.from_chainage_m, s.to_chainage_m, s.position_95_max_m]
        for s in view.rows(SegmentRow, row.line_id)
        if not isnan(s.position_95_max_m)
    ]
    return {
        "id": row.line_id,
        "from": "from the entry end, flow not known"
        if row.line_id in view.flow_unknown
        else "from the downstream end (← flow)",
        "chainage": path[:, 0].tolist(),
        "x": path[:, 1].tolist(),
        "y": path[:, 2].tolist(),
        "box": bounds_of((at, y, at, y) for at, y in profile.drawn),
        "sure": np.array(sure).reshape(-1, 3).round(4).tolist(),
        "joins": _joins(view, row),
        "invert": {"chainage": invert[:, 0].tolist(), "y": invert[:, 1].tolist()},
    }


def _joins(view: RecordView, row: CentrelineRow) -> dict[str, object] | None:
    """Return the line this one runs into and the chainage there; None when it joins none."""
    for node in view.nodes:
        here = node.kind == "junction" and node.line_id == row.joins_line_id
        if row.joins_line_id and here and node.ref == row.line_id:
            return {"line": row.joins_line_id, "chainage": node.chainage_m}
    return None
