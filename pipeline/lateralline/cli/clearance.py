"""`lateralline clearance`: planned works against built pipes."""

from __future__ import annotations

from math import nan
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final, Literal

import typer
from rich.table import Table

from lateralline.cli.command import CLEAN, WITH_ERRORS, head, json_text
from lateralline.cli.options import (
    AnyRecord,
    AsJson,
    Out,
    Picture,
    Replace,
    Terms,
    Units,
    argument,
    columns_given,
    metres,
    option,
    refuse_nothing_written,
    refuse_picture,
    refuse_unknown_column,
)
from lateralline.cli.report import print_last_words
from lateralline.cli.terminal import console, print_indented
from lateralline.units import METRES_PER
from lateralline.wording import chance, counted, with_own_unit

if TYPE_CHECKING:
    from lateralline.api.overlays import Comparison, LayerUse, Pair

_NONE_SHOWN: Final = (
    "No conflict is shown by these records. That is no clearance to dig: it says nothing of pipes "
    "nobody located, of pipe past the open ends of a located line, or of other utilities."
)
_VERDICTS: Final = {
    "not_located": "not located",
    "conflict": "conflict",
    "no_conflict_shown": "no conflict shown",
}


def clearance(
    built: AnyRecord,
    plan: Annotated[
        Path,
        argument(
            "Planned works: GeoPackage, GeoJSON or DXF.",
            metavar="PLAN",
            exists=True,
            dir_okay=False,
        ),
    ],
    required: Annotated[
        str,
        option(
            "Least separation of surfaces, as 0.3m or 12in, where the plan's own attribute "
            "required_m does not say; there is no default.",
            metavar="LENGTH",
        ),
    ] = "",
    out: Out = None,
    plan_crs: Annotated[
        str,
        option(
            "CRS of a plan that names none, as every DXF; local = a sketch's own axes.",
            metavar="CRS",
        ),
    ] = "",
    plan_levels: Annotated[
        Literal["same", "none", ""],
        option(
            "same: levels in the plan are on the record's basis; none: use depths alone. Else "
            "levels count only when both CRSs name a vertical system.",
            metavar="same|none",
        ),
    ] = "",
    plan_unit: Annotated[
        str,
        typer.Option(
            metavar="UNIT",
            help="What a DXF really counts in, if not what its header says; or a plan on a "
            "sketch's own axes, if not the unit the sketch was taped in.",
        ),
    ] = "",
    plan_tolerance: Annotated[
        str, option("How far the works may be built off the plan, 95 %, as 0.1m.", metavar="LENGTH")
    ] = "",
    shift_accuracy: Annotated[
        str,
        option(
            "1 σ between plan and record, where no shift of datum is made, or one without a "
            "published σ.",
            metavar="LENGTH",
        ),
    ] = "",
    column: Annotated[
        list[str] | None,
        typer.Option(
            metavar="OURS=THEIRS", help="An attribute by another name, as depth_m=TIEFE; repeat."
        ),
    ] = None,
    layer: Annotated[
        list[str] | None,
        typer.Option(
            "--dxf-layer",
            metavar="NAME=KIND,…",
            help="What a DXF layer holds, as 'BORE=bore,diameter_m=0.16' or "
            "'DIG=trench,width_m=0.6'; repeat.",
        ),
    ] = None,
    within: Annotated[
        str,
        typer.Option(
            metavar="LENGTH",
            help="List pairs no farther apart in plan than this, from the pipe's corridor.",
        ),
    ] = "3m",
    units: Units = None,
    terms: Terms = None,
    picture: Picture = None,
    replace: Replace = False,
    as_json: AsJson = False,
) -> None:
    """Hold planned works against built pipes.

    For each planned trench, bore, post or pile near a pipe: the least 3-D separation of surfaces,
    its 95 % lower bound, where on the pipe, and how likely it is less than required. Where levels
    are unknown, depths below ground serve, and rows say so. No conflict shown is no clearance to
    dig: pipes nobody located are in no record.

    Pipe of the record that is not drawn is an obstacle all the same: what stands near where it may
    be is "not located", and a line without any place is named whatever is planned.

    Exit code: 0 no conflict shown; 1 a conflict, which is a lower bound below the required
    clearance or none at all, or pipe of the record that nobody located; 2 nothing done.

    \b
    Example:
      lateralline clearance out plan.gpkg --required 0.3m -o near --picture near.png
      lateralline clearance out plan.dxf --plan-crs EPSG:32617 --required 12in \
--dxf-layer BORE=bore,diameter_m=0.16
    """
    from lateralline.api import overlays

    if plan_unit and plan_unit not in METRES_PER:
        raise typer.BadParameter(f"one of {', '.join(METRES_PER)}", param_hint="--plan-unit")
    refuse_nothing_written(out, picture, replace=replace)
    refuse_picture(picture)
    options = overlays.Options(
        required_m=metres(required, "--required", empty=nan),
        tolerance_95_m=metres(plan_tolerance, "--plan-tolerance", empty=0.0),
        columns=columns_given(column, overlays.column_names()),
    )
    with overlays.spoken(terms):
        made = overlays.clearance(
            built,
            plan,
            out,
            options=options,
            search_m=metres(within, "--within"),
            plan_crs=plan_crs,
            plan_levels=plan_levels,
            plan_unit=plan_unit,
            layers=_layers(layer or []),
            shift_sigma_m=metres(shift_accuracy, "--shift-accuracy", empty=nan),
            unit=units or "",
            picture=picture,
            replace=replace,
        )
    code = CLEAN if made.shows_none else WITH_ERRORS
    drawn = picture if made.regions else None
    with overlays.spoken(terms):
        _print(made, out, drawn, as_json=as_json, exit_code=code)
    raise typer.Exit(code)


def _layers(given: list[str]) -> dict[str, LayerUse]:
    """Return --dxf-layer options as layer → its use."""
    from lateralline.api.overlays import KINDS, LayerUse, column_names

    out: dict[str, LayerUse] = {}
    for text in given:
        name, _, rest = text.partition("=")
        kind, *more = (part.strip() for part in rest.split(","))
        found = next((k for k in KINDS if k == kind), None)
        if not name.strip() or found is None:
            raise typer.BadParameter(
                f"NAME=KIND with KIND one of {', '.join(KINDS)}; got {text!r}",
                param_hint="--dxf-layer",
            )
        cells: dict[str, object] = {}
        for pair in more:
            key, equals, value = (part.strip() for part in pair.partition("="))
            if not equals:
                raise typer.BadParameter(
                    f"NAME=KIND,attribute=value; got {text!r}", param_hint="--dxf-layer"
                )
            refuse_unknown_column(key, column_names(), "--dxf-layer")
            cells[key] = value
        out[name.strip()] = LayerUse(found, cells)
    return out


def _print(
    made: Comparison, out: Path | None, picture: Path | None, *, as_json: bool, exit_code: int
) -> None:
    """Print every pair, the riskiest first, what they rest on, and the caution."""
    from lateralline.api import overlays

    if as_json:
        near = (*made.placeless, *made.unlocated_near)
        cells = map(overlays.pair_cells, made.pairs)
        content = {
            **head("clearance", out, exit_code),
            "conflicts": made.conflicts,
            "not_located": [overlays.unlocated_cells(row) for row in near],
            "none_shown_means": _NONE_SHOWN,
            "notes": made.notes,
            "pairs": [{k: v for k, v in row.items() if k != "caution"} for row in cells],
        }
        typer.echo(json_text(content))
        return
    to = console()
    if made.pairs:
        to.print(_table(made.pairs, made.unit))
    for n, pair in enumerate(made.pairs, start=1):
        what = pair.in_words(made.unit)
        text = f"{n} {pair.site_id} {pair.line_id}, {pair.work_name or pair.work_id}: {what}"
        print_indented(to, text, 2, _style(pair))
    for n, note in enumerate(made.notes):
        bold = "bold red" if n == 0 and made.placeless else ""
        print_indented(to, with_own_unit(note, made.unit), style=bold)
    if made.shows_none:
        print_indented(to, _NONE_SHOWN, style="bold")
    wrote = [str(path) for path in (out, picture) if path is not None]
    counts = f"{counted(made.conflicts, 'conflict')} in {counted(len(made.pairs), 'pair')} listed"
    if missing := made.not_located + len(made.placeless):
        counts += f", {missing} not located"
    print_last_words(counts + (f"; wrote {', '.join(wrote)}" if wrote else ""))


def _style(pair: Pair) -> str:
    return "" if pair.verdict == "no_conflict_shown" else "bold red"


def _table(pairs: list[Pair], unit: str) -> Table:
    from lateralline.api import overlays

    table = Table(
        box=None,
        pad_edge=False,
        collapse_padding=True,
        title="the riskiest first",
        title_justify="left",
    )
    table.add_column("", justify="right", no_wrap=True)
    table.add_column("line", no_wrap=True)
    table.add_column("planned")  # the one to wrap
    table.add_column("verdict", no_wrap=True)
    along = overlays.word("distance along pipe", overlays.region_of(unit))
    apart, least, needed, at = (f"{n}\n{unit}" for n in ("apart", "at least", "needed", along))
    for name in (apart, least, needed, "P below", "P touch", at):
        table.add_column(name, justify="right", no_wrap=True)
    table.add_column("by", no_wrap=True)
    for n, pair in enumerate(pairs, start=1):
        table.add_row(
            str(n),
            f"{pair.site_id} {pair.line_id}",
            pair.work_name or pair.work_id,
            _VERDICTS[pair.verdict],
            overlays.length(pair.separation_m, unit),
            overlays.at_least(pair.separation_lower_95_m, unit),
            overlays.length(pair.required_m, unit),
            chance(pair.probability_below_required),
            chance(pair.probability_contact),
            overlays.length(pair.chainage_m, unit),
            pair.levels_by.partition("_")[0],
            style=_style(pair),
        )
    return table
