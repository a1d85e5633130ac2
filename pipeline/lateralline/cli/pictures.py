"""The option `--picture` of commands that write something else besides."""

from __future__ import annotations

from importlib.util import find_spec
from pathlib import Path
from typing import Annotated

import typer

Picture = Annotated[
    Path | None,
    typer.Option(metavar="PICTURE", help="Plan to draw: .png, .svg or .pdf.", show_default=False),
]


def refuse_picture(picture: Path | None, kind: str, *, replace: bool) -> None:
    """Refuse a picture that could not be written, before anything else is.

    Raises typer.BadParameter for another suffix, OutputExistsError, MissingExtraError.
    """
    from lateralline.draw.overlay import SUFFIXES
    from lateralline.errors import MissingExtraError
    from lateralline.output import refuse_target

    if picture is None:
        return
    if picture.suffix.lower() not in SUFFIXES:
        said = f"a picture ends in {', '.join(SUFFIXES)}; got {picture.name!r}"
        raise typer.BadParameter(said, param_hint="--picture")
    refuse_target(picture, kind, replace=replace)
    if find_spec("matplotlib") is None:
        raise MissingExtraError('drawing needs: pip install "lateralline[draw]"')
