"""What became of a site in an earlier build, so that an unchanged one is not built again.

A result is kept by the bytes it was made of: the site's files, what its settings name outside of
them, the code and libraries at work, and what the batch asks for. What it takes from the sites
before it stands in it and is compared as for any site that was begun earlier (`batch`). So a record
made with kept results is the one made without, to the byte.

`ids.csv` is an input that a build itself adds to. A result is kept for the file as it was found,
and for the file as the build leaves it, which is what the next build finds: where only new ids
were written, that one gives every id again and mints none. Where an id ended or came back, the next
build is not known, and the site is built again.

Where: in a folder that the user names (`--cache`), which stays and has one entry for each site; or
hidden beside the folder that is built (`.OUT.unfinished`) while a build of many sites goes on, so
that one that was interrupted goes on from there, and nothing is left of one that ended.
"""

from __future__ import annotations

import io
import os
import pickle
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import cache
from hashlib import sha256
from importlib.resources import files
from importlib.resources.abc import Traversable
from itertools import pairwise
from pathlib import Path
from typing import Any, Final

import pyarrow as pa

from lateralline import pictures
from lateralline.derive.ids import IdEvent
from lateralline.findings import Finding
from lateralline.frames.operations import GRIDS_VARIABLE
from lateralline.ingest import bulk_of, bulk_state, setting_of
from lateralline.ingest.intake import TABULAR
from lateralline.ingest.photos import named_folder
from lateralline.ingest.remote import url_of
from lateralline.output import proof
from lateralline.output.entries import Entries
from lateralline.output.system import absent_parents, remove_empty, walk
from lateralline.record.lineage import software
from lateralline.record.summary import SiteSummary
from lateralline.stages import SiteResult, SiteWork
from lateralline.write.content import Desk, SiteContent
from lateralline.write.ids import ids_file
from lateralline.write.target import Target

#: Files in a site whose content is looked at; of all others that they are there, and unchanged.
_READ: Final = (*TABULAR, ".xlsx", *pictures.SUFFIXES)
#: What a kept result is made of beside classes of ours: nothing that does anything.
_PLAIN: Final = {
    ("datetime", "date"),
    ("pathlib", "PosixPath"),
    ("pathlib", "WindowsPath"),
    ("pathlib._local", "PosixPath"),
    ("pathlib._local", "WindowsPath"),
    ("pyproj.crs.crs", "CRS"),
    ("numpy._core.multiarray", "scalar"),
    ("numpy", "dtype"),
}
_SIZE: Final = 8  # bytes of the size before a compressed entry


#: Sites of a build from which on it keeps what it could go on with.
_MANY: Final = 8


@contextmanager
def keeping(out: Path, cache: Path | None, sites: int) -> Iterator[Path | None]:
    """Yield the folder where a build of so many sites into `out` keeps results, if it does.

    The one beside `out` goes once the block ends, unless that is interrupted.
    """
    if cache is None and sites < _MANY:
        yield None
        return
    entries = Entries(unfinished(out) if cache is None else cache.absolute())
    parents = absent_parents(entries.folder)
    entries.begin()
    interrupted = True
    try:
        yield entries.folder
        interrupted = False
    except Exception:
        interrupted = False
        raise
    finally:
        if cache is None and not interrupted:
            entries.clear()
            remove_empty(parents)


def unfinished(out: Path) -> Path:
    """Return the hidden folder beside `out` that a build goes on from once it was interrupted."""
    target = out.resolve()
    return target.with_name(f".{target.name}.unfinished")


@dataclass(frozen=True, slots=True)
class _KeptSite:
    """A result as it is kept; tables are Arrow streams."""

    site_id: str
    findings: tuple[Finding, ...]
    told: SiteSummary
    events: tuple[IdEvent, ...]
    content: SiteContent  # without its tables
    tables: Mapping[str, bytes]
    ids_sha256: str  # of ids.csv as it was found; "" where there was none
    left_sha256: str  # of ids.csv as it is left; "" where the next build is not known


@dataclass(frozen=True, slots=True)
class Kept:
    """Results of earlier builds, for one batch."""

    entries: Entries
    batch: str  # digest of all that is the same for every site of it

    def key(self, source: Path, site: Path | None = None) -> str:
        """Return the digest of all that a site's result depends on but for ids.csv.

        `site` is what it is known by, where it is read from `source` only now. "" where that cannot
        be told; then nothing is kept.
        """
        try:
            inputs = (_name(site or source), *_inputs(source))
            return sha256("\n".join((self.batch, *inputs)).encode()).hexdigest()
        except (OSError, UnicodeEncodeError):
            return ""

    def recall(
        self, source: Path, key: str, target: Target, site: Path | None = None
    ) -> SiteResult | None:
        """Return the result of a site as it would be made now; None where that is not known."""
        data = self.entries.get(_name(site or source), key) if key else None
        if data is None:
            return None
        try:
            kept = _Unpickler(io.BytesIO(_unpacked(data))).load()
        except Exception:  # of another version, however that shows
            return None
        if not isinstance(kept, _KeptSite) or not target.holds(kept.content.target):
            return None
        return _result(kept, source)

    def remember(
        self, source: Path, key: str, result: SiteResult, site: Path | None = None
    ) -> None:
        """Keep a result, made for a key from which no input has changed since."""
        if not key or key != self.key(source, site):
            return
        work = result.work
        book_with_pictures = not source.is_dir() and (
            work["record"].photos or any("photo" in f.code for f in result.findings)
        )
        if book_with_pictures:
            return  # they may lie anywhere beside the book
        content = work["content"]
        kept = _KeptSite(
            site_id=result.site_id,
            findings=result.findings,
            told=result.summary(),
            events=work["ids"],
            content=replace(content, tables={}),
            tables={name: _stream(table) for name, table in content.tables.items()},
            ids_sha256=_digest(ids_file(source)),
            left_sha256=_as_left(source, work),
        )
        read = work["record"].ids.content
        if kept.ids_sha256 == (sha256(read).hexdigest() if read else ""):
            self.entries.put(_name(site or source), key, _packed(pickle.dumps(kept)))


def kept_in(folder: Path, desk: Desk, until: str) -> Kept:
    """Return what is kept in a folder for a batch."""
    assets = () if desk.assets is None else tuple(c.model_dump_json() for c in desk.assets)
    batch = (code_digest(), repr(sorted(software().items())), until, repr(desk.formats), *assets)
    return Kept(Entries(folder), "\n".join((*batch, *_of_environment())))


def _result(kept: _KeptSite, source: Path) -> SiteResult | None:
    """Return a kept result for ids.csv as it is now."""
    tables = {name: _table(data) for name, data in kept.tables.items()}
    content, events = replace(kept.content, tables=tables), kept.events
    now = _digest(ids_file(source))
    if now != kept.ids_sha256:
        if not now or now != kept.left_sha256:
            return None
        events = ()
    work: SiteWork = {"source": source, "ids": events, "content": content}
    return SiteResult(kept.site_id, source, work, kept.findings, kept.told)


def _as_left(source: Path, work: SiteWork) -> str:
    """Return the digest of ids.csv as a build leaves it, of which the next makes the same record.

    "" where that is not known.
    """
    events, name = work["ids"], ids_file(source).name
    places = sorted((e.line, e.what, e.x, e.y) for e in events if e.x == e.x)
    alike = any(a == b for a, b in pairwise(places))  # two in one place might change ids
    if alike or not events or any(e.event != "minted" or e.came_from for e in events):
        return ""
    if any(f.code == "ids-changed" or f.subject.startswith("file ") for f in _findings_of(work)):
        return ""
    return next(f.sha256 for f in work["record"].inputs if f.name == name)


def _findings_of(work: SiteWork) -> Iterator[Finding]:
    """Yield what reading and deriving found."""
    yield from work["record"].findings
    yield from work["derived"]


# ---- what a result depends on ---------------------------------------------------------------


def _inputs(source: Path) -> Iterator[str]:
    """Yield what stands for every file a site is read from, but for its ids."""
    source = source.resolve()
    home = source if source.is_dir() else source.parent
    if source.is_file():
        yield proof.sha256(source)
    elif bulk_of(source) is not None:
        yield bulk_state(source)
    apart = ids_file(source).name
    for folder in (source if source.is_dir() else None, named_folder(source)):
        for path in walk(folder) if folder is not None and folder.is_dir() else ():
            if path != home / apart:
                yield f"{path.relative_to(home)}\t{_of(path)}"
    for section, key in (("accuracy", "from"), ("crs", "grids")):
        if named := setting_of(source, section, key):
            for stands_for in _outside(home / named):
                yield f"{named}\t{stands_for}"


def _of_environment() -> Iterator[str]:
    for name in sorted(n for n in os.environ if n == GRIDS_VARIABLE or n.startswith("PROJ_")):
        yield f"{name}={os.environ[name]}"
        for folder in os.environ[name].split(os.pathsep):
            for stands_for in _outside(Path(folder)):
                yield f"{folder}\t{stands_for}"


def _outside(path: Path) -> Iterator[str]:
    """Yield what stands for a file, or a folder of grids, outside a site."""
    for one in [path, *(sorted(path.iterdir()) if path.is_dir() else ())]:
        yield f"{one.name}\t{_of(one)}"


def _of(path: Path) -> str:
    if path.is_file() and path.suffix.casefold() in _READ:
        return proof.sha256(path)
    if not os.path.lexists(path):  # a file that is missing, or a value that is no path
        return "nothing there"
    status = path.lstat() if not path.exists() else path.stat()
    return f"{status.st_mode}" if path.is_dir() else f"{status.st_size} {status.st_mtime_ns}"


def _digest(path: Path) -> str:
    return proof.sha256(path) if path.is_file() else ""


def _name(source: Path) -> str:
    return url_of(source) or str(source.resolve())


@cache
def code_digest() -> str:
    """Return the digest of the code and the schemas: a version may be one that is worked on."""
    made = sha256()
    for package in ("lateralline", "lateralline_schemas"):
        for path in _files(files(package)):
            made.update(path.name.encode() + b"\n" + path.read_bytes())
    return made.hexdigest()


def _files(folder: Traversable) -> Iterator[Traversable]:
    for path in sorted(folder.iterdir(), key=lambda p: p.name):
        if path.is_dir():
            yield from _files(path) if path.name != "__pycache__" else ()
        elif path.name.endswith((".py", ".toml")):
            yield path


# ---- as bytes -------------------------------------------------------------------------------


def _packed(data: bytes) -> bytes:
    packed: bytes = pa.compress(data, codec="zstd", asbytes=True)
    return len(data).to_bytes(_SIZE, "big") + packed


def _unpacked(data: bytes) -> bytes:
    size = int.from_bytes(data[:_SIZE], "big")
    content: bytes = pa.decompress(data[_SIZE:], size, codec="zstd", asbytes=True)
    return content


def _stream(table: pa.Table) -> bytes:
    out = pa.BufferOutputStream()
    with pa.ipc.new_stream(out, table.schema) as writer:
        writer.write_table(table)
    return bytes(out.getvalue())


def _table(data: bytes) -> pa.Table:
    return pa.ipc.open_stream(data).read_all()


class _Unpickler(pickle.Unpickler):
    """Reads classes of ours and plain values, and runs nothing else whoever wrote the file."""

    def find_class(self, module: str, name: str) -> Any:
        found = super().find_class(module, name) if module.startswith("lateralline.") else None
        if isinstance(found, type) or (module, name) in _PLAIN:
            return found or super().find_class(module, name)
        raise pickle.UnpicklingError(f"{module}.{name} is in no kept result")
