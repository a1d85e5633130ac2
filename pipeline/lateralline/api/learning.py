"""Accuracies learned from built records."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from lateralline.output import stamp, whole_file
from lateralline.record.learned import Calibration, CrewKey, Learned, as_toml, calibrated

__all__ = ["Calibration", "CrewKey", "Learned", "calibrate"]


def calibrate(records: Iterable[Path], out: Path, *, replace: bool = False) -> Calibration:
    """Learn accuracies from built records and write them to the file `out`.

    A site that names the file as `from` under [accuracy] is solved with them. Nothing is written
    when no accuracy rests on enough. Raises UnreadableError, OutputExistsError, OutputError.
    """
    found = calibrated(records)
    if found.told:
        with whole_file(out, "accuracies", replace=replace) as path:
            text = f"{as_toml(found)}\n# {stamp('accuracies')}\n"
            path.write_text(text, encoding="utf-8", newline="\n")
    return found
