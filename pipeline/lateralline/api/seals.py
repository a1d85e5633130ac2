"""Folders and files signed with a key of the user's, and whether they are as they were signed."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

from lateralline import __version__
from lateralline.output.proof import MANIFEST
from lateralline.output.sealed import SealError, SealVerdict, new_key, seal_output, verify_output
from lateralline.record import CAUTION
from lateralline.write.manifest import created_at

__all__ = ["SealError", "SealVerdict", "new_key", "seal", "verify"]

#: What the seal says itself of each site, beside the hash of the manifest that says it all.
_OF_SITE = ("id", "record_version", "valid_from", "accuracy", "units_as_given")


def seal(made: Path, key: Path, *, replace: bool = False) -> Sequence[str]:
    """Sign a folder or a file that `build`, `zones`, `sheet` or another command wrote.

    `seal.json` in the folder, FILE.seal.json beside a file, holds the SHA-256 of every file, of a
    record version and parameters of each site, and the Ed25519 signature by `key`. Returns the
    files that were changed since they were written: they are signed as they are now. Raises
    SealError, OutputExistsError, MissingExtraError.
    """
    try:
        said = json.loads((made / MANIFEST).read_text(encoding="utf-8"))
        sites = [{k: s.get(k) for k in _OF_SITE} for s in said.get("sites", ())]
    except (OSError, ValueError, AttributeError, TypeError):
        sites = []  # `seal_output` says what is wrong with the manifest
    about = {
        "caution": CAUTION,
        "lateralline": __version__,
        "sealed_at": created_at().isoformat().replace("+00:00", "Z"),
        "sites": sites,
    }
    return seal_output(made, key, about, replace=replace)


def verify(made: Path, public: Path | None = None) -> SealVerdict:
    """Return what the seal of a folder or file says of it now; SealError where there is none."""
    return verify_output(made, public)
