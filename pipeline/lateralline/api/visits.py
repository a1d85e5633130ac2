"""A second visit to a site: what is added to it, and what that moves."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from lateralline.api.records import refuse_unknown_formats
from lateralline.derive.ellipses import INTERVAL_95
from lateralline.output import refuse_target
from lateralline.record.assets import columns_of
from lateralline.revise import (
    NewSite,
    RefusedError,
    SiteChanges,
    compare,
    keep_apart,
    new_site,
    plain,
    write_changes,
    write_layers,
)
from lateralline.revise.changes import Containment, ExposureCheck, Figures, LineChange, Noted
from lateralline.stages import SiteFailure, run_site
from lateralline.workspace import Workspace
from lateralline.write.ids import ids_text

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
    site: Path,
    added: Path,
    out: Path,
    *,
    build: Path | None = None,
    also: Sequence[str] = (),
    changed: Path | None = None,
    replace: bool = False,
) -> SiteChanges:
    """Write a site with what was added to it, and return what that moved.

    `site` is a folder or workbook and stays as it is; `added` a folder with rows of any of its
    tables, and an added.toml for new runs, branches and pipes; `out` the new site folder. Both
    records are adjusted and compared: how far each point moved, and whether the new line lies
    where the old record stated. With `build` the new record is built there too, with changes/
    beside its layers and what `also` names, as `build` takes it. With `changed`, a name that ends
    in .gpkg, what moved is written there: a line from each old place to the new one, how sure both
    are, and what it says of the old record. All of it is written, or nothing.

    Raises ValueError for another name of `changed` or `also`; RefusedError, whose `failures` name
    every fault of the site or of what is added, OutputExistsError, OutputError.
    """
    refuse_unknown_formats(also)
    if build is not None:
        keep_apart(build, site, added, out)
    if changed is not None:
        if changed.suffix.lower() != ".gpkg":
            raise ValueError(f"changes are written as .gpkg; got {changed.name!r}")
        keep_apart(changed, site, added, out, *([build] if build is not None else []))
        refuse_target(changed, "record-changes", replace=replace, beside=[out, build])
    old = run_site(site, until="derive")
    if isinstance(old, SiteFailure):
        raise RefusedError((old,))
    ids = ids_text(old.work["record"].ids, old.work["ids"])
    with new_site(site, added, out, ids, replace=replace) as new:
        changes = compare(old, new.result, dict(new.added))
        if build is not None:
            _build_revised(new, changes, build, formats=also, replace=replace)
        if changed is not None:
            frame = new.result.work["placed"].frame
            write_layers(changed, changes, frame, replace=replace)
    return changes


def _build_revised(
    new: NewSite, changes: SiteChanges, out: Path, *, formats: Sequence[str], replace: bool
) -> None:
    """Write the new site's layers, and the changes beside them."""
    work = new.result.work
    placed = work["placed"]

    def beside(workspace: Workspace) -> None:
        write_changes(workspace.folder, changes, placed.frame)

    assets = columns_of([work["record"].assets])
    with Workspace(out).build(assets=assets, formats=formats, replace=replace, also=beside) as sink:
        sink.add(work["record"], placed, work["products"])
