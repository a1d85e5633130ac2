"""Arguments and options shared by commands, and the console they speak through."""

from __future__ import annotations

import os
import re
import textwrap
from collections.abc import Callable
from dataclasses import fields, is_dataclass
from inspect import Parameter, Signature, signature
from pathlib import Path
from typing import Annotated, Final, get_type_hints

import typer
from rich.console import Console
from rich.text import Text

from lateralline.cli.terminal import ShownConsole
from lateralline.units import METRES_PER
from lateralline.wording import shown


def refuse_overwriting(made: Path | None) -> Path | None:
    """Return what is to be made; raises typer.BadParameter when it is there already."""
    if made is not None and made.exists():
        raise typer.BadParameter(f"{made} is there already, and nothing is overwritten")
    return made


Sites = Annotated[
    list[Path],
    typer.Argument(
        metavar="SITE",
        exists=True,
        help="A site folder, a workbook (.xlsx), or a folder of these.",
        show_default=False,
    ),
]
Record = Annotated[
    Path,
    typer.Argument(
        metavar="OUT",
        exists=True,
        help="Folder that `lateralline build` wrote, or its .gpkg.",
        show_default=False,
    ),
]
Records = Annotated[
    list[Path],
    typer.Argument(
        metavar="OUT",
        exists=True,
        help="Folders that `lateralline build` wrote, or their .gpkg.",
        show_default=False,
    ),
]
#: For commands that make an OUT of their own.
AnyRecord = Annotated[
    Path,
    typer.Argument(
        metavar="AS_BUILT",
        exists=True,
        help="Folder that `lateralline build` wrote, or its .gpkg; any number of sites.",
        show_default=False,
    ),
]
NewFolder = typer.Argument(
    metavar="FOLDER",
    callback=refuse_overwriting,
    help="Folder to make; it must not be there yet.",
    show_default=False,
)
Picture = Annotated[
    Path | None,
    typer.Option(metavar="PICTURE", help="Plan to draw: .png, .svg or .pdf.", show_default=False),
]
AsJson = Annotated[
    bool, typer.Option("--json", help="Print one JSON document and nothing else, for machines.")
]
Replace = Annotated[
    bool,
    typer.Option(
        "--replace",
        help="Replace what this command wrote there before, and nothing else; what was changed "
        "since is kept beside it.",
    ),
]
Quiet = Annotated[bool, typer.Option("--quiet", "-q", help="Print only what went wrong.")]


def grouped(command: Callable[..., None]) -> Callable[..., None]:
    """Let a command take options in groups: dataclasses whose fields are annotated as options.

    The command line knows the fields alone; the command gets each group made of them.
    """
    of_command = get_type_hints(command, include_extras=True)
    groups: dict[str, type] = {
        name: hint
        for name, hint in of_command.items()
        if isinstance(hint, type) and is_dataclass(hint)
    }
    parameters: list[Parameter] = []
    for parameter in signature(command).parameters.values():
        if (group := groups.get(parameter.name)) is None:
            hint = of_command[parameter.name]
            parameters.append(parameter.replace(kind=Parameter.KEYWORD_ONLY, annotation=hint))
            continue
        hints = get_type_hints(group, include_extras=True)
        parameters += [
            Parameter(f.name, Parameter.KEYWORD_ONLY, default=f.default, annotation=hints[f.name])
            for f in fields(group)
        ]

    def called(**given: object) -> None:
        for name, group in groups.items():
            made: Callable[..., object] = group
            given[name] = made(**{f.name: given.pop(f.name) for f in fields(group)})
        command(**given)

    called.__name__, called.__doc__ = command.__name__, command.__doc__
    called.__annotations__ = {p.name: p.annotation for p in parameters}
    vars(called)["__signature__"] = Signature(parameters)
    return called


#: Exit codes of `build` and `check`: no error findings; some, or some sites failed; nothing.
CLEAN: Final = 0
WITH_ERRORS: Final = 1
NOTHING: Final = 2
#: An error nobody foresaw: EX_SOFTWARE of sysexits.h (from memory).
UNFORESEEN: Final = 70

_LENGTH: Final = re.compile(r"\s*(\d{1,7}(?:\.\d{0,9})?|\.\d{1,9})\s*(m|cm|mm|ft|us-ft|in)\s*")
_PIPED_WIDTH: Final = 100  # columns when nobody says how wide the page is


def refuse_suffix(picture: Path | None, option: str = "--picture") -> None:
    """Raise typer.BadParameter for a picture of another kind than can be drawn."""
    from lateralline.api.documents import PICTURE_SUFFIXES

    if picture is not None and picture.suffix.lower() not in PICTURE_SUFFIXES:
        kinds = ", ".join(PICTURE_SUFFIXES)
        raise typer.BadParameter(
            f"a picture ends in {kinds}; got {picture.name!r}", param_hint=option
        )


def metres(text: str, option: str) -> float:
    """Return a length in metres; raises typer.BadParameter without a unit or for what is none.

    >>> metres("0.5m", "--required"), round(metres("18 in", "--required"), 4)
    (0.5, 0.4572)
    """
    found = _LENGTH.fullmatch(text)
    if found is None:
        raise typer.BadParameter(
            f"must be a length of zero or more with its unit, as 0.3m, 12in or 1ft; got {text!r}",
            param_hint=option,
        )
    return float(found[1]) * METRES_PER[found[2]]


def console() -> Console:
    """Return stdout as a console: plain text of a steady width when it is no terminal.

    Made afresh by each caller, so it speaks to whatever stdout is then.
    """
    made = ShownConsole()
    if not made.is_terminal and "COLUMNS" not in os.environ:
        made.width = _PIPED_WIDTH
    return made


def print_indented(
    to: Console, text: str, columns: int = 0, style: str = "", *, hanging: bool = False
) -> None:
    """Print a text wrapped to the page, every line of it `columns` in; words stay whole.

    With `hanging`, the first line goes on where something was printed already.
    """
    width = max(to.width - columns, 20)
    lines = textwrap.wrap(shown(text), width, break_long_words=False, break_on_hyphens=False)
    for n, line in enumerate(lines):
        indent = "" if hanging and n == 0 else " " * columns
        to.print(Text(indent + line, style=style), soft_wrap=True)
