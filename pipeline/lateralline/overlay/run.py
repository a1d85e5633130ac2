"""A whole comparison: built record and plan in, pairs and an overlay folder out."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from dataclasses import replace as replace_in
from math import inf, isnan, nan
from pathlib import Path
from typing import Final

import numpy as np
import shapely

from lateralline import contract
from lateralline.errors import LaterallineError
from lateralline.overlay.as_built import UNLOCATED, AsBuilt, Region, UnlocatedArea, named
from lateralline.overlay.bounds import SearchTerms
from lateralline.overlay.clearance import Pair, pairs_of, unlocated_pairs
from lateralline.overlay.files import (
    Columns,
    Overlay,
    as_drawn,
    cells_of,
    columns_of,
    overlay_folder,
)
from lateralline.overlay.planned import PlannedWork, PlannedWorks
from lateralline.overlay.to_record_crs import (
    LevelBasis,
    MovedWorks,
    frame_in_words,
    level_basis,
    to_record_crs,
)
from lateralline.record.layers import AnyFrame
from lateralline.record.rows import UnlocatedRow
from lateralline.units import METRES_PER
from lateralline.wording import counted, metres, off_by, plain, rounded_down

#: Pairs no farther apart than this in plan are listed, if not more was asked for.
SEARCH_M: Final = 3.0
NAME: Final = "clearance"
LAYERS: Final = ("planned_works", "clearance_pairs", "clearance_conflicts", UNLOCATED)
_RISK: Final = ("not_located", "conflict", "no_conflict_shown")


class NothingToCompareError(LaterallineError, ValueError):
    """The built record has no line, or the plan no works."""


@dataclass(frozen=True, slots=True, eq=False)
class RegionComparison:
    """One region's outcome."""

    region: Region
    moved: MovedWorks
    pairs: list[Pair]  # of located lines, then of pipe nobody located that no other pair is of
    unlocated: list[Pair]  # of pipe nobody located, those too whose line has another pair

    def areas(self, works: Collection[str] | None = None) -> list[UnlocatedArea]:
        """Return where unlocated pipe near works may be, each once; near those of some ids only."""
        pairs = (p for p in self.unlocated if works is None or p.work.id in works)
        return list(dict.fromkeys(pair.area for pair in pairs if pair.area is not None))


#: What no verdict of a comparison takes away.
NO_LEAVE: Final = (
    "No conflict shown is no leave for machines: within the hand-dig zone of a line, which "
    "`lateralline zones` draws, works are dug by hand or vacuum all the same."
)


@dataclass(frozen=True, slots=True, eq=False)
class Comparison:
    """Everything found."""

    basis: LevelBasis
    unit: str  # to state lengths in, metres besides
    regions: list[RegionComparison]
    pairs: list[Pair]  # riskiest first
    placeless: list[UnlocatedRow]  # pipe that may be anywhere
    notes: list[str]

    @property
    def conflicts(self) -> int:
        """How many pairs are in conflict."""
        return sum(pair.verdict == "conflict" for pair in self.pairs)

    @property
    def not_located(self) -> int:
        """How many pairs are with pipe nobody located."""
        return sum(pair.verdict == "not_located" for pair in self.pairs)

    @property
    def shows_none(self) -> bool:
        """Whether no conflict is shown, and no pipe of the record may be in the way unseen."""
        return not (self.conflicts or self.not_located or self.placeless)

    @property
    def unlocated_near(self) -> list[UnlocatedRow]:
        """Rows of what is not located and near a planned thing."""
        return [area.row for one in self.regions for area in one.areas()]


def compare(
    as_built: AsBuilt,
    plan: PlannedWorks,
    *,
    search_m: float = SEARCH_M,
    plan_levels: str = "",
    given_sigma_m: float = nan,
) -> Comparison:
    """Return every planned thing against every line near it, a region at a time.

    Raises FrameError when the plan cannot be brought to the record, NothingToCompareError when
    there is no line, located or not.
    """
    regions, stations = list(as_built.regions()), as_built.stations()
    if not regions and not as_built.placeless:
        raise NothingToCompareError(f"{as_built.path} holds no line: there is nothing to compare")
    datums = {str(d) for region in regions for d in region.lines.level_datum}
    basis = level_basis(plan, as_built, plan_levels, datums)
    compared = []
    for region in regions:
        moved = to_record_crs(plan, as_built, region.plane, basis, given_sigma_m)
        terms = SearchTerms(search_m, moved.sigma_m, basis.compare, moved.sigma_up_m)
        found = _compared(region, stations, moved, terms)
        pairs = [replace_in(pair, unit=as_built.unit) for pair in found.pairs]
        compared.append(replace_in(found, pairs=pairs))
    pairs = sorted((pair for one in compared for pair in one.pairs), key=_risk)
    made = Comparison(basis, as_built.unit, compared, pairs, as_built.placeless, [])
    made.notes.extend([*_notes(as_built, plan, made), *plan.notes])
    return made


def _compared(
    region: Region,
    stations: tuple[AnyFrame, AnyFrame],
    moved: MovedWorks,
    terms: SearchTerms,
) -> RegionComparison:
    """Return one region's pairs; those whose line runs on unlocated towards the thing as such."""
    located = pairs_of(region.lines, *stations, moved.works, terms)
    unlocated = unlocated_pairs(region.unlocated, moved.works, terms)
    keys, towards = {pair.key for pair in located}, {pair.key for pair in unlocated}
    pairs = [pair.running_on() if pair.key in towards else pair for pair in located]
    pairs += [pair for pair in unlocated if pair.key not in keys]
    return RegionComparison(region, moved, pairs, unlocated)


def _risk(pair: Pair) -> tuple[int, float, float, float]:
    """Return what sorts the riskiest first: unknown, then likeliest, then nearest.

    Pipe nobody located comes before all that is.
    """
    below, lower, apart = (
        pair.probability_below_required,
        pair.separation_lower_95_m,
        pair.separation_m,
    )
    return (
        _RISK.index(pair.verdict),
        -1.0 if isnan(below) else -below,
        -inf if isnan(lower) else lower - pair.required_m,
        -inf if isnan(apart) else apart,
    )


# ---- layers --------------------------------------------------------------------------------


def write(
    made: Comparison, as_built: AsBuilt, plan: PlannedWorks, out: Path, *, replace: bool = False
) -> None:
    """Write the overlay folder: GeoPackage, GeoJSON, CSV."""
    with overlay_folder(out, NAME, as_built, LAYERS, kind=NAME, replace=replace) as overlay:
        home = _home(made, plan)
        for n, one in enumerate(made.regions):
            mine = [one.moved.works[i] for i, home_of in enumerate(home) if home_of == n]
            _add(overlay, one, mine, made, as_built)
        overlay.add_placeless(made.placeless)
        rows: list[dict[str, object]] = [
            {name: getattr(row, name) for name in ("site_id", "line_id", "what", "caution")}
            | {"verdict": "not_located"}
            for row in made.placeless
        ]
        rows += [pair_cells(pair) for pair in made.pairs]
        overlay.add_csv("clearance_pairs", rows)
        overlay.close(plain(" ".join(made.notes)))


def _home(made: Comparison, plan: PlannedWorks) -> list[int]:
    """Return the region each of the plan's works is written with: the one it has most pairs in."""
    if not made.regions:
        return []  # nothing has a place
    counts = [Counter(pair.work.id for pair in one.pairs) for one in made.regions]
    return [max(range(len(counts)), key=lambda n: counts[n][work.id]) for work in plan.works]


def _add(
    overlay: Overlay,
    one: RegionComparison,
    works: Sequence[PlannedWork],
    made: Comparison,
    as_built: AsBuilt,
) -> None:
    """Write one region's layers."""
    plane = one.region.plane
    pairs_of_work = Counter(pair.work.id for pair in made.pairs)
    about: Columns = {
        "work_id": [w.id for w in works],
        "work_name": [w.name for w in works],
        "kind": [w.kind for w in works],
        "depth_m": [w.depth_m for w in works],
        "lowest_level_m": [
            float(w.z_m.min()) if made.basis.compare and w.has_level else nan for w in works
        ],
        "radius_m": [w.radius_m for w in works],
        "required_m": [w.required_m for w in works],
        "tolerance_95_m": [w.tolerance_95_m for w in works],
        "pairs": [pairs_of_work[w.id] for w in works],
        "record_sha256": [as_built.sha256] * len(works),
        "caution": [contract.load("planned_works").caution] * len(works),
    }
    outlines = np.array([work.footprint for work in works], dtype=object)
    overlay.add("planned_works", plane, as_drawn(about, outlines))
    rows = columns_of("clearance_pairs", one.pairs)
    lines = np.array([pair.approach_m for pair in one.pairs], dtype=object)
    z_m = np.array([pair.z_m for pair in one.pairs], dtype=np.float64).reshape(-1, 2)
    overlay.add("clearance_pairs", plane, as_drawn(rows, lines), z_m.ravel())
    bad = [n for n, pair in enumerate(one.pairs) if pair.verdict != "no_conflict_shown"]
    rows = columns_of("clearance_conflicts", [one.pairs[n] for n in bad])
    points = shapely.get_point(lines[bad], 0)
    overlay.add("clearance_conflicts", plane, as_drawn(rows, points), z_m[bad, 0])
    overlay.add_unlocated(plane, one.region.unlocated)  # near the works or not, as the record has


# ---- in words ------------------------------------------------------------------------------


def pair_cells(pair: Pair) -> dict[str, object]:
    """Return a pair as a row of `clearance_pairs` for machines: no NaN, plain blanks."""
    return cells_of("clearance_pairs", pair)


def at_least(separation_lower_95_m: float, unit: str = "m") -> str:
    """Return a lower bound in `unit`, never greater; contact has no depth worth stating.

    >>> [at_least(bound) for bound in (float("nan"), -5.82, 0.004, 0.367)]
    ['no bound', '≤ 0', '0.00', '0.36']
    """
    if isnan(separation_lower_95_m):
        return "no bound"
    if separation_lower_95_m < 0.0:
        return "≤ 0"
    decimals = _decimals(unit)
    down = rounded_down(separation_lower_95_m / METRES_PER[unit], decimals)
    return f"{down:.{decimals}f}"


def at_most(off_95_m: float, unit: str = "m") -> str:
    """Return how far off something may be in `unit`, never smaller; as messages round.

    >>> at_most(0.4501), at_most(0.45), at_most(0.4501, "in"), at_most(float("nan"))
    ('0.46', '0.45', '17.8', '?')
    """
    if isnan(off_95_m):
        return "?"
    return off_by(off_95_m / METRES_PER[unit], _decimals(unit))


def length(value_m: float, unit: str = "m") -> str:
    """Return a length in `unit`, which stands above it.

    >>> length(0.3048, "ft"), length(0.3048, "in"), length(0.3048), length(float("nan"))
    ('1.00', '12.0', '0.30', '?')
    """
    if isnan(value_m):
        return "?"
    return f"{value_m / METRES_PER[unit]:.{_decimals(unit)}f}"


def _decimals(unit: str) -> int:
    return 1 if unit == "in" else 2


def _notes(as_built: AsBuilt, plan: PlannedWorks, made: Comparison) -> list[str]:
    """Return what a reader must know of the comparison as a whole; what is not located first."""
    lines = [line for one in made.regions for line in one.region.lines.path_m]
    notes = []
    if made.placeless:
        notes.append(
            f"Lines of this record that nobody located: {named(made.placeless)}. They have no "
            "place in it and may be anywhere, in these works too."
        )
    near = set(map(id, made.unlocated_near))
    far = [
        row
        for row in as_built.unlocated
        if row.geometry is not None and row.extent != "beyond_end" and id(row) not in near
    ]
    if far:
        notes.append(
            f"Not located either, but in areas that are not near these works: {named(far)}. See "
            "the record's layer unlocated."
        )
    notes += [
        f"{counted(len(plan.works), 'planned thing')} held against "
        f"{counted(len(lines), 'located line')}; {counted(len(made.pairs), 'pair')} near enough to "
        "list.",
        f"Levels: {made.basis.why}.",
    ]
    if made.regions:
        notes.append(f"Coordinate system: {frame_in_words(made.regions[0].moved, as_built.crs)}.")
    notes += [
        "At the least: with 95 % probability or more the true separation is above it, wherever "
        "along the line (1.96 σ at one or two places, more where a thing lies along many).",
        "A conflict: that bound is below the required clearance, or nothing bounds the separation.",
        NO_LEAVE,
        "Pipes that no survey here was for, service connections and other utilities are in no "
        "record here.",
    ]
    if not any(work.tolerance_95_m for work in plan.works):
        notes.append("The plan is taken as exact: no --plan-tolerance was given.")
    if not made.pairs and plan.works and lines:
        nearest_m = min(
            float(shapely.distance([w.shape for w in one.moved.works], line).min())
            for one in made.regions
            for line in one.region.lines.path_m
        )
        notes.append(
            f"Nothing planned is near a located line: the nearest is {metres(nearest_m, 0)} off. "
            "If that is a surprise, look at the CRS of both."
        )
    seen = {str(s) for one in made.regions for s in one.region.lines.site}
    seen |= {row.site_id for row in as_built.unlocated}
    if without := sorted(set(as_built.sites) - seen):
        notes.append(f"No located line, so not looked at: {', '.join(without)}.")
    return notes
