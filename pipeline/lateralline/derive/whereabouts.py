"""Which line, run and stop a finding is about, and where that is.

A finding names its subject as "stop R1/4" or "line L1" (`findings.Finding.subject`); names never
hold a "/". What it says of a chainage is a point of its line; else it lies where its stop, mark,
exposure, control point or segment does. A finding about several things, or the whole site, has no
point.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final, NamedTuple

import numpy as np
import shapely

from lateralline.derive.axis import Axis
from lateralline.derive.ids import LineIds
from lateralline.derive.tables import GEOMETRY, Columns, finding_row, layer
from lateralline.derive.ties import ControlPoints
from lateralline.findings import Finding
from lateralline.records import Exposures, FieldRecord, Fixes, Floats, Marks, Product

_NO_POINT: Final = (np.nan, np.nan, np.nan)


class Whereabouts(NamedTuple):
    """Line, run and stop of one thing, "" where it has none, and its place, NaN where unknown."""

    line_id: str = ""
    run_id: str = ""
    stop_id: str = ""
    xyz_m: Sequence[float] | Floats = _NO_POINT


@dataclass(frozen=True, slots=True, eq=False)
class Things:
    """Everything of a site that a finding may be about, by what a finding calls it."""

    of_subject: Mapping[str, Whereabouts]
    axes: Mapping[str, Axis]

    def of(self, finding: Finding) -> Whereabouts:
        """Return where a finding belongs; nothing of what is not known."""
        here = self.of_subject.get(finding.subject, Whereabouts())
        axis = self.axes.get(here.line_id)
        if finding.chainage_m is None or axis is None:
            return here
        return here._replace(xyz_m=axis.at(np.array([finding.chainage_m])).on_invert[0])

    def with_photos(self, shown: Mapping[str, str]) -> Things:
        """Return all of it with pictures, each where what it shows is; both by their subjects."""
        here = {photo: self.of_subject.get(what, Whereabouts()) for photo, what in shown.items()}
        return replace(self, of_subject={**self.of_subject, **here})

    def named(self, finding: Finding) -> Finding:
        """Return a finding with the line, run and stop it is about."""
        here = self.of_subject.get(finding.subject, Whereabouts())
        return replace(finding, line_id=here.line_id, run_id=here.run_id, stop_id=here.stop_id)

    def layer(self, site_id: str, findings: Iterable[Finding]) -> Product:
        """Return the layer `findings`."""
        return layer("findings", (self.row(site_id, finding) for finding in findings), {})

    def row(self, site_id: str, finding: Finding) -> Columns:
        """Return the row of a finding in the layer `findings`."""
        here = self.of(finding)
        known = bool(np.isfinite(here.xyz_m).all())
        shape = shapely.Point(here.xyz_m) if known else None
        return finding_row(site_id, self.named(finding)) | {GEOMETRY: shape}


def things(
    record: FieldRecord,
    marks: Marks,
    exposures: Exposures,
    fixes: Fixes,
    control: ControlPoints,
    axes: Sequence[Axis],
    ids: Mapping[str, LineIds],
    observations: Columns,
) -> Things:
    """Return everything of a site by its subject."""
    line_of = {run.id: run.line for run in record.settings.runs}
    of: dict[str, Whereabouts] = {}
    for point, xyz in zip(control.point.tolist(), control.xyz_m, strict=True):
        of[f"control point {point}"] = Whereabouts(xyz_m=xyz)
    for run, line in line_of.items():
        of[f"run {run}"] = Whereabouts(line, run)
    for line in {*line_of.values(), *(p.line for p in record.settings.pipes)}:
        of[f"line {line}"] = Whereabouts(line)
    for run, stop in zip(record.stops.run.tolist(), record.stops.stop.tolist(), strict=True):
        of[f"stop {run}/{stop}"] = Whereabouts(line_of.get(run, ""), run, stop)
    named = zip(fixes.run.tolist(), fixes.stop.tolist(), fixes.xyz_m, strict=True)
    for run, stop, xyz in named:
        of[f"stop {run}/{stop}"] = Whereabouts(line_of.get(run, ""), run, stop, xyz)
    marked = zip(
        marks.mark.tolist(), marks.run.tolist(), marks.stop.tolist(), marks.xyz_m, strict=True
    )
    for mark, run, stop, xyz in marked:
        of[f"mark {mark}"] = Whereabouts(line_of.get(run, ""), run, stop, xyz)
    seen = zip(
        exposures.name.tolist(),
        exposures.line.tolist(),
        exposures.run.tolist(),
        exposures.xyz_m,
        strict=True,
    )
    for name, line, run, xyz in seen:
        of[f"exposure {name}"] = Whereabouts(line, run, xyz_m=xyz)
    for name, run, place in zip(
        *(observations[column] for column in ("observation_id", "run_id", GEOMETRY)), strict=True
    ):
        xyz = _NO_POINT if place is None else (place.x, place.y, place.z)
        of[f"observation {name}"] = Whereabouts(line_of.get(run, ""), run, xyz_m=xyz)
    for axis in axes:
        line = axis.line.line
        for segment, stretch in zip(ids[line].segments, axis.line.stretches, strict=True):
            middle = axis.chainage_m[[stretch.first, stretch.last]].mean(keepdims=True)
            of[f"segment {segment}"] = Whereabouts(line, xyz_m=axis.at(middle).on_invert[0])
    return Things(of, {axis.line.line: axis for axis in axes})
