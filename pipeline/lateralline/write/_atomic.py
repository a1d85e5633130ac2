"""Whole or not at all: write beside the target, flush to disk, then rename into place."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from lateralline.errors import OutputExistsError


@contextmanager
def whole_folder(
    out: Path, *, replace: bool = False, carry: Callable[[Path, Path], None] | None = None
) -> Iterator[Path]:
    """Yield an empty folder beside `out` that becomes `out` when the block ends well.

    When it does not, or leaves it empty, nothing is at `out` that was not there before.
    `carry(old, new)` may copy what should outlive the replacement. What a replacement that was
    cut off left aside is put back first. Raises OutputExistsError, before anything is written,
    when `out` is there and `replace` was not asked for.
    """
    out = out.absolute()
    _recover(out)
    refuse_existing(out, replace=replace)
    out.parent.mkdir(parents=True, exist_ok=True)
    made = Path(tempfile.mkdtemp(prefix=f".{out.name}.", suffix=".part", dir=out.parent))
    try:
        made.chmod(0o777 & ~_umask())  # mkdtemp makes it private; the result need not be
        yield made
        if not any(made.iterdir()):
            return  # nothing to put in place
        if out.exists() and carry is not None:
            carry(out, made)
        _flush_tree(made)
        _swap(made, out, replace=replace)
    finally:
        shutil.rmtree(made, ignore_errors=True)


@contextmanager
def whole_file(out: Path, *, replace: bool = False) -> Iterator[Path]:
    """Yield a path beside `out`, with its suffix, whose file becomes `out` when all ends well.

    Raises as `whole_folder` does.
    """
    out = out.absolute()
    refuse_existing(out, replace=replace)
    out.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix=f".{out.stem}.", suffix=".part", dir=out.parent) as t:
        made = Path(t) / out.name
        yield made
        _flush(made)
        refuse_existing(out, replace=replace)
        made.replace(out)
        _flush(out.parent)


def refuse_existing(out: Path, *, replace: bool) -> None:
    """Raise OutputExistsError when `out` is there, unless it may be replaced."""
    if out.exists() and not replace:
        raise OutputExistsError(f"{out} is there already; choose another or ask for --replace")


def _swap(made: Path, out: Path, *, replace: bool) -> None:
    """Rename `made` to `out`; an older `out` steps aside and comes back if that fails."""
    refuse_existing(out, replace=replace)  # someone may have made it meanwhile
    if not out.exists():
        made.rename(out)
    else:
        aside = _aside(out)
        shutil.rmtree(aside, ignore_errors=True)
        out.rename(aside)
        try:
            made.rename(out)
        except BaseException:
            _recover(out)
            raise
        shutil.rmtree(aside, ignore_errors=True)
    _flush(out.parent)


def _aside(out: Path) -> Path:
    """Return where an older `out` stands while it is replaced: always the same, to be found."""
    return out.with_name(f".{out.name}.old")


def _recover(out: Path) -> None:
    """Put an older `out` back when a replacement was cut off between its two renames."""
    if _aside(out).exists() and not out.exists():
        _aside(out).rename(out)


def _flush_tree(folder: Path) -> None:
    for path in folder.rglob("*"):
        _flush(path)
    _flush(folder)


def _flush(path: Path) -> None:
    """Ask the system to put a file or folder on the disk; folders only where that is possible."""
    try:
        handle = os.open(path, os.O_RDONLY)
    except PermissionError:  # a folder, on Windows
        return
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
