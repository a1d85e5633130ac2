"""The command line: commands filed as `api` is, heavy imports inside those that need them."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterable
from functools import cache
from importlib import import_module
from typing import Annotated, Final

import typer

from lateralline import __version__
from lateralline.cli.command import Command
from lateralline.cli.terminal import SHOWN, Group

#: The module of each command, in the order they are shown in: those nobody asked for are not
#: imported.
COMMANDS: Final = {
    "new": "fieldwork",
    "field-sheet": "fieldwork",
    "import-points": "import_points",
    "check": "check",
    "accept": "check",
    "build": "build",
    "update": "update",
    "upgrade": "fieldwork",
    "draw": "documents",
    "page": "documents",
    "sheet": "documents",
    "ties": "ties",
    "explain": "explain",
    "export": "documents",
    "handover": "handover",
    "seal": "seal",
    "verify": "seal",
    "calibrate": "calibrate",
    "zones": "zones",
    "clearance": "clearance",
    "match": "matching",
    "connect": "matching",
    "register": "registers",
    "publish": "registers",
    "history": "registers",
    "diff": "registers",
    "retract": "registers",
    "schema": "schema",
    "practice": "evidence",
    "prove": "evidence",
    "bench": "evidence",
}


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


def command_line(names: Iterable[str] = COMMANDS) -> typer.Typer:
    """Return the command line with the commands of these names."""
    made = typer.Typer(
        cls=Group,
        context_settings={"color": True},  # nothing is coloured: else what looks so would be cut
        no_args_is_help=True,
        add_completion=False,
        rich_markup_mode=None,
        pretty_exceptions_enable=False,
    )
    made.callback()(lateralline)
    for name in names:
        module = import_module(f"lateralline.cli.{COMMANDS[name]}")
        made.command(name, cls=Command)(getattr(module, name.replace("-", "_")))
    return made


@cache
def _whole() -> typer.Typer:
    return command_line()


def __getattr__(name: str) -> typer.Typer:
    """Return `app`, the command line with all commands, once it is asked for."""
    if name != "app":
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return _whole()


def main() -> None:
    """Run the command line; a sign the terminal cannot show never stops a run."""
    os.environ["PROJ_NETWORK"] = "OFF"  # grids are never fetched, whatever the machine is set to
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors=SHOWN)
    # a command imports much, and typer works out the options of all it has
    asked = [name for name in COMMANDS if name in sys.argv[1:2]]
    (command_line(asked) if asked else _whole())(prog_name="lateralline")
