"""The new site on the disk: beside the old one, whole or not at all."""

from __future__ import annotations

import dataclasses
import json
import shutil
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from lateralline import __version__, stages
from lateralline.errors import Fault, OutputExistsError, SiteFaultsError
from lateralline.output import whole_folder
from lateralline.output.proof import MANIFEST, account_of, sha256
from lateralline.revise.merge import MergedSite, merged_files
from lateralline.stages import SiteFailure, SiteResult

#: Says where a site written here comes from, and that it was written here.
ORIGIN_FILE: Final = "update.json"
FORMAT: Final = "lateralline-update/1"


@dataclass(frozen=True, slots=True)
class NewSite:
    """A merged site that went through every stage up to derive, and what it was merged from."""

    folder: Path
    added: Mapping[str, int]  # how many rows, runs, branches and pipes were added
    result: SiteResult


class RefusedError(SiteFaultsError):
    """What is added has faults, or does not go with the site; carries all of them by folder."""

    def __init__(self, failures: tuple[SiteFailure, ...]) -> None:
        """Keep what is wrong with what is added, then with the site it would make."""
        self.failures = failures
        super().__init__(failures[0].source.name, [f for each in failures for f in each.faults])


@contextmanager
def new_site(site: Path, added: Path, out: Path, *, replace: bool = False) -> Iterator[NewSite]:
    """Yield the new site, run through derive; it is put in place when the block ends well.

    Raises RefusedError with every fault of what is added; OutputExistsError when `out` is there,
    unless it was written here as a site; OutputError when the disk fails. The old
    site is not touched.
    """
    keep_apart(out, site, added)
    with whole_folder(out, "site", replace=replace) as made:
        merged = merged_files(site, added, out)
        if merged.faults or merged.site_faults:
            raise RefusedError(_failures(merged, site, added))
        if site.is_dir():
            _copy_rest(site, made, merged)
        for name, text in merged.texts.items():
            (made / name).write_text(text, encoding="utf-8", newline="")
        result = stages.run_site(made, until="derive")
        if isinstance(result, SiteFailure):  # it reads, and cannot be placed, solved or linked
            raise RefusedError((dataclasses.replace(result, source=added),))
        _say_origin(made, site, added)
        yield NewSite(out, merged.added, result)


# ---- refusing ------------------------------------------------------------------------------


def _failures(merged: MergedSite, site: Path, added: Path) -> tuple[SiteFailure, ...]:
    """Return what is wrong as failures of what is added, and of the site with it."""
    both = (added, merged.faults), (site, merged.site_faults)
    return tuple(_failure(source, faults) for source, faults in both if faults)


def _failure(source: Path, faults: tuple[Fault, ...]) -> SiteFailure:
    return SiteFailure(source, "read", f"{len(faults)} fault(s)", faults)


def keep_apart(out: Path, *sources: Path) -> None:
    """Refuse a new folder in, about or in place of what it is made from."""
    new = out.absolute().resolve()
    for source in sources:
        old = source.absolute().resolve()
        if new == old or new in old.parents or old in new.parents:
            raise OutputExistsError(
                f"{out} and {source} must lie apart: an update never touches what it is made from"
            )


# ---- writing -------------------------------------------------------------------------------


def _copy_rest(site: Path, made: Path, merged: MergedSite) -> None:
    """Copy what else lies in the site's folder: notes, photos, grids; no outputs, no scraps."""

    def left(folder: str, names: list[str]) -> set[str]:
        inside = Path(folder)
        scraps = {n for n in names if n.startswith((".", "~$"))}
        outputs = {n for n in names if _is_record(inside / n)}
        own = {*merged.texts, *merged.books, ORIGIN_FILE, MANIFEST} if inside == site else set()
        return scraps | outputs | own

    shutil.copytree(site, made, ignore=left, dirs_exist_ok=True)


def _is_record(folder: Path) -> bool:
    account = account_of(folder)
    return account is not None and account.kind == "record"


def _say_origin(made: Path, site: Path, added: Path) -> None:
    """Write down what the site was made from, and its files as they were written."""
    content = {
        "format": FORMAT,
        "lateralline": __version__,
        "what": "This site was written by `lateralline update` from a site and what was added.",
        "site": {"name": site.name, "files": _listed(_hashes(site))},
        "added": {"name": added.name, "files": _listed(_hashes(added))},
    }
    text = json.dumps(content, indent=1, ensure_ascii=False) + "\n"
    (made / ORIGIN_FILE).write_text(text, encoding="utf-8", newline="\n")


def _listed(hashes: dict[str, str]) -> list[dict[str, str]]:
    return [{"name": name, "sha256": digest} for name, digest in sorted(hashes.items())]


def _hashes(source: Path, pattern: str = "*") -> dict[str, str]:
    """Return the SHA-256 of the files in `source` by name, or of the one file it is."""
    folder = source if source.is_dir() else source.parent
    return {
        path.relative_to(folder).as_posix(): sha256(path)
        for path in (folder.glob(pattern) if source.is_dir() else [source])
        if path.is_file() and path.name not in (ORIGIN_FILE, MANIFEST)
    }
