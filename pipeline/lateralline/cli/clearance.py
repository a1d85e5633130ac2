"""`lateralline clearance`: planned works against built pipes."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import typer

from lateralline.cli.options import (
    CLEAN,
    WITH_ERRORS,
    AnyRecord,
    AsJson,
    Picture,
    Replace,
    metres,
    refuse_suffix,
)


def clearance(
    built: AnyRecord,
    plan: Annotated[
        Path,
        typer.Argument(
            metavar="PLAN",
            exists=True,
            dir_okay=False,
            help="Planned works: GeoPackage, GeoJSON or DXF.",
            show_default=False,
        ),
    ],
    required: Annotated[
        str,
        typer.Option(
            metavar="LENGTH",
            help="Least separation of surfaces, as 0.3m or 12in, where the plan's own attribute "
            "required_m does not say; there is no default.",
            show_default=False,
        ),
    ] = "",
    out: Annotated[
        Path | None,
        typer.Option("--out", "-o", metavar="OUT", help="Folder to write.", show_default=False),
    ] = None,
    plan_crs: Annotated[
        str,
        typer.Option(
            metavar="CRS",
            help="CRS of a plan that names none, as every DXF; local = a sketch's own axes.",
            show_default=False,
        ),
    ] = "",
    plan_levels: Annotated[
        Literal["same", "none", ""],
        typer.Option(
            help="same: levels in the plan are on the record's basis; none: use depths alone. Else "
            "levels count only when both CRSs name a vertical system.",
            show_default=False,
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
        str,
        typer.Option(
            metavar="LENGTH",
            help="How far the works may be built off the plan, 95 %, as 0.1m.",
            show_default=False,
        ),
    ] = "",
    shift_accuracy: Annotated[
        str,
        typer.Option(
            metavar="LENGTH",
            help="1 σ between plan and record, where no shift of datum is made, or one without a "
            "published σ.",
            show_default=False,
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
            metavar="NAME=KIND,…",
            help="What a DXF layer holds, as 'BORE=bore,diameter_m=0.16'; repeat.",
        ),
    ] = None,
    within: Annotated[
        str,
        typer.Option(
            metavar="LENGTH",
            help="List pairs no farther apart in plan than this, from the pipe's corridor.",
        ),
    ] = "3m",
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
      lateralline clearance out plan.dxf --plan-crs EPSG:32617 --layer BORE=bore,diameter_m=0.16 \
--required 12in
    """
    from math import nan

    from lateralline.api import overlays
    from lateralline.cli.clearance_report import columns_said, layers_said, print_comparison
    from lateralline.units import METRES_PER

    if plan_unit and plan_unit not in METRES_PER:
        raise typer.BadParameter(f"one of {', '.join(METRES_PER)}", param_hint="--plan-unit")
    if replace and out is None and picture is None:
        raise typer.BadParameter(
            "nothing is written: say --out or --picture", param_hint="--replace"
        )
    refuse_suffix(picture)
    options = overlays.Options(
        required_m=metres(required, "--required") if required else nan,
        tolerance_95_m=metres(plan_tolerance, "--plan-tolerance") if plan_tolerance else 0.0,
        columns=columns_said(column or []),
    )
    made = overlays.clearance(
        built,
        plan,
        out,
        options=options,
        search_m=metres(within, "--within"),
        plan_crs=plan_crs,
        plan_levels=plan_levels,
        plan_unit=plan_unit,
        layers=layers_said(layer or []),
        shift_sigma_m=metres(shift_accuracy, "--shift-accuracy") if shift_accuracy else nan,
        picture=picture,
        replace=replace,
    )
    code = CLEAN if made.shows_none else WITH_ERRORS
    drawn = picture if made.parts else None
    print_comparison(made, out, drawn, as_json=as_json, exit_code=code)
    raise typer.Exit(code)
