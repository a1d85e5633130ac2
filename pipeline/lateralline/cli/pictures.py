"""The option `--picture` of commands that write something else besides."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

Picture = Annotated[
    Path | None,
    typer.Option(metavar="PICTURE", help="Plan to draw: .png, .svg or .pdf.", show_default=False),
]


def refuse_suffix(picture: Path | None) -> None:
    """Raise typer.BadParameter for a picture of another kind than can be drawn."""
    from lateralline.api.overlays import PICTURE_SUFFIXES

    if picture is not None and picture.suffix.lower() not in PICTURE_SUFFIXES:
        kinds = ", ".join(PICTURE_SUFFIXES)
        raise typer.BadParameter(
            f"a picture ends in {kinds}; got {picture.name!r}", param_hint="--picture"
        )
