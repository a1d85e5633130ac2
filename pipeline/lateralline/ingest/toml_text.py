"""TOML as users write it: parsed within limits, the line of each key, and faults of its syntax.

The parser keeps values and no lines, and stops at the first sign it cannot place; a fault says how
the key on that line is written.
"""

from __future__ import annotations

import re
import tomllib
from collections import Counter, defaultdict
from collections.abc import Mapping
from typing import Any, Final, TypeAlias

from lateralline import contract
from lateralline.contract import Column
from lateralline.ingest.cells import hint_for, must_be
from lateralline.ingest.ledger import Ledger
from lateralline.ingest.limits import NESTED

#: (section, which of the repeated ones, key) → line; the key "" is the section's heading.
Lines: TypeAlias = dict[tuple[str, int, str], int]

_HEADING = re.compile(r"\s*\[{1,2}\s*\"?([^\]\"]+?)\"?\s*\]")
_TOO_DEEP = f"tables and lists stand in one another more than {NESTED} deep"
#: A key or heading of more parts than that: the reader takes minutes over one of thousands.
_MANY_PARTS = re.compile(rf"^[ \t]*\[*[ \t]*[\w-]+(?:[ \t]*\.[ \t]*[\w-]+){{{NESTED},}}", re.M)
_KEY = re.compile(r"\s*[\"']?([\w-]+)[\"']?\s*=")


def load_toml(text: str) -> dict[str, Any]:
    """Return what a text holds; raises ValueError, in words, for whatever it trips the reader.

    >>> load_toml("a = " + "[" * 50 + "]" * 50)
    Traceback (most recent call last):
        ...
    ValueError: tables and lists stand in one another more than 10 deep
    """
    if _MANY_PARTS.search(text):
        raise ValueError(_TOO_DEEP)
    try:
        data = tomllib.loads(text)
    except RecursionError:
        raise ValueError(_TOO_DEEP) from None
    within: list[object] = [data]
    for _ in range(NESTED):
        within = [v for held in within for v in _members(held)]
        if not within:
            return data
    raise ValueError(_TOO_DEEP)


def _members(held: object) -> list[object]:
    if isinstance(held, dict):
        return list(held.values())
    return held if isinstance(held, list) else []


def by_section(lines: Lines) -> Mapping[tuple[str, int], dict[str, int]]:
    """Return the lines of the keys of each section: (section, which of the repeated) → key → line.

    A section that is not there has none.
    """
    keys: defaultdict[tuple[str, int], dict[str, int]] = defaultdict(dict)
    for (section, at, key), line in lines.items():
        keys[section, at][key] = line
    return keys


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


# ---- faults of syntax ---------------------------------------------------------------------

_VALUE: Final = re.compile(r"[^=]*=\s*(.*?)\s*(?:#.*)?$")


def fault_of_toml(file: str, text: str, error: Exception, ledger: Ledger) -> None:
    """Note why `site.toml` could not be read: the key and its value, when the line holds one."""
    at = re.search(r"line (\d+)", str(error))
    line = int(at[1]) if at else 0
    found = _key_on(text, line)
    if found is None:
        hint = "text stands in quotes; see https://toml.io" if at else ""
        ledger.fault(file, line, "file", "", f"must be TOML: {error}", hint)
        return
    column, value = found
    must, hint = _written(column, value)
    ledger.fault(file, line, column.name, value, must, hint)


def _key_on(text: str, line: int) -> tuple[Column, str] | None:
    """Return the key that stands on a line, and what was written behind it; None = no known key."""
    named = ((section, key) for (section, _, key), n in find_lines(text).items() if n == line)
    section, key = next(named, ("", ""))
    columns = (c for c in contract.load("site").field if (c.section, c.name) == (section, key))
    value = _VALUE.match(text.splitlines()[line - 1]) if line else None
    if (column := next(columns, None)) is None or value is None:
        return None
    return column, value[1]


def _written(column: Column, value: str) -> tuple[str, str]:
    """Return what the value must be, and how it would be written."""
    must = must_be(column)
    bare = value.strip("\"'")
    if column.type == "text":
        return f"{must} in quotes", f'write {column.name} = "{bare}"' if bare else ""
    if column.type == "boolean":
        known = bare.casefold() if bare.casefold() in ("true", "false") else ""
        return must, f"write {known}" if known else ""
    if not bare.strip("?- "):
        return must, f"put # before {column.name} when it is not known"
    quoted = value.replace('"', '\\"')
    return must, hint_for(column, bare) or (f'write "{quoted}"' if column.unit_from else "")
