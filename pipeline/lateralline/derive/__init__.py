"""The derive stage: from adjusted lines to the content of every layer.

sampled     errors, corridor and levels of the paths that link drew over all shapes
path, axis  arcs between located points; a line with chainage, levels and covariance along it
dates       when what was measured, by whom, and from when the record holds
levels      invert, crown, cover, ground, each with σ
chainage    counter → place on the line
corridor, dig   regions in plan, and the reach of the counter
level_band  how high and how low the pipe may be, and its cover
falls       falls, back-falls and low points that levels show, and what they would have shown
grades      grades against published ones, and the findings on both
quality     published accuracy bands
tables      columns → products, as the contract declares them
survey, lines, nodes, ties   the layers of marks, stops and observations, of lines, of nodes
ids         what nodes and segments are called, from one build to the next
unlocated, spots   what is not drawn, and where it may be
whereabouts which line, run and stop a finding is about
advice, outlook    what to survey again, what to measure next
adapted     layers without levels, or after a shift of datum

Decisions, with reasons
-----------------------
Control is a layer of its own (an eleventh): a record that gives "6.32 from HOUSE-SW" must
give HOUSE-SW too. Chainage runs from the downstream end along the 3-D centreline. z of pipe
layers is the invert; z of fixes is the transmitter. The reach envelope cuts the corridor only
after both ends' own ellipses are added to its axis: about exact foci it would deny a stop its
own error. The corridor contains the whole line at 95 %: the ellipses swept are those of each
point, widened by the 95 % quantile of the farthest any point lies off, over lines drawn from
the joint covariance with a fixed seed (`derive/corridor.py`). Between stops of two runs the
reach of a cable is what the chords beside it leave. Bands of PAS 128 and AS 5488 are computed
from 95 % values and called bands, because those standards also ask how the work was done; ASCE
38-22 is judged by a licensed professional, and so never stated. An unknown pipe size gets 0.200
m and a warning.

- Paths. Where link drew paths over all shapes of a line, the corridor is what they sweep but for
  the 3 % that stray farthest, drawn 15 mm wider for the paths nobody drew; the level band is what
  95 % of them keep at each station; a place's covariance is their second moment about it. Both
  figures were chosen on simulated lines, plain and in sweeps, so that corridors of plain lines are
  no wider than the ellipses they replace (`lateralline prove world`). Without paths the rules below
  hold: ellipses, cut by reach.
- Arcs. Between two located points of a straight or undecided stretch with a direction at both
  ends the path is the minimum-curvature arc closed on both points. Not where the turn, or
  either direction off the chord, reaches 11.25°, the least standard bend: that is a bend not
  found. Chainage is arc length. Lines get vertices until they are within 1 cm of the arc;
  regions use 1 mm.
- Level band. Points, one per station, because a profile plots columns against chainage and a
  clearance asks for the nearest station. Each station has its own 95 %. A located
  point has its own interval; a decided stretch the path ± 1.96 σ cut by reach, with bends also
  what of the path may lie over the station (a drop a little further on is another level here);
  an undecided one the ellipsoid with both ends' 95 % ellipsoids (2.7955 σ) added to its axis,
  seen from the side. There reach and ground error add up instead of being squared, since reach
  is no error that averages out.
- Falls and low points. One-sided, at most 1 % of lines wrongly accused: Bonferroni over a line's
  segments for falls, over all pairs of vertices for low points. Levels are the mean of the paths
  over all shapes, with their covariance; where 1 % of the paths say otherwise nothing is stated,
  since about a drop they scatter in no normal way. A low point is a vertex that the highest
  point on either side surely stands above; its depth is to the lower of both, over which water
  leaves. Beside each stands what would have been shown 80 times in 100, so that "not shown" is
  a size and no comfort. Least grades are compared one by one at one-sided 95 %, as information.
- Quality. A segment is never A: none is exposed from end to end. Its rule is that of its worst
  place.
- Advice. Candidates are the missing nulls of a stop, a stop midway in each stretch and an
  exposure at each vertex, or midway where the shape is decided. What each leaves follows from
  the joint covariance and end slopes, before anyone measures. A place is given by the counter of
  the run that was located to both sides of it, in the unit of the site. Results within 5 mm are
  equal and the least work wins; less than a tenth gained is not worth a trip (common practice,
  no source).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from math import nan
from typing import NamedTuple

import numpy as np

from lateralline.catalogue import Given
from lateralline.derive.adapted import without_levels
from lateralline.derive.advice import line_advice, next_advice, stop_advice
from lateralline.derive.axis import Axis, axis_of, ground_sigmas_m
from lateralline.derive.corridor import Corridor, corridor
from lateralline.derive.dates import survey_days, valid_from
from lateralline.derive.dig import dig_zones, tolerance
from lateralline.derive.grades import grade_findings
from lateralline.derive.ids import IdEvent, mint
from lateralline.derive.junctions import junction_advice
from lateralline.derive.level_band import cover_findings, level_bands
from lateralline.derive.lines import centreline, segments
from lateralline.derive.nodes import line_nodes, node_lines, pipe_nodes
from lateralline.derive.photos import photo_layer
from lateralline.derive.survey import exposed, field_marks, pipe_observations, transmitter_fixes
from lateralline.derive.tables import GEOMETRY, Columns, fields_of, layer
from lateralline.derive.ties import ControlPoints, control_points
from lateralline.derive.unlocated import SearchedSite, unlocated
from lateralline.derive.whereabouts import Things, things
from lateralline.findings import Finding, finding
from lateralline.frames import DEPTH_ONLY, Frame, site_frame
from lateralline.frames.sketch import with_map_errors
from lateralline.isolate import without_culprits
from lateralline.proportions import MOST_LEG_M, MOST_SIGMA_M
from lateralline.records import Exposures, FieldRecord, Line, Linked, Marks, Product, Solved

__all__ = ["Derived", "derive"]


class Derived(NamedTuple):
    """Output of derive."""

    layers: tuple[Product, ...]  # every one but `findings` and `lineage`
    findings: tuple[Finding, ...]  # of this stage
    ids: tuple[IdEvent, ...]  # rows to add to ids.csv
    where: Things  # which line, run and stop a finding is about

    def with_findings(self, site_id: str, found: Iterable[Finding]) -> tuple[Product, ...]:
        """Return the layers, with one of the findings of all stages."""
        return (*self.layers, self.where.layer(site_id, found))


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
    """Return the layers, in the site frame, and what this stage found.

    `earlier` are the findings of all stages before: nothing is advised twice. `frame` is the
    site's, built from the record when not given: it gives what levels refer to, and where the
    control points of two-tape ties are. A line whose numbers fail is not drawn, and has a finding;
    the others are.
    """
    settings, given = solved.claimed(record.settings), record.control
    frame = site_frame(record) if frame is None else frame
    datum, days = frame.level_datum, survey_days(record)
    given = with_map_errors(given, frame, settings.on_map)
    control = ControlPoints(given.point, frame.to_local(given.x, given.y, given.z_m))
    ground_sigma = ground_sigmas_m(marks, linked.fixes, settings.accuracy.unknown_ground_m)

    def work(failed: Mapping[str, str]) -> Derived:
        """Return every layer, without the lines whose numbers failed; why stands in `failed`."""
        lines, findings = _usable(linked.lines, failed)
        axes = [axis_of(line, linked.fixes, ground_sigma, exposures, settings) for line in lines]
        regions = [(axis, corridor(axis)) for axis in axes]
        rule, assumed = tolerance(settings)
        zones: list[Columns] = []
        findings += stop_advice(linked.fixes, earlier)
        placed = line_nodes(settings, regions)
        ids = mint(placed, record.ids, frame, settings, days.last)
        findings += ids.findings
        nodes = {line: of.nodes for line, of in ids.lines.items()}
        named = [(*of, ids.lines[of[0].line.line]) for of in regions]
        for axis, region in regions:
            findings += line_advice(axis, region) + cover_findings(axis)
            if datum != DEPTH_ONLY:
                findings += grade_findings(axis, ids.lines[axis.line.line].segments, settings.runs)
            findings += next_advice(axis, region, linked.fixes, marks, settings)
            of_line, wide = dig_zones(axis, region.polygon, rule)
            zones += of_line
            assumed += wide
        seen, unplaced = pipe_observations(settings, days, record.observations, axes, control)
        findings += (*unplaced, *assumed, *junction_advice(settings, record.observations, axes))
        drawn = {axis.line.line: axis for axis in axes}
        site = SearchedSite(record, marks, exposures, linked.fixes, control, drawn)
        where = things(record, marks, exposures, linked.fixes, control, axes, ids.lines, seen)
        parts: dict[str, Iterable[Columns]] = {
            "field_marks": [
                field_marks(days, marks, solved, linked.fixes, record.marks.spots, settings.units)
            ],
            "field_exposures": [exposed(settings, days, record.exposures, exposures)],
            "transmitter_fixes": [
                transmitter_fixes(settings, days, record.stops, linked.fixes, axes, earlier)
            ],
            "pipe_centreline": (centreline(days, *of) for of in named),
            "pipe_segments": (row for of in named for row in segments(days, *of)),
            "pipe_nodes": pipe_nodes(settings, days, placed, nodes, control),
            "node_lines": node_lines(placed, nodes),
            "pipe_observations": [seen],
            "position_corridor": (_corridor(*of) for of in regions),
            "level_band": level_bands(axes, {k: v.segments for k, v in ids.lines.items()}),
            "tolerance_zone": zones,
            "unlocated": unlocated(site),
            "adjusted_parameters": (fields_of("adjusted_parameters", p) for p in linked.parameters),
            "accuracy_evidence": (
                fields_of("accuracy_evidence", e) for e in (*solved.evidence, *linked.evidence)
            ),
        }
        common = {"site_id": settings.id, "level_datum": datum, "crs_shift_95_m": 0.0}
        common |= {"record_version": settings.version, "valid_from": valid_from(settings, days)}
        common |= {"length_grid_m": nan, "grid_factor": nan}  # known once the file's CRS is
        made = {name: layer(name, of_layer, common) for name, of_layer in parts.items()}
        tied = (made["pipe_nodes"], made["pipe_observations"])
        points = layer("control_points", [control_points(given, control, tied)], common)
        pictures = photo_layer(record, days, frame, made)
        made["field_photos"] = layer("field_photos", [pictures.columns], common)
        findings += pictures.findings
        products = (points, *made.values())
        products = products if datum != DEPTH_ONLY else without_levels(products)
        where = where.with_photos(pictures.shown)
        return Derived(products, tuple(findings), ids.events, where)

    return without_culprits(work, [line.line for line in linked.lines])


def _usable(
    lines: Sequence[Line], failed: Mapping[str, str]
) -> tuple[tuple[Line, ...], tuple[Finding, ...]]:
    """Return the lines that can be drawn, and an error finding for each that cannot."""
    drawn, findings = [], []
    for line in lines:
        whole = all(np.isfinite(a).all() for a in (line.xyz_m, line.cov_m2, line.cross_m2))
        longest_m = float(np.linalg.norm(np.diff(line.xyz_m, axis=0), axis=1).max(initial=0.0))
        variances = np.diagonal(line.cov_m2, axis1=1, axis2=2)[:, :2]
        sigma_m = float(np.sqrt(variances.max(initial=0.0)))
        why: dict[str, Given]
        if line.line in failed:
            variant, why = "failed", {"error": failed[line.line]}
        elif len(line.kind) < 2 or not line.stretches or not whole:
            variant, why = "points", {"located": len(line.kind)}
        elif sigma_m > 2 * MOST_SIGMA_M:
            variant, why = "vague", {"sigma_m": sigma_m}
        elif longest_m > 2 * MOST_LEG_M:
            variant, why = "away", {"longest_m": longest_m}
        else:
            drawn.append(line)
            continue
        subject = f"line {line.line}"
        findings.append(finding("line-not-located", subject, variant=variant, more=why))
    return tuple(drawn), tuple(findings)


def _corridor(axis: Axis, region: Corridor) -> Columns:
    """Return the row of a line in the layer `position_corridor`."""
    return fields_of("position_corridor", region) | {
        "line_id": axis.line.line,
        "confidence": 0.95,
        "area_m2": region.polygon.area,
        GEOMETRY: region.polygon,
    }
