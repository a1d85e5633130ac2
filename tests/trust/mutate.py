"""What spoils a file: bytes by numpy, and cells, keys and leaves by hypothesis.

The byte mutators know nothing of what they spoil. The strategies do: of a table they take a column
of its schema and write an odd value there, of settings a key, of JSON any leaf, of a GeoPackage any
cell, of an archive a part. The odd values are what computers trip over (common practice, no
source): numbers that are none, too large or too small, signs nobody sees, texts without end.
"""

from __future__ import annotations

import io
import json
import sqlite3
import zipfile
from collections.abc import Callable
from contextlib import closing
from copy import deepcopy
from pathlib import Path
from typing import Any, Final, TypeAlias

import numpy as np
from hypothesis import strategies as st

from lateralline import contract

Mutator: TypeAlias = Callable[[bytes, np.random.Generator], bytes]

ODD_NUMBERS: Final = (
    "nan", "NaN", "inf", "-inf", "1e308", "-1e308", "1e309", "1e400", "5e-324", "1e-300", "-0",
    "0", "-1", "1", "0x10", "1_000", "1e5", "1e9", "-1e9", "9007199254740993", "1e18", "٣٫٥", "1,5",
    "12.5", "-3.2", "0.001", "25",
    "188.9", "4.10", "1.2.3", "+-1", "--1", "1e", ".", "5' 6\"", "5'", "3/8",
    "1/0", "12 1/0\"", "0' 0\"", "1" * 400,
    "0." + "0" * 350 + "1", "90", "-90", "360", "180.0000001", "½", "１２", "1\u00a0000", "1 000",
)  # fmt: skip
ODD_TEXTS: Final = (
    "", " ", "?", "-", "n/a", "None", "null", "true", "=1+1", "@x", "#", "'", '"', '""', '"""',
    "\\",
    "a\tb", "a;b", "a,b", "a\nb", "a\rb", "\x00", "\x1b[2J", "\x7f", "\x85", "\ufeff", "\u202egnp",
    "\u2067x\u2069", "po\u200bst", "Р1", "Α", "ﬁ", "İ", "ß", "e\u0301", "🚰",
    "\U000e0041", "\ud800",
    "..", "../x", "/etc/passwd", "CON", "a/b", "file:///x", "http://x", "%s", "{}", "{0}", "$(x)",
    "<b>", "&lt;", "x" * 300, "x" * 3000, "R1", "L1", "1", "1A", "A:1;A:1", "A:nan", "P1:6;P2:",
    "2026-02-30", "2026-05-06", "0001-01-01", "9999-12-31", "2026-05-06T10:00", "06/05/2026",
    "EPSG:0", "EPSG:4326", "EPSG:4979", "EPSG:3857", "EPSG:5703", "EPSG:99999", "local", "none",
    "+proj=utm +zone=17", "+proj=longlat", "EPSG:32617+5703", "GEOGCRS[", "ellipsoidal",
    "m", "ft", "us-ft", "in", "cm", "left", "right", "invert", "unknown", "with",
)  # fmt: skip
ODD_TOML: Final = (
    "nan", "inf", "-inf", "1e308", "-0.0", "0", "-1", "9223372036854775807", "9223372036854775808",
    "1e-320", "true", '""', '"x"', "[]", "{}", "[1, 2]", '["a", "b"]', "[[1], [2]]", "{a = 1}",
    "1979-05-27", "07:32:00", "2026-05-06T10:00:00Z", "0001-01-01", "9999-12-31", '"\\u202e"',
    '"\\u0000"', '"' + "x" * 3000 + '"', "'''\nx\n'''", "0x10", "0b1", "1_000", "[" * 9 + "]" * 9,
    '"local"', '"EPSG:4326"', '"EPSG:4979"', '"EPSG:5703"', '"none"', '"ellipsoidal"', '"unknown"',
)  # fmt: skip
ODD_JSON: Final[tuple[Any, ...]] = (
    None, True, False, 0, -1, 1e308, -1e308, 1e-320, 10**30, float("nan"), float("inf"), "", "x",
    "nan", "1,5", "\u202e", "\ud800", "\x00", "x" * 3000, [], {}, [[]], [None], {"type": "Point"},
    [0, 0], [[0, 0], [0, 0]], [[[0, 0], [1, 1], [0, 0]]], {"type": "Polygon", "coordinates": [[]]},
    {"type": "LineString", "coordinates": [[0, 0]]},
    {"type": "GeometryCollection", "geometries": []},
)  # fmt: skip


# ---- bytes -------------------------------------------------------------------------------------


def _span(data: bytes, rng: np.random.Generator, most: int = 64) -> tuple[int, int]:
    a = int(rng.integers(0, len(data) + 1))
    return a, min(len(data), a + int(rng.integers(0, most + 1)))


def flip(data: bytes, rng: np.random.Generator) -> bytes:
    bits = np.frombuffer(data, np.uint8).copy()
    at = rng.integers(0, len(bits), int(rng.integers(1, 5)))
    bits[at] ^= (1 << rng.integers(0, 8, len(at))).astype(np.uint8)
    return bits.tobytes()


def cut(data: bytes, rng: np.random.Generator) -> bytes:
    a, b = _span(data, rng, 200)
    return data[:a] if rng.random() < 0.2 else data[:a] + data[b:]


def double(data: bytes, rng: np.random.Generator) -> bytes:
    a, b = _span(data, rng, 400)
    return data[:b] + data[a:b] * int(rng.choice((1, 2, 50))) + data[b:]


def insert(data: bytes, rng: np.random.Generator) -> bytes:
    a, _ = _span(data, rng)
    odd = (ODD_NUMBERS, ODD_TEXTS)[int(rng.integers(2))]
    text = odd[int(rng.integers(len(odd)))].encode("utf-8", "surrogatepass")
    return (
        data[:a] + (text if rng.random() < 0.7 else rng.bytes(int(rng.integers(1, 9)))) + data[a:]
    )


def splice(data: bytes, rng: np.random.Generator) -> bytes:
    (a, _), (c, d) = _span(data, rng), _span(data, rng, 300)
    return data[:a] + data[c:d] + data[min(len(data), a + d - c) :]


def swap_lines(data: bytes, rng: np.random.Generator) -> bytes:
    lines = data.split(b"\n")
    a, b = rng.integers(0, len(lines), 2)
    lines[a], lines[b] = lines[b], lines[a]
    return b"\n".join(lines)


def swap_cells(data: bytes, rng: np.random.Generator) -> bytes:
    mark = next((m for m in (b";", b"\t", b",", b"=") if m in data[:400]), b" ")
    rows = [line.split(mark) for line in data.split(b"\n")]
    one, other = rows[int(rng.integers(len(rows)))], rows[int(rng.integers(len(rows)))]
    a, b = int(rng.integers(len(one))), int(rng.integers(len(other)))
    one[a], other[b] = other[b], one[a]
    return b"\n".join(mark.join(row) for row in rows)


def replace_digits(data: bytes, rng: np.random.Generator) -> bytes:
    signs = np.frombuffer(data, np.uint8).copy()
    digits = np.flatnonzero((signs >= 48) & (signs <= 57))
    if not len(digits):
        return flip(data, rng)
    at = rng.choice(digits, int(rng.integers(1, 4)))
    signs[at] = np.frombuffer(b"0123456789999.-eE,", np.uint8)[rng.integers(0, 18, len(at))]
    return signs.tobytes()


BYTES: Final[tuple[Mutator, ...]] = (
    flip, cut, double, insert, splice, swap_lines, swap_cells, replace_digits,
)  # fmt: skip


def mutated(data: bytes, rng: np.random.Generator) -> bytes:
    """A file spoilt by one to three of the byte mutators."""
    for n in rng.integers(0, len(BYTES), int(rng.integers(1, 4))):
        data = BYTES[int(n)](data, rng) if data else b"\n"
    return data


def mutated_part(data: bytes, rng: np.random.Generator) -> bytes:
    """An archive one part of which is spoilt, so that what opens archives opens this one too."""
    with zipfile.ZipFile(io.BytesIO(data)) as book:
        parts = {name: book.read(name) for name in book.namelist()}
    name = list(parts)[int(rng.integers(len(parts)))]
    parts[name] = mutated(parts[name], rng)
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as book:
        for part, content in parts.items():
            book.writestr(part, content)
    return made.getvalue()


# ---- what the schemas know ---------------------------------------------------------------------

_places = st.integers(0, 2**31 - 1)
_odd_cell = st.one_of(st.sampled_from(ODD_NUMBERS), st.sampled_from(ODD_TEXTS), st.text(max_size=9))


def _encoded(text: str, encoding: str) -> bytes:
    return text.encode(encoding, "replace" if encoding == "latin-1" else "surrogatepass")


def cells(
    data: bytes, table: str, mark: str = ",", encoding: str = "utf-8"
) -> st.SearchStrategy[bytes]:
    """A table with odd values in fields of its schema, columns of it added, renamed and lost."""
    lines = [line for line in data.decode(encoding).split("\n") if line and line[0] != "#"]
    rows = [line.split(mark) for line in lines]
    schema = contract.load(table) if table else None
    columns = {c.name: c.enum for c in schema.field} if schema is not None else {}
    names = list(dict.fromkeys((*columns, *rows[0])))

    def made(changes: list[tuple[int, str, str, int]]) -> bytes:
        grid = [list(row) for row in rows]
        for at, name, value, what in changes:
            if name not in grid[0]:
                grid[0].append(name)
                for row in grid[1:]:
                    row.append("")
            column = grid[0].index(name)
            if what == 0:
                grid[0][column] = value
            elif what == 1:
                for row in grid:
                    row.pop(column) if column < len(row) else None
                    row[:] = row or [""]
            elif what == 2:
                for row in grid[1:]:
                    row[column:] = [value, *row[column + 1 :]]
            else:
                row = grid[1 + at % (len(grid) - 1)]
                allowed = columns.get(name, ())
                row[column:] = [
                    allowed[at % len(allowed)] if what == 3 and allowed else value,
                    *row[column + 1 :],
                ]
        return _encoded("\n".join(mark.join(row) for row in grid) + "\n", encoding)

    change = st.tuples(_places, st.sampled_from(names), _odd_cell, st.integers(0, 9))
    return st.lists(change, min_size=1, max_size=3).map(made)


def settings(data: bytes, schema: str) -> st.SearchStrategy[bytes]:
    """A TOML file with odd values under keys of its schema, given, changed or lost."""
    lines = data.decode().split("\n")
    fields = [(f.section, f.name, f.enum) for f in contract.load(schema).field] if schema else []
    given = [n for n, line in enumerate(lines) if "=" in line and not line.startswith("#")]
    odd = st.one_of(
        st.sampled_from(ODD_TOML),
        st.sampled_from(ODD_TEXTS).map(lambda t: json.dumps(t, ensure_ascii=False)),
    )

    def made(changes: list[tuple[int, int, str, bool]]) -> bytes:
        text = list(lines)
        for at, what, value, allowed in changes:
            if what == 0 or not fields:
                line = given[at % len(given)]
                text[line] = "" if what == 0 else text[line].partition("=")[0] + "= " + value
                continue
            section, key, values = fields[at % len(fields)]
            value = json.dumps(values[at % len(values)]) if allowed and values else value
            heads = [n for n, t in enumerate(text) if section and t.strip("[]") == section]
            if what < 8:  # else a key given twice, which TOML refuses
                text = ["" if t.startswith(f"{key} =") else t for t in text]
            if heads:
                text[heads[-1]] += f"\n{key} = {value}"
            else:
                text += [f"[{section}]", f"{key} = {value}"]
        return _encoded("\n".join(text), "utf-8")

    change = st.tuples(_places, st.integers(0, 9), odd, st.booleans())
    return st.lists(change, min_size=1, max_size=3).map(made)


def leaves(data: bytes) -> st.SearchStrategy[bytes]:
    """A JSON file some values of which, whole branches too, are odd ones."""
    text = data.decode()

    def made(changes: list[tuple[int, int]]) -> bytes:
        tree = json.loads(text)
        for at, odd in changes:
            places: list[tuple[Any, Any]] = []
            _walk(tree, places)
            if places:
                parent, key = places[at % len(places)]
                parent[key] = deepcopy(ODD_JSON[odd])  # else it may come to hold itself
        return json.dumps(tree).encode("utf-8", "surrogatepass")

    change = st.tuples(_places, st.integers(0, len(ODD_JSON) - 1))
    return st.lists(change, min_size=1, max_size=3).map(made)


def _walk(tree: Any, places: list[tuple[Any, Any]]) -> None:
    for key, value in list(tree.items() if isinstance(tree, dict) else enumerate(tree)):
        places.append((tree, key))
        if isinstance(value, dict | list):
            _walk(value, places)


_ODD_SQL: Final[tuple[Any, ...]] = (
    None, 0, -1, 1e308, float("inf"), -1e308, 2**62, "", "x", "\u202e", "nan", "x" * 3000, b"",
    b"GP\x00\x01", b"\x00" * 40, "EPSG:0", "1,5", "2026-02-30",
)  # fmt: skip


def stored_cells(path: Path, made_in: Path) -> st.SearchStrategy[bytes]:
    """A GeoPackage with odd values in its tables, and rows, columns and tables lost."""
    with closing(sqlite3.connect(path)) as db:
        names = [n for (n,) in db.execute("SELECT name FROM sqlite_master WHERE type='table'")]
        columns = [
            (name, c[1])
            for name in names
            if not name.startswith(("sqlite_", "rtree_"))
            for c in db.execute(f'PRAGMA table_info("{name}")')
        ]
    whole = path.read_bytes()

    def made(changes: list[tuple[int, int, int]]) -> bytes:
        made_in.write_bytes(whole)
        with closing(sqlite3.connect(made_in)) as db:
            triggers = "SELECT name FROM sqlite_master WHERE type='trigger'"
            for (name,) in db.execute(triggers).fetchall():
                db.execute(f'DROP TRIGGER "{name}"')
            for at, odd, what in changes:
                table, column = columns[at % len(columns)]
                statement, values = f'UPDATE "{table}" SET "{column}" = ?', [_ODD_SQL[odd]]
                if what == 0:
                    statement, values = f'DELETE FROM "{table}"', []
                elif what == 1:
                    statement, values = f'ALTER TABLE "{table}" DROP COLUMN "{column}"', []
                elif what == 2:
                    statement, values = f'DROP TABLE "{table}"', []
                elif what < 7:
                    statement += f' WHERE rowid = (SELECT rowid FROM "{table}" LIMIT 1)'
                try:
                    db.execute(statement, values)
                except sqlite3.Error:  # what the tables themselves refuse
                    continue
            db.commit()
        return made_in.read_bytes()

    change = st.tuples(_places, st.integers(0, len(_ODD_SQL) - 1), st.integers(0, 9))
    return st.lists(change, min_size=1, max_size=2).map(made)
