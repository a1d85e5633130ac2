"""`lateralline diff`: what moved between two versions of a site in a register."""

from __future__ import annotations

from math import isfinite
from typing import Annotated

import typer

from lateralline.cli.command import CLEAN, head, json_text
from lateralline.cli.options import AsJson, DatabaseUrl, SiteId, argument
from lateralline.cli.report import print_last_words
from lateralline.cli.terminal import console
from lateralline.cli.update import print_changes
from lateralline.wording import counted

Version = Annotated[int, argument("Number of a version, as `history` lists.", metavar="VERSION")]


def diff(
    site: SiteId, old: Version, new: Version, url: DatabaseUrl, as_json: AsJson = False
) -> None:
    """Show what moved between two versions of a site.

    Both are in a PostGIS register. Of each node that both have: by how much it moved, and what
    share that is of how far off the old version allowed at 95 %; how sure each line was and is;
    findings come and gone. And of each line how far it lies from where it was along its whole
    length, against both uncertainties. Levels between nodes are judged by `lateralline update`,
    which has the measurements.

    \b
    Example:
      lateralline diff QH-022 1 2 postgresql://crew@db/gis
    """
    from lateralline.api import registers
    from lateralline.api.overlays import length

    changes = registers.diff(url, site, old, new)
    if as_json:
        content = {**head("diff", None, CLEAN), **registers.plain(changes)}
        typer.echo(json_text(content))
        return
    print_changes(console(), changes, f"version {old} to {new}")
    unit = changes.length_unit
    for one in changes.along:
        said = "moved" if one.moved else "no more than chance explains"
        off, was, now, at = (
            f"{length(m, unit)} {unit}"
            for m in (one.off_m, one.old_95_m, one.new_95_m, one.chainage_m)
        )
        typer.echo(
            f"line {one.line}, along its whole length: at most {off} off, at {at}; position ± 95 % "
            f"there {was} and {now}: {said}"
            if isfinite(one.off_m)
            else f"line {one.line}: nothing bounds how far off it may be"
        )
    moved = [m for line in changes.lines for m in line.moved]
    left = sum(m.held is False for m in moved)
    print_last_words(f"{counted(len(moved), 'node')} in both, {left} outside the old corridor")
