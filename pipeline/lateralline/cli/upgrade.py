"""`lateralline upgrade`: a site's files with the names of today's schemas."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from lateralline.cli.options import argument, option, refuse_overwriting


def upgrade(
    site: Annotated[
        Path, argument("Site: a folder, or a workbook (.xlsx).", metavar="SITE", exists=True)
    ],
    out: Annotated[
        Path,
        option(
            "Folder or workbook to write; it must not be there yet.",
            "--out",
            "-o",
            metavar="NEWSITE",
        ),
    ],
) -> None:
    """Rewrite a site of version 1 with the names of version 2.

    Only names change: comments, order and formatting stay, and SITE stays as it is. There is no
    need to: sites of version 1 are read as they are, wherever a site is.

    \b
    Example:
      lateralline upgrade sites/EX-001 -o sites-v2/EX-001
    """
    from lateralline.api import fieldwork

    refuse_overwriting(out)
    made = fieldwork.upgrade(site, out)
    if not made.changed:
        typer.echo(f"nothing to do: {site} has the names of version 2; {out} was not written")
        return
    typer.echo(f"wrote {out}: new names in {', '.join(made.changed)}")
    typer.echo(f"next: lateralline check {out}")
