"""What the numbers of one stop, or one line, must not do to the rest of a site.

A matrix without an inverse, a geometry that cannot be built, an array nobody can hold: numbers may
end like that however carefully they are looked at beforehand. Each stage works on all its stops, or
lines, at once; when that fails so, `without_culprits` finds those it fails for and does the rest.
The stage names them in a finding, so nothing is swallowed. Any other exception is a fault of the
program: it stops its site and is reported as one (`stages`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Final, TypeVar

import numpy as np
from shapely.errors import ShapelyError

T = TypeVar("T")
K = TypeVar("K", int, str)

#: How numbers fail, as against programs.
NUMERICAL: Final = (
    np.linalg.LinAlgError,
    FloatingPointError,
    OverflowError,
    MemoryError,
    ShapelyError,
)


def why(error: BaseException) -> str:
    """Say what failed, for a finding: the kind of failure and its first words."""
    words = str(error).strip().splitlines()
    return f"{type(error).__name__}: {words[0][:120]}" if words else type(error).__name__


def without_culprits(work: Callable[[Mapping[K, str]], T], names: Sequence[K]) -> T:
    """Return what `work` makes without those of `names` it fails for.

    `work` is given what to leave out, and why. Halving finds those that fail by themselves; should
    the others fail only together, they come in one after another. Raises the failure when nothing
    that could be left out mends it.
    """
    try:
        return work({})
    except NUMERICAL as e:
        whole = e
    if not names:
        raise whole
    failed = _by_themselves(work, names, names)
    try:
        return work(failed)
    except NUMERICAL:
        pass
    kept: list[K] = []
    for name in names:
        if name in failed:
            continue
        without = {n: "" for n in names if n not in kept and n != name}
        try:
            work(without)
        except NUMERICAL as e:
            failed[name] = why(e)
        else:
            kept.append(name)
    return work(failed)


def _by_themselves(
    work: Callable[[Mapping[K, str]], T], names: Sequence[K], some: Sequence[K]
) -> dict[K, str]:
    """Return those of `some` for which `work` fails without all others, and why."""
    try:
        work({n: "" for n in names if n not in set(some)})
    except NUMERICAL as e:
        if len(some) == 1:
            return {some[0]: why(e)}
        half = len(some) // 2
        return _by_themselves(work, names, some[:half]) | _by_themselves(work, names, some[half:])
    return {}
