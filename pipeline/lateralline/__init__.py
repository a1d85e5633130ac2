"""Field marks over a buried drain in; an adjusted, honestly uncertain as-built record out.

    import lateralline

    site = lateralline.read("sample_sites/gnss-bend-branch")
    record = lateralline.build(site)
    record.layers["transmitter_fixes"]

What is imported so is in `lateralline.api`, and loaded when it is first asked for. Nothing made
here is a clearance to dig.

The matrices of a site are small: threads of a BLAS only wait for one another, several times longer
on a busy machine. So there is one, unless the environment says otherwise, or numpy was imported
before this.
"""

from __future__ import annotations

import os
from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from lateralline.api import (
        Findings,
        Record,
        Site,
        accept,
        build,
        build_per_crs,
        check,
        find_sites,
        load,
        read,
        upgrade,
    )

for _library in ("OPENBLAS", "MKL", "OMP"):
    os.environ.setdefault(f"{_library}_NUM_THREADS", "1")  # read when numpy is first imported

__version__ = "0.1.0"

__all__ = [
    "Findings",
    "Record",
    "Site",
    "accept",
    "build",
    "build_per_crs",
    "check",
    "find_sites",
    "load",
    "read",
    "upgrade",
]


def __getattr__(name: str) -> object:
    """Load what is asked for from `lateralline.api`; raises AttributeError for what is not there.

    >>> import lateralline
    >>> lateralline.nothing
    Traceback (most recent call last):
    AttributeError: module 'lateralline' has no attribute 'nothing'
    """
    if name in __all__:
        found: object = getattr(import_module("lateralline.api"), name)
        return found
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    """List what can be asked for, and nothing that is only used here."""
    return sorted([*__all__, *(name for name in globals() if name.startswith("__"))])
