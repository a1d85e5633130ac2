"""Help shows every choice, and an option of one name means one thing in every command."""

from __future__ import annotations

import re
from collections.abc import Callable
from types import UnionType
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

import pytest
from typer.models import OptionInfo
from typer.testing import CliRunner

from lateralline.cli import app

COMMANDS = {
    str(command.name): command.callback
    for command in app.registered_commands
    if command.callback is not None
}
#: Options whose names are so common that each may mean one thing alone.
ONE_MEANING = ("--name", "--layer", "--at", "--terms")


def options(command: Callable[..., Any]) -> dict[str, tuple[OptionInfo, object]]:
    """Return the options of a command by their long names, with their types."""
    found: dict[str, tuple[OptionInfo, object]] = {}
    for name, hint in get_type_hints(command, include_extras=True).items():
        of, *about = get_args(hint) if hasattr(hint, "__metadata__") else (hint,)
        for option in (o for o in about if isinstance(o, OptionInfo)):
            declared = (option.default, *(option.param_decls or ()))  # typer's first is in default
            named = [o for o in declared if isinstance(o, str) and o.startswith("--")]
            for long in named or [f"--{name.replace('_', '-')}"]:
                found[long] = option, of
    return found


def choices(of: object) -> tuple[str, ...]:
    if get_origin(of) is Literal:
        return get_args(of)
    if get_origin(of) in (Union, UnionType):
        return tuple(c for part in get_args(of) for c in choices(part))
    return ()


@pytest.mark.parametrize("name", COMMANDS)
def test_the_help_of_a_command_shows_every_choice_whole(name: str) -> None:
    shown = CliRunner().invoke(app, [name, "--help"], terminal_width=80).output
    assert not re.search(r"\|[>\]]|[<\[]\|", shown)  # a choice of "" looks cut
    for long, (_, of) in options(COMMANDS[name]).items():
        about = shown.partition("Options")[2].partition(f"{long} ")[2][:400]
        missing = [c for c in choices(of) if c and not re.search(rf"\b{re.escape(c)}\b", about)]
        assert not missing, (long, missing)


def test_an_option_of_one_name_means_one_thing() -> None:
    meant: dict[str, dict[str, list[str]]] = {}
    for name, command in COMMANDS.items():
        for long, (option, _) in options(command).items():
            meant.setdefault(long, {}).setdefault(option.help or "", []).append(name)
    assert {"--name", "--layer", "--at"} <= set(meant)
    assert {o: meant[o] for o in ONE_MEANING if len(meant.get(o, {})) > 1} == {}


def test_every_command_that_prints_labels_takes_the_words_of_a_region() -> None:
    with_terms = {name for name, command in COMMANDS.items() if "--terms" in options(command)}
    assert with_terms >= {
        "build", "check", "clearance", "draw", "field-sheet", "page", "sheet", "ties",
        "update", "zones",
    }  # fmt: skip
