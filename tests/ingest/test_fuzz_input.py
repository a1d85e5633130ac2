"""Seeded damage to the files of the sample sites: every one ends in a record or in faults.

The same mutators were run over many thousand cases by hand; what they found stands in tests of its
own. Here is a sample of each, always the same.
"""

from __future__ import annotations

import random
import shutil
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Final

import pytest

from lateralline.errors import LaterallineError, SiteFaultsError
from lateralline.ingest import read_site
from lateralline.ingest.points import ImportTask, gather
from lateralline.ingest.points.codes import default_codes
from lateralline.names import wrong_sign
from tests.support.places import SAMPLES

SEEDS_OF_SITES, SEEDS_OF_POINTS = 250, 40
CELLS: Final = (
    b"nan", b"inf", b"1e308", b"1e400", b"-0", b"1e9", b"-1e9", b"", b'"', b'""', b";", b"\xe9",
    b"\x1b[2J", b"1" * 400, b"#", b"5' 6\"", "\u202e".encode(), b"1,5", b"2026-02-30", b"[1,2]",
    b'"""', b"../x", b"x" * 300,
)  # fmt: skip
SIGNS: Final = (b"\0", b"\xe9", b"\xff", b"\xed\xa0\x80", b"\xf4\x90\x80\x80", b"\r", b"\x85")


def flipped(data: bytes, r: random.Random) -> bytes:
    changed = bytearray(data)
    for _ in range(r.randint(1, 4)):
        changed[r.randrange(len(changed))] ^= 1 << r.randrange(8)
    return bytes(changed)


def a_line_less(data: bytes, r: random.Random) -> bytes:
    lines = data.split(b"\n")
    lines.pop(r.randrange(len(lines)))
    return b"\n".join(lines)


def a_line_twice(data: bytes, r: random.Random) -> bytes:
    lines = data.split(b"\n")
    lines.insert(r.randrange(len(lines)), r.choice(lines))
    return b"\n".join(lines)


def another_cell(data: bytes, r: random.Random) -> bytes:
    lines = data.split(b"\n")
    at = r.randrange(len(lines))
    mark = b"," if b"," in lines[at] else b"="
    cells = lines[at].split(mark)
    cells[r.randrange(len(cells))] = r.choice(CELLS)
    lines[at] = mark.join(cells)
    return b"\n".join(lines)


def cells_exchanged(data: bytes, r: random.Random) -> bytes:
    rows = [line.split(b",") for line in data.split(b"\n")]
    one, other = r.choice(rows), r.choice(rows)
    a, b = r.randrange(len(one)), r.randrange(len(other))
    one[a], other[b] = other[b], one[a]
    return b"\n".join(b",".join(row) for row in rows)


def other_line_ends(data: bytes, r: random.Random) -> bytes:
    return data.replace(b"\n", r.choice((b"\r", b"\r\n", b"\n\r", b"\x0b")), r.choice((-1, 1, 3)))


def another_encoding(data: bytes, r: random.Random) -> bytes:
    return data.decode().encode(r.choice(("utf-16", "utf-16-le", "utf-32", "utf-8-sig")))


def a_sign_more(data: bytes, r: random.Random) -> bytes:
    at = r.randrange(len(data) + 1)
    return data[:at] + r.choice(SIGNS) + data[at:]


def cut_off(data: bytes, r: random.Random) -> bytes:
    return data[: r.randrange(len(data) + 1)]


def next_to_nothing(data: bytes, r: random.Random) -> bytes:
    header = data.split(b"\n")[0]
    return r.choice((b"", b"\n", b"#", header, header + b"\n", b"\xef\xbb\xbf", b",,,\n,,,"))


def another_order(data: bytes, r: random.Random) -> bytes:
    lines = data.split(b"\n")
    r.shuffle(lines)
    return b"\n".join(lines)


DAMAGE: Final[tuple[Callable[[bytes, random.Random], bytes], ...]] = (
    flipped, a_line_less, a_line_twice, another_cell, another_cell, another_cell, cells_exchanged,
    other_line_ends, another_encoding, a_sign_more, cut_off, next_to_nothing, another_order,
)  # fmt: skip


def said(work: Callable[[], object]) -> LaterallineError | None:
    """What was said of an input; None when it did. Any other error fails the test."""
    try:
        work()
    except LaterallineError as e:
        return e
    return None


def is_sound(error: LaterallineError | None) -> bool:
    """Every fault says where and what would be right, on one line without signs that forge it."""
    if not isinstance(error, SiteFaultsError):
        return error is None or not wrong_sign(str(error))
    return all(
        f.must.startswith("must ") and "\n" not in str(f) and not wrong_sign(str(f))
        for f in error.faults
    )


def test_damaged_sites_end_in_a_record_or_in_faults(tmp_path: Path) -> None:
    sites = sorted(p.parent for p in SAMPLES.glob("*/site.toml"))
    read = 0
    for seed in range(SEEDS_OF_SITES):
        r = random.Random(seed)
        folder = tmp_path / "site"
        shutil.rmtree(folder, ignore_errors=True)
        shutil.copytree(r.choice(sites), folder)
        files = [p for p in sorted(folder.iterdir()) if p.suffix in (".csv", ".toml")]
        file = r.choice(files)
        file.write_bytes(r.choice(DAMAGE)(file.read_bytes(), r))
        error = said(partial(read_site, folder))
        assert is_sound(error), (seed, str(error))
        read += error is None
    assert 10 < read < SEEDS_OF_SITES - 100  # damage that harms nothing, and damage that does


@pytest.mark.parametrize("name", ["quarry-pnezd.txt", "quarry.gpx"])
def test_damaged_points_end_in_points_or_in_faults(tmp_path: Path, name: str) -> None:
    data = (SAMPLES / "survey-files" / name).read_bytes()
    crs = "EPSG:3734" if name.endswith("txt") else "EPSG:32617"
    imported = 0
    for seed in range(SEEDS_OF_POINTS):
        r = random.Random(seed)
        path = tmp_path / name
        path.write_bytes(r.choice(DAMAGE)(data, r))
        task = ImportTask((path,), default_codes(), "pnezd", horizontal=crs)
        error = said(partial(gather, task, lambda detection: detection.order))
        assert is_sound(error), (seed, str(error))
        imported += error is None
    assert 3 < imported < SEEDS_OF_POINTS - 3
