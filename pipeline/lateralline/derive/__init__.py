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
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

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
from lateralline.derive.tables import Row, finding_row, from_rows
from lateralline.derive.ties import Control
from lateralline.derive.unlocated import Site, unlocated
from lateralline.frames import DEPTH_ONLY, Frame, site_frame
from lateralline.isolate import without_culprits
from lateralline.proportions import MOST_LEG_M, MOST_SIGMA_M
from lateralline.records import (
    Exposures,
    FieldRecord,
    Finding,
    Line,
    Linked,
    Marks,
    Product,
    Solved,
)
from lateralline.settings import Settings
from lateralline.wording import metres

__all__ = ["derive"]


def derive(
    record: FieldRecord,
    marks: Marks,
    exposures: Exposures,
    solved: Solved,
    linked: Linked,
    *,
    earlier: tuple[Finding, ...] = (),
    frame: Frame | None = None,
) -> tuple[Product, ...]:
    """Return every layer but `lineage`, in the contract's order, in the site frame.

    `earlier` are the findings of all stages before; they and this stage's own become the
    `findings` layer. `frame` is the site's, built from the record when not given: it says what
    levels refer to, and where the control points of two-tape ties are. A line whose numbers fail is
    not drawn, and said not to be; the others are.
    """

    def work(failed: Mapping[str, str]) -> tuple[Product, ...]:
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
) -> tuple[Product, ...]:
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
        unlocated(Site(record, marks, exposures, linked.fixes, control, drawn)),
        adjusted_parameters(settings.id, linked.parameters),
        from_rows("findings", [finding_row(settings.id, f) for f in (*earlier, *findings)]),
    )
    return layers if datum != DEPTH_ONLY else without_levels(layers)


def _control(record: FieldRecord, frame: Frame) -> Control:
    control = record.control
    return Control(control.point, frame.to_local(control.x, control.y, control.z_m))


def _usable(
    lines: Sequence[Line], failed: Mapping[str, str]
) -> tuple[tuple[Line, ...], tuple[Finding, ...]]:
    """Return the lines that can be drawn, and an error finding for each that cannot."""
    drawn, findings = [], []
    for line in lines:
        whole = all(np.isfinite(a).all() for a in (line.xyz_m, line.cov_m2, line.cross_m2))
        longest_m = float(np.linalg.norm(np.diff(line.xyz_m, axis=0), axis=1).max(initial=0.0))
        if line.line in failed:
            what, how_much = "its numbers could not be worked out", failed[line.line]
            to_do = "correct what other findings say of it; if they say nothing, report it"
        elif len(line.kind) < 2 or not line.stretches or not whole:
            what = "a line needs two located points with known uncertainty"
            how_much = f"{len(line.kind)} located"
            to_do = "mark a further stop, or measure an exposure on the line"
        elif _vaguest_m(line) > 2 * MOST_SIGMA_M:
            what = "where it lies is known so poorly that a drawing of it would say nothing"
            how_much = f"± {metres(_vaguest_m(line), 0)} (1 σ)"
            to_do = "look at the sigma of its marks, exposures and control"
        elif longest_m > 2 * MOST_LEG_M:
            what = "the adjustment carried it away from its points, further than any cable reaches"
            how_much = f"{metres(longest_m, 0)} between two of them"
            to_do = "correct what other findings say of its stops"
        else:
            drawn.append(line)
            continue
        findings.append(
            Finding(
                "error",
                "derive",
                "line-not-drawn",
                f"line {line.line}",
                f"{what}; it is in no pipe layer",
                how_much,
                to_do,
            )
        )
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
