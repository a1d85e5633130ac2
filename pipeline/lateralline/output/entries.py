"""Content kept by name and key, so that what was made once need not be made again.

An entry is a file of its own. It holds the key it was made for and its own SHA-256, and one that is
damaged, cut off or of another key is none. So it is written in its place: a kill midway, several
processes at once and a disk that refuses cost time alone, and leave nothing beside it; what is kept
is never needed. Of a name there is one entry, so a folder of them grows with what there is, not
with how often it changes. Whoever wants one gone removes it.
"""

from __future__ import annotations

import shutil
from contextlib import suppress
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import Final

_MAGIC: Final = b"lateralline entry 1\n"
_ENDING: Final = ".entry"


@dataclass(frozen=True, slots=True)
class Entries:
    """A folder of entries."""

    folder: Path

    def begin(self) -> None:
        """Make the folder; without it nothing is kept."""
        with suppress(OSError):
            self.folder.mkdir(parents=True, exist_ok=True)

    def get(self, name: str, key: str) -> bytes | None:
        """Return what is kept of a name for a key; None where nothing sound is."""
        try:
            data = self._path(name).read_bytes()
        except OSError:
            return None
        head, content = data[: len(_MAGIC) + 64], data[len(_MAGIC) + 64 :]
        return content if head == _head(key, content) else None

    def put(self, name: str, key: str, content: bytes) -> None:
        """Keep content of a name for a key, in place of what was kept of it before."""
        path = self._path(name)
        with suppress(OSError):
            if not self.folder.is_dir():
                return
            path.parent.mkdir(exist_ok=True)
            path.write_bytes(_head(key, content) + content)

    def clear(self) -> None:
        """Remove every entry, and the folder where nothing else lies in it."""
        with suppress(OSError):
            for path in self.folder.iterdir():
                if path.is_dir() and len(path.name) == 2:
                    shutil.rmtree(path, ignore_errors=True)
            self.folder.rmdir()

    def _path(self, name: str) -> Path:
        digest = sha256(name.encode("utf-8", "surrogateescape")).hexdigest()
        return self.folder / digest[:2] / (digest[2:40] + _ENDING)


def _head(key: str, content: bytes) -> bytes:
    return _MAGIC + sha256(key.encode() + b"\n" + content).hexdigest().encode()
