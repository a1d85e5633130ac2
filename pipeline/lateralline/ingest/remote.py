"""Sites behind a URL: in an object store, on a web server, wherever fsspec reaches.

A URL goes through lateralline as the path that pathlib makes of it, `s3:/city/EX-001`; `url_of`
gives it back. `at_hand` brings what a site is read from here, as long as the block lasts, so all
that reads sites reads folders, and a city behind a URL is never here whole. Whoever does the work
brings the files, a worker of a cluster too.

Only files that are read are brought: tables, workbooks and pictures. One that is too large to be
read is not brought either; a hole of its size stands for it, and reading says what it always says.
`file://` is a path of this machine, and taken for that.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path, PurePosixPath
from tempfile import TemporaryDirectory
from typing import Any, Final
from urllib.parse import unquote

from lateralline import pictures
from lateralline.errors import MissingExtraError, OutputError, UnreadableError, extra
from lateralline.ingest.intake import TABULAR, is_book
from lateralline.ingest.limits import BOOK_BYTES, TEXT_BYTES

#: A scheme of one letter is the drive of a disk.
_URL: Final = re.compile(r"([a-z][a-z0-9.+-]+):/+(?=[^/])")
#: Folders below a folder of sites that are looked into.
_DEEP: Final = 2
#: Sites that were found behind URLs: a city is listed once, not once more for each of its sites.
_found: Final[set[Path]] = set()


def url_of(path: Path) -> str:
    """Return the URL that a path stands for; "" for one of this machine.

    >>> url_of(Path("s3://city/EX-001")), url_of(Path("sites/EX-001")), url_of(Path("C:/sites"))
    ('s3://city/EX-001', '', '')
    """
    text = path.as_posix()
    found = _URL.match(text)
    return f"{found[1]}://{text[found.end() :]}" if found and not path.exists() else ""


def called(path: Path) -> str:
    """Return what a site's path is called where people read it: the URL, where it is one."""
    return url_of(path) or str(path)


def of_this_machine(path: Path) -> Path:
    """Return the path that a `file://` URL is; any other as it is.

    >>> of_this_machine(Path("file:///tmp/a%20b")), of_this_machine(Path("a"))
    (PosixPath('/tmp/a b'), PosixPath('a'))
    """
    url = url_of(path)
    return Path(unquote(f"/{url.removeprefix('file://')}")) if url.startswith("file:") else path


@contextmanager
def at_hand(site: Path) -> Iterator[Path]:
    """Yield where a site can be read: where it is, or what was brought of it for the block.

    Raises UnreadableError for a URL that does not answer, MissingExtraError without fsspec.
    """
    url = url_of(site)
    if not url:
        yield site
        return
    with TemporaryDirectory(prefix="lateralline-site-") as home:
        here = Path(home) / (site.name or "site")
        with _answering(url):
            _bring(url, here)
        yield here


def sites_behind(folder: Path, marks: Collection[str], bulk: Collection[str]) -> list[Path]:
    """Return the sites behind a URL: itself, or those in it; in the order of their names.

    `marks` are names of files any of which makes a folder a site. Raises UnreadableError for a URL
    that does not answer, and for one with tables of many sites, names of which are in `bulk`.
    """
    url = url_of(folder)
    if is_book(folder) or folder in _found:
        return [folder]
    with _answering(url):
        system, root = _system(url)
        names = [PurePosixPath(name) for name in _listed(system, root, _DEEP)]
    if any(str(name) in bulk for name in names):
        raise UnreadableError(f"{url} holds tables of many sites, which are read from a disk alone")
    if any(str(name) in marks for name in names):
        _found.add(folder)
        return [folder]
    inside = {name.parts[0] for name in names if len(name.parts) == 2 and name.name in marks}
    inside |= {str(name) for name in names if len(name.parts) == 1 and is_book(Path(name))}
    sites = [folder / name for name in sorted(inside) if not name.startswith(".")]
    _found.update(sites)
    return sites


def bring_file(path: Path, to: Path) -> None:
    """Copy a file behind a URL; raises UnreadableError."""
    with _answering(url_of(path)):
        system, at = _system(url_of(path))
        system.get_file(at, str(to))


def read_behind(path: Path) -> bytes:
    """Return what stands in a file behind a URL, b"" where none is; raises UnreadableError."""
    with _answering(url_of(path)):
        system, at = _system(url_of(path))
        content: bytes = system.cat_file(at) if system.exists(at) else b""
    return content


def rewrite_behind(path: Path, content: bytes, before: bytes) -> None:
    """Give a file behind a URL, which holds `before`, other content; an object is put whole.

    Raises OutputError where it changed meanwhile, or nothing can be written there.
    """
    if read_behind(path) != before:
        raise OutputError(f"{url_of(path)} was changed meanwhile: nothing was written")
    try:
        system, at = _system(url_of(path))
        system.pipe_file(at, content)
    except Exception as e:  # whatever the store's own library raises
        raise OutputError(f"{url_of(path)} cannot be written ({_why(e)})") from e


def _bring(url: str, here: Path) -> None:
    """Make a folder, or a workbook with what lies beside it, of what is behind a URL."""
    system, root = _system(url)
    book = is_book(here)
    folder, _, _ = root.rpartition("/") if book else (root, "", "")
    listed = _listed(system, folder, None if not book else _DEEP)
    wanted = {
        name: size
        for name, size in listed.items()
        if (name.startswith(f"{here.stem}.") if book else True)
    }
    if not wanted:
        raise FileNotFoundError("nothing is there")
    for name, size in wanted.items():
        to = here.with_name(name) if book else here / name
        suffix = to.suffix.casefold()
        if suffix not in (*TABULAR, *pictures.SUFFIXES) and not is_book(to):
            continue
        to.parent.mkdir(parents=True, exist_ok=True)
        most = TEXT_BYTES if suffix in TABULAR else max(BOOK_BYTES, pictures.MOST_BYTES)
        if size > most:
            with to.open("wb") as hole:
                hole.truncate(size)
        else:
            to.write_bytes(system.cat_file(f"{folder}/{name}"))


def _listed(system: Any, folder: str, deep: int | None) -> Mapping[str, int]:
    """Return the files in a folder by their path from there, with their sizes in bytes."""
    system.invalidate_cache()  # a worker lives longer than what it has seen
    head = f"{folder.rstrip('/')}/"
    found = system.find(folder, maxdepth=deep, detail=True)
    names = {path.removeprefix(head): about.get("size") or 0 for path, about in found.items()
             if path.startswith(head)}  # fmt: skip
    return {n: names[n] for n in sorted(names) if n and not {"", ".", ".."} & {*n.split("/")}}


def _system(url: str) -> tuple[Any, str]:
    """Return the file system of a URL, and what it calls the place."""
    with extra("remote", f"a site at {url}"):
        from fsspec.core import url_to_fs
    system, place = url_to_fs(url)
    return system, place


@contextmanager
def _answering(url: str) -> Iterator[None]:
    """Turn whatever the libraries of stores raise in the block into UnreadableError."""
    try:
        yield
    except (MissingExtraError, UnreadableError):
        raise
    except Exception as e:  # each store has a library with errors of its own
        raise UnreadableError(f"{url} cannot be read ({_why(e)})") from e


def _why(error: Exception) -> str:
    said = str(getattr(error, "strerror", None) or error)
    return said or type(error).__name__
