"""The command line: commands filed as `api` is, heavy imports inside those that need them."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterable
from typing import Annotated, Final

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


def _version(asked: bool) -> None:
    if asked:
        typer.echo(f"lateralline {__version__}")
        raise typer.Exit


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


COMMANDS: Final = (
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
)


def _name(command: Callable[..., None]) -> str:
    return command.__name__.replace("_", "-")


def command_line(commands: Iterable[Callable[..., None]] = COMMANDS) -> typer.Typer:
    """Return the command line with these commands."""
    made = typer.Typer(
        cls=Group,
        context_settings={"color": True},  # nothing is coloured: else what looks so would be cut
        no_args_is_help=True,
        add_completion=False,
        rich_markup_mode=None,
        pretty_exceptions_enable=False,
    )
    made.callback()(lateralline)
    for command in commands:
        made.command(_name(command), cls=Command)(command)
    return made


app = command_line()


def main() -> None:
    """Run the command line; a sign the terminal cannot show never stops a run."""
    os.environ["PROJ_NETWORK"] = "OFF"  # grids are never fetched, whatever the machine is set to
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors=SHOWN)
    # typer works out the options of all it has, which costs more than most commands read in
    asked = [command for command in COMMANDS if _name(command) in sys.argv[1:2]]
    (command_line(asked) if asked else app)(prog_name="lateralline")
