"""`lateralline match`: a built record against the lines of a register."""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite, nan
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

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
    argument,
    columns_given,
    metres,
    option,
    refuse_nothing_written,
    refuse_picture,
    refuse_profile_and_columns,
)

if TYPE_CHECKING:
    from lateralline.api.matching import LineMatch, RegisterMatch

#: Rows on a screen.
_MOST: Final = 60


def match(
    built: AnyRecord,
    register: Annotated[
        Path,
        argument(
            "Lines of the register: GeoPackage, GeoJSON or any vector file GDAL opens.",
            metavar="REGISTER",
            exists=True,
            dir_okay=False,
        ),
    ],
    out: Out = None,
    id_column: IdColumn = "",
    column: Column = None,
    layer: Layer = "",
    profile: RegisterProfile = "",
    register_crs: Annotated[
        str, option("CRS of a register that names none; local = own axes.", metavar="CRS")
    ] = "",
    register_sigma: RegisterSigma = "",
    shift_accuracy: ShiftAccuracy = "",
    within: Annotated[
        str, typer.Option(metavar="LENGTH", help="Look at lines no farther apart than this.")
    ] = "5m",
    units: Units = None,
    picture: Picture = None,
    replace: Replace = False,
    as_json: AsJson = False,
) -> None:
    """Hold a record against the lines of a register.

    Along the whole length of each line, in equal steps: same, as far as both uncertainties tell;
    moved, with the largest offset and both uncertainties at 95 %; conflicting, where names or what
    is joined contradict; new; gone, which is no proof that no pipe is there; not comparable. One
    line may stand for several of the other. Chance calls one pair of one pipe in a hundred moved.

    Exit code: 0 all are the same or new; 1 something asks to be looked at; 2 nothing done.

    \b
    Example:
      lateralline match out register.gpkg --id-column asset_id -o against --picture against.png
      lateralline match out register.geojson --register-sigma 0.3m --column diameter_in=SIZE
    """
    from lateralline.api import matching

    refuse_profile_and_columns(profile, column, layer, register_crs, id_column)
    refuse_nothing_written(out, picture, replace=replace)
    refuse_picture(picture)
    sigma_m = metres(register_sigma, "--register-sigma") if register_sigma else nan
    made = matching.match(
        built,
        register,
        out,
        use=matching.RegisterUse(
            columns_given(column, matching.column_names(), id=id_column),
            register_crs,
            layer,
            sigma_m,
            profile,
        ),
        within_m=metres(within, "--within"),
        shift_sigma_m=metres(shift_accuracy, "--shift-accuracy") if shift_accuracy else nan,
        unit=units or "",
        picture=picture,
        replace=replace,
    )
    code = CLEAN if made.agrees else WITH_ERRORS
    if as_json:
        typer.echo(judged_json(made, out, code))
    else:
        _print(made, units or made.unit, (out, picture))
    raise typer.Exit(code)


def _print(made: RegisterMatch, unit: str, wrote: Sequence[Path | None]) -> None:
    """Print what to look at first, what to do, and what all rests on."""
    shown = [m for m in made.matches if m.verdict != "same"][:_MOST] or made.matches[:_MOST]
    said = [
        (f"{m.name}: {m.what} → {m.what_to_do}.",
         "bold red" if m.verdict == "conflicting" else "")
        for m in shown
        if m.what
    ]  # fmt: skip
    print_judged(made, _table(shown, unit), said, unit, wrote, "nothing to compare")


def _table(rows: list[LineMatch], unit: str) -> Table:
    from lateralline.api.overlays import length

    table = Table(box=None, pad_edge=False, title=f"in {unit}, ± 95 %", title_justify="left")
    for name in ("line", "register", "verdict"):
        table.add_column(name, no_wrap=name != "register")
    for name in ("apart", "±", "record ±", "register ±", "at"):
        table.add_column(name, justify="right", no_wrap=True)
    for m in rows:
        figures = (m.offset_m, m.offset_95_m, m.record_95_m, m.register_95_m, m.chainage_m)
        table.add_row(
            f"{m.site_id} {m.line_id}".strip(),
            m.register_id,
            m.verdict.replace("_", " "),
            *(length(value, unit) if isfinite(value) else "" for value in figures),
            style="" if m.verdict in ("same", "new") else "bold red",
        )
    return table
