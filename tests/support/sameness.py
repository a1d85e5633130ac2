"""Whether two things hold the same, wherever their rows stood."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import fields, is_dataclass
from math import isnan
from typing import Final

import numpy as np

_OF_ROWS: Final = ("file", "row", "folder", "inputs", "findings")


def same(a: object, b: object, but: Collection[str] = ()) -> bool:
    """Equality through dataclasses of arrays, NaN being equal to NaN; not of where rows stood."""
    if is_dataclass(a) and type(a) is type(b):
        return all(
            same(getattr(a, f.name), getattr(b, f.name), but)
            for f in fields(a)
            if f.name not in _OF_ROWS and f.name not in but
        )
    if isinstance(a, np.ndarray) and isinstance(b, np.ndarray):
        return a.dtype.kind == b.dtype.kind and np.array_equal(a, b, equal_nan=a.dtype.kind == "f")
    if isinstance(a, tuple) and isinstance(b, tuple):
        return len(a) == len(b) and all(same(x, y, but) for x, y in zip(a, b, strict=True))
    if isinstance(a, float) and isinstance(b, float) and isnan(a):
        return isnan(b)
    return a == b
