"""Two small pictures of a practice site, drawn here: invented, and saying so across the middle.

A PNG of four greys, stored and not packed: what packs bytes differs from machine to machine, and
the same site must give the same bytes.
"""

from __future__ import annotations

import struct
import zlib
from typing import Final

import numpy as np
import numpy.typing as npt

_WIDE, _HIGH = 160, 120
_BLACK, _DARK, _LIGHT, _WHITE = range(4)
_GREYS: Final = bytes(g for grey in (20, 96, 176, 244) for g in (grey,) * 3)
#: Letters of the one word that stands in each, seven rows of five dots.
_LETTERS: Final = {
    "I": (14, 4, 4, 4, 4, 4, 14),
    "N": (17, 25, 21, 21, 19, 17, 17),
    "V": (17, 17, 17, 17, 10, 10, 4),
    "E": (31, 16, 16, 30, 16, 16, 31),
    "T": (31, 4, 4, 4, 4, 4, 4),
    "D": (30, 17, 17, 17, 17, 17, 30),
}
_WORD: Final = "INVENTED"
_DOT: Final = 3


def kerb() -> bytes:
    """Return a picture of paint over a stop: a cross beside a kerb."""
    dots = _ground()
    dots[70:78, :] = _WHITE  # the kerb
    dots[92:96, 60:100] = _BLACK
    dots[80:110, 78:82] = _BLACK
    return _png(_with_word(dots))


def cleanout() -> bytes:
    """Return a picture of an open cleanout: a round lid beside a round hole."""
    dots = _ground()
    y, x = np.mgrid[:_HIGH, :_WIDE]
    dots[(x - 55) ** 2 + (y - 90) ** 2 < 20**2] = _BLACK
    dots[(x - 110) ** 2 + (y - 92) ** 2 < 20**2] = _DARK
    return _png(_with_word(dots))


def _ground() -> npt.NDArray[np.uint8]:
    dots = np.full((_HIGH, _WIDE), _LIGHT, dtype=np.uint8)
    dots[:50] = _WHITE  # sky
    return dots


def _with_word(dots: npt.NDArray[np.uint8]) -> npt.NDArray[np.uint8]:
    """Return a picture with the word across its sky."""
    rows = np.array([_LETTERS[letter] for letter in _WORD], dtype=np.uint8)
    bits = (rows[..., None] >> np.arange(5)[::-1]) & 1  # letter, row, column
    line = np.concatenate([np.pad(b, ((0, 0), (0, 1))) for b in bits], axis=1)
    large = np.kron(line, np.ones((_DOT, _DOT), dtype=np.uint8)).astype(bool)
    high, wide = large.shape
    dots[15 : 15 + high, 8 : 8 + wide][large] = _BLACK
    return dots


def _png(dots: npt.NDArray[np.uint8]) -> bytes:
    """Return dots (n, m) of 0 to 3 as a PNG (ISO 15948, from memory; Pillow reads it in tests)."""
    four = dots.reshape(_HIGH, _WIDE // 4, 4)
    packed = (four << np.array([6, 4, 2, 0], dtype=np.uint8)).sum(axis=2).astype(np.uint8)
    raw = b"".join(b"\0" + row.tobytes() for row in packed)
    stored = b"\x78\x01" + struct.pack("<BHH", 1, len(raw), len(raw) ^ 0xFFFF) + raw
    stored += struct.pack(">I", zlib.adler32(raw))
    head = struct.pack(">IIBBBBB", _WIDE, _HIGH, 2, 3, 0, 0, 0)
    said = b"Comment\0Invented: a drawing of a practice site, no photograph"
    parts = ((b"IHDR", head), (b"PLTE", _GREYS), (b"tEXt", said), (b"IDAT", stored), (b"IEND", b""))
    chunks = (
        struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
        for kind, data in parts
    )
    return b"\x89PNG\r\n\x1a\n" + b"".join(chunks)
