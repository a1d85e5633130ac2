"""What in an older output is the user's, and how it outlives a replacement."""

from __future__ import annotations

import glob
import logging
import os
import shutil
from collections.abc import Iterator
from itertools import count
from pathlib import Path
from typing import Final

from lateralline.errors import OutputExistsError
from lateralline.output.proof import (
    SCRAPS,
    SEAL,
    Account,
    account_of,
    changed_since,
    proof_of,
    seal_in,
    sha256,
)
from lateralline.output.system import duplicate, same_place, walk

#: Where what was kept is reported, by names without their folders: a log may be handed on. The
#: command line prints it.
LOG: Final = logging.getLogger("lateralline.output")
#: Folder of a record that only an update writes: a build without one would lose it.
OF_UPDATE: Final = "changes"


def kept_name(path: Path) -> Path:
    """Return the first free sibling of a name: `plan.kept-1.pdf` for `plan.pdf`."""
    return next(
        other
        for n in count(1)
        if not os.path.lexists(other := path.with_name(f"{path.stem}.kept-{n}{path.suffix}"))
    )


def is_kept(path: Path) -> bool:
    """Whether a name is one that something changed was kept under."""
    return ".kept-" in path.name


def keep_changed_file(path: Path) -> Path | None:
    """Keep a file under a second name when it was changed since it was written here.

    Return that name; None where none had to be made.
    """
    proof = proof_of(path)
    if proof is None or proof.unchanged:
        return None
    there = _kept_before(path)
    other = there or kept_name(path)
    if there is None:
        _duplicate_with_scraps(path, other)
    LOG.warning("%s was changed since lateralline wrote it: kept as %s", path.name, other.name)
    return other if there is None else None


def remove_with_scraps(path: Path) -> None:
    """Remove a file, and what SQLite left beside it."""
    for end in ("", *SCRAPS):
        path.with_name(path.name + end).unlink(missing_ok=True)


def _kept_before(path: Path) -> Path | None:
    """Return what a run that was cut off kept a file as; None for nothing, or less than it is now.

    What a log of SQLite's holds beside the file may be later.
    """
    if any(path.with_name(path.name + end).exists() for end in SCRAPS):
        return None
    size = path.stat().st_size
    for other in sorted(
        path.parent.glob(f"{glob.escape(path.stem)}.kept-*{glob.escape(path.suffix)}")
    ):
        if other.is_file() and other.stat().st_size == size and sha256(other) == sha256(path):
            return other
    return None


def tell_if_changed(record: Path) -> None:
    """Say of a record that is read that somebody changed it since it was written, if so."""
    if changed_since(record):
        message = "%s was changed since lateralline wrote it: nobody vouches for what is made of it"
        LOG.warning(message, record.name)


def carry(old: Path, new: Path) -> None:
    """Give what is the user's in the folder `old` a second name in `new`, and report what was kept.

    What was added keeps its name; what was changed, or whose name is taken, becomes `NAME.kept-1`.
    Nothing in `old` is touched. Raises OutputExistsError for what has no second name: another disk
    mounted there, a device.
    """
    account = account_of(old)
    if account is None:  # an empty folder
        return
    device, added = old.lstat().st_dev, 0
    if _of_update(account) and (old / OF_UPDATE).is_dir() and not (new / OF_UPDATE).exists():
        target = kept_name(new / OF_UPDATE)
        _duplicate_tree(old / OF_UPDATE, target, device)
        LOG.warning("%s/ tells of an update, which this is not: kept as %s", OF_UPDATE, target.name)
    if seal_in(old / SEAL) is not None:
        LOG.warning(
            "%s was sealed: the seal goes with what it sealed, seal the new one anew", old.name
        )
    for name, what in _users(old, account):
        if not same_place(old / name, device):
            raise OutputExistsError(f"{old / name} is another disk: not replaced")
        target = new / name
        if what == "changed" or os.path.lexists(target):
            target = kept_name(target)
            why = "was changed since lateralline wrote it" if what == "changed" else "is not ours"
            LOG.warning("%s %s: kept as %s", name, why, target.name)
        else:
            added += 1
        target.parent.mkdir(parents=True, exist_ok=True)
        if (old / name).is_dir() and not (old / name).is_symlink():
            _duplicate_tree(old / name, target, device)
        else:
            _duplicate_with_scraps(old / name, target)
    if added:
        LOG.info("what was added to %s stays there: %d files or folders", old.name, added)


def all_kept(old: Path, new: Path) -> bool:
    """Whether everything of the user's in `old` has a second name in `new`: `old` may go."""
    if not old.is_dir():
        return _file_kept(old, new)
    account = account_of(old)
    if account is None:
        return not any(old.iterdir())
    there = [p for p in walk(new) if p.is_file() and not p.is_symlink()]
    same = {(s.st_dev, s.st_ino) for s in (p.stat() for p in there)}
    sizes = {p.stat().st_size for p in there}
    copies: set[str] = set()
    for name, _ in _users(old, account):
        inside = [old / name, *(walk(old / name) if (old / name).is_dir() else ())]
        for path in inside:
            if path.is_symlink() or path.is_dir():
                continue
            status = path.stat()
            if (status.st_dev, status.st_ino) in same:
                continue
            copies = copies or {sha256(p) for p in there} if status.st_size in sizes else copies
            if not path.is_file() or sha256(path) not in copies:
                return False
    return True


def _file_kept(old: Path, new: Path) -> bool:
    others = [p for p in new.parent.glob("*.kept-*") if p.is_file()]
    if any(p.samefile(old) or sha256(p) == sha256(old) for p in others):
        return True
    proof = proof_of(old)
    return proof is not None and proof.unchanged


def foreign(folder: Path) -> list[str]:
    """Return the names of what is in a folder, for a refusal: some, not all."""
    names = sorted(p.name + "/" * p.is_dir() for p in folder.iterdir())
    return names[:5] + ["…"] * (len(names) > 5)


def _users(old: Path, account: Account) -> Iterator[tuple[str, str]]:
    """Yield the name of everything of the user's in a folder, and whether "added" or "changed"."""
    ours = {str(parent) for name in account.files for parent in _parents(name)}
    scraps = {name + end for name in account.files for end in SCRAPS}

    def inside(folder: Path) -> Iterator[tuple[str, str]]:
        for path in sorted(folder.iterdir()):
            name = path.relative_to(old).as_posix()
            if path.is_symlink():
                yield name, "changed" if name in account.files else "added"
            elif path.is_dir():
                if name in ours:
                    yield from inside(path)
                else:
                    yield name, "added"
            elif name in account.files:
                if not account.unchanged(old, name):
                    yield name, "changed"
            elif name not in scraps and not (name == SEAL and seal_in(path) is not None):
                yield name, "added"

    return inside(old)


def _of_update(account: Account) -> bool:
    return any(name.startswith(f"{OF_UPDATE}/") for name in account.files)


def _parents(name: str) -> list[str]:
    return [p.as_posix() for p in Path(name).parents][:-1]


def _duplicate_with_scraps(source: Path, target: Path) -> None:
    """Give a file a second name, and what SQLite left beside it the name that goes with that."""
    duplicate(source, target)
    for end in SCRAPS:
        scrap = source.with_name(source.name + end)
        if scrap.is_file() and not source.is_symlink():
            duplicate(scrap, target.with_name(target.name + end))


def _duplicate_tree(source: Path, target: Path, device: int) -> None:
    target.mkdir()
    for path in sorted(source.iterdir()):
        if not same_place(path, device):
            raise OutputExistsError(f"{path} is another disk: not replaced")
        if path.is_dir() and not path.is_symlink():
            _duplicate_tree(path, target / path.name, device)
        else:
            duplicate(path, target / path.name)
    shutil.copystat(source, target)
