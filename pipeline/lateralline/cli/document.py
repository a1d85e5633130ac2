"""What `--json` prints: one document, metres, no NaN."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

from lateralline import __version__, wording
from lateralline.api import CAUTION, SiteFailure, SiteSummary

if TYPE_CHECKING:
    from lateralline.api.records import SiteChanges


def batch_document(
    command: str,
    sites: Iterable[tuple[Path, SiteSummary]],
    failures: Iterable[SiteFailure],
    out: Path | None,
    exit_code: int,
) -> str:
    """Return the JSON text of a batch; numbers that are not known are null.

    `out` is the folder that was written, None when none was.
    """
    content = {
        **head(command, out, exit_code),
        "sites": [{"source": str(source), **asdict(summary)} for source, summary in sites],
        "failures": [{**asdict(failure), "source": str(failure.source)} for failure in failures],
    }
    return _text(content)


def update_document(changes: SiteChanges, out: Path, built: Path | None, exit_code: int) -> str:
    """Return the JSON text of an update: what moved, by how much, and what held."""
    from lateralline.api.records import plain

    folder = None if built is None else str(built)
    return _text({**head("update", out, exit_code), "built": folder, **plain(changes)})


def error_document(command: str, error: str, out: Path | None, exit_code: int) -> str:
    """Return the JSON text of a run that was refused; `out` is the folder it was to write."""
    return _text({**head(command, out, exit_code), "error": error, "sites": [], "failures": []})


def head(command: str, out: Path | None, exit_code: int) -> dict[str, object]:
    """Return what every document begins with; `out` is what was written, None for nothing."""
    return {
        "lateralline": __version__,
        "command": command,
        "caution": CAUTION,
        "out": None if out is None else str(out),
        "exit_code": exit_code,
    }


def _text(content: dict[str, object]) -> str:
    return json.dumps(_plain(content), indent=2, ensure_ascii=False, allow_nan=False)


def _plain(value: object) -> object:
    """Turn NaN and infinities into null and no-break spaces into plain ones, at any depth."""
    match value:
        case float():
            return value if math.isfinite(value) else None
        case str():
            return wording.plain(value)
        case dict():
            return {key: _plain(item) for key, item in value.items()}
        case list() | tuple():
            return [_plain(item) for item in value]
        case frozenset():
            return sorted(map(str, value))
    return value
