"""Where in `site.toml` each key stands: the TOML reader keeps values, not lines."""

from __future__ import annotations

import re
from collections import Counter
from typing import TypeAlias

#: (section, which of the repeated ones, key) → line; the key "" is the section's heading.
Lines: TypeAlias = dict[tuple[str, int, str], int]

_HEADING = re.compile(r"\s*\[{1,2}\s*\"?([^\]\"]+?)\"?\s*\]")
_KEY = re.compile(r"\s*[\"']?([\w-]+)[\"']?\s*=")


def find_lines(text: str) -> Lines:
    """Return the line of each key written the plain way; keys written otherwise are left out.

    >>> find_lines('[[run]]\\nid = "R1"\\n[[run]]\\nid = "R2"')[("run", 1, "id")]
    4
    """
    lines: Lines = {}
    seen: Counter[str] = Counter()
    section, at = "", 0
    for number, line in enumerate(text.splitlines(), start=1):
        if m := _HEADING.match(line):
            section, at = m[1], seen[m[1]]
            seen[section] += 1
            lines.setdefault((section, at, ""), number)
        elif m := _KEY.match(line):
            lines.setdefault((section, at, m[1]), number)
    return lines
