"""What a command shows of sites: findings by cause, and the whole of it as a file."""

from __future__ import annotations

from pathlib import Path

from lateralline.output import refuse_target, stamp, whole_file
from lateralline.record.ends import located_alone
from lateralline.record.grouped import FindingGroup, Told, grouped
from lateralline.terms import region_of, reworded, spoken, word

__all__ = [
    "FindingGroup",
    "Told",
    "grouped",
    "located_alone",
    "refuse_report",
    "region_of",
    "reworded",
    "spoken",
    "word",
    "write_report",
]


def write_report(out: Path, text: str, *, replace: bool = False) -> None:
    """Write what was printed of sites into a text file; raises as `output.whole_file` does."""
    with whole_file(out, "report", replace=replace) as made:
        made.write_text(f"{text.rstrip()}\n\n{stamp('report')}\n", encoding="utf-8", newline="\n")


def refuse_report(out: Path, *, replace: bool) -> None:
    """Raise OutputExistsError where a report may not be written, before anything is read."""
    refuse_target(out, "report", replace=replace)
