"""`lateralline match` and `connect`: a record against the lines of a register."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from math import isfinite, nan
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final, Literal

import typer
from rich.table import Table

from lateralline.cli.command import CLEAN, WITH_ERRORS, head, json_text
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
)
from lateralline.cli.report import print_last_words
from lateralline.cli.terminal import console, print_indented
from lateralline.wording import with_own_unit

if TYPE_CHECKING:
    from lateralline.api.matching import Connections, RegisterMatch, RegisterUse


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

    refuse_nothing_written(out, picture, replace=replace)
    refuse_picture(picture)
    made = matching.match(
        built,
        register,
        out,
        use=_register_use(profile, column, layer, register_crs, register_sigma, id=id_column),
        within_m=metres(within, "--within"),
        shift_sigma_m=metres(shift_accuracy, "--shift-accuracy", empty=nan),
        unit=units or "",
        picture=picture,
        replace=replace,
    )
    code = CLEAN if made.agrees else WITH_ERRORS
    if as_json:
        rows = [matching.cells_of(matching.MATCHES, m) for m in made.matches]
        _print_json("match", "matches", rows, made, out, code)
    else:
        _print_matches(made, units or made.unit, (out, picture))
    raise typer.Exit(code)


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

    refuse_nothing_written(out, picture, replace=replace)
    refuse_picture(picture)
    accesses = {"upstream_access": upstream_access, "downstream_access": downstream_access}
    made = matching.connect(
        built,
        mains,
        out,
        use=_register_use(
            profile, column, layer, mains_crs, register_sigma, id=id_column, **accesses
        ),
        ahead_m=metres(ahead, "--ahead"),
        against_flow=mains_drawn == "upstream",
        same_levels=main_levels == "same",
        shift_sigma_m=metres(shift_accuracy, "--shift-accuracy", empty=nan),
        unit=units or "",
        picture=picture,
        replace=replace,
    )
    code = CLEAN if made.all_meet else WITH_ERRORS
    if as_json:
        rows = [matching.cells_of(matching.CONNECTIONS, c) for c in made.found]
        _print_json("connect", "connections", rows, made, out, code)
    else:
        _print_connections(made, units or made.unit, (out, picture))
    raise typer.Exit(code)


def _register_use(
    profile: str, column: list[str] | None, layer: str, crs: str, sigma: str, **named: str
) -> RegisterUse:
    """Return how a register's file is to be read; a profile stands in place of what it says."""
    from lateralline.api import matching

    if profile and any((column, layer, crs, named["id"])):
        raise typer.BadParameter("--profile says which layers, columns and CRS: leave those out")
    columns = columns_given(column, matching.column_names(), **named)
    sigma_m = metres(sigma, "--register-sigma", empty=nan)
    return matching.RegisterUse(columns, crs, layer, sigma_m, profile)


# ---- what was found ------------------------------------------------------------------------


def _print_json(
    command: str,
    called: str,
    rows: Iterable[Mapping[str, object]],
    made: RegisterMatch | Connections,
    out: Path | None,
    exit_code: int,
) -> None:
    """Print all rows as one JSON document of the command that made them."""
    content = {
        **head(command, out, exit_code),
        "counts": dict(made.counts),
        "notes": made.notes,
        called: [{k: v for k, v in row.items() if k != "caution"} for row in rows],
    }
    typer.echo(json_text(content))


def _print_matches(made: RegisterMatch, unit: str, wrote: Sequence[Path | None]) -> None:
    """Print what to look at first, what to do, and what all rests on."""
    from lateralline.api.overlays import at_most, length

    shown = [m for m in made.matches if m.verdict != "same"][:_MOST] or made.matches[:_MOST]
    table = _table(unit, ("line", "register", "verdict"))
    for name in ("apart", "±", "record ±", "register ±", "at"):
        table.add_column(name, justify="right", no_wrap=True)
    for m in shown:
        figures = (
            (length, m.offset_m), (at_most, m.offset_95_m), (at_most, m.record_95_m),
            (at_most, m.register_95_m), (length, m.chainage_m),
        )  # fmt: skip
        table.add_row(
            f"{m.site_id} {m.line_id}".strip(),
            m.register_id,
            m.verdict.replace("_", " "),
            *(said(value, unit) if isfinite(value) else "" for said, value in figures),
            style="" if m.verdict in ("same", "new") else "bold red",
        )
    said = [
        (f"{m.name}: {m.what} → {m.what_to_do}.",
         "bold red" if m.verdict == "conflicting" else "")
        for m in shown
        if m.what
    ]  # fmt: skip
    _print_found(made, table, said, unit, wrote, "nothing to compare")


def _print_connections(made: Connections, unit: str, wrote: Sequence[Path | None]) -> None:
    """Print what to look at first, what to do, and what all rests on."""
    from lateralline.api.overlays import at_most, length

    shown = made.found[:_MOST]
    table = _table(unit, ("line", "meets", "main", "access"))
    for name in ("gap", "chainage", "±", "side", "angle", "above main"):
        table.add_column(name, justify="right", no_wrap=True)
    for c in shown:
        table.add_row(
            f"{c.site_id} {c.line_id}",
            c.meeting.replace("_", " "),
            c.main_id,
            c.at_access_id or c.upstream_access_id,
            length(c.gap_m, unit) if isfinite(c.gap_m) else "",
            length(c.chainage_m, unit) if isfinite(c.chainage_m) else "",
            at_most(c.chainage_95_m, unit) if isfinite(c.chainage_95_m) else "",
            c.side,
            f"{c.angle_deg:.0f}°" if isfinite(c.angle_deg) else "",
            length(c.above_main_m, unit) if isfinite(c.above_main_m) else "",
            style="" if c.found is None else "bold red",
        )
    said = [(f"{c.site_id} {c.line_id}: {c.what} → {c.what_to_do}.", "") for c in shown if c.what]
    _print_found(made, table, said, unit, wrote, "no line to connect")


def _table(unit: str, texts: Sequence[str]) -> Table:
    """Return a table with its columns of texts, in which ids of a register may wrap."""
    table = Table(box=None, pad_edge=False, title=f"in {unit}, ± 95 %", title_justify="left")
    for name in texts:
        table.add_column(name, no_wrap=name not in ("register", "main"))
    return table


def _print_found(
    made: RegisterMatch | Connections,
    table: Table,
    said: Iterable[tuple[str, str]],
    unit: str,
    wrote: Sequence[Path | None],
    nothing: str,
) -> None:
    """Print rows, what was found of them (words and style), what all rests on, and how many.

    `nothing` is said where there is no row.
    """
    to = console()
    to.print(table)
    for text, style in said:
        print_indented(to, with_own_unit(text, unit), 2, style)
    for note in made.notes:
        print_indented(to, with_own_unit(note, unit))
    counts = ", ".join(f"{n} {name.replace('_', ' ')}" for name, n in made.counts.items() if n)
    paths = ", ".join(str(path) for path in wrote if path is not None)
    print_last_words((counts or nothing) + (f"; wrote {paths}" if paths else ""))
