"""Whether what a command left is whole: read by whoever reads such a file, hashes by hand.

And what a folder holds, so that two can be compared.
"""

from __future__ import annotations

import hashlib
import json
import re
import sqlite3
import tomllib
from collections.abc import Callable, Collection, Iterator
from contextlib import closing
from html.parser import HTMLParser
from pathlib import Path
from typing import Final
from xml.etree import ElementTree

import ezdxf
import openpyxl
import pyarrow.parquet
import pyogrio
from cryptography.hazmat.primitives.serialization import load_pem_private_key, load_pem_public_key
from PIL import Image

State = dict[str, str]


def state_of(folder: Path, by_name: Collection[str] = ()) -> State:
    """Everything in a folder: its rights, what it is or holds; of some only that it is there."""
    return dict(_entries(folder, folder, by_name))


def _entries(folder: Path, home: Path, by_name: Collection[str]) -> Iterator[tuple[str, str]]:
    for path in sorted(folder.iterdir()):
        name = path.relative_to(home).as_posix()
        loose = any(name == one or name.startswith(f"{one}/") for one in by_name)
        if path.is_symlink():
            yield name, f"-> {path.readlink()}"
        elif path.is_dir():
            yield name, f"{path.stat().st_mode:o} folder"
            yield from _entries(path, home, by_name)
        else:
            digest = "" if loose else hashlib.sha256(path.read_bytes()).hexdigest()
            yield name, f"{path.stat().st_mode:o} {digest}"


def part(state: State, out: str) -> State:
    """What of a folder's content is a file or folder in it, or in that."""
    return {k: v for k, v in state.items() if k == out or k.startswith(f"{out}/")}


def hidden(name: str) -> bool:
    """Whether a name is of what a run that was cut off leaves for the next."""
    return any(re.fullmatch(r"\..*\.(part|unfinished)", one) for one in name.split("/"))


# ---- reading --------------------------------------------------------------------------------


def read_whole(path: Path) -> int:
    """Read a file or folder to its end and return how many files that were; raises where broken."""
    if path.is_dir():
        manifest = path / "manifest.json"
        if manifest.is_file():
            _hashes(path, manifest)
        return sum(read_whole(one) for one in sorted(path.iterdir()))
    READERS.get(path.suffix, Path.read_bytes)(path)
    return 1


def _hashes(folder: Path, manifest: Path) -> None:
    outputs = json.loads(manifest.read_text(encoding="utf-8"))["outputs"]
    assert outputs, manifest
    for one in outputs:
        digest = hashlib.sha256((folder / one["path"]).read_bytes()).hexdigest()
        assert digest == one["sha256"], one["path"]


def _geopackage(path: Path) -> None:
    with closing(sqlite3.connect(path)) as db:
        assert db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    layers = [name for name, _ in pyogrio.list_layers(path)]
    assert layers
    for name in layers:
        pyogrio.read_dataframe(path, layer=name)


def _pdf(path: Path) -> None:
    data = path.read_bytes()
    assert data.startswith(b"%PDF-"), path
    assert data.rstrip().endswith(b"%%EOF"), path
    at = int(data.rpartition(b"startxref")[2].split()[0])
    assert data[at:].startswith(b"xref"), path
    assert len(re.findall(rb"/Type\s*/Page\b", data)) >= 1, path


def _picture(path: Path) -> None:
    with Image.open(path) as picture:
        picture.load()


def _page(path: Path) -> None:
    open_tags: list[str] = []

    class Reader(HTMLParser):
        def handle_starttag(self, tag: str, attrs: object) -> None:
            open_tags.append(tag)

        def handle_endtag(self, tag: str) -> None:
            open_tags.append(f"/{tag}")

    Reader().feed(path.read_text(encoding="utf-8"))
    assert open_tags[0] == "html"
    assert open_tags[-1] == "/html"


def _workbook(path: Path) -> None:
    book = openpyxl.load_workbook(path)
    assert book.sheetnames


READERS: Final[dict[str, Callable[[Path], object]]] = {
    ".gpkg": _geopackage,
    ".pdf": _pdf,
    ".png": _picture,
    ".jpg": _picture,
    ".html": _page,
    ".xlsx": _workbook,
    ".svg": ElementTree.parse,
    ".kml": ElementTree.parse,
    ".dxf": lambda path: ezdxf.readfile(path).audit(),
    ".parquet": pyarrow.parquet.read_table,
    ".fgb": pyogrio.read_dataframe,
    ".shp": pyogrio.read_dataframe,
    ".json": lambda path: json.loads(path.read_text(encoding="utf-8")),
    ".geojson": lambda path: json.loads(path.read_text(encoding="utf-8")),
    ".toml": lambda path: tomllib.loads(path.read_text(encoding="utf-8")),
    ".key": lambda path: load_pem_private_key(path.read_bytes(), None),
    ".pub": lambda path: load_pem_public_key(path.read_bytes()),
}
