"""`lateralline connect`: where laterals meet the main."""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite, nan
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final, Literal

import typer
from rich.table import Table

from lateralline.cli.command import CLEAN, WITH_ERRORS
from lateralline.cli.judged import judged_json, print_judged
from lateralline.cli.options import (
    AnyRecord,
    AsJson,
    Column,
    IdColumn,
    Layer,
    Out,
    Picture,
    RegisterProfile,
    RegisterSigma,
    Replace,
    ShiftAccuracy,
    Units,
    columns_given,
    metres,
    option,
    refuse_nothing_written,
    refuse_picture,
    refuse_profile_and_columns,
)

if TYPE_CHECKING:
    from lateralline.api.matching import Connection, Connections

_MOST: Final = 60


def connect(
    built: AnyRecord,
    mains: Annotated[
        Path,
        option(
            "Lines of the mains, drawn with the flow: any vector file GDAL opens.",
            metavar="FILE",
            exists=True,
            dir_okay=False,
        ),
    ],
    out: Out = None,
    id_column: IdColumn = "",
    upstream_access: Annotated[
        str, option("Column with the access at the upstream end of each main.", metavar="NAME")
    ] = "",
    downstream_access: Annotated[
        str, option("Column with the access at the downstream end.", metavar="NAME")
    ] = "",
    column: Column = None,
    layer: Layer = "",
    profile: RegisterProfile = "",
    mains_crs: Annotated[
        str, option("CRS of a file that names none; local = own axes.", metavar="CRS")
    ] = "",
    mains_drawn: Annotated[
        Literal["downstream", "upstream"], typer.Option(help="Which way the mains are drawn.")
    ] = "downstream",
    main_levels: Annotated[
        Literal["same", ""],
        option("same: inverts of the mains count from the record's zero.", metavar="same"),
    ] = "",
    register_sigma: RegisterSigma = "",
    shift_accuracy: ShiftAccuracy = "",
    ahead: Annotated[
        str,
        typer.Option(metavar="LENGTH", help="Look for a main as far as this from a line's end."),
    ] = "5m",
    units: Units = None,
    picture: Picture = None,
    replace: Replace = False,
    as_json: AsJson = False,
) -> None:
    """Find where each lateral meets a main.

    Main, chainage along it from its upstream access with ± 95 %, side and angle looking
    downstream, and the line's invert against the main's. A line that stops short, crosses a main,
    or may join either of two says so; what is carried straight on is no located pipe.

    Exit code: 0 each line meets one main; 1 something asks to be looked at; 2 nothing done.

    \b
    Example:
      lateralline connect out --mains mains.gpkg --id-column MAIN --upstream-access FROM_MH \
-o joins --picture joins.png
      lateralline connect out --mains mains.gpkg --column diameter_in=SIZE \
--column upstream_invert_ft=INV_UP --column downstream_invert_ft=INV_DN --main-levels same
    """
    from lateralline.api import matching

    refuse_profile_and_columns(profile, column, layer, mains_crs, id_column)
    refuse_nothing_written(out, picture, replace=replace)
    refuse_picture(picture)
    sigma_m = metres(register_sigma, "--register-sigma") if register_sigma else nan
    made = matching.connect(
        built,
        mains,
        out,
        use=matching.RegisterUse(
            columns_given(
                column,
                matching.column_names(),
                id=id_column,
                upstream_access=upstream_access,
                downstream_access=downstream_access,
            ),
            mains_crs,
            layer,
            sigma_m,
            profile,
        ),
        ahead_m=metres(ahead, "--ahead"),
        against_flow=mains_drawn == "upstream",
        same_levels=main_levels == "same",
        shift_sigma_m=metres(shift_accuracy, "--shift-accuracy") if shift_accuracy else nan,
        unit=units or "",
        picture=picture,
        replace=replace,
    )
    code = CLEAN if made.all_meet else WITH_ERRORS
    if as_json:
        typer.echo(judged_json(made, out, code))
    else:
        _print(made, units or made.unit, (out, picture))
    raise typer.Exit(code)


def _print(made: Connections, unit: str, wrote: Sequence[Path | None]) -> None:
    """Print what to look at first, what to do, and what all rests on."""
    shown = made.found[:_MOST]
    said = [(f"{c.site_id} {c.line_id}: {c.what} → {c.what_to_do}.", "") for c in shown if c.what]
    print_judged(made, _table(shown, unit), said, unit, wrote, "no line to connect")


def _table(rows: list[Connection], unit: str) -> Table:
    from lateralline.api.overlays import length

    table = Table(box=None, pad_edge=False, title=f"in {unit}, ± 95 %", title_justify="left")
    for name in ("line", "meets", "main", "access"):
        table.add_column(name, no_wrap=name != "main")
    for name in ("chainage", "±", "side", "angle", "above main"):
        table.add_column(name, justify="right", no_wrap=True)
    for c in rows:
        chainage = (c.chainage_m, c.chainage_95_m)
        table.add_row(
            f"{c.site_id} {c.line_id}",
            c.meeting.replace("_", " "),
            c.main_id,
            c.at_access_id or c.upstream_access_id,
            *(length(value, unit) if isfinite(value) else "" for value in chainage),
            c.side,
            f"{c.angle_deg:.0f}°" if isfinite(c.angle_deg) else "",
            length(c.above_main_m, unit) if isfinite(c.above_main_m) else "",
            style="" if c.found is None else "bold red",
        )
    return table
