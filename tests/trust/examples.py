"""Inputs that every kind of file is put through, and those that once broke a promise."""

from __future__ import annotations

import json
import os
import socket
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Final

import numpy as np

from lateralline import contract
from tests.trust.kinds import CHECK, READ, RECORD, SITE, Door, FileKind


def _socket(path: Path) -> None:
    here = Path.cwd()
    os.chdir(path.parent)  # the name of a socket may have about a hundred characters
    try:
        with socket.socket(socket.AF_UNIX) as made:
            made.bind(path.name)
    finally:
        os.chdir(here)


#: What is no file, and how it is made.
NO_FILES: Final[dict[str, Callable[[Path], None]]] = {
    "a folder": Path.mkdir,
    "a pipe": os.mkfifo,
    "a socket": _socket,
    "a device": lambda path: path.symlink_to("/dev/zero"),
    "a link to nothing": lambda path: path.symlink_to("nowhere"),
    "a link to itself": lambda path: path.symlink_to(path.name),
}
_TEXT: Final = (".toml", ".csv", ".txt", ".json", ".geojson", ".gpx", ".kml", ".dxf", ".pub")
_ODD: Final = ("nan", "inf", "1e308", "-0")


def contents(ending: str, sound: bytes) -> Iterator[bytes]:
    """Contents no file of ours has, whatever its kind, and some of text."""
    yield from (b"", b"\0", b"\xff\xfe", b"\xef\xbb\xbf", np.random.default_rng(1).bytes(4096))
    yield from (sound[: len(sound) // 2], sound + sound, sound[1:])
    if ending not in _TEXT:
        return
    text = sound.decode()
    header, _, rest = text.partition("\n")
    yield from (text.encode(code, "replace") for code in ("utf-16", "utf-16-le", "utf-8-sig"))
    yield from (header.encode(), f"{header}\n".encode(), f"{header}{rest}".encode())
    yield text.replace("\n", "\r").encode()
    yield text.replace("a", "ä").encode("latin-1", "replace")
    yield f"{text}\n{'x' * 1_000_000}".encode()
    if ending in (".csv", ".txt"):
        last = rest.rstrip("\n").rpartition("\n")[2]
        yield f"{header},{','.join(f'c{n}' for n in range(10_000))}\n{rest}".encode()
        yield (text + f"{last}\n" * 200_000).encode()
        yield (text + "\n" * 200_000).encode()
    if ending == ".toml":
        yield b"x = " + b"[" * 100_000 + b"]" * 100_000
        yield b"x" + b".x" * 50_000 + b" = 1"
        yield b"x" * 900_000 + b" = 1"
    if ending in (".json", ".geojson"):
        yield b"[" * 100_000 + b"]" * 100_000
        yield b'{"a":' * 100_000 + b"1" + b"}" * 100_000


def each_column(kind: FileKind, sound: bytes) -> Iterator[bytes]:
    """A table of a site with an odd number in each column of its schema, given or not."""
    name = Path(kind.path).stem
    header, row, *rows = sound.decode().splitlines()
    names = header.split(",")
    for column in (f.name for f in contract.load(name).field):
        for odd in _ODD:
            heads = names if column in names else [*names, column]
            cells = [*row.split(","), *([""] if column not in names else [])]
            cells[heads.index(column)] = odd
            yield "\n".join([",".join(heads), ",".join(cells), *rows, ""]).encode()


_BRANCHES: Final = """
[[pipe]]
line = "L2"
[[pipe]]
line = "L3"
[[branch]]
line = "L1"
joins = "L2"
[[branch]]
line = "L2"
joins = "L3"
[[branch]]
line = "L3"
joins = "L1"
"""


def found(home: Path) -> Iterator[tuple[str, bytes, Door, int]]:
    """What once broke a promise: path, content, door, and the exit code it has now."""
    site = home / SITE
    yield f"{SITE}/site.toml", (site / "site.toml").read_bytes() + _BRANCHES.encode(), CHECK, 2
    # A header nobody can read leaves no counter: infinite places were taken from one another.
    stops = (site / "stops.csv").read_bytes().replace(b"counter", b"co1e-300unter")
    yield f"{SITE}/stops.csv", stops, CHECK, 0
    # More decimals than nine in a tie were "no distance above 0".
    marks = (site / "marks.csv").read_bytes().replace(b"GATE:5.88", b"GATE:5.880000000000001")
    yield f"{SITE}/marks.csv", marks, (READ, SITE), 0
    # A column twice under the name of version 1, beside that of today: KeyError.
    twice = marks.replace(b"base_offset", b"base_offset,offset,offset", 1)
    yield f"{SITE}/marks.csv", twice, (READ, SITE), 2
    # A vertex on the equator: nine million points along one line.
    register = json.loads((home / "register.geojson").read_text())
    register["features"][0]["geometry"]["coordinates"][1] = [-81.393, 0]
    door = ("match", RECORD, "register.geojson", "--id-column", "asset", "-o", "made")
    yield "register.geojson", json.dumps(register).encode(), door, 2
    # Coordinates that are no numbers: a warning of numpy.
    plan = json.loads((home / "plan.geojson").read_text())
    plan["features"][0]["geometry"]["coordinates"][0] = [float("nan"), 1e308]
    plan_door = ("clearance", RECORD, "plan.geojson", "--required", "0.3m", "-o", "made")
    yield "plan.geojson", json.dumps(plan).encode(), plan_door, 2
    # A record somebody took a column out of.
    edited = home.parent / "edited.gpkg"
    edited.write_bytes((home / RECORD / "asbuilt.gpkg").read_bytes())
    with closing(sqlite3.connect(edited)) as db:
        db.execute("ALTER TABLE lineage DROP COLUMN remark")
        db.commit()
    yield f"{RECORD}/asbuilt.gpkg", edited.read_bytes(), ("explain", RECORD, "R1/2"), 1
