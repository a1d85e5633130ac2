"""A whole comparison: built record and plan in, pairs and an overlay folder out."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from math import nan
from pathlib import Path
from typing import Any, Final

import numpy as np
import pyarrow as pa
import shapely

from lateralline import contract, csv_file
from lateralline.errors import LaterallineError
from lateralline.overlay import rows as as_rows
from lateralline.overlay.as_built import UNLOCATED, AsBuilt, Lines
from lateralline.overlay.bodies import PlannedWork
from lateralline.overlay.bounds import SearchTerms
from lateralline.overlay.clearance import Pair, pairs_of
from lateralline.overlay.files import Overlay, overlay_folder, to_lonlat, with_z
from lateralline.overlay.onto import Basis, Onto, basis_of, off_by, onto
from lateralline.overlay.planned import PlannedWorks
from lateralline.overlay.unlocated import (
    Blocked,
    add_placeless,
    blocked_by,
    blocked_row,
    named,
    tables_of,
)
from lateralline.overlay.unlocated import in_words as blocked_in_words
from lateralline.record.layers import GEOMETRY, GEOMETRY_FIELD, Shapes, shapes, to_table
from lateralline.wording import in_both, metres, plain

#: Pairs no farther apart than this in plan are listed, if not more was asked for.
SEARCH_M: Final = 3.0
NAME: Final = "clearance"


class NothingToCompareError(LaterallineError, ValueError):
    """The built record has no line, or the plan no works."""


@dataclass(frozen=True, slots=True, eq=False)
class RegionComparison:
    """One region's outcome."""

    lines: Lines
    moved: Onto
    pairs: list[Pair]
    blocked: list[Blocked]  # near pipe nobody located, where no pair of the same line says so
    near: list[Blocked]  # the same, where one does too


@dataclass(slots=True, eq=False)
class Comparison:
    """Everything found."""

    basis: Basis
    unit: str = "m"  # to say lengths in, metres besides
    parts: list[RegionComparison] = field(default_factory=list)
    rows: list[dict[str, Any]] = field(default_factory=list)  # riskiest first
    placeless: list[dict[str, Any]] = field(default_factory=list)  # pipe that may be anywhere
    said: dict[as_rows.Key, str] = field(default_factory=dict)  # each in `unit`
    notes: list[str] = field(default_factory=list)

    @property
    def conflicts(self) -> int:
        """How many pairs are in conflict."""
        return sum(row["verdict"] == "conflict" for row in self.rows)

    @property
    def not_located(self) -> int:
        """How many pairs are with pipe nobody located."""
        return sum(row["verdict"] == "not_located" for row in self.rows)

    @property
    def shows_none(self) -> bool:
        """Whether no conflict is shown, and no pipe of the record may be in the way unseen."""
        return not (self.conflicts or self.not_located or self.placeless)

    @property
    def blocked(self) -> list[dict[str, Any]]:
        """What is not located and near a planned thing: rows of the record's layer, each once."""
        near = [b.about for part in self.parts for b in part.near]
        return list({id(row): row for row in near}.values())

    @property
    def lines(self) -> int:
        """How many lines were looked at."""
        return sum(len(part.lines.line) for part in self.parts)


def compare(
    as_built: AsBuilt,
    plan: PlannedWorks,
    *,
    search_m: float = SEARCH_M,
    plan_levels: str = "",
    stated_m: float = nan,
) -> Comparison:
    """Return every planned thing against every line near it, a region at a time.

    Raises FrameError when the plan cannot be brought to the record, NothingToCompareError when
    there is no line, located or not.
    """
    bands, segments = as_built.table("level_band"), as_built.table("pipe_segments")
    regions, placeless = list(as_built.regions()), as_built.placeless
    if not regions and not placeless:
        raise NothingToCompareError(f"{as_built.path} holds no line: there is nothing to compare")
    datums = {str(d) for region in regions for d in region.lines.level_datum}
    basis = basis_of(plan, as_built, plan_levels, datums)
    made = Comparison(basis, as_built.unit, placeless=placeless)
    rows = []
    for region in regions:
        lines = region.lines
        moved = onto(plan, as_built, lines.metric, made.basis, stated_m)
        terms = SearchTerms(search_m, moved.sigma_m, made.basis.compare, moved.sigma_up_m)
        pairs = pairs_of(lines, bands, segments, list(moved.works), terms)
        near = blocked_by(region.unlocated, moved.works, terms)
        pairs, blocked = _with_blocked(lines, pairs, near)
        made.parts.append(RegionComparison(lines, moved, pairs, blocked, near))
        for one in blocked:
            row = blocked_row(one, moved.sigma_m)
            rows.append(row)
            made.said[as_rows.key(row)] = blocked_in_words(one, lambda m: in_both(m, made.unit))
        for pair in pairs:
            row = as_rows.pair_row(lines, pair, moved.sigma_m)
            rows.append(row)
            made.said[as_rows.key(row)] = as_rows.in_words(
                pair, assumed=row["diameter_assumed"], say=lambda m: in_both(m, made.unit)
            )
    made.rows = as_rows.by_risk(rows)
    made.notes = [*_notes(as_built, plan, made), *plan.notes]
    return made


def _with_blocked(
    lines: Lines, pairs: list[Pair], near: list[Blocked]
) -> tuple[list[Pair], list[Blocked]]:
    """Return pairs whose line runs on unlocated towards the thing as such, and what is left."""
    keys = [(*lines.keys[pair.line], pair.work.id) for pair in pairs]
    towards = {one.key for one in near}
    pairs = [p.running_on() if k in towards else p for k, p in zip(keys, pairs, strict=True)]
    return pairs, [one for one in near if one.key not in set(keys)]


def write(
    made: Comparison, as_built: AsBuilt, plan: PlannedWorks, out: Path, *, replace: bool = False
) -> None:
    """Write the overlay folder: GeoPackage, GeoJSON, CSV."""
    with overlay_folder(out, NAME, as_built.crs, as_rows.LAYERS, replace=replace) as overlay:
        home = _home(made, plan)
        pairs_of_work = Counter(row["work_id"] for row in made.rows)
        for n, part in enumerate(made.parts):
            mine = part.moved.only([i for i, part_of in enumerate(home) if part_of == n])
            _add(overlay, part, mine, pairs_of_work, made, as_built)
        add_placeless(overlay, made.placeless)
        nowhere = [
            {k: row[k] for k in ("site_id", "line_id", "what", "caution")}
            | {"verdict": "not_located"}
            for row in made.placeless
        ]
        rows = (as_rows.plain(row) | {"caution": row["caution"]} for row in [*nowhere, *made.rows])
        text = csv_file.table(contract.load("clearance_pairs").names, rows, "\r\n")
        (overlay.folder / f"{NAME}.csv").write_text(text, encoding="utf-8", newline="")
        overlay.close(plain(" ".join(made.notes)))


def _home(made: Comparison, plan: PlannedWorks) -> list[int]:
    """Return the region each of the plan's works is written with: the one it has most pairs in."""
    if not made.parts:
        return []  # nothing has a place
    counts = [
        Counter([p.work.id for p in part.pairs] + [b.work.id for b in part.blocked])
        for part in made.parts
    ]
    return [max(range(len(counts)), key=lambda n: counts[n][work.id]) for work in plan.works]


def _add(
    overlay: Overlay,
    part: RegionComparison,
    works: tuple[PlannedWork, ...],
    pairs_of_work: Counter[str],
    made: Comparison,
    as_built: AsBuilt,
) -> None:
    """Write one region's layers, plan coordinates in the file's CRS and in longitude, latitude."""
    pairs = part.pairs
    rows = [as_rows.pair_row(part.lines, pair, part.moved.sigma_m) for pair in pairs]
    rows += [blocked_row(one, part.moved.sigma_m) for one in part.blocked]
    bad = [n for n, row in enumerate(rows) if row["verdict"] != "none_shown"]
    # Of pipe nobody located no level is known: z counts from the ground.
    places = [as_rows.approach(pair) for pair in pairs]
    places += [(one.place, np.zeros(2)) for one in part.blocked]
    lines = _objects([line for line, _ in places])
    z = np.array([z for _, z in places], dtype=np.float64).reshape(-1, 2)
    points = _objects([shapely.Point(lines[n].coords[0]) for n in bad])
    about, outlines = as_rows.work_rows(
        works, pairs_of_work, as_built.sha256, with_levels=made.basis.compare
    )
    unit = as_built.level_unit_m

    def tables(way: Any, scale: float) -> dict[str, pa.Table]:
        shapes = {
            "planned_works": way(outlines),
            "clearance_pairs": with_z(way(lines), z.ravel() / scale),
            "clearance_conflicts": with_z(way(points), z[bad, 0] / scale),
        }
        by_layer = {
            "planned_works": about,
            "clearance_pairs": rows,
            "clearance_conflicts": [rows[n] for n in bad],
        }
        return {n: to_table(n, as_rows.columns(n, by_layer[n]), shapes[n]) for n in shapes}

    metric = part.lines.metric
    areas = {id(one.about): one for one in part.near}.values()  # several works may be near it
    own, of_lonlat = tables_of(metric, [a.about for a in areas], [a.area_m for a in areas])
    lonlat = to_lonlat(metric, outlines) is not None
    in_degrees = None
    if lonlat and of_lonlat is not None:
        in_degrees = tables(lambda s: to_lonlat(metric, s), 1.0)
        in_degrees = {n: _flat(t) for n, t in in_degrees.items()} | {UNLOCATED: of_lonlat}
    overlay.add(tables(metric.shapes_to_file, unit) | {UNLOCATED: own}, in_degrees)


def _flat(table: pa.Table) -> pa.Table:
    """Return a table whose geometry has no z: RFC 7946 has no place for other levels."""
    flat = shapely.to_wkb(shapely.force_2d(shapes(table)), flavor="iso")
    index = table.schema.get_field_index(GEOMETRY)
    return table.set_column(index, GEOMETRY_FIELD, pa.array(flat, type=pa.binary()))


def _objects(shapes: list[Any]) -> Shapes:
    out = np.empty(len(shapes), dtype=object)
    out[:] = shapes
    return out


def _notes(as_built: AsBuilt, plan: PlannedWorks, made: Comparison) -> list[str]:
    """Return what a reader must know of the comparison as a whole; what is not located first."""
    notes = []
    if made.placeless:
        notes.append(
            f"Lines of this record that nobody located: {named(made.placeless)}. They have no "
            "place in it and may be anywhere, in these works too."
        )
    shown = {id(row) for row in made.blocked}
    far = [
        row
        for row in as_built.unlocated
        if row[GEOMETRY] is not None and row["extent"] != "beyond_end" and id(row) not in shown
    ]
    if far:
        notes.append(
            f"Not located either, but in areas that are not near these works: {named(far)}. See "
            "the record's layer unlocated."
        )
    notes += [
        f"{len(plan.works)} planned works held against {made.lines} located line(s); "
        f"{len(made.rows)} pair(s) near enough to list.",
        f"Levels: {made.basis.why}.",
    ]
    if made.parts:
        notes.append(f"Frame: {off_by(made.parts[0].moved, as_built.plan_crs)}.")
    notes += [
        "At the least: with 95 % probability or more the true separation is above it, wherever "
        "along the line (1.96 σ at one or two places, more where a thing lies along many).",
        "A conflict: that bound is below the required clearance, or nothing bounds the separation.",
        "Pipes that no survey here was for, service connections and other utilities are in no "
        "record here.",
    ]
    if not any(work.tolerance_95_m for work in plan.works):
        notes.append("The plan is taken as exact: no --plan-tolerance was given.")
    if not made.rows and plan.works and made.lines:
        apart = min(
            float(shapely.distance(_objects([w.shape for w in part.moved.works]), line).min())
            for part in made.parts
            for line in part.lines.path_m
        )
        notes.append(
            f"Nothing planned is near a located line: the nearest is {metres(apart, 0)} off. If "
            "that is a surprise, look at the CRS of both."
        )
    looked = {str(s) for part in made.parts for s in part.lines.site}
    looked |= {str(row["site_id"]) for row in as_built.unlocated}
    if without := sorted(set(as_built.sites) - looked):
        notes.append(f"No located line, so not looked at: {', '.join(without)}.")
    return notes
