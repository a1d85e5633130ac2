"""What a second visit adds to a site, and what it moved."""

from __future__ import annotations

from pathlib import Path

from lateralline.derive.ellipses import INTERVAL_95
from lateralline.revise import (
    NewSite,
    RefusedError,
    SiteChanges,
    compare,
    keep_apart,
    new_site,
    plain,
    write_changes,
)
from lateralline.revise.changes import Containment, ExposureCheck, Figures, LineChange, Noted
from lateralline.stages import SiteFailure, run_site
from lateralline.workspace import Workspace

__all__ = [
    "INTERVAL_95",
    "Containment",
    "ExposureCheck",
    "Figures",
    "LineChange",
    "Noted",
    "RefusedError",
    "SiteChanges",
    "plain",
    "update",
]


def update(
    site: Path, added: Path, out: Path, *, build: Path | None = None, replace: bool = False
) -> SiteChanges:
    """Write a site with what was added to it, and return what that moved.

    `site` is a folder or workbook and stays as it is; `added` a folder with rows of any of its
    tables, and an added.toml for new runs, branches and pipes; `out` the new site folder. Both
    records are adjusted and compared: how far each point moved, and whether the new line lies
    where the old record said. With `build` the new record is built there too, with changes/ beside
    its layers: both folders are written, or neither.

    Raises RefusedError, whose `failures` name every fault of the site or of what is added,
    OutputExistsError, OutputError.
    """
    if build is not None:
        keep_apart(build, site, added, out)
    old = run_site(site, until="derive")
    if isinstance(old, SiteFailure):
        raise RefusedError((old,))
    with new_site(site, added, out, replace=replace) as new:
        changes = compare(old, new.result, dict(new.added))
        if build is not None:
            _build(new, changes, build, replace=replace)
    return changes


def _build(new: NewSite, changes: SiteChanges, out: Path, *, replace: bool) -> None:
    """Write the new site's layers, and the changes beside them."""
    work = new.result.work
    placed = work["placed"]

    def also(workspace: Workspace) -> None:
        write_changes(workspace.folder, changes, placed.frame)

    with Workspace(out).build(replace=replace, also=also) as sink:
        sink.add(work["record"], placed, work["products"])
