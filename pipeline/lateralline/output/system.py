"""What the operating system is asked for: names exchanged, locks, files on the disk, links."""

from __future__ import annotations

import ctypes
import errno
import os
import shutil
import sys
from collections.abc import Iterable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import IO, Final

_AT_CWD: Final = -100
PART: Final = ".part"  # how the name of a part folder ends
_LONGEST_NAME: Final = 80  # of a target's name, in its part folder's
#: RENAME_NOREPLACE and RENAME_EXCHANGE of Linux's renameat2(2), from memory of its manual page.
_NO_REPLACE: Final = 1
_EXCHANGE: Final = 2


def exchange(one: Path, other: Path) -> bool:
    """Let two names change places in one step; False where the system or disk cannot."""
    return _renameat2(one, other, _EXCHANGE) == 0


def part_prefix(target: str) -> str:
    """Return how the name of the part folder of a target begins."""
    return f".{target[:_LONGEST_NAME]}."


def is_part(name: str, target: str = "") -> bool:
    """Whether a name is that of a part folder, of this target or of any."""
    return name.startswith(part_prefix(target) if target else ".") and name.endswith(PART)


def take_free_name(path: Path, free: Path) -> None:
    """Rename to a name that is free, in one step where the system and disk can.

    Raises FileExistsError when another took the name meanwhile: nothing is ever written over.
    """
    fault = _renameat2(path, free, _NO_REPLACE)
    if fault == 0:
        return
    if fault == errno.EEXIST or os.path.lexists(free):
        raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(free))
    path.rename(free)


def _renameat2(one: Path, other: Path, flag: int) -> int:
    """Return 0 when it is done, else the number of the system's fault; ENOSYS without the call."""
    renameat2 = None
    if sys.platform.startswith("linux"):
        renameat2 = getattr(ctypes.CDLL(None, use_errno=True), "renameat2", None)
    if renameat2 is None:
        return errno.ENOSYS
    done: int = renameat2(_AT_CWD, os.fsencode(one), _AT_CWD, os.fsencode(other), flag)
    return 0 if done == 0 else ctypes.get_errno()


def hold(path: Path) -> IO[bytes] | None:
    """Return a new file locked for as long as this process lives or keeps it open.

    None when another process holds the lock.
    """
    file = path.open("ab")
    try:
        if sys.platform == "win32":
            import msvcrt

            msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        file.close()
        return None
    return file


def absent_parents(path: Path) -> tuple[Path, ...]:
    """Return the folders above a path that are not there, innermost first."""
    return tuple(parent for parent in path.parents if not parent.exists())


def remove_empty(folders: Iterable[Path]) -> None:
    """Remove folders that nothing lies in, in that order; leave all others."""
    for folder in folders:
        with suppress(OSError):
            folder.rmdir()


def same_place(path: Path, device: int) -> bool:
    """Whether `path` is on the disk `device`: no other disk is mounted there."""
    return path.lstat().st_dev == device and not path.is_mount()


def duplicate(source: Path, target: Path) -> None:
    """Give a file or link a second name: a hard link where the disk knows them, else a copy.

    Raises OSError for a name that is taken, and for what is neither file nor link.
    """
    if source.is_symlink():
        target.symlink_to(source.readlink(), target_is_directory=source.is_dir())
        return
    if not source.is_file():
        raise OSError(f"{source} is neither a file nor a folder nor a link")
    try:
        target.hardlink_to(source)
    except FileExistsError:
        raise
    except OSError:
        with target.open("xb"):  # never over what is there
            pass
        shutil.copy2(source, target)


def flush_tree(folder: Path) -> None:
    """Ask the system to put a folder and all in it on the disk."""
    for path in walk(folder):
        if not path.is_symlink():
            flush(path)
    flush(folder)


def flush(path: Path) -> None:
    """Ask the system to put a file or folder on the disk; folders only where that is possible."""
    try:
        handle = os.open(path, os.O_RDONLY)
    except PermissionError:  # a folder, on Windows
        return
    try:
        with suppress(PermissionError):
            os.fsync(handle)
    finally:
        os.close(handle)


def walk(folder: Path) -> Iterator[Path]:
    """Yield everything in a folder, folders before what is in them; links are not followed."""
    for path in sorted(folder.iterdir()):
        yield path
        if path.is_dir() and not path.is_symlink():
            yield from walk(path)
