"""The derive stage: from adjusted lines to the content of every layer.

levels      invert, crown, cover, ground, each with σ
arcs        the path between located points where no bend is found
straightness  how far a pipe may leave it
axis        a line with chainage, levels and covariance anywhere along it
chainage    counter → place on the line
reach, corridor, dig   regions in plan
cover       a pipe above the ground
level_band  how high and how low the pipe may be
slopes      grades, back-falls and sags, as surely as levels can tell
quality, grades, bends  against published bands, grades, fittings
control, marks, fixes, lines, nodes, observations, parameters   the layers of those names
ties        two tapes that find a spot again
unlocated, spots   what is not drawn, and where it may be
advice, next_advice, candidates   what to survey again, what to measure next

Decisions, with reasons
-----------------------
Control is a layer of its own (an eleventh): a record that says "6.32 from HOUSE-SW" must say
where HOUSE-SW is. Chainage runs from the downstream end along the 3-D centreline. z of pipe
layers is the invert; z of fixes is the transmitter. The reach envelope cuts the corridor only
after both ends' own ellipses are added to its axis: about exact foci it would deny a stop its
own error. The corridor holds the whole line at 95 %: the ellipses swept are those of each
point, widened by the 95 % quantile of the farthest any point lies off, over lines drawn from
the joint covariance with a fixed seed (`derive/whole_line.py`). Between stops of two runs the
reach of a cable is what the chords beside it leave. Bands of PAS 128 and AS 5488 are computed
from 95 % values and called bands, because those standards also ask how the work was done; ASCE
38-22 is judged by a licensed professional, and so never stated. An unknown pipe size gets 0.200
m and a warning.

- Arcs. Between two located points of a straight or undecided stretch with a direction at both
  ends the path is the minimum-curvature arc closed on both points. Not where the turn, or
  either direction off the chord, reaches 11.25°, the least standard bend: that is a bend not
  found. Chainage is arc length. Lines get vertices until they are within 1 cm of the arc;
  regions use 1 mm.
- Level band. Points, one per station, because a profile plots columns against chainage and a
  clearance asks for the nearest station. Each station speaks for itself at 95 %. A located
  point has its own interval; a decided stretch the path ± 1.96 σ cut by reach, with bends also
  what of the path may lie over the station (a drop a little further on is another level here);
  an undecided one the ellipsoid with both ends' 95 % ellipsoids (2.7955 σ) added to its axis,
  seen from the side. There reach and ground error add up instead of being squared, since reach
  is no error that averages out.
- Falls and sags. One-sided, at most 1 % of lines wrongly accused: Bonferroni over a line's
  segments for falls, over all pairs of vertices for sags. A sag is a vertex that the highest
  point on either side surely stands above; its depth is to the lower of both, over which water
  leaves. Least grades are compared one by one at one-sided 95 %, as information.
- Quality. A segment is never A: none is exposed from end to end. Its rule is that of its worst
  place.
- Advice. Candidates are the missing nulls of a stop, a stop midway in each stretch and an
  exposure at each vertex, or midway where the shape is decided. What each leaves follows from
  the joint covariance and end slopes, before anyone measures. A place is told by the counter of
  the run that was located to both sides of it, in the unit of the site. Results within 5 mm are
  equal and the least work wins; less than a tenth gained is not worth a trip (common practice,
  no source).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

import numpy as np
from shapely import LineString

from lateralline import contract
from lateralline.derive.advice import line_advice, stop_advice
from lateralline.derive.axis import Axis, axis_of
from lateralline.derive.control import control_points
from lateralline.derive.corridor import Corridor, corridor
from lateralline.derive.cover import cover_findings
from lateralline.derive.depth_only import without_levels
from lateralline.derive.dig import dig_rows, tolerance
from lateralline.derive.fixes import transmitter_fixes
from lateralline.derive.grades import grade_findings
from lateralline.derive.level_band import level_bands
from lateralline.derive.levels import ground_sigmas_m
from lateralline.derive.lines import centreline_rows, segment_rows
from lateralline.derive.marks import field_marks
from lateralline.derive.next_advice import next_advice
from lateralline.derive.nodes import pipe_nodes
from lateralline.derive.observations import pipe_observations
from lateralline.derive.parameters import adjusted_parameters
from lateralline.derive.tables import Row, findings_layer, from_rows
from lateralline.derive.ties import ControlPoints
from lateralline.derive.unlocated import SearchedSite, unlocated
from lateralline.findings import Finding, finding
from lateralline.frames import DEPTH_ONLY, Frame, site_frame
from lateralline.isolate import without_culprits
from lateralline.proportions import MOST_LEG_M, MOST_SIGMA_M
from lateralline.records import (
    Exposures,
    FieldRecord,
    Line,
    Linked,
    Marks,
    Product,
    Solved,
)
from lateralline.settings import Settings

__all__ = ["Derived", "derive"]


class Derived(NamedTuple):
    """Output of derive."""

    layers: tuple[Product, ...]  # every one but `lineage`, in the contract's order
    findings: tuple[Finding, ...]  # of this stage


def derive(
    record: FieldRecord,
    marks: Marks,
    exposures: Exposures,
    solved: Solved,
    linked: Linked,
    *,
    earlier: tuple[Finding, ...] = (),
    frame: Frame | None = None,
) -> Derived:
    """Return every layer but `lineage`, in the site frame, and what this stage found.

    `earlier` are the findings of all stages before; they and this stage's own become the
    `findings` layer. `frame` is the site's, built from the record when not given: it says what
    levels refer to, and where the control points of two-tape ties are. A line whose numbers fail is
    not drawn, and said not to be; the others are.
    """

    def work(failed: Mapping[str, str]) -> Derived:
        return _layers(record, marks, exposures, solved, linked, earlier, frame, failed)

    return without_culprits(work, [line.line for line in linked.lines])


def _layers(
    record: FieldRecord,
    marks: Marks,
    exposures: Exposures,
    solved: Solved,
    linked: Linked,
    earlier: tuple[Finding, ...],
    frame: Frame | None,
    failed: Mapping[str, str],
) -> Derived:
    """Return every layer, without the lines whose numbers failed; why stands in `failed`."""
    settings = record.settings
    frame = site_frame(record) if frame is None else frame
    datum = frame.level_datum
    control = _control(record, frame)
    ground_sigma = ground_sigmas_m(marks, linked.fixes, settings.accuracy.unknown_ground_m)
    lines, findings = _usable(linked.lines, failed)
    axes = [axis_of(line, linked.fixes, ground_sigma, exposures, settings) for line in lines]
    corridors = [corridor(axis) for axis in axes]

    findings += stop_advice(linked.fixes, earlier)
    regions = list(zip(axes, corridors, strict=True))
    for axis, found in regions:
        findings += line_advice(axis, found) + cover_findings(axis)
        if datum != DEPTH_ONLY:
            findings += grade_findings(axis)
        findings += next_advice(axis, found, linked.fixes, marks, settings)
    observations, unplaced = pipe_observations(settings, datum, record.observations, axes, control)
    zones, assumed = _dig_zones(settings, axes, corridors)
    findings += unplaced + assumed
    drawn = {axis.line.line: axis for axis in axes}
    nodes = pipe_nodes(settings, datum, axes, corridors, control)
    layers = (
        control_points(settings.id, datum, record.control, control, (nodes, observations)),
        field_marks(settings.id, marks, solved.mark_results),
        transmitter_fixes(settings, datum, record.stops, linked.fixes, axes),
        _of_lines("pipe_centreline", (centreline_rows(settings, datum, *of) for of in regions)),
        _of_lines("pipe_segments", (segment_rows(settings, datum, *of) for of in regions)),
        nodes,
        observations,
        _corridors(settings.id, axes, corridors),
        level_bands(settings.id, datum, axes),
        zones,
        unlocated(SearchedSite(record, marks, exposures, linked.fixes, control, drawn)),
        adjusted_parameters(settings.id, linked.parameters),
        findings_layer(settings.id, (*earlier, *findings)),
    )
    return Derived(layers if datum != DEPTH_ONLY else without_levels(layers), findings)


def _control(record: FieldRecord, frame: Frame) -> ControlPoints:
    control = record.control
    return ControlPoints(control.point, frame.to_local(control.x, control.y, control.z_m))


def _usable(
    lines: Sequence[Line], failed: Mapping[str, str]
) -> tuple[tuple[Line, ...], tuple[Finding, ...]]:
    """Return the lines that can be drawn, and an error finding for each that cannot."""
    drawn, findings = [], []
    for line in lines:
        whole = all(np.isfinite(a).all() for a in (line.xyz_m, line.cov_m2, line.cross_m2))
        longest_m = float(np.linalg.norm(np.diff(line.xyz_m, axis=0), axis=1).max(initial=0.0))
        subject = f"line {line.line}"
        if line.line in failed:
            findings.append(
                finding("line-not-drawn", subject, variant="failed", error=failed[line.line])
            )
        elif len(line.kind) < 2 or not line.stretches or not whole:
            located = len(line.kind)
            findings.append(finding("line-not-drawn", subject, variant="points", located=located))
        elif (vaguest_m := _vaguest_m(line)) > 2 * MOST_SIGMA_M:
            findings.append(finding("line-not-drawn", subject, variant="vague", sigma_m=vaguest_m))
        elif longest_m > 2 * MOST_LEG_M:
            findings.append(finding("line-not-drawn", subject, variant="away", longest_m=longest_m))
        else:
            drawn.append(line)
    return tuple(drawn), tuple(findings)


def _vaguest_m(line: Line) -> float:
    return float(np.sqrt(np.einsum("mii->mi", line.cov_m2)[:, :2].max(initial=0.0)))


def _of_lines(layer: str, lines: Iterable[tuple[list[Row], list[LineString]]]) -> Product:
    """Return a layer from the rows and geometries each line adds to it."""
    pairs = list(lines)
    rows = [row for rows, _ in pairs for row in rows]
    return from_rows(layer, rows, [shape for _, shapes in pairs for shape in shapes])


def _corridors(site_id: str, axes: Sequence[Axis], corridors: Sequence[Corridor]) -> Product:
    rows: list[Row] = [
        {
            "site_id": site_id,
            "line_id": axis.line.line,
            "confidence": 0.95,
            "area_m2": found.polygon.area,
            "half_width_max_m": found.half_width_max_m,
            "undecided_stretches": found.undecided,
            "unbounded_stretches": found.unbounded,
            "reach_cut_m2": found.cut_m2,
            "frame_shift_95_m": 0.0,
            "caution": contract.load("position_corridor").caution,
        }
        for axis, found in zip(axes, corridors, strict=True)
    ]
    return from_rows("position_corridor", rows, [found.polygon for found in corridors])


def _dig_zones(
    settings: Settings, axes: Sequence[Axis], corridors: Sequence[Corridor]
) -> tuple[Product, tuple[Finding, ...]]:
    rule, findings = tolerance(settings)
    rows: list[Row] = []
    zones: list[object] = []
    for axis, found in zip(axes, corridors, strict=True):
        of_line, polygons, assumed = dig_rows(settings.id, axis, found.polygon, rule)
        rows += of_line
        zones += polygons
        findings += assumed
    return from_rows("dig_zone", rows, zones), findings
