"""The command line: commands filed as `api` is, heavy imports inside those that need them."""

from __future__ import annotations

import os
import sys
from typing import Annotated

import typer

from lateralline import __version__
from lateralline.cli.build import build
from lateralline.cli.calibrate import calibrate
from lateralline.cli.check import accept, check
from lateralline.cli.clearance import clearance
from lateralline.cli.command import Command
from lateralline.cli.documents import draw, export, page, sheet
from lateralline.cli.evidence import bench, practice, prove
from lateralline.cli.explain import explain
from lateralline.cli.fieldwork import field_sheet, new, upgrade
from lateralline.cli.handover import handover
from lateralline.cli.import_points import import_points
from lateralline.cli.matching import connect, match
from lateralline.cli.registers import diff, history, publish, register, retract
from lateralline.cli.schema import schema
from lateralline.cli.seal import seal, verify
from lateralline.cli.terminal import SHOWN, Group
from lateralline.cli.ties import ties
from lateralline.cli.update import update
from lateralline.cli.zones import zones

app = typer.Typer(
    cls=Group,
    context_settings={"color": True},  # nothing is coloured: else what looks so would be cut out
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)


def _version(asked: bool) -> None:
    if asked:
        typer.echo(f"lateralline {__version__}")
        raise typer.Exit


@app.callback()
def lateralline(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version.")
    ] = False,
) -> None:
    """Turn field marks over a buried drain into an adjusted as-built record.

    Nothing made here is a clearance to dig: the local one-call service and local codes come
    first, and pipes are proven by exposing them by hand or vacuum.

    \b
    Example:
      lateralline new sites/EX-001 --id EX-001 --units ft
      lateralline check sites/EX-001
      lateralline build sites/EX-001 -o out
    """


for command in (
    new,
    field_sheet,
    import_points,
    check,
    accept,
    build,
    update,
    upgrade,
    draw,
    page,
    sheet,
    ties,
    explain,
    export,
    handover,
    seal,
    verify,
    calibrate,
    zones,
    clearance,
    match,
    connect,
    register,
    publish,
    history,
    diff,
    retract,
    schema,
    practice,
    prove,
    bench,
):
    app.command(command.__name__.replace("_", "-"), cls=Command)(command)


def main() -> None:
    """Run the command line; a sign the terminal cannot show never stops a run."""
    os.environ["PROJ_NETWORK"] = "OFF"  # grids are never fetched, whatever the machine is set to
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors=SHOWN)
    app(prog_name="lateralline")
