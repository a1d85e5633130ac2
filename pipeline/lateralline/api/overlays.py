"""Dig zones around built lines, and planned works compared with them.

Neither is a clearance to dig: the local one-call service and local codes come first, and pipes
are proven by exposing them by hand or vacuum.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from dataclasses import replace as replace_in
from importlib.util import find_spec
from math import nan
from pathlib import Path
from typing import Literal

from lateralline.derive.dig import UNKNOWN_DIAMETER_M, UNKNOWN_WALLS_RATIO, Tolerance
from lateralline.draw.sheet import SUFFIXES
from lateralline.errors import MissingExtraError
from lateralline.ingest.ledger import nearest
from lateralline.output import refuse_target, together
from lateralline.overlay.as_built import (
    UNLOCATED,
    AsBuilt,
    legs_of,
    named,
    open_as_built,
    unlocated_cells,
)
from lateralline.overlay.clearance import Pair
from lateralline.overlay.files import overlay_folder
from lateralline.overlay.plan_files import LayerUse, column_names, read_plan
from lateralline.overlay.planned import KINDS, Options
from lateralline.overlay.run import (
    Comparison,
    at_least,
    at_most,
    compare,
    length,
    pair_cells,
)
from lateralline.overlay.run import write as write_comparison
from lateralline.overlay.zones import Drawn, add_zones, given_distance, rule_named
from lateralline.published import dig_rules
from lateralline.record.rows import UnlocatedRow
from lateralline.terms import region_of, spoken, word

__all__ = [
    "KINDS",
    "UNKNOWN_DIAMETER_M",
    "UNKNOWN_WALLS_RATIO",
    "Comparison",
    "DigZones",
    "Drawn",
    "LayerUse",
    "Options",
    "Pair",
    "Tolerance",
    "UnlocatedRow",
    "at_least",
    "at_most",
    "clearance",
    "column_names",
    "dig_rules",
    "length",
    "named",
    "nearest",
    "pair_cells",
    "refuse_picture",
    "region_of",
    "spoken",
    "unlocated_cells",
    "word",
    "zones",
]


@dataclass(frozen=True, slots=True, eq=False)
class DigZones:
    """What was drawn of a record, and what could not be."""

    rule: Tolerance
    unit: str  # the crew's own unit of length
    drawn: Drawn
    unlocated: tuple[UnlocatedRow, ...]  # rows of the record's layer `unlocated`

    @property
    def missing(self) -> list[UnlocatedRow]:
        """Rows of lines and stops that have no zone at all."""
        return [row for row in self.unlocated if row.extent != "beyond_end" or row.stop_id]


def zones(
    record: Path,
    out: Path,
    rule: str | float,
    *,
    as_given: str = "",
    dissolve: Literal["line", "all"] = "line",
    unit: str = "",
    picture: Path | None = None,
    replace: bool = False,
) -> DigZones:
    """Write hand-dig zones of the lines of a built record into the folder `out`.

    `rule` is the key of a published rule (`dig_rules`) or a distance in metres from the outside of
    the pipe, which the layer then tells `as_given`. Two zones a line: its outside plus the
    tolerance, and the same about its 95 % corridor; with `dissolve="all"` those of a region are
    merged. Lengths in words are in `unit`, else in the crew's. `picture` is a plan to draw beside:
    .png, .svg or .pdf. All is written, or nothing.

    Raises KeyError for an unknown rule, UnreadableError for what is no built record, ValueError for
    another kind of picture, OutputExistsError, MissingExtraError, OutputError.
    """
    refuse_picture(picture, "zones-picture", out, replace=replace)
    chosen = (
        rule_named(rule)
        if isinstance(rule, str)
        else given_distance(rule, as_given or f"{rule:g} m")
    )
    as_built = in_unit(open_as_built(record), unit)
    layer = "tolerance_zone" if dissolve == "line" else "tolerance_zone_merged"
    drawn = Drawn()
    with together():
        with overlay_folder(
            out, "hand_dig_zones", as_built, (layer, UNLOCATED), kind="dig-zones", replace=replace
        ) as overlay:
            for region in as_built.regions():
                if len(region.lines.line):
                    made = add_zones(overlay, region.lines, chosen, merged=dissolve == "all")
                    drawn.take(made, region.unlocated)
                overlay.add_unlocated(region.plane, region.unlocated)
            overlay.add_placeless(as_built.placeless)
            if drawn.lines or as_built.unlocated:
                overlay.close(
                    f"{chosen.title}: {chosen.distance_m:.3f} m each side. {chosen.source}."
                )
        if picture is not None and drawn.first is not None:
            from lateralline.overlay.picture import draw_zones

            legs = legs_of(drawn.first.lines, *as_built.stations())
            draw_zones(
                drawn,
                as_built.unlocated,
                picture,
                legs=legs,
                unit=as_built.unit,
                replace=replace,
            )
    return DigZones(chosen, as_built.unit, drawn, as_built.unlocated)


def clearance(
    record: Path,
    plan: Path,
    out: Path | None = None,
    *,
    options: Options,
    search_m: float = 3.0,
    plan_crs: str = "",
    plan_levels: Literal["same", "none", ""] = "",
    plan_unit: str = "",
    layers: Mapping[str, LayerUse] | None = None,
    shift_sigma_m: float = nan,
    unit: str = "",
    picture: Path | None = None,
    replace: bool = False,
) -> Comparison:
    """Hold planned works against the pipes of a built record.

    `options` state the least separation required, how far works may be built off the plan and what
    its attributes are called; `plan_crs`, `plan_levels`, `plan_unit` and `layers` what the plan
    does not state of itself; `shift_sigma_m` is one σ between plan and record where none is
    published. Lengths in words are in `unit`, else in the crews'. Pairs within `search_m` in plan
    are listed. With `out` the overlay is written there,
    with `picture` a plan: both, or nothing.

    Raises SiteFaultsError and LaterallineError for a plan that cannot be read or brought to the
    record, UnreadableError for what is no built record; else as `zones`.
    """
    refuse_picture(picture, "clearance-picture", out, replace=replace)
    as_built = in_unit(open_as_built(record), unit)
    works = read_plan(
        plan, options, crs=plan_crs, uses=layers, unit=plan_unit, sketch_unit=as_built.taped_in
    )
    made = compare(
        as_built, works, search_m=search_m, plan_levels=plan_levels, given_sigma_m=shift_sigma_m
    )
    if picture is not None and not made.regions:
        picture = None
        made.notes.append("No picture: nothing of this record has a place.")
    with together():
        if out is not None:
            write_comparison(made, as_built, works, out, replace=replace)
        if picture is not None:
            from lateralline.overlay.picture import draw_comparison

            draw_comparison(made, picture, replace=replace)
    return made


def in_unit(as_built: AsBuilt, unit: str) -> AsBuilt:
    """Return a record whose lengths are said in a unit; "" leaves the crews' own."""
    return replace_in(as_built, unit=unit) if unit else as_built


def refuse_picture(picture: Path | None, kind: str, out: Path | None, *, replace: bool) -> None:
    """Refuse a picture that could not be written beside `out`, before anything else is.

    Raises ValueError for another suffix, OutputExistsError, MissingExtraError.
    """
    if picture is None:
        return
    if picture.suffix.lower() not in SUFFIXES:
        raise ValueError(f"a picture ends in {', '.join(SUFFIXES)}; got {picture.name!r}")
    refuse_target(picture, kind, replace=replace, beside=[out])
    if find_spec("matplotlib") is None:
        raise MissingExtraError('drawing needs: pip install "lateralline[draw]"')
